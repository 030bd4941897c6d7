package plot

import (
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/plot"

	"timeball/align"
	"timeball/detect/tick/timing"
)

// drawn is a picture with a tick that arrives 10 ms after the marker, and fades.
func drawn() align.Picture {
	s := align.StationPicture{ID: "wwv", Coherent: true, Arrival: 10e-3, Band: [2]float64{9.9e-3, 10.1e-3}, UTC: new(2.8e-3), Excess: []float64{0, 1e-3}}
	s.First, s.Step, s.AudioFirst, s.AudioStep, s.AudioSeconds = -5e-3, 0.125e-3, -25e-3, 0.125e-3, 60
	for i := range 60 {
		r := timing.Row{Second: float64(i), Seconds: 1, Level: make([]float32, 96), Late: 1e-4 * math.Sin(float64(i)), U: 5e-5}
		for j := range r.Level {
			r.Level[j] = 1 + float32(20*math.Abs(math.Sin(float64(i)/20))*math.Exp(-math.Pow(float64(j-40)/20, 2)))
		}
		s.Rows, s.Start = append(s.Rows, r), append(s.Start, 0.4+float64(i))
	}
	for i := range 320 {
		v := 0.0
		if at := s.AudioFirst + float64(i)*s.AudioStep; at >= 0 && at < 5e-3 {
			v = 0.2 * math.Sin(2*math.Pi*1000*at)
		}
		s.Audio = append(s.Audio, v)
	}
	fix := align.Fix{Verdict: align.Found, Offset: new(2.8e-3), CI95: &[2]float64{2.2e-3, 3.4e-3}, Rate: &align.Rate{Y: 1e-9, U: 1e-9}}
	return align.Picture{Fix: fix, Stations: []align.StationPicture{s}, Marker: []align.MarkerPoint{{At: 0, Place: -30e-3}, {At: 30, Place: 0}}}
}

func TestPlotAttempt(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a.png")
	if err := Attempt(File{Name: name}, drawn()); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	count := map[color.RGBA]int{}
	for y := img.Bounds().Min.Y; y < img.Bounds().Max.Y; y++ {
		for x := img.Bounds().Min.X; x < img.Bounds().Max.X; x++ {
			count[color.RGBAModel.Convert(img.At(x, y)).(color.RGBA)]++
		}
	}
	for what, c := range map[string]color.RGBA{"marker": markerColour, "UTC": utcColour, "arrival": arrivalColour} {
		if count[c] < 50 {
			t.Errorf("%s shows in %d pixels only", what, count[c])
		}
	}

	// In a scalable picture the words can be read.
	name = filepath.Join(t.TempDir(), "a.svg")
	if err := Attempt(File{Name: name}, drawn()); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, word := range []string{"local marker", "UTC second, 2.8 ms after the marker", "tick arrives", "delays 7.2 ms", "the marker was retarded by 30 ms", "path that comes 1 ms later", "time in the recording"} {
		if !strings.Contains(string(text), word) {
			t.Errorf("the picture does not say %q", word)
		}
	}
}

// The raster's rows stand in order of time, its brightest column at the tick.
func TestRaster(t *testing.T) {
	p := drawn()
	r := newRaster(&p.Stations[0])
	if b := r.picture.Bounds(); b.Dx() != 96 || b.Dy() != 60 || r.every != 1 {
		t.Fatalf("%v, %g s a row", b, r.every)
	}
	if math.Abs(r.left-5) > 1e-9 || math.Abs(r.right-17) > 1e-9 || math.Abs(r.from+0.1) > 1e-9 || math.Abs(r.to-59.9) > 1e-9 {
		t.Errorf("spans %g to %g ms, %g to %g s", r.left, r.right, r.from, r.to)
	}
	green := func(x, y int) uint8 { return r.picture.RGBAAt(x, y).G }
	for _, loud := range []int{31, 32} { // sin(i/20) is greatest there
		if green(40, loud) < green(0, loud) || green(40, loud) <= green(40, 0) {
			t.Errorf("row %d: %d at the tick, %d before it, %d when it had faded", loud, green(40, loud), green(0, loud), green(40, 0))
		}
	}
	for i := range 100 {
		if a, b := ramp(float64(i)/100), ramp(float64(i+1)/100); b.G < a.G {
			t.Errorf("the ramp gets darker from %v to %v", a, b)
		}
	}
}

func TestTicks(t *testing.T) {
	for _, tt := range []struct {
		ticks    func(from, to float64) []plot.Tick
		from, to float64
		want     string
	}{
		{roundTicks, -0.3, 0.3, "-0.3 -0.2 -0.1 0.0 0.1 0.2 0.3"},
		{roundTicks, -62.4, -60.5, "-62.4 -62.2 -62.0 -61.8 -61.6 -61.4 -61.2 -61.0 -60.8 -60.6"},
		{roundTicks, 3, 1203, "200 400 600 800 1000 1200"},
		{decadeTicks, 3e-11, 1.5e-9, "5e-11 1e-10 2e-10 5e-10 1e-9"},
		{decadeTicks, 1e-12, 1e-8, "1e-12 1e-11 1e-10 1e-9 1e-8"},
		{dayTicks, 2, 100, "2 5 10 20 50 100"},
		{clockTicks, 0.4, 89, "0:15 0:30 0:45 1:00 1:15"},
		{clockTicks, 0, 3600, "0:00 10:00 20:00 30:00 40:00 50:00 60:00"},
	} {
		var labels []string
		for _, mark := range tt.ticks(tt.from, tt.to) {
			if mark.Label != "" {
				labels = append(labels, mark.Label)
			}
		}
		if got := strings.Join(labels, " "); got != tt.want {
			t.Errorf("%g to %g: %s, want %s", tt.from, tt.to, got, tt.want)
		}
	}
}
