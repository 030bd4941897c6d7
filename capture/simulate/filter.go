package simulate

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"

	"timeball/capture/lanes"
)

// section is a recursive filter of first or second order.
type section struct {
	b0, b1, b2, a1, a2 float64
	s1, s2             float64 // state (transposed direct form II)
}

func (s *section) run(x []float64) {
	b0, b1, b2, a1, a2 := s.b0, s.b1, s.b2, s.a1, s.a2
	s1, s2 := s.s1, s.s2
	for i, v := range x {
		y := b0*v + s1
		s1 = b1*v - a1*y + s2
		s2 = b2*v - a2*y
		x[i] = y
	}
	s.s1, s.s2 = s1, s2
}

// delays are the section's group and phase delay at f cycles a sample, in
// samples. A section turns the phase by less than half a turn, so the phase
// needs no unwrapping.
func (s *section) delays(f float64) (group, phase float64) {
	w := 2 * math.Pi * f
	z := cmplx.Exp(complex(0, -w))
	b := complex(s.b0, 0) + z*complex(s.b1, 0) + z*z*complex(s.b2, 0)
	a := 1 + z*complex(s.a1, 0) + z*z*complex(s.a2, 0)
	db := z*complex(s.b1, 0) + 2*z*z*complex(s.b2, 0)
	da := z*complex(s.a1, 0) + 2*z*z*complex(s.a2, 0)
	return real(db/b) - real(da/a), -cmplx.Phase(b/a) / w
}

// butterworth returns the sections of a Butterworth filter of the given order
// with its −3 dB point at f cycles a sample, by the bilinear transform.
func butterworth(order int, f float64, highPass bool) []section {
	k := math.Tan(math.Pi * f)
	var all []section
	if order%2 == 1 {
		s := section{b0: k / (1 + k), b1: k / (1 + k), a1: (k - 1) / (1 + k)}
		if highPass {
			s.b0, s.b1 = 1/(1+k), -1/(1+k)
		}
		all = append(all, s)
	}
	for i := range order / 2 {
		// 1/Q of the pole pair.
		d := 2 * math.Sin(math.Pi*float64(2*i+1)/float64(2*order))
		n := 1 / (1 + d*k + k*k)
		s := section{b0: k * k * n, b1: 2 * k * k * n, b2: k * k * n, a1: 2 * (k*k - 1) * n, a2: (1 - d*k + k*k) * n}
		if highPass {
			s.b0, s.b1, s.b2 = n, -2*n, n
		}
		all = append(all, s)
	}
	return all
}

// coupling is a capacitor's first-order high-pass.
func coupling(hz, rate float64) section {
	return butterworth(1, hz/rate, true)[0]
}

// fir is a symmetric filter that streams: its output is late by half its
// order, a whole number of samples.
type fir struct {
	taps []float64
	past []float64 // the last samples of the block before, then this block
}

func newFIR(taps []float64) *fir {
	return &fir{taps: taps, past: make([]float64, len(taps)-1)}
}

func (f *fir) latency() int { return (len(f.taps) - 1) / 2 }

// run filters x in place.
func (f *fir) run(x []float64) { f.thin(x, 1) }

// thin filters x, whose length is a multiple of step, and leaves each step-th sample at
// its front.
func (f *fir) thin(x []float64, step int) {
	order := len(f.taps) - 1
	f.past = append(f.past[:order], x...)
	rows := func(n, stride int, data []float64) blas64.General {
		return blas64.General{Rows: n, Cols: len(f.taps), Stride: stride, Data: data}
	}
	n := len(x) / step
	lanes.Products(blas64.General{Rows: 1, Cols: n, Stride: n, Data: x}, rows(1, len(f.taps), f.taps), rows(n, step, f.past))
	copy(f.past, f.past[len(x):])
}

// dot is the sum of products of a with the start of b.
func dot(a, b []float64) float64 { return floats.Dot(a, b[:len(a)]) }

// lowPassTaps are the coefficients of a linear-phase low-pass with its −6 dB
// point at f cycles a sample, 2·half+1 of them.
func lowPassTaps(f float64, half int) []float64 {
	taps := make([]float64, 2*half+1)
	sum := 0.0
	for i := range taps {
		taps[i] = lowPass(float64(i-half), f, float64(half+1))
		sum += taps[i]
	}
	for i := range taps {
		taps[i] /= sum
	}
	return taps
}

// hilbertTaps are the coefficients of a quarter-turn phase shifter, 2·half+1 of
// them, good from about 1/half cycles a sample up.
func hilbertTaps(half int) []float64 {
	taps := make([]float64, 2*half+1)
	for i := range taps {
		if n := i - half; n%2 != 0 {
			r := float64(n) / float64(half+1)
			// Correlation form: dot runs forward in time, so the sign is
			// that of the time-reversed response.
			taps[i] = -2 / (math.Pi * float64(n)) * kaiser(r)
		}
	}
	return taps
}
