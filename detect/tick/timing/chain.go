package timing

import (
	"math"
	"math/cmplx"
)

// chain is what the audio passes between detector and sound card: a high-pass and
// a low-pass filter of Butterworth's kind. The filters of a real receiver are of
// minimum phase, so that what they do to the noise tells how they delay the tick;
// of others, digital ones, only the amplitude is as the noise tells it. The band ends at
// the edge of a sound card or a digital receiver.
type chain struct {
	high, low corner
	edge      float64   // Hz, from which nothing is passed on; 0: there is none
	linear    bool      // the phase is linear, its delay not counted
	humHz     float64   // up to which something is heard beside the noise, 0: nothing
	humLevel  float64   // variance of what varies of it, in the noise's
	known     *Response // of a calibrated receiver, to the tick; nil: as the noise tells it
}

// corner is one filter; of order 0 there is none.
type corner struct {
	kind
	hz float64
}

// kind is a filter's order and, of one of the second order that is damped otherwise than
// Butterworth's, its 1/Q.
type kind struct {
	order   int
	damping float64
}

// steep is the order of the edge: that of a digital filter, the sound card's own or the
// receiver's, which has linear phase (common practice).
const steep = 16

// within is the power that the edge leaves at hz.
func (c chain) within(hz float64) float64 {
	if c.edge == 0 {
		return 1
	}
	return corner{kind: kind{order: steep}}.power(hz / c.edge)
}

// poles returns 1/Q of the filter's pole pairs, and whether there is a single pole.
func (c corner) poles() (pairs []float64, single bool) {
	if c.damping > 0 {
		return []float64{c.damping}, false
	}
	for i := range c.order / 2 {
		pairs = append(pairs, 2*math.Sin(math.Pi*float64(2*i+1)/float64(2*c.order)))
	}
	return pairs, c.order%2 == 1
}

// reach is how far up the high-pass filter c reaches, Hz: 0 where there is none.
func (c corner) reach() float64 { return float64(c.order) * c.hz }

// through is 1/B(s), the response of a low-pass of c's order at s corners.
func (c corner) through(s complex128) complex128 {
	pairs, single := c.poles()
	h := complex(1, 0)
	if single {
		h /= 1 + s
	}
	for _, d := range pairs {
		h /= 1 + complex(d, 0)*s + s*s
	}
	return h
}

// response of the chain at hz.
func (c chain) response(hz float64) complex128 {
	h := complex(1, 0)
	if c.high.order > 0 {
		h *= c.high.through(complex(0, -c.high.hz/max(hz, 1e-3)))
	}
	if c.low.order > 0 {
		h *= c.low.through(complex(0, hz/c.low.hz))
	}
	h *= complex(math.Sqrt(c.within(hz)), 0)
	if c.linear {
		return complex(cmplx.Abs(h), 0)
	}
	return h
}

// power is |response|² at hz.
func (c chain) power(hz float64) float64 {
	return c.high.power(c.high.hz/max(hz, 1e-3)) * c.low.power(hz/c.low.hz) * c.within(hz)
}

// power of the low-pass of c's kind at x corners.
func (c corner) power(x float64) float64 {
	switch {
	case c.order == 0:
		return 1
	case c.damping > 0:
		return 1 / ((1-x*x)*(1-x*x) + c.damping*c.damping*x*x)
	}
	p, square := 1.0, x*x
	for range c.order {
		p *= square
	}
	return 1 / (1 + p)
}

// timed is the response, timed by the group delay at a tone.
func (c chain) timed(toneHz float64) func(hz float64) complex128 {
	if c.known != nil {
		return c.known.timed()
	}
	group, _ := c.delays(toneHz)
	return func(hz float64) complex128 { return c.response(hz) * cmplx.Rect(1, 2*math.Pi*hz*group) }
}

// delays are those of the group and of the phase at hz, s.
func (c chain) delays(hz float64) (group, phase float64) {
	if !c.linear {
		phase = -(c.high.phase(complex(0, -c.high.hz/hz)) + c.low.phase(complex(0, hz/c.low.hz))) / (2 * math.Pi * hz)
	}
	return groupDelay(c.response, hz), phase
}

// groupDelay is that of a response at hz, s.
func groupDelay(response func(hz float64) complex128, hz float64) float64 {
	const step = 1e-3
	return -cmplx.Phase(response(hz*(1+step))/response(hz*(1-step))) / (4 * math.Pi * hz * step)
}

// phase is through's, beyond half a turn too.
func (c corner) phase(s complex128) float64 {
	pairs, single := c.poles()
	sum := 0.0
	if single {
		sum -= cmplx.Phase(1 + s)
	}
	for _, d := range pairs {
		sum -= cmplx.Phase(1 + complex(d, 0)*s + s*s)
	}
	return sum
}

// turned is c with the logarithms of its corners moved.
func (c chain) turned(high, low float64) chain {
	c.high.hz *= math.Exp(high)
	c.low.hz *= math.Exp(low)
	return c
}
