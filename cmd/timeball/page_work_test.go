package main

import (
	"io"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/testkit"
	"timeball/cmd/timeball/internal/view"
)

// demoWork is the measurement of the demo's recording with a page.
func demoWork(t testing.TB, address pageAddress) (*pageWork, *wavfile.Reader, string) {
	t.Helper()
	flags := measureFlags{Station: []string{"wwv", "hla"}, PathDelay: []stationDelay{{delay: delay{seconds: 25.1e-3}}}}
	settings, err := flags.settings("")
	if err != nil {
		t.Fatal(err)
	}
	src, err := wavfile.Open(demoFile)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	w, link, err := newPageWork(address, src.Info(), settings, false, "Gannet Head", 1e-3)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.page.Close() })
	return w, src, link
}

// feed passes what is left of src to w, and calls each at every second.
func feed(t testing.TB, w measurement, src capture.Source, each func(align.Second)) {
	t.Helper()
	var b, part capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for from := 0; from < b.Len(); from += part.Len() { // as small as a sound card's
			part = capture.Block{Position: b.Position + int64(from)}
			for _, x := range b.Channels {
				part.Channels = append(part.Channels, x[from:min(len(x), from+160)])
			}
			if s, ok := w.Process(&part); ok {
				each(s)
			}
		}
	}
}

// What is measured is the same with a page as without one.
func TestPageChangesNothing(t *testing.T) {
	t.Parallel()
	w, src, _ := demoWork(t, page.Default)
	plain, again, _ := demoWork(t, page.Default)
	var a, b []align.Second
	feed(t, w, src, func(s align.Second) { a = append(a, s) })
	feed(t, plain.measurement, again, func(s align.Second) { b = append(b, s) })
	if len(a) != len(b) || len(a) < 80 {
		t.Fatalf("%d and %d seconds", len(a), len(b))
	}
	for i := range a {
		x, y := a[i].Offset, b[i].Offset
		if (x == nil) != (y == nil) || x != nil && *x != *y {
			t.Fatalf("second %d: %v with a page, %v without", i, x, y)
		}
	}
	if f, g := w.Fix(), plain.measurement.Fix(); *f.Offset != *g.Offset || *f.U != *g.U {
		t.Errorf("%v with a page, %v without", *f.Offset, *g.Offset)
	}
}

// A fix begun afresh knows only what came later, and tells the same time.
func TestPageStartsAfresh(t *testing.T) {
	t.Parallel()
	w, src, _ := demoWork(t, page.Default)
	steps := 0
	feed(t, w, src, func(s align.Second) {
		switch {
		case s.T > 50 && steps == 0:
			w.do(page.Action{Do: page.DoStop})
			steps++
		case s.T > 55 && steps == 1:
			w.do(page.Action{Do: page.DoStation, Text: "wwv"})
			steps++
		}
		if s.Offset != nil && steps < 2 && s.T > 46 && math.Abs(*s.Offset+12.4e-3) > 2e-3 {
			t.Fatalf("%v at %v s", *s.Offset, s.T)
		}
	})
	f := w.Fix()
	if f.Verdict != align.Found || math.Abs(*f.Offset+12.4e-3) > 2e-3 { // -37 + 24.6 ms, as testdata/gannet-head.truth.json
		t.Fatalf("%s %s, %v", f.Verdict, f.Reason, f.Offset)
	}
	if len(f.Marker.Steps) != 0 || f.Marker.Pulses > 36 {
		t.Errorf("it remembers %+v", f.Marker)
	}
	if want := time.Date(2026, 3, 14, 5, 21, 36, 0, time.UTC); f.At == nil || !f.At.Equal(want) {
		t.Errorf("at %v, want %v", f.At, want)
	}
	if len(f.Warnings) == 0 || !strings.Contains(f.Warnings[len(f.Warnings)-1], "only from 0:55") {
		t.Errorf("warnings %q", f.Warnings)
	}
	var said []string
	for _, e := range w.page.Events() {
		said = append(said, e.Text)
	}
	all := strings.Join(said, "\n")
	for _, want := range []string{"the marker was advanced by 24.6", "fix taken", "measured by WWV"} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q in\n%s", want, all)
		}
	}
}

// says is a measurement that says the same at every block.
type says struct {
	measurement
	align.Second
}

func (m says) Process(*capture.Block) (align.Second, bool) { return m.Second, true }

// While a station that was chosen is not heard, what else is heard is offered.
func TestPageOffersWhatIsHeard(t *testing.T) {
	t.Parallel()
	w, src, _ := demoWork(t, page.Default)
	var b capture.Block
	if err := src.Read(&b); err != nil {
		t.Fatal(err)
	}
	w.take(&b)
	all := w.beside
	w.do(page.Action{Do: page.DoStation, Text: "hla"})
	if all != nil || w.beside == nil {
		t.Fatalf("beside it goes on %v", w.beside)
	}
	heard := testkit.Second(1e-3, 1e-4) // WWV; of WWVH it is heard no more
	deaf := heard
	deaf.Offset, deaf.CI95, deaf.U, deaf.Verdict, deaf.Reason, deaf.Stations = nil, nil, nil, align.NoTick, "none", nil
	w.beside.measurement, w.measurement = says{Second: heard}, says{Second: deaf}
	b.Position += int64(b.Len())
	w.take(&b)
	if !slices.Equal(w.heard, []string{"wwv"}) {
		t.Errorf("offered %v", w.heard)
	}
	w.do(page.Action{Do: page.DoStation, Text: "wwv"})
	if _, same := w.beside.measurement.(says); !same {
		t.Error("what was heard first is no longer listened to")
	}
	w.measurement = says{Second: heard}
	b.Position += int64(b.Len())
	w.take(&b)
	if w.beside != nil || len(w.heard) > 0 {
		t.Errorf("once it is found, %v is offered", w.heard)
	}
}

// upTo is the beginning of a recording.
type upTo struct {
	*wavfile.Reader
	seconds int
}

func (u upTo) Read(b *capture.Block) error {
	err := u.Reader.Read(b)
	if b.Position > int64(u.seconds*u.Info().Rate) {
		return io.EOF
	}
	return err
}

// Where a station was named beforehand, too, others are offered when they are heard, and
// one that is chosen on the page is as good as named.
func TestPageOffersInsteadOfNamed(t *testing.T) {
	w, src, _ := demoWork(t, page.Default)
	all := w.settings.Stations
	w.settings.Stations, w.settings.Named = only(all, "hla"), true
	w.chooseFrom(all)
	session := func() (s page.Session) {
		w.page.Change(func(v *page.Session) { s = *v })
		return s
	}
	if s := session(); s.Station != "hla" || !slices.Equal(s.Stations, []string{"hla", "wwv"}) {
		t.Errorf("%+v", s)
	}
	w.offer([]string{"wwv"})
	w.do(page.Action{Do: page.DoStation, Text: "wwv"})
	found := false
	feed(t, w, upTo{src, 30}, func(s align.Second) { found = s.Offset != nil }) // its first minute mark comes after 53 s
	if s := session(); s.Station != "wwv" || len(s.Heard) > 0 {
		t.Errorf("%+v", s)
	}
	if !found {
		t.Error("it is not known by its name")
	}
}

// The buttons for turns reach who learns them, and are written down.
func TestPageTurned(t *testing.T) {
	t.Parallel()
	src, err := simulate.New(simulate.Config{
		Rate: 48000, Seconds: 24, Seed: 5, Wire: &simulate.Marker{NoiseRMS: 3e-4},
		Marker: &simulate.Marker{OffsetSeconds: 40e-3, NoiseRMS: 3e-4, Steps: []simulate.Step{{AtSeconds: 14.5, BySeconds: 24.6e-3}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	w, _, err := newPageWork(page.Default, src.Info(), align.Settings{}, true, "Gannet Head", 1e-3)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.page.Close() })
	told := false
	var last *align.Turning
	feed(t, w, src, func(s align.Second) {
		if s.T > 16.5 && !told {
			w.do(page.Action{Do: page.DoTurned, Text: "anticlockwise", Value: 2})
			told = true
		}
		last = s.Turning
	})
	if last.Known != align.TriedOnce || math.Abs(last.Each+12.3e-3) > 1e-6 || !strings.HasPrefix(last.Says, "a turn clockwise advances by 12.3 ms") {
		t.Errorf("%+v", last)
	}
	if n := w.notes; len(n) != 1 || n[0].Text != "turned 2 turns anticlockwise" {
		t.Errorf("%+v", n)
	}
}

// A tolerance set on the page holds on the terminal, too.
func TestPageSetsTolerance(t *testing.T) {
	w, _, _ := demoWork(t, page.Default)
	var out strings.Builder
	line := view.Open(&out, &out, view.Options{Tolerance: 1e-3})
	w.aim = (&beeper{Display: pageDisplay{line, w.page}}).Aim
	near := testkit.Second(2e-3, 1e-4)
	line.Second(near)
	w.do(page.Action{Do: page.DoTolerance, Value: 5e-3})
	line.Second(near)
	if got := out.String(); strings.Count(got, "ahead: retard") != 1 || strings.Count(got, "ahead: stop") != 1 {
		t.Errorf("%s", got)
	}
}

// What is written down on the page is entered in the logbook, about the fix.
func TestPageNotesAreKept(t *testing.T) {
	t.Parallel()
	book := "--logbook=" + filepath.Join(t.TempDir(), "log.sqlite")
	p := playDemo(t, "--log", book)
	p.ask(`{"do":"seek","value":50}`)
	p.ask(`{"do":"note","text":"oiled"}`)
	p.ask(`{"do":"seek","value":55}`)
	p.ask(`{"do":"adjusted"}`)
	p.ask(`{"do":"pause"}`)
	for !strings.Contains(p.told(t), `"playing":false`) { // until all that is done
	}
	if told := p.told(t); !strings.Contains(told, "oiled") || !strings.Contains(told, "the clock was adjusted") {
		t.Errorf("after going elsewhere in the recording the page knows only %s", told)
	}
	if status, out := p.end(); status != exitOK {
		t.Fatalf("%d: %s", status, out)
	}
	_, out, _ := runWith(t, "log", book, "list", "--kind=fix")
	const then = ` \(offset then -1\d\.\d ms\)` // the truth is -12.4 ms
	if !regexp.MustCompile("note: oiled"+then).MatchString(out) || !regexp.MustCompile("note: the clock was adjusted"+then).MatchString(out) {
		t.Errorf("%s", out)
	}
}

func TestPageAddress(t *testing.T) {
	for arg, want := range map[string]pageAddress{
		"--page": page.Default, "--page=192.168.1.5:8000": "192.168.1.5:8000", "--page=192.168.1.5": "192.168.1.5:0", "--page=:8000": ":8000",
	} {
		var c struct{ Page pageAddress }
		parser, err := kong.New(&c)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := parser.Parse([]string{arg}); err != nil || c.Page != want {
			t.Errorf("%s: %q, %v", arg, c.Page, err)
		}
	}
	for _, args := range [][]string{
		{"replay", "--page=a:b:c", demoFile}, {"replay", "--page", "-"}, {"replay", "--page", "--report=x.html", demoFile}, {"replay", "--page", demoFile, demoFile},
	} {
		if status, _, errs := runWith(t, args...); status != exitUsage || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: status %d, %q", args, status, errs)
		}
	}
}

// The cost of drawing up a picture for the page after a minute and a half.
func BenchmarkPagePicture(b *testing.B) {
	w, src, _ := demoWork(b, page.Default)
	feed(b, w, src, func(align.Second) {})
	b.ResetTimer()
	for range b.N {
		w.show()
	}
}
