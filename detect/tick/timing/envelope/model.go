package envelope

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"timeball/detect/kaiser"
)

const (
	mostPaths = 3
	// A second has the amplitudes re a₁, re a₂, im a₂, … and, where a common phase
	// tells anything, im a₁.
	mostAmplitudes = 2 * mostPaths
	// The receiver has the corners of its audio chain's high-pass and low-pass filter,
	// and the bandwidth before its detector.
	corners     = 3
	mostColumns = mostAmplitudes + mostPaths + corners

	// reach is the half-length of the filter that brings the model's points to the
	// audio's rate, points. It is that of the audio's own decimator: a Kaiser window
	// for 60 dB from 0.575 of the rate on.
	reach    = 23
	kaiser60 = 5.65326

	// drifts is the number of powers of time that each second may add to the audio:
	// what a high-pass filter of up to the fourth order remembers from before.
	drifts = 4
)

// Detector is what a receiver makes audio with.
type Detector int

const (
	// Diode gives the envelope.
	Diode Detector = iota
	// Synchronous gives the part that is in phase with the carrier.
	Synchronous
	// Product gives the sideband alone, in a phase that every second has for itself.
	Product
	detectors
)

// amplitudes is the number of a second's amplitudes of so many paths.
func (d Detector) amplitudes(paths int) int {
	if d == Product {
		return 2 * paths
	}
	return 2*paths - 1
}

// pathOf is the path that amplitude i of so many paths belongs to.
func pathOf(i, paths int) int {
	if i == 2*paths-1 {
		return 0
	}
	return (i + 1) / 2
}

// model computes what a detector makes of paths.
type model struct {
	*burst
	points   int // of the audio
	detector Detector
	grid     float64 // s, a sixth of the tone's cycle
	first    int     // entry of the burst's table that belongs to the first point when the lag is zero
	half     [(reach + 1) / 2]float64
	base     [drifts][]float64 // orthonormal powers of time

	fine []float64                  // at the points
	col  [1 + mostColumns][]float64 // and its derivatives, at the audio's rate
}

// newModel returns the model of points samples of audio at rate from before
// seconds ahead of lag zero on. Lags may be off by up to margin.
func newModel(rate, toneHz, before, margin float64, points int, d Detector) *model {
	extra := float64(reach+2) / (oversample * rate)
	after := float64(points)/rate - before
	m := &model{
		burst:  newBurst(rate, toneHz, before+margin+extra, after+margin+extra),
		points: points, detector: d, grid: 1 / (6 * toneHz),
	}
	m.first = m.origin - int(math.Round(before/m.step)) - reach*between
	for k := range m.half {
		x := float64(2*k + 1)
		m.half[k] = kaiser.Sinc(x/2) / 2 * kaiser.Window(x/(reach+1), kaiser60)
	}
	sum := 0.0
	for _, c := range m.half {
		sum += 2 * c
	}
	for k := range m.half {
		m.half[k] *= 0.5 / sum
	}
	m.fine = make([]float64, oversample*points+2*reach)
	for i := range m.col {
		m.col[i] = make([]float64, points)
	}
	m.base = powers(points)
	return m
}

// powers returns orthonormal polynomials over n points, by Gram and Schmidt's method
// done twice.
func powers(n int) (base [drifts][]float64) {
	for k := range base {
		v := make([]float64, n)
		for i := range v {
			v[i] = math.Pow(2*float64(i)/float64(n-1)-1, float64(k))
		}
		for range 2 {
			for _, u := range base[:k] {
				subtract(v, u)
			}
		}
		floats.Scale(1/math.Sqrt(dot(v, v)), v)
		base[k] = v
	}
	return base
}

// level takes the powers of time out of x.
func (m *model) level(x []float64) {
	for _, u := range m.base {
		subtract(x, u)
	}
}

// subtract takes from x its part along the unit vector u.
func subtract(x, u []float64) {
	floats.AddScaled(x, -dot(x, u), u)
}

func dot(x, y []float64) float64 { return floats.Dot(x, y[:len(x)]) }

// render fills col[0] with the audio of paths of the given lags, s, and amplitudes,
// and if derivatives are asked for the others with those to the amplitudes and the
// lags, and to the logarithm of floor, the variance in phase of the noise before the
// detector.
func (m *model) render(lags []float64, amp *[mostAmplitudes]float64, floor float64, derivatives bool) {
	paths := len(lags)
	var at [mostPaths]int
	var frac, re, im [mostPaths]float64
	var carrierRe, carrierIm float64
	for p, lag := range lags {
		u := float64(m.first) - lag/m.step
		at[p] = int(math.Floor(u))
		frac[p] = u - float64(at[p])
		re[p] = amp[max(0, 2*p-1)]
		if p > 0 {
			im[p] = amp[2*p]
		}
		carrierRe += re[p]
		carrierIm += im[p]
	}
	one := 1.0
	switch m.detector {
	case Synchronous:
		im[0] = -carrierIm
	case Product:
		im[0] = amp[2*paths-1]
	}
	if m.detector != Diode {
		carrierRe, carrierIm, one = 0, 0, 0
	}
	a := m.detector.amplitudes(paths)
	value, slopes := m.value, m.slope
	var mr, mi [mostPaths]float64
	for j := range m.fine {
		cr, ci := carrierRe, carrierIm
		for p := range paths {
			i := at[p] + j*between
			v, w, f := value[i], value[i+1], frac[p]
			x := real(v) + f*(real(w)-real(v))
			y := imag(v) + f*(imag(w)-imag(v))
			mr[p], mi[p] = x, y
			cr += re[p]*x - im[p]*y
			ci += re[p]*y + im[p]*x
		}
		e, c, g, slope := cr, 0.0, 0.0, 0.0
		if m.detector == Diode {
			c = cr*cr + ci*ci
			g, slope = lift(c / floor)
			e = math.Sqrt(c + floor*g)
		}
		m.fine[j] = e
		// The derivatives have hardly more overtones than the audio can hold.
		n := j - reach
		if !derivatives || n&1 != 0 || n < 0 || n >= oversample*m.points {
			continue
		}
		n /= oversample
		ur, ui, lifted := 1.0, 0.0, 0.0
		if m.detector == Diode {
			by := 1 / e
			ur, ui = cr*(1+slope)*by, ci*(1+slope)*by
			lifted = (floor*g - c*slope) * by / 2
		}
		m.col[a+paths+corners][n] = lifted
		m.col[1][n] = ur*(one+mr[0]) + ui*mi[0]
		for p := 1; p < paths; p++ {
			m.col[2*p][n] = ur*(one+mr[p]) + ui*mi[p]
			m.col[2*p+1][n] = ui*(one+mr[p]) - ur*mi[p]
			if m.detector == Synchronous {
				m.col[2*p+1][n] += mi[0] // by which im a₁ goes the other way
			}
		}
		if m.detector == Product {
			m.col[2*paths][n] = -mi[0]
		}
		for p := range paths {
			v := slopes[at[p]+j*between]
			x, y := real(v), imag(v)
			m.col[1+a+p][n] = -(ur*(re[p]*x-im[p]*y) + ui*(re[p]*y+im[p]*x))
		}
	}
	m.decimate(m.col[0], m.fine)
}

// decimate keeps every second of the points x.
func (m *model) decimate(dst, x []float64) {
	for i := range dst {
		y := x[2*i : 2*i+2*reach+1]
		sum := 0.5 * y[reach]
		for k, c := range m.half {
			sum += c * (y[reach-1-2*k] + y[reach+1+2*k])
		}
		dst[i] = sum
	}
}
