package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"timeball/capture/simulate"
)

// Every class can be made, has a name of its own, and those of the reduced set
// are among them.
func TestClasses(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range classes() {
		if seen[c.name] {
			t.Errorf("two classes are called %q", c.name)
		}
		seen[c.name] = true
		for seed := range uint64(3) {
			if _, err := simulate.New(c.config(rand.New(rand.NewPCG(seed, 0)))); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
		}
	}
	for _, name := range reduced {
		if !seen[name] {
			t.Errorf("the reduced set names %q, which is no class", name)
		}
	}
}

// The bound is that of 174 ticks of 5 ms at 0 dB: 29.27 us for one (exact
// spectrum) by the square root of their number. The closed form is within 1 %.
func TestBound(t *testing.T) {
	for _, c := range classes() {
		if c.name != "white wwv +0 dB 3 min" {
			continue
		}
		config := c.config(rand.New(rand.NewPCG(1, 0)))
		if got, want := bound(config), 29.27e-6/math.Sqrt(171); math.Abs(got/want-1) > 0.01 {
			t.Errorf("%.3g s, want %.3g s", got, want)
		}
		config.Paths = append(config.Paths, config.Paths[0])
		if got := bound(config); !math.IsNaN(got) {
			t.Errorf("%.3g s for two paths, of which it knows nothing", got)
		}
	}
}

// The band is where the observed count lies in a tail of 2.5 % (the definition;
// the tails are summed by the binomial distribution).
func TestBinomialBand(t *testing.T) {
	for _, c := range [][2]int{{0, 10}, {10, 10}, {38, 40}, {380, 400}} {
		k, n := c[0], c[1]
		lo, hi := binomialBand(k, n)
		if k > 0 {
			if tail := 1 - (distuv.Binomial{N: float64(n), P: lo}).CDF(float64(k-1)); math.Abs(tail-0.025) > 1e-6 {
				t.Errorf("%d of %d: %g above the lower end %g", k, n, tail, lo)
			}
		} else if lo != 0 {
			t.Errorf("%d of %d: lower end %g", k, n, lo)
		}
		if k < n {
			if tail := (distuv.Binomial{N: float64(n), P: hi}).CDF(float64(k)); math.Abs(tail-0.025) > 1e-6 {
				t.Errorf("%d of %d: %g below the upper end %g", k, n, tail, hi)
			}
		} else if hi != 1 {
			t.Errorf("%d of %d: upper end %g", k, n, hi)
		}
	}
}

// A summary counts what came of the recordings.
func TestSummary(t *testing.T) {
	nan := math.NaN()
	s := summarise("x", []outcome{
		{found: true, err: 3e-6, mean: 3e-6, u: 5e-6, bound: 2e-6, held: true, timedBy: "only arrival", firstFix: 8},
		{found: true, err: -1e-6, mean: -4e-6, u: 1e-6, bound: 2e-6, slip: true, timedBy: "earliest arrival", firstFix: 30},
		{found: true, err: nan, wrong: true, bound: 2e-6, firstFix: nan},
		{err: nan, bound: 2e-6, firstFix: nan},
	})
	near := func(what string, got, want float64) {
		if math.Abs(got/want-1) > 1e-9 {
			t.Errorf("%s %g, want %g", what, got, want)
		}
	}
	near("bias", s.bias, 1e-6)
	near("rms", s.rms, math.Sqrt(5)*1e-6)
	near("rms to the mean", s.rmsMean, math.Sqrt(12.5)*1e-6)
	near("u", s.u, 3e-6)
	near("bound", s.bound, 2e-6)
	near("first fix within 20 s", s.in20, 0.25)
	if got, want := [...]int{s.fixes, s.timed, s.wrong, s.slips, s.held, s.earliest, s.only, s.mean}, [...]int{3, 2, 1, 1, 1, 1, 1, 0}; got != want {
		t.Errorf("counts %v, want %v", got, want)
	}
}

// What is kept of two runs is read back, and their difference told.
func TestHistory(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.csv")
	began := time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC)
	run := func(commit string, err float64, names ...string) {
		t.Helper()
		var all []summary
		for _, name := range names {
			all = append(all, summarise(name, []outcome{{found: true, err: err, mean: err, u: 2e-6, bound: math.NaN(), held: true, firstFix: math.NaN()}}))
		}
		if err := record(path, commit, began, all); err != nil {
			t.Fatal(err)
		}
	}
	run("aaa", 9e-6, "oldest")
	run("bbb", 4e-6, "kept", "dropped")
	run("ccc", 2e-6, "kept", "added")
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	runs, err := readHistory(f)
	if err != nil || len(runs) != 3 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	var out bytes.Buffer
	if err := printDifference(&out, runs); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"from bbb", "to   ccc", "4 > 2", "0.50", "added", "dropped"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is missing from\n%s", want, out.String())
		}
	}
	if strings.Contains(out.String(), "oldest") {
		t.Errorf("tells of a run before the last two:\n%s", out.String())
	}
	if err := printDifference(&out, runs[:1]); err == nil {
		t.Error("no error for a single run")
	}
}

// A run that was ended counts for what it did: the next one reads it and goes on.
func TestOutcomes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "outcomes.csv")
	nan := math.NaN()
	want := outcome{seed: 7, found: true, err: -1.25e-6, mean: nan, u: 3e-6, bound: 1e-7, held: true, timedBy: "only arrival", firstFix: nan, took: 2.5, reason: `align.NoTick{Why:"a, b"}`}
	o, err := openOutcomes(path)
	if err != nil {
		t.Fatal(err)
	}
	o.write(want.row("a, class"))
	if err := o.close(); err != nil {
		t.Fatal(err)
	}
	if o, err = openOutcomes(path); err != nil {
		t.Fatal(err)
	}
	defer o.close()
	// The class cannot be measured: what is returned was read.
	if got := o.measure(class{name: "a, class"}, 7); !reflect.DeepEqual(got.row(""), want.row("")) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// A class is chosen by its name as it is printed, or by a pattern.
func TestChoose(t *testing.T) {
	const name = "white wwv +0 dB 3 min"
	for _, tt := range []struct {
		names    []string
		patterns bool
		want     bool
		err      error
	}{
		{nil, false, true, nil},
		{[]string{name}, false, true, nil},
		{[]string{"white wwv +5 dB 3 min", name}, false, true, nil},
		{[]string{"white wwv"}, false, false, errNoClass},
		{[]string{"^white wwv "}, true, true, nil},
		{[]string{"("}, true, false, errNoClass},
		{[]string{name, "nothing"}, true, false, errNoClass},
	} {
		chosen, err := choose(tt.names, tt.patterns)
		if !errors.Is(err, tt.err) || err == nil && chosen(name) != tt.want {
			t.Errorf("%q, patterns %v: %v", tt.names, tt.patterns, err)
		}
	}
}

// What ACCURACY.md states of a class can be measured again.
func TestAccuracyNamesClasses(t *testing.T) {
	text, err := os.ReadFile("ACCURACY.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "| class |")
	table, _, _ = strings.Cut(table, "\n\n")
	var names []string
	for line := range strings.Lines(table) {
		if cell := strings.Split(line, "`"); len(cell) > 1 && strings.HasPrefix(line, "| `") {
			names = append(names, cell[1])
		}
	}
	if _, err := choose(names, false); err != nil || len(names) < 40 {
		t.Errorf("%d classes: %v", len(names), err)
	}
}

// Of n recordings without a fault the rate is at most 1 − 0.05^(1/n), 95 %.
func TestFalseRateLimit(t *testing.T) {
	var out bytes.Buffer
	half := func(name string, n int) summary {
		return summary{name: name + ": noise", outcomes: make([]outcome, n), s: 2}
	}
	printFalse(&out, []summary{half(openHalf, 400), half(keptHalf, 600)})
	want := fmt.Sprintf("free: 0 fixes or offsets without a station in 1000 recordings, rate at most %.2f %%", 100*(1-math.Pow(0.05, 1e-3)))
	if lines := strings.Split(out.String(), "\n"); len(lines) != 4 || !strings.HasPrefix(lines[2], want) || !strings.HasSuffix(lines[2], "2.0 s each") {
		t.Errorf("%s, want %s", out.String(), want)
	}
}
