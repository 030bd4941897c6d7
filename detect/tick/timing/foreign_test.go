package timing

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A movement that rings at the tick's own tone while it sounds pulls the envelope by
// up to 0.1 ms and the phase by less; the interval must hold the tick all the same.
// (One in a hundred lies beyond 2.5 u, if errors are normal.)
func TestIntervalHoldsBeneathARing(t *testing.T) {
	for k, late := range []float64{-2e-3, 0.8e-3, 2.3e-3, 3.6e-3, 7e-3} {
		r := rand.New(rand.NewPCG(uint64(k), 31))
		lag := 0.2 + 1e-3*r.Float64()
		ring := func(second float64) float64 {
			s := math.Mod(second, 1) - lag - late
			if s < 0 || s > 40e-3 {
				return 0
			}
			return 0.25 * math.Exp(-s/5e-3) * math.Sin(2*math.Pi*1000*s)
		}
		got, errors := ticks{seconds: 120, lag: lag, snrDB: 12, toneHz: 1000, long: 5e-3, hum: ring}.measure(t, r)
		best, u := got.likeliest()
		off := errors[best] * 1e6
		t.Logf("ring %.1f ms late: %.1f µs off, u %.1f", late*1e3, off, u)
		if math.Abs(off) > 2.5*u {
			t.Errorf("ring %.1f ms late: %.1f µs off, u %.1f", late*1e3, off, u)
		}
	}
}

// Two steady paths half a millisecond apart look like one through a filter; the low
// frequencies tell them apart.
func TestSteadyPairIsNoFilter(t *testing.T) {
	for _, b := range []float64{0.8, -0.5} {
		r := rand.New(rand.NewPCG(7, 32))
		got, errors := ticks{
			seconds: 120, lag: 0.2004, snrDB: 15, toneHz: 1000, long: 5e-3, excess: 0.5e-3,
			amplitudes: func(int) (float64, float64) { return 1, b },
		}.measure(t, r)
		best, u := got.likeliest()
		off := errors[best] * 1e6
		t.Logf("second of %g: %.1f µs off, u %.1f", b, off, u)
		if got.paths != 2 || math.Abs(off) > 2.5*u || math.Abs(off) > 20 {
			t.Errorf("second of %g: %d paths, %.1f µs off, u %.1f", b, got.paths, off, u)
		}
	}
}
