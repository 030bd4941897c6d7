package envelope

import (
	"math"
	"math/cmplx"
	"sync"

	"timeball/detect/kaiser"
)

// Chain is an audio chain: a high-pass filter and the rest.
type Chain struct {
	// The high-pass filter has pole pairs of these 1/Q and perhaps a single pole, all at
	// one corner; it may have neither.
	Pairs    []float64
	Single   bool
	CornerHz float64
	Log      float64 // logarithm of its likelihood before a mark is heard
	// Rest is the response of all else.
	Rest func(hz float64) complex128
	// RestTurn is the derivative of Rest's logarithm at the tone by that of its
	// corner.
	RestTurn complex128
	// Delay is the chain's group delay at the tone with the logarithms of its corners
	// moved, s.
	Delay func(high, low float64) float64
	// Slope are the derivatives of Log by the logarithms of the corners, that of the
	// high-pass filter and that of the rest, Sure and Cross the negatives of the second.
	Slope [2]float64
	Sure  [2]float64
	Cross float64
	// Moved is the chain with the logarithms of its corners moved; nil: it stays.
	Moved func(high, low float64) Chain
}

// flattener takes a chain out of audio. A recursion undoes a digital filter like the
// chain's high-pass filter, but for what that remembered from before, which is
// powers of time; a short filter undoes the rest and moves the audio between samples.
type flattener struct {
	Chain
	index    int        // among those that are asked for
	moved    [2]float64 // logarithms of the corners over those of the chain asked for
	sections []section
	low      [3]float64 // what a change of the rest's corner does
	taps     [fractions + 1][2 * flatReach]float64
	work     []float64
}

// section is a digital high-pass filter g·(1−z⁻¹)ⁿ/(1 + a1·z⁻¹ + a2·z⁻²).
type section struct {
	order     int
	g, a1, a2 float64
	// How its response changes with the logarithm of its corner, as a share of it:
	// (b0 + b1·z⁻¹ + b2·z⁻²)/(1 + a1·z⁻¹ + a2·z⁻²).
	b0, b1, b2 float64
}

const (
	flatReach = 18  // samples on either side of the short filter
	fractions = 64  // of a sample
	bins      = 512 // of the rest's response
	// mostBoost is by how much, above the tone's, a frequency's level is raised.
	mostBoost = 10
)

// phasors are the roots of one: those of a bin's middle at a fraction of a sample among them.
var phasors = sync.OnceValue(func() []complex128 {
	roots := make([]complex128, 4*bins*fractions)
	for i := range roots {
		roots[i] = cmplx.Rect(1, 2*math.Pi*float64(i)/float64(len(roots)))
	}
	return roots
})

func newFlattener(c Chain, rate, toneHz float64) *flattener {
	f := &flattener{Chain: c}
	// Bilinear transform.
	k := math.Tan(math.Pi * c.CornerHz / rate)
	if c.Single {
		g := 1 / (1 + k) // −1/(1+s)
		f.sections = append(f.sections, section{1, g, (k - 1) * g, 0, -k * g, -k * g, 0})
	}
	for _, d := range c.Pairs {
		g := 1 / (1 + d*k + k*k)
		// −(2+d·s)/(1+d·s+s²)
		f.sections = append(f.sections, section{
			2, g, 2 * (k*k - 1) * g, (1 - d*k + k*k) * g,
			-(2*k*k + d*k) * g, -4 * k * k * g, -(2*k*k - d*k) * g,
		})
	}
	// The short filter by its response, on a fine grid, windowed.
	gain := cmplx.Abs(c.response(toneHz))
	// Real and imaginary part at the tone.
	sin, cos := math.Sincos(2 * math.Pi * toneHz / rate)
	b1, b2 := imag(c.RestTurn)/(2*sin), real(c.RestTurn)/(2*(cos-1))
	f.low = [3]float64{b2 + b1, -2 * b2, b2 - b1}
	response := make([]complex128, bins)
	for j := range response {
		hz := (float64(j) + 0.5) / bins * rate / 2
		h := complex(1, 0)
		z := cmplx.Rect(1, -2*math.Pi*hz/rate)
		for _, s := range f.sections {
			zero := 1 - z
			if s.order == 2 {
				zero *= zero
			}
			h *= complex(s.g, 0) * zero / (1 + complex(s.a1, 0)*z + complex(s.a2, 0)*z*z)
		}
		r := h / c.response(hz) * complex(gain, 0)
		if a := cmplx.Abs(r); a > mostBoost*gain {
			r *= complex(mostBoost*gain/a, 0)
		}
		if x := hz/rate - 0.425; x > 0 {
			r *= complex(0.5+0.5*math.Cos(math.Pi*x/0.075), 0)
		}
		response[j] = r
	}
	roots := phasors()
	for p := range f.taps {
		for i := range f.taps[p] {
			// Tap i weighs the sample i−flatReach+1 after that before the wanted place.
			at := p - fractions*(i-flatReach+1)
			sum := 0.0
			for j, r := range response {
				w := roots[(2*j+1)*at&(len(roots)-1)]
				sum += real(r)*real(w) - imag(r)*imag(w)
			}
			f.taps[p][i] = sum / bins * kaiser.Window(float64(at)/fractions/(flatReach+0.5), 5)
		}
	}
	return f
}

// flatten fills dst with x behind the inverse of the chain from at samples after
// x[0] on. It reports false when x does not hold what that takes.
func (f *flattener) flatten(dst, x []float64, at float64) bool {
	first := int(math.Floor(at)) - flatReach + 1
	if first < 0 || first+len(dst)+2*flatReach > len(x) {
		return false
	}
	f.work = append(f.work[:0], x...)
	for _, s := range f.sections {
		var x1, x2, y1, y2 float64
		for i, v := range f.work {
			y := (v + s.a1*x1 + s.a2*x2) / s.g
			if s.order == 2 {
				y += 2*y1 - y2
			} else {
				y += y1
			}
			x1, x2, y1, y2 = v, x1, y, y1
			f.work[i] = y
		}
	}
	u := (at - math.Floor(at)) * fractions
	p := min(int(u), fractions-1)
	r := u - float64(p)
	var taps [2 * flatReach]float64
	for i := range taps {
		taps[i] = f.taps[p][i] + r*(f.taps[p+1][i]-f.taps[p][i])
	}
	for i := range dst {
		dst[i] = dot(taps[:], f.work[first+i:])
	}
	return true
}

// response of the chain at hz.
func (c *Chain) response(hz float64) complex128 {
	h := c.Rest(hz)
	s := complex(0, hz/c.CornerHz)
	if c.Single {
		h *= s / (1 + s)
	}
	for _, d := range c.Pairs {
		h *= s * s / (1 + complex(d, 0)*s + s*s)
	}
	return h
}

// turn fills high and low with how x, out of which the chain has been taken, changes
// with the logarithms of its corners.
func (f *flattener) turn(high, low, x []float64) {
	clear(high)
	for _, s := range f.sections {
		var x1, x2, y1, y2 float64
		for i, v := range x {
			v -= x[0] // which the filter has long forgotten
			y := s.b0*v + s.b1*x1 + s.b2*x2 - s.a1*y1 - s.a2*y2
			x1, x2, y1, y2 = v, x1, y, y1
			high[i] += y
		}
	}
	n := len(x) - 1
	low[0], low[n] = 0, 0
	for i := 1; i < n; i++ {
		low[i] = f.low[0]*x[i+1] + f.low[1]*x[i] + f.low[2]*x[i-1]
	}
}
