package simulate

import (
	"math"
	"math/cmplx"
)

// Generator is a signal generator whose carrier a wire couples into the antenna, keyed on
// and off. The samples are taken with Direct.
type Generator struct {
	Hz            float64 // 0: there is none
	LevelDB       float64 // where the loop is tuned, against the station's carrier
	PeriodSeconds float64 // 0: a second
	OnSeconds     float64 // 0: half the period
	RiseSeconds   float64 // time constant of its keying; 0: at once
}

// keyedCarrier is what comes of it through a resonator with the transfer function
// (ω0/Q)·s/(s² + (ω0/Q)·s + ω0²), by Laplace's transform of a carrier that begins.
type keyedCarrier struct {
	Generator
	amplitude, phase float64
	pole             complex128 // of the loop; 0: it is not tuned
	width            float64    // ω0/Q
	forgets          float64    // s after which nothing of an edge is left
}

func newKeyedCarrier(g Generator, l Loop, phase float64) *keyedCarrier {
	if g.Hz == 0 {
		return nil
	}
	if g.PeriodSeconds == 0 {
		g.PeriodSeconds = 1
	}
	if g.OnSeconds == 0 {
		g.OnSeconds = g.PeriodSeconds / 2
	}
	k := &keyedCarrier{Generator: g, amplitude: math.Sqrt(power(g.LevelDB)), phase: phase, forgets: settled * g.RiseSeconds}
	if l.Q > 0 {
		w := 2 * math.Pi * l.TunedHz
		k.width = w / l.Q
		k.pole = complex(-k.width/2, w*math.Sqrt(1-1/(4*l.Q*l.Q)))
		k.forgets += settled * 2 / k.width
	}
	return k
}

// through is the resonator's transfer function.
func (k *keyedCarrier) through(s complex128) complex128 {
	if k.pole == 0 {
		return 1
	}
	return complex(k.width, 0) * s / ((s - k.pole) * (s - cmplx.Conj(k.pole)))
}

// begun is the answer, t after it began, to e^(s·t).
func (k *keyedCarrier) begun(s complex128, t float64) complex128 {
	y := k.through(s) * cmplx.Exp(s*complex(t, 0))
	if k.pole != 0 {
		p, q := k.pole, cmplx.Conj(k.pole)
		w := complex(k.width, 0) / (p - q)
		y += w * p / (p - s) * cmplx.Exp(p*complex(t, 0))
		y -= w * q / (q - s) * cmplx.Exp(q*complex(t, 0))
	}
	return y
}

// at is the loop's voltage at a time.
func (k *keyedCarrier) at(t float64) float64 {
	turn := func(t float64) complex128 {
		_, turns := math.Modf(k.Hz * t)
		return cmplx.Rect(k.amplitude, 2*math.Pi*turns+k.phase)
	}
	s := complex(0, 2*math.Pi*k.Hz)
	period := math.Floor(t / k.PeriodSeconds)
	var y complex128
	if t-period*k.PeriodSeconds < k.OnSeconds {
		y = k.through(s) * turn(t)
	}
	// What is left of the edges before beside that.
	for n := period; ; n-- {
		on := n * k.PeriodSeconds
		off := on + k.OnSeconds
		if t-off > k.forgets {
			break
		}
		for i, edge := range []float64{on, off} {
			since := t - edge
			if since < 0 || since > k.forgets {
				continue
			}
			left := k.begun(s, since) - k.through(s)*cmplx.Exp(s*complex(since, 0))
			if k.RiseSeconds > 0 {
				left -= k.begun(s-complex(1/k.RiseSeconds, 0), since)
			}
			if i == 1 {
				left = -left
			}
			y += turn(edge) * left
		}
	}
	return real(y)
}
