// Command timeball-bench judges the estimator: it measures simulated recordings,
// whose truth the estimator does not see, class by class, and prints how far
// off it is and how often its interval holds the truth.
package main

import (
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"regexp"
	"runtime"
	"slices"
	"time"
)

func main() {
	var o options
	var names []string
	flag.Func("class", "class, by its `name` as it is printed; may repeat (all); -n 0 lists them", func(name string) error {
		names = append(names, name)
		return nil
	})
	patterns := flag.Bool("regexp", false, "-class gives regular expressions that match a part of the name")
	flag.BoolVar(&o.reduced, "reduced", false, "only the classes that a change is judged by first")
	flag.IntVar(&o.n, "n", 40, "recordings a class; of 30 minutes and more a tenth, but one at least")
	flag.Uint64Var(&o.first, "seed", 1, "first seed")
	flag.IntVar(&o.jobs, "jobs", runtime.NumCPU(), "recordings measured at a time")
	flag.StringVar(&o.csv, "csv", "", "file to write, one row a class")
	flag.StringVar(&o.history, "history", "", "file to append the run to, with commit and date")
	flag.StringVar(&o.outcomes, "outcomes", "", "file to which what came of each recording is appended at once; those in it are not measured again")
	flag.BoolVar(&o.verbose, "v", false, "print every recording")
	difference := flag.String("difference", "", "print what changed between the last two runs of this history, and end")
	flag.Parse()
	err := func() (err error) {
		if *difference != "" {
			return compare(os.Stdout, *difference)
		}
		if o.chosen, err = choose(names, *patterns); err != nil {
			return err
		}
		return bench(os.Stdout, o)
	}()
	if err != nil {
		fmt.Fprintln(os.Stderr, "timeball-bench:", err)
	}
	switch {
	case errors.Is(err, errNoClass):
		os.Exit(2)
	case err != nil:
		os.Exit(1)
	}
}

// errNoClass is a mistake in what was asked for.
var errNoClass = errors.New("there is no such class: -n 0 lists them")

// choose returns what tells by its name whether a class is wanted. Every name, and
// every pattern, must fit one.
func choose(names []string, patterns bool) (func(string) bool, error) {
	if len(names) == 0 {
		return func(string) bool { return true }, nil
	}
	var all []*regexp.Regexp
	for _, name := range names {
		text := name
		if !patterns {
			text = "^" + regexp.QuoteMeta(name) + "$"
		}
		r, err := regexp.Compile(text)
		if err != nil {
			return nil, fmt.Errorf("-class %s: %w", name, errors.Join(errNoClass, err))
		}
		if !slices.ContainsFunc(classes(), func(c class) bool { return r.MatchString(c.name) }) {
			return nil, fmt.Errorf("-class %s: %w", name, errNoClass)
		}
		all = append(all, r)
	}
	return func(name string) bool {
		return slices.ContainsFunc(all, func(r *regexp.Regexp) bool { return r.MatchString(name) })
	}, nil
}

type options struct {
	chosen           func(name string) bool
	reduced, verbose bool
	n, jobs          int
	first            uint64
	csv, history     string
	outcomes         string
}

// bench judges the chosen classes, prints the table as it grows and keeps it.
func bench(w io.Writer, o options) (err error) {
	runtime.GOMAXPROCS(o.jobs)
	var kept *outcomes
	if o.outcomes != "" {
		if kept, err = openOutcomes(o.outcomes); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, kept.close()) }()
	}
	began, at := time.Now(), ""
	if o.history != "" { // before hours of work whose commit nobody knows
		if at, err = commit(); err != nil {
			return err
		}
	}
	var summaries []summary
	fmt.Fprintf(w, "%s\n\n%s\n", legend, columns)
	held, timed := 0, 0
	for _, c := range classes() {
		if !o.chosen(c.name) || o.reduced && !slices.Contains(reduced, c.name) {
			continue
		}
		s := judge(c, kept, o.n, o.jobs, o.first)
		if o.verbose {
			for _, r := range s.outcomes {
				fmt.Fprintln(w, r)
			}
		}
		fmt.Fprintln(w, s)
		held, timed = held+s.held, timed+s.timed
		summaries = append(summaries, s)
	}
	fmt.Fprintf(w, "held in all, %d fixes: %s %%\n", timed, coverage(held, timed))
	printFalse(w, summaries)
	var errs []error
	if o.csv != "" {
		errs = append(errs, writeCSV(o.csv, summaries))
	}
	if o.history != "" {
		errs = append(errs, record(o.history, at, began, summaries))
	}
	return errors.Join(errs...)
}

func writeCSV(path string, summaries []summary) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	w.Write(header)
	for _, s := range summaries {
		w.Write(s.row())
	}
	w.Flush()
	return errors.Join(w.Error(), f.Close())
}

func compare(w io.Writer, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	runs, err := readHistory(f)
	if err == nil {
		err = printDifference(w, runs)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
