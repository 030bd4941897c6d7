package plot

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image/png"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"timeball/align"
)

// TestDotsAreBounded: as fine as is asked for, but for pictures so large that they would
// take hundreds of MB.
func TestDotsAreBounded(t *testing.T) {
	for _, c := range []struct{ stations, asked, want int }{{1, 0, ScreenDPI}, {1, MostDPI, MostDPI}, {3, 300, 300}, {3, MostDPI, 348}} {
		dots := File{DPI: c.asked}.dots(attemptWidth*vg.Length(c.stations), attemptHeight)
		if dots != c.want {
			t.Errorf("%d stations at %d an inch: %d, want %d", c.stations, c.asked, dots, c.want)
		}
	}
	// Drawn on once: the dots, and as much again at most for all else.
	const wide, high = 5 * vg.Inch, 5 * vg.Inch
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if err := savePicture(File{Name: filepath.Join(t.TempDir(), "fix.png"), DPI: MostDPI}, wide, high, func(draw.Canvas) {}); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	if took, dots := after.TotalAlloc-before.TotalAlloc, uint64(5*MostDPI*5*MostDPI*4); took > dots*3/2 {
		t.Errorf("%d bytes for %d of dots", took, dots)
	}
}

// A picture says what was measured, when, and from which file, and what its dots are:
// a second's two paths lie together half a millisecond later than the earliest.
func TestPlotSaysWhatItIs(t *testing.T) {
	p := drawn()
	p.Fix.At, p.Fix.Sense = new(time.Date(2026, 3, 14, 18, 23, 7, 0, time.UTC)), align.Ahead
	p.Fix.Recording.Path = "/home/keeper/gannet-head.wav"
	p.Stations[0].Centre = 0.5e-3
	name := filepath.Join(t.TempDir(), "a.svg")
	if err := Attempt(File{Name: name}, p); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"the local clock is ahead of UTC by 2.80 ms ± 0.60 ms (95 %)", "WWV, 2026-03-14 18:23:07 UTC, gannet-head.wav",
		"dot: a second, all its paths together; bar: ± what noise does to it, 95 %", "where they lie: 500 µs later than the earliest path",
		"← earlier", "later →", "offset (+ ahead), ms"} {
		if !strings.Contains(string(text), words) {
			t.Errorf("the picture does not say %q", words)
		}
	}
}

// A dot of a long recording is more than a second, and says so.
func TestDotsSayHowLong(t *testing.T) {
	s := &drawn().Stations[0]
	for i := range s.Start {
		s.Start[i] *= 28
	}
	each, one := rowWords(s)
	if each != "28 s" || one != "28 s" {
		t.Errorf("each %s, one %s", each, one)
	}
}

// Steps that follow each other closely say together what they came to.
func TestStepLabels(t *testing.T) {
	marker := []align.MarkerPoint{{At: 0, Place: -12.1e-3}, {At: 61, Place: -7.1e-3}, {At: 65, Place: -3.1e-3}, {At: 68, Place: -0.1e-3}, {At: 71}, {At: 200, Place: -1e-3}}
	got := fmt.Sprint(stepLabels(marker, 0, 240))
	if want := "[{61 ← the marker was retarded by 12.1 ms, in 4 steps} {200 ← the marker was advanced by 1 ms}]"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// A picture for print has more dots on the same paper: 300 to the inch are 11811 to
// the metre (PNG, W3C Recommendation 2003, 11.3.5.3).
func TestPrintResolution(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a.png")
	if err := savePicture(File{name, 300}, 2*vg.Inch, vg.Inch, func(draw.Canvas) {}); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if w := img.Bounds().Dx(); w != 600 {
		t.Errorf("%d dots wide", w)
	}
	if at := bytes.Index(data, []byte("pHYs")); at < 0 || binary.BigEndian.Uint32(data[at+4:]) != 11811 {
		t.Errorf("pHYs at %d", at)
	}
}

// Every row of dots has its name, and no name lies on another or on a dot.
func TestEveryDotHasAName(t *testing.T) {
	var dots dotNames
	for i := range 24 {
		for k, mode := range []string{"1E", "2F2", "3F2", "1E+1F2", "1E+2F2", "4F2"} {
			if i%12 > k {
				dots = append(dots, dot{plotter.XY{X: float64(i), Y: 24 + 0.2*float64(k)}, 0.5 / float64(1+k), mode})
			}
		}
	}
	pl := plot.New()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = 0, 24, 23.5, 26
	style := pl.X.Tick.Label
	style.XAlign, style.YAlign = draw.XCenter, draw.YCenter
	names := dots.places(draw.New(vgsvg.New(24*vg.Centimeter, 8*vg.Centimeter)), pl, style)
	if len(names) != len(dots.rows()) || len(names) != 12 {
		t.Errorf("%d names for %d rows", len(names), len(dots.rows()))
	}
	for i, a := range names {
		for _, b := range names[:i] {
			if a.box.Min.X < b.box.Max.X && b.box.Min.X < a.box.Max.X && a.box.Min.Y < b.box.Max.Y && b.box.Min.Y < a.box.Max.Y {
				t.Errorf("%s and %s lie on each other", a.mode, b.mode)
			}
		}
	}
}
