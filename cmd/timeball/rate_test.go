package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// museumYear is a year of the Gannet Head master clock as fixes see it: gaining
// 2e-9, ageing 1e-11 a day, a fix every other day to 0.2 ms, retarded by 30 ms
// on day 100.5 and trimmed by -8 divisions of 2.5e-10 on day 200.5.
func museumYear(rng *rand.Rand) (lines string, offset func(days float64) float64) {
	offset = func(d float64) float64 {
		x := .005 + 86400*(2e-9*d+1e-11*d*d/2)
		if d > 100.5 {
			x -= .03
		}
		if d > 200.5 {
			x -= 86400 * 8 * 2.5e-10 * (d - 200.5)
		}
		return x
	}
	start := time.Date(2026, 1, 1, 18, 0, 0, 0, time.UTC)
	var b strings.Builder
	for d := 0.0; d <= 364; d += 2 {
		x := offset(d) + 2e-4*rng.NormFloat64()
		fmt.Fprintf(&b, `{"schema":"timeball.fix/1","verdict":"fix","offset_s":%.9f,"u_s":2e-4,"at":%q}`+"\n", x, start.Add(time.Duration(d*24)*time.Hour).Format(time.RFC3339))
	}
	return b.String(), offset
}

func museumBook(t *testing.T) (book, func(days float64) float64) {
	b := newBook(t)
	lines, offset := museumYear(rand.New(rand.NewPCG(1, 2)))
	b.run(exitOK, lines, "log", "import", "-")
	b.run(exitOK, "", "log", "adjust", "--retard", "30ms", "--time", "2026-04-12T06:00:00Z")
	b.run(exitOK, "", "log", "adjust", "--anticlockwise", "8", "--time", "2026-07-21T06:00:00Z")
	return b, offset
}

func TestRateOfMuseumYear(t *testing.T) {
	b, offset := museumBook(t)
	out, _ := b.run(exitOK, "", "rate", "--json", "--tolerance", "100ms", "--time", "2026-12-31T18:00:00Z")
	var r rateJSON
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if r.Schema != "timeball.rate/1" || r.Epoch == nil || !r.Epoch.Equal(time.Date(2026, 12, 31, 18, 0, 0, 0, time.UTC)) {
		t.Errorf("schema %q, epoch %v", r.Schema, r.Epoch)
	}
	within := func(what string, got, want, u, most float64) {
		if math.Abs(got-want) > 3*u || u > most {
			t.Errorf("%s %g ± %g, truth %g", what, got, u, want)
		}
	}
	within("offset", r.Offset, offset(364), r.UOffset, 2e-4)
	within("rate", r.Y, 2e-9+364e-11-8*2.5e-10, r.UY, 2e-10)
	within("ageing", r.Ageing, 1e-11, r.UAgeing, 3e-12)
	for _, f := range r.Forecast {
		days := f.At.Sub(time.Date(2026, 1, 1, 18, 0, 0, 0, time.UTC)).Hours() / 24
		within(fmt.Sprintf("forecast for day %.0f", days), f.Offset, offset(days), f.U, .2)
	}
	if len(r.Forecast) != 6 || len(r.Changes) != 2 || len(r.Fixes.Outliers) > 0 {
		t.Errorf("%d forecasts, %d changes, outliers %v", len(r.Forecast), len(r.Changes), r.Fixes.Outliers)
	}
	a := r.Advice
	if a.Division == nil {
		t.Fatal("the dial was not learnt")
	}
	within("division", *a.Division, 2.5e-10, *a.UDivision, 5e-11)
	within("trim", a.Trim, -(2e-9 + 364e-11 - 8*2.5e-10), a.UTrim, 2e-10)
	// The true offset leaves +100 ms on the day found by bisection.
	lo, hi := 364.0, 900.0
	for hi-lo > .01 {
		if m := (lo + hi) / 2; offset(m) > .1 {
			hi = m
		} else {
			lo = m
		}
	}
	leaves := time.Date(2026, 1, 1, 18, 0, 0, 0, time.UTC).Add(time.Duration(lo*24) * time.Hour)
	if a.Leaves == nil || math.Abs(a.Leaves.Sub(leaves).Hours()) > 20*24 || a.LeavesEarliest.After(leaves) {
		t.Errorf("leaves %v, earliest %v, truth %v", a.Leaves, a.LeavesEarliest, leaves)
	}
	kinds := map[string]bool{}
	for _, d := range r.Deviations {
		kinds[string(d.Kind)] = true
		if !(d.CI95[0] < d.Value && d.Value < d.CI95[1]) || d.Floor == nil {
			t.Errorf("deviation %+v", d)
		}
	}
	for _, k := range []string{"adev", "oadev", "mdev", "tdev", "hdev", "ohdev"} {
		if !kinds[k] {
			t.Errorf("no %s", k)
		}
	}
}

func TestRateText(t *testing.T) {
	b, _ := museumBook(t)
	out, _ := b.run(exitOK, "", "rate", "--time", "2027-01-30T18:00:00Z")
	for _, want := range []string{
		`At the last fix, 2026-12-31 18:00 UTC, the clock was [\d.]+ ± [\d.]+ ms ahead of UTC`,
		`Now, 2027-01-30 18:00 UTC, it is expected to be [\d.]+ ± [\d.]+ ms ahead of UTC`,
		`It gains [\d.]+ ± [\d.]+ µs a day \(3\.\de-09\)`,
		`lower its frequency by [\d.]+ ± [\d.]+ parts in 1e10 \(\d+ µs a day\): turn the dial [\d.]+ ± [\d.]+ divisions anticlockwise`,
		`retard it by`,
		`The next attempt is worth making from 2027-(01-3|0[2-9]|1)`,
		`none interpolated`,
		`overlapping Allan deviation \(oadev\) +2 d .* white PM +2e-09`, // floor: √3 · 0.2 ms in 2 days (IEEE Std 1139)
	} {
		if !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("text lacks %s:\n%s", want, out)
		}
	}
	if strings.Contains(out, "mdev") {
		t.Errorf("more than one kind of deviation unasked:\n%s", out)
	}
	if out, _ := b.run(exitOK, "", "rate", "--time", "2027-01-30", "--deviation", "mdev,tdev"); strings.Contains(out, "oadev") || !strings.Contains(out, "mdev") || !strings.Contains(out, "tdev") || !strings.Contains(out, "Now, 2027-01-30 00:00 UTC") {
		t.Errorf("not what was asked for:\n%s", out)
	}
}

// Two stations of one evening that contradict each other are named and widened.
func TestRateOfStationsThatDisagree(t *testing.T) {
	b := newBook(t)
	for day := range 6 {
		for i, id := range []string{"wwv", "chu"} {
			x := 2e-3
			if day == 3 && i == 1 {
				x += 0.9e-3
			}
			at := time.Date(2026, 3, 10+day, 18+2*i, 0, 0, 0, time.UTC)
			b.run(exitOK, fmt.Sprintf(`{"schema":"timeball.fix/1","verdict":"fix","offset_s":%g,"u_s":1e-4,"at":%q,"stations":[{"id":%q}]}`, x, at.Format(time.RFC3339), id), "log", "import", "-")
		}
	}
	out, _ := b.run(exitOK, "", "rate")
	if want := `On 2026-03-13 WWV and CHU disagree by 900 µs, more than u = \d+ µs allows: the 2 fixes of that day are widened \d\.\d times`; !regexp.MustCompile(want).MatchString(out) {
		t.Errorf("text lacks %s:\n%s", want, out)
	}
	out, _ = b.run(exitOK, "", "rate", "--json")
	if !strings.Contains(out, `"day":"2026-03-13","stations":["wwv","chu"],"entries":[7,8]`) {
		t.Errorf("no disagreement in %s", out)
	}
}

func TestRatePicturesAndReport(t *testing.T) {
	b, _ := museumBook(t)
	dir := t.TempDir()
	pngFile, svgFile, page := filepath.Join(dir, "a.png"), filepath.Join(dir, "a.svg"), filepath.Join(dir, "a.html")
	b.run(exitOK, "", "rate", "--plot", pngFile, "--report", page)
	b.run(exitOK, "", "rate", "--plot", svgFile)
	f, err := os.Open(pngFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if img, err := png.Decode(f); err != nil || img.Bounds().Dx() < 600 {
		t.Errorf("PNG: %v", err)
	}
	svg, err := os.ReadFile(svgFile)
	if err != nil {
		t.Fatal(err)
	}
	if err := xml.Unmarshal(svg, new(struct{ XMLName xml.Name })); err != nil {
		t.Errorf("SVG: %v", err)
	}
	html, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	text := string(html)
	for _, want := range []string{"<h2>Findings</h2>", "<h2>Forecast</h2>", "<h2>Stability</h2>", "@media print", "It gains"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %s", want)
		}
	}
	if n := strings.Count(text, "<svg"); n != 3 {
		t.Errorf("%d pictures", n)
	}
	// Self-contained: nothing is fetched.
	if m := regexp.MustCompile(`<script|<link|src=|url\(|@import`).FindString(text); m != "" {
		t.Errorf("the report has %q", m)
	}
}

// TestRateOfColumn: the nine-point frequency record of NBS Monograph 140, annex
// 8.E, with the deviations of NIST SP 1065, table 29.
func TestRateOfColumn(t *testing.T) {
	column := "# frequency\n892\n809\n823\n798\n671\n\n644\n883\n903\n677\n"
	out, _ := newBook(t).run(exitOK, column, "rate", "--data", "-", "--kind", "frequency", "--interval", "1s", "--json")
	var r map[string]any
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"schema", "epoch", "offset_s", "u_offset_s", "y", "u_y", "ageing_per_day", "u_ageing_per_day", "noise", "deviations", "forecast"} {
		if _, ok := r[key]; !ok {
			t.Errorf("no %q in %s", key, out)
		}
	}
	got := map[string]string{}
	for _, v := range r["deviations"].([]any) {
		d := v.(map[string]any)
		got[fmt.Sprintf("%v %v", d["kind"], d["m"])] = fmt.Sprintf("%.5e", d["value"])
	}
	for key, want := range map[string]string{"adev 1": "9.12294e+01", "adev 2": "1.15808e+02", "oadev 2": "8.59529e+01", "mdev 2": "7.47885e+01",
		"tdev 2": "8.63583e+01", "hdev 2": "1.16798e+02", "ohdev 2": "8.56149e+01", "totdev 2": "9.39038e+01"} {
		if got[key] != want {
			t.Errorf("%s = %s, published %s", key, got[key], want)
		}
	}
}

func TestRateMistakes(t *testing.T) {
	one := fixLines
	for _, c := range []struct {
		status int
		stdin  string
		says   string
		args   []string
	}{
		{exitFailed, "", "there is no logbook", []string{"rate"}},
		{exitUsage, "", "must end in .html", []string{"rate", "--report", "a.pdf"}},
		{exitUsage, "", "deviation", []string{"rate", "--deviation", "variance"}},
		{exitUsage, "", ".png or .svg", []string{"rate", "--plot", "a.pdf"}},
		{exitUsage, "", "kind", []string{"rate", "--data", "-", "--kind", "period"}},
		{exitFailed, "1\ntwo\n", "line 2", []string{"rate", "--data", "-"}},
		{exitFailed, "1\n-2e9\n", "line 2", []string{"rate", "--data", "-"}},
		{exitFailed, "1\n" + strings.Repeat("0", 1<<17), "line 2", []string{"rate", "--data", "-"}},
		{exitFailed, "1\n2\n", "at least four", []string{"rate", "--data", "-"}},
	} {
		b := newBook(t)
		if _, errs := b.run(c.status, c.stdin, c.args...); !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: %q, want one line that says %q", c.args, errs, c.says)
		}
		if _, err := os.Stat(b.path); err == nil {
			t.Errorf("%v made a logbook", c.args)
		}
	}
	b := newBook(t)
	b.run(exitOK, one, "log", "import", "-")
	if _, errs := b.run(exitNoFix, "", "rate"); !strings.Contains(errs, "at least two fixes") {
		t.Errorf("one fix: %q", errs)
	}
	if _, errs := b.run(exitFailed, "", "rate", "--clock", "regulator"); !strings.Contains(errs, "it has: main") {
		t.Errorf("other clock: %q", errs)
	}
}

// busyYear is 100,000 fixes in a year of a clock with noise, steps and trims,
// logged and not, and one bad fix in a hundred.
func busyYear(rng *rand.Rand) *bytes.Buffer {
	const n, dt = 100000, 315.36 // s
	const days = dt / 86400
	lines := new(bytes.Buffer)
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	steps := map[int]float64{20000: -.01, 45000: .012, 52000: .003, 70000: -.02}
	trims := map[int]float64{30000: -3e-9, 60000: 2e-9, 85000: -1e-9, 90000: 2e-9}
	x, y := .002, 2e-9
	for i := range n {
		at := start.Add(time.Duration(i) * time.Duration(dt*1e9))
		stamp := at.Format(time.RFC3339Nano)
		if by, ok := steps[i]; ok {
			x += by
			if i != 52000 {
				fmt.Fprintf(lines, `{"schema":"timeball.adjustment/1","at":%q,"kind":"step","step_s":%g}`+"\n", stamp, by)
			}
		}
		if by, ok := trims[i]; ok {
			y += by
			if i != 90000 {
				fmt.Fprintf(lines, `{"schema":"timeball.adjustment/1","at":%q,"kind":"trim","trim_y":%g}`+"\n", stamp, by)
			}
		}
		fix := x + 3e-4*rng.NormFloat64()
		if rng.IntN(100) == 0 {
			fix += .005 * rng.Float64()
		}
		fmt.Fprintf(lines, `{"schema":"timeball.fix/1","verdict":"fix","offset_s":%.9f,"u_s":3e-4,"at":%q}`+"\n", fix-math.Round(fix), stamp)
		x += y*dt + 1e-10*86400*math.Sqrt(days)*rng.NormFloat64()
		y += 1e-11*days + 2e-11*math.Sqrt(3*days)*rng.NormFloat64()
	}
	return lines
}

// BenchmarkRate100000 runs rate as a person would, in a process of its own, on
// 100,000 fixes, and tells its time on the clock and on the processor.
func BenchmarkRate100000(b *testing.B) {
	dir := b.TempDir()
	program, path := filepath.Join(dir, "timeball"), filepath.Join(dir, "logbook.sqlite")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	fill := exec.Command(program, "log", "import", "--logbook", path, "-")
	fill.Stdin = busyYear(rand.New(rand.NewPCG(1, 3)))
	if out, err := fill.CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	processor := 0.0
	for b.Loop() {
		c := exec.Command(program, "rate", "--logbook", path)
		if out, err := c.CombinedOutput(); err != nil {
			b.Fatalf("%v\n%s", err, out)
		}
		processor += (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds()
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/100000_fixes")
	b.ReportMetric(processor/float64(b.N), "cpu-s/100000_fixes")
}
