package sound

import (
	"math"
	"slices"
	"testing"

	"timeball/align"
	"timeball/cmd/timeball/internal/testkit"
)

func TestCue(t *testing.T) {
	const tolerance = 1e-3
	next := func(x, half float64) []Tone {
		s := testkit.Second(x, half)
		return new(Cues).Next(&s, tolerance)
	}
	before := 1
	for _, x := range []float64{0.4, 0.1, 30e-3, 10e-3, 3e-3, 1.1e-3} {
		high, low := next(-x, 1e-6), next(x, 1e-6)
		if len(high) != len(low) || len(high)/2 < before {
			t.Errorf("at %v s %d and %d tones, farther away %d", x, len(high)/2, len(low)/2, before)
		}
		before = len(high) / 2
		total := 0.0
		for i := range high {
			if i%2 == 0 && (high[i].Hz != AdvanceHz || low[i].Hz != RetardHz) || i%2 == 1 && high[i].Hz != 0 {
				t.Errorf("at %v s %+v, %+v", x, high, low)
			}
			if !(high[i].Seconds > 0.05) { // or an ear takes it for one with the next
				t.Errorf("at %v s %+v", x, high[i])
			}
			total += high[i].Seconds
		}
		if math.Abs(total-whole) > 1e-9 {
			t.Errorf("at %v s it lasts %v s", x, total)
		}
	}
	if n := len(next(0.4, 1e-6)) / 2; n != 1 {
		t.Errorf("far away %d tones", n)
	}
	if before != most {
		t.Errorf("nearby %d tones", before)
	}
	stop := next(0.2e-3, 0.1e-3)
	if !slices.Equal(stop, []Tone{{RetardHz, 0.2}, {AdvanceHz, 0.2}, {RetardHz, 0.2}, {AdvanceHz, 0.2}, stop[len(stop)-1]}) {
		t.Errorf("stop: %+v", stop)
	}
	if held := next(0.2e-3, 0.9e-3); !slices.Equal(held, stop) { // certain in a while, but hands off
		t.Errorf("hold: %+v", held)
	}

	// No direction without one.
	noPath, gone, deaf := testkit.Second(0.1, 1e-6), testkit.Second(0.1, 1e-6), testkit.Second(0.1, 1e-6)
	noPath.Verdict = align.NoPath
	gone.Marker.Missing = 2
	deaf.Offset, deaf.CI95, deaf.Verdict = nil, nil, align.NoTick
	for _, s := range []align.Second{noPath, gone, deaf} {
		if c := new(Cues).Next(&s, tolerance); c != nil {
			t.Errorf("%+v: %+v", s.Verdict, c)
		}
	}

	// A stop that is heeded need not be said for ever, one after a turn at once.
	c, heard := new(Cues), 0
	set, off := testkit.Second(0.2e-3, 0.1e-3), testkit.Second(0.1, 1e-6)
	for range 30 {
		if c.Next(&set, tolerance) != nil {
			heard++
		}
	}
	if heard != stopRow+3 {
		t.Errorf("%d stops in 30 s", heard)
	}
	c.Next(&off, tolerance)
	if c.Next(&set, tolerance) == nil {
		t.Error("no stop after a turn")
	}
}
