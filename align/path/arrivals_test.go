package path

import (
	"math"
	"strings"
	"testing"
	"time"
)

// springEvening is a path with one and two hops by the F2 layer, both below
// their MUFs.
func springEvening(t *testing.T) (p Prediction, one, two Mode) {
	t.Helper()
	p = predict(t, Request{Station: builtin(t, "wwv"), CarrierHz: 5e6, At: LatLon{Lat: 32.70, Lon: -117.25}, Time: time.Date(2026, 4, 14, 4, 0, 0, 0, time.UTC), Sunspots: 120})
	for _, m := range p.Modes {
		switch m.Name {
		case "1F2":
			one = m
		case "2F2":
			two = m
		}
	}
	if one.Hops == 0 || two.Hops == 0 || two.MUFHz < 1.3*p.CarrierHz {
		t.Fatalf("modes %v lack 1F2 or 2F2", p.Modes)
	}
	return p, one, two
}

func TestArrivalsThatFit(t *testing.T) {
	p, one, two := springEvening(t)
	measured := p.WithArrivals([]float64{two.DelaySeconds - one.DelaySeconds}, 30e-6)
	if measured.Contradicted {
		t.Fatalf("the model's own spacing contradicts it: %s", measured.Note)
	}
	for _, m := range measured.Modes {
		if m.Name == "1F2" && m.First < one.First {
			t.Errorf("1F2 is the first with %g, before the arrivals with %g", m.First, one.First)
		}
	}
	if measured.USeconds >= p.USeconds {
		t.Errorf("u is %g s, before the arrivals %g s", measured.USeconds, p.USeconds)
	}
	if p.Note != "" || !strings.Contains(measured.Note, "1F2") {
		t.Errorf("note %q", measured.Note)
	}
}

// The spacing of one and two hops measures the layer's height: tick arrivals made
// with mirrors 40 km higher than predicted must move the delay towards the truth.
func TestSpacingCorrectsTheHeight(t *testing.T) {
	p, one, two := springEvening(t)
	delay := func(n, up float64, m Mode) float64 {
		return n * hop{p.DistanceM / n, m.HeightM + up}.pathM() / lightMPerS
	}
	const up = 40e3
	excess := two.DelaySeconds - one.DelaySeconds + (delay(2, up, two) - delay(2, 0, two)) - (delay(1, up, one) - delay(1, 0, one))
	truth := one.DelaySeconds + delay(1, up, one) - delay(1, 0, one)
	for _, m := range p.WithArrivals([]float64{excess}, 20e-6).Modes {
		if m.Name != "1F2" {
			continue
		}
		if before, after := math.Abs(one.DelaySeconds-truth), math.Abs(m.DelaySeconds-truth); after > 0.75*before {
			t.Errorf("1F2 is %g s from the truth, before the arrivals %g s", after, before)
		}
		if m.USeconds >= one.USeconds {
			t.Errorf("u of 1F2 is %g s, before the arrivals %g s", m.USeconds, one.USeconds)
		}
	}
}

func TestArrivalsThatContradict(t *testing.T) {
	p, _, _ := springEvening(t)
	const excess = 20e-3 // ten times what any two modes of the path are apart
	wide := p.WithArrivals([]float64{excess}, 30e-6)
	if !wide.Contradicted || !strings.Contains(wide.Note, "20.00 ms") {
		t.Fatalf("contradicted %v, note %q", wide.Contradicted, wide.Note)
	}
	if wide.USeconds <= p.USeconds || math.Abs(wide.DelaySeconds-p.DelaySeconds) > 1e-9 {
		t.Errorf("delay %g ± %g s became %g ± %g s: it must widen and stay", p.DelaySeconds, p.USeconds, wide.DelaySeconds, wide.USeconds)
	}
}

func TestNoArrivalsChangeNothing(t *testing.T) {
	p, _, _ := springEvening(t)
	if q := p.WithArrivals(nil, 30e-6); q.DelaySeconds != p.DelaySeconds || q.USeconds != p.USeconds {
		t.Errorf("delay %g ± %g s became %g ± %g s", p.DelaySeconds, p.USeconds, q.DelaySeconds, q.USeconds)
	}
}
