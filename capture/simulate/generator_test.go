package simulate

import (
	"math"
	"math/cmplx"
	"testing"
)

// A carrier through a tuned circuit agrees with the circuit's differential equation,
// y” + (ω0/Q)·y' + ω0²·y = (ω0/Q)·x', by small steps (Runge and Kutta's fourth order), about
// an edge on and one off; and with the textbook's amplitude when all has settled.
func TestGenerator(t *testing.T) {
	t.Parallel()
	for _, rise := range []float64{0, 50e-6} {
		g := newKeyedCarrier(Generator{Hz: 61e3, PeriodSeconds: 0.01, OnSeconds: 0.004, RiseSeconds: rise}, Loop{Q: 20, TunedHz: 60e3}, 0.7)
		w0, w := 2*math.Pi*60e3, 2*math.Pi*61e3
		level := func(t float64) float64 { // and it had been off for long
			if rise == 0 {
				if t < 0.004 {
					return 1
				}
				return 0
			}
			if t < 0.004 {
				return 1 - math.Exp(-t/rise)
			}
			return math.Exp(-(t - 0.004) / rise)
		}
		// With v the integral of y: y' = (ω0/Q)·(x − y) − ω0²·v.
		rate := func(t float64, s [2]float64) [2]float64 {
			return [2]float64{w0/20*(level(t)*math.Cos(w*t+0.7)-s[0]) - w0*w0*s[1], s[0]}
		}
		var s [2]float64
		const step = 0.1e-6
		worst, top := 0.0, 0.0
		for i := range 60000 {
			at := float64(i) * step
			if i%7 == 3 {
				worst = max(worst, math.Abs(s[0]-g.at(at)))
			}
			if at > 0.003 && at < 0.0035 {
				top = max(top, math.Abs(s[0]))
			}
			add := func(k [2]float64, h float64) [2]float64 { return [2]float64{s[0] + h*k[0], s[1] + h*k[1]} }
			k1 := rate(at, s)
			k2 := rate(at+step/2, add(k1, step/2))
			k3 := rate(at+step/2, add(k2, step/2))
			k4 := rate(at+step, add(k3, step))
			for j := range s {
				s[j] += step / 6 * (k1[j] + 2*k2[j] + 2*k3[j] + k4[j])
			}
		}
		if want := 1 / cmplx.Abs(complex(1, 20*(61.0/60-60.0/61))); math.Abs(top-want) > 0.01 {
			t.Errorf("%g at rest, want %g", top, want)
		}
		if worst > 1e-3 {
			t.Errorf("rise of %g s: off by %g", rise, worst)
		}
	}
}
