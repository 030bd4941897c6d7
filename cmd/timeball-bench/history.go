package main

import (
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The history is a CSV file, a row a class and run: when and at which commit,
// then the columns of header. Rows of one run stand together.

// commit is the one that is checked out; -dirty: with changes.
func commit() (string, error) {
	out, err := exec.Command("git", "describe", "--always", "--dirty", "--match=").Output()
	if err != nil {
		return "", fmt.Errorf("git cannot tell which commit this is: %w", err)
	}
	return strings.TrimSpace(string(out)), nil
}

// record appends a run, begun at the given time, to the history in path.
func record(path, commit string, began time.Time, summaries []summary) error {
	_, err := os.Stat(path)
	fresh := errors.Is(err, fs.ErrNotExist)
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	if fresh {
		w.Write(append([]string{"date", "commit"}, header...))
	}
	for _, s := range summaries {
		w.Write(append([]string{began.UTC().Format(time.RFC3339), commit}, s.row()...))
	}
	w.Flush()
	return errors.Join(w.Error(), f.Close())
}

// earlier is a run of the history.
type earlier struct {
	date, commit string
	classes      []string                     // in order
	rows         map[string]map[string]string // by class and column
}

// readHistory returns the runs of a history, the oldest first.
func readHistory(r io.Reader) ([]earlier, error) {
	all, err := csv.NewReader(r).ReadAll()
	if err != nil {
		return nil, err
	}
	var runs []earlier
	for i, cells := range all {
		if i == 0 {
			continue
		}
		row := map[string]string{}
		for j, name := range all[0] {
			row[name] = cells[j]
		}
		if n := len(runs); n == 0 || runs[n-1].date != row["date"] || runs[n-1].commit != row["commit"] {
			runs = append(runs, earlier{date: row["date"], commit: row["commit"], rows: map[string]map[string]string{}})
		}
		last := &runs[len(runs)-1]
		last.classes = append(last.classes, row["class"])
		last.rows[row["class"]] = row
	}
	return runs, nil
}

// printDifference writes what changed between the last two runs of a history.
func printDifference(w io.Writer, runs []earlier) error {
	if len(runs) < 2 {
		return errors.New("the history holds fewer than two runs")
	}
	before, after := runs[len(runs)-2], runs[len(runs)-1]
	fmt.Fprintf(w, "from %s, %s\nto   %s, %s\n", before.commit, before.date, after.commit, after.date)
	fmt.Fprintf(w, "%-46s %-15s %-19s %-8s %-19s %-15s %-7s %-7s\n", "class", "fixes", "rms us", "times", "u us", "held", "wrong", "slips")
	for _, class := range after.classes {
		b, a := before.rows[class], after.rows[class]
		if b == nil {
			fmt.Fprintf(w, "%-46s new\n", class)
			continue
		}
		change := func(column string) string { return cmp.Or(b[column], "-") + " > " + cmp.Or(a[column], "-") }
		of := func(column, total string) string {
			return fmt.Sprintf("%s/%s > %s/%s", b[column], b[total], a[column], a[total])
		}
		times := "-"
		if x, err := strconv.ParseFloat(b["rms_us"], 64); err == nil {
			if y, err := strconv.ParseFloat(a["rms_us"], 64); err == nil {
				times = fmt.Sprintf("%.2f", y/x)
			}
		}
		fmt.Fprintf(w, "%-46s %-15s %-19s %-8s %-19s %-15s %-7s %-7s\n", class, of("fixes", "recordings"), change("rms_us"), times,
			change("mean_u_us"), of("held", "timed"), change("wrong"), change("slips"))
	}
	for _, class := range before.classes {
		if !slices.Contains(after.classes, class) {
			fmt.Fprintf(w, "%-46s not run again\n", class)
		}
	}
	return nil
}
