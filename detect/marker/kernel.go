package marker

import (
	"math"
	"sync"

	"timeball/detect/kaiser"
)

// The band limit that makes a time mark independent of the sampling phase:
// a converter's decimator is only 6 dB down at half the sampling rate, so what
// lies just below it is aliased and must go first.
const (
	cutoff     = 0.45 // -6 dB point, cycles per sample; flat below 0.42, gone above 0.48
	halfTaps   = 36   // half length of the low-pass, samples
	kaiserBeta = 6.76 // 70 dB stop band (Kaiser's formula: 0.1102(A-8.7))
	tableStep  = 256  // table entries per sample
)

// lowPass returns tables of the low-pass h(u) and its derivative for
// |u| <= halfTaps, u in samples, tableStep entries per sample. The table is a
// constant of the package; it is computed once.
var lowPass = sync.OnceValues(func() (h, dh []float64) {
	n := halfTaps * tableStep
	h = make([]float64, 2*n+1)
	dh = make([]float64, 2*n+1)
	sum := 0.0
	for i := range h {
		u := float64(i-n) / tableStep
		h[i] = kaiser.Window(u/halfTaps, kaiserBeta) * 2 * cutoff * kaiser.Sinc(2*cutoff*u)
		sum += h[i] / tableStep
	}
	for i := range h {
		h[i] /= sum
	}
	for i := 1; i < len(h)-1; i++ {
		dh[i] = (h[i+1] - h[i-1]) * tableStep / 2
	}
	return h, dh
})

// lookup reads a table of lowPass at u samples.
func lookup(table []float64, u float64) float64 {
	x := (u + halfTaps) * tableStep
	if x <= 0 || x >= float64(len(table)-1) {
		return 0
	}
	i := int(x)
	f := x - float64(i)
	return table[i] + f*(table[i+1]-table[i])
}

// sampler evaluates a snippet of samples, low-passed, at instants that need not
// be whole samples. Its scale stretches the low-pass: with scale D everything
// above cutoff/D is removed and the grid of sample has a spacing of D frames, so
// that a slow edge looks to the fit just as a fast one does.
type sampler struct {
	scale int
	taps  []float64 // taps of the low-pass at the current phase
	slope []float64 // taps of its derivative
}

// reach is how many frames beyond the outermost grid point sample needs.
func (s *sampler) reach() int { return halfTaps*s.scale + 1 }

// sample evaluates x at the instants t + k*scale for k = -before .. and fills y
// and dy (per frame) with len(y) values. x must hold reach() samples more on either
// side.
func (s *sampler) sample(y, dy []float64, x []float32, t float64, before int) {
	h, dh := lowPass()
	d := float64(s.scale)
	whole := math.Floor(t)
	frac := t - whole
	n := 2*halfTaps*s.scale + 1
	if cap(s.taps) < n {
		s.taps, s.slope = make([]float64, n), make([]float64, n)
	}
	taps, slope := s.taps[:n], s.slope[:n]
	for j := range taps {
		u := (frac - float64(j-halfTaps*s.scale)) / d
		taps[j] = lookup(h, u) / d
		slope[j] = lookup(dh, u) / (d * d)
	}
	start := int(whole) - halfTaps*s.scale - before*s.scale
	for k := range y {
		seg := x[start+k*s.scale:][:n]
		var a, b float64
		for j, v := range seg {
			a += float64(v) * taps[j]
			b += float64(v) * slope[j]
		}
		y[k], dy[k] = a, b
	}
}
