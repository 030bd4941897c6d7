package path

import (
	"math"
	"testing"
	"time"
)

// At the ionosonde the days drawn have what it measured, to its own uncertainty; at
// the antipodes they know nothing of it.
func TestIonogramBendsTheDays(t *testing.T) {
	when := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	now := newInstant(when, nil, 80)
	here := LatLon{Lat: 50, Lon: 5}
	way := newCircuit(here, LatLon{Lat: 50.1, Lon: 5}, false)
	_, over := survey(now, way, 5e6, nil)
	far := newCircuit(LatLon{Lat: -50, Lon: -175}, LatLon{Lat: -50.1, Lon: -175}, false)
	_, over = survey(now, far, 5e6, over)
	const foF2, hmF2 = 8.3e6, 310e3
	at := over[0].at
	over, told := observe(over, []Ionogram{{At: at, FoF2Hz: foF2, HmF2M: hmF2}}, func(time.Time) instant { return now }, when)
	w := newWeather(80, givenSunspotsU, over, told)
	var mean, square, height, heights, elsewhere float64
	const n = 400
	for i := range n {
		z := make([]float64, w.size())
		draw(z, i)
		bent := w.told(z)
		p := w.profile(bent, 0)
		mean += p.FoF2 / n
		square += p.FoF2 * p.FoF2 / n
		height += p.PeakF2 / n
		heights += p.PeakF2 * p.PeakF2 / n
		elsewhere += math.Abs(w.profile(bent, 1).FoF2/w.profile(z, 1).FoF2-1) / n
	}
	near(t, "foF2, MHz", mean/1e6, foF2/1e6, 0.1)
	near(t, "its deviation, relative", math.Sqrt(square-mean*mean)/mean, math.Hypot(uMeasuredFoF2, uPassingFoF2), 0.02)
	near(t, "hmF2, km", height/1e3, hmF2/1e3, 8) // a quarter of the way from the median is left
	near(t, "its deviation, km", math.Sqrt(heights-height*height)/1e3, math.Hypot(uMeasuredHeightM, uPassingHeightM)/1e3, 5)
	near(t, "change at the antipodes", elsewhere, 0, 1e-3)
}

func TestSolve(t *testing.T) {
	// (R·Rᵀ + V) x = y with R = [1; 0.6 0.8], V = diag(1, 2): [2 0.6; 0.6 3] x = y.
	x := solve([][]float64{{1}, {0.6, 0.8}}, []float64{1, 2}, []float64{2*3 + 0.6*5, 0.6*3 + 3*5})
	near(t, "x", x[0], 3, 1e-12)
	near(t, "y", x[1], 5, 1e-12)
}

// A file of a month says no more of an evening than its neighbours do, and one of
// another day nothing.
func TestNearIonograms(t *testing.T) {
	when := time.Date(2026, 3, 14, 18, 7, 0, 0, time.UTC)
	var month []Ionogram
	for i := range 20000 {
		month = append(month, Ionogram{Time: when.Add(time.Duration(i-10000) * time.Minute), FoF2Hz: 7e6})
	}
	near := NearIonograms(month, when, when.Add(2*time.Hour))
	if n := len(near); n != 4*nearbyIonograms || !near[0].Time.Equal(when.Add(-nearbyIonograms*time.Minute)) {
		t.Errorf("%d ionograms, the first at %v", n, near[0].Time)
	}
	last := month[len(month)-1].Time
	if stale := NearIonograms(month, last.Add(36*time.Hour)); len(stale) > 0 {
		t.Errorf("%d ionograms of the day before yesterday", len(stale))
	}
	if now := NearIonograms([]Ionogram{{FoF2Hz: 7e6}}, when); len(now) != 1 || !now[0].Time.Equal(when) {
		t.Errorf("one without a time: %v", now)
	}
}
