package timing

import (
	"math"
	"math/cmplx"
)

// A wave is a waveform behind a chain, arriving at time 0 by the chain's group
// delay at the tone, with its derivatives: as a function of time, tabulated finely
// enough for cubic interpolation. A column is tabulated when it is first asked for.
type wave struct {
	shaper   *shaper
	spectrum []complex128 // ahead of the chain
	columns  [columns][]float64
}

// The columns of a wave.
const (
	value  = iota
	slope  // derivative by the lag at which it arrives, a sample
	bend   // second such derivative; of a beat that by the spacing of its paths
	byHigh // derivative by the logarithm of the high-pass's corner
	byLow  // by that of the low-pass
	columns
)

const (
	waveSamples = 512 // after which a table begins anew
	waveFine    = 16  // entries a sample
	// waveBins are the frequencies at which the stream's own filter passes anything.
	waveBins = waveSamples * 575 / 1000
	// onsetSeconds is how long a mark that goes on sounds in a table: longer than
	// a window, with room for its end to die away.
	onsetSeconds = 30e-3
)

// part is a waveform that a burst m(t) gives in a receiver, as its Fourier transform
// at hz.
type part func(f *filter, hz float64) complex128

// burst is the length of a mark in a table, s.
func (f *filter) burst() float64 {
	if f.Onset {
		return onsetSeconds
	}
	return f.Seconds
}

// line is the Fourier transform at hz of exp(2πi·tone·t), from ≤ t < to.
func line(hz, tone, from, to float64) complex128 {
	x := math.Pi * (tone - hz)
	if math.Abs(x*(to-from)) < 1e-9 {
		return complex(to-from, 0)
	}
	return cmplx.Rect(math.Sin(x*(to-from))/x, x*(from+to))
}

// inPhase is the burst as sent, sin(ωt).
func inPhase(f *filter, hz float64) complex128 {
	return (line(hz, f.ToneHz, 0, f.burst()) - line(hz, -f.ToneHz, 0, f.burst())) / 2i
}

// quadrature is the burst turned forward by a quarter of a cycle: its Hilbert
// transform's negative.
func quadrature(f *filter, hz float64) complex128 { return 1i * inPhase(f, hz) }

// aliasing is the response of the stream's own low-pass filter at hz, for a rate:
// its transition is centred on half the rate.
func aliasing(hz, rate float64) float64 {
	const from, to = 0.425, 0.575
	x := (hz/rate - from) / (to - from)
	return 0.5 + 0.5*math.Cos(math.Pi*min(1, max(0, x)))
}

// shaper makes waves behind one chain.
type shaper struct {
	*filter
	// The chain's response, timed by its group delay, with its derivatives; those of one that
	// was calibrated are nought.
	plain, byHigh, byLow []complex128
	sent                 *sent
}

func (f *filter) shaper(c chain) *shaper {
	const small = 0.02
	timed := func(c chain) []complex128 {
		at := c.timed(f.ToneHz)
		h := make([]complex128, waveBins)
		for i := range h {
			hz := float64(i) * f.rate / waveSamples
			h[i] = at(hz) * complex(aliasing(hz, f.rate), 0)
		}
		return h
	}
	derivative := func(a, b chain) []complex128 {
		h, g := timed(a), timed(b)
		for i := range h {
			h[i] = (h[i] - g[i]) / (2 * small)
		}
		return h
	}
	return &shaper{
		filter: f, plain: timed(c), sent: f.sent(),
		byHigh: derivative(c.turned(small, 0), c.turned(-small, 0)),
		byLow:  derivative(c.turned(0, small), c.turned(0, -small)),
	}
}

// sent is a mark as it is sent, with the Fourier transform of its square.
type sent struct {
	*filter
	square [waveBins]complex128
}

func (f *filter) sent() *sent {
	m := &sent{filter: f}
	for i := range m.square {
		hz := float64(i) * f.rate / waveSamples
		m.square[i] = line(hz, 0, 0, f.burst())/2 - (line(hz, 2*f.ToneHz, 0, f.burst())+line(hz, -2*f.ToneHz, 0, f.burst()))/4
	}
	return m
}

// wave is p behind the chain.
func (s *shaper) wave(p part) wave {
	spectrum := make([]complex128, len(s.plain))
	for i := range spectrum {
		spectrum[i] = p(s.filter, float64(i)*s.rate/waveSamples) * complex(s.rate/waveSamples, 0)
	}
	return wave{shaper: s, spectrum: spectrum}
}

// column is the table of column col.
func (w *wave) column(col int) []float64 {
	if w.columns[col] != nil {
		return w.columns[col]
	}
	s := w.shaper
	coef := make([]complex128, waveSamples*waveFine/2+1)
	for i, v := range w.spectrum {
		turn := complex(0, -2*math.Pi*float64(i)/waveSamples) // by one sample of lag
		switch col {
		case value:
			v *= s.plain[i]
		case slope:
			v *= s.plain[i] * turn
		case bend:
			v *= s.plain[i] * turn * turn
		case byHigh:
			v *= s.byHigh[i]
		case byLow:
			v *= s.byLow[i]
		}
		coef[i] = v
	}
	fft := s.pool.transform(waveSamples * waveFine)
	defer s.pool.backTransform(fft)
	w.columns[col] = fft.Sequence(nil, coef)
	return w.columns[col]
}

// inTime tabulates a waveform given by its values at the table's places from 0 to end.
func (s *shaper) inTime(end float64, x func(at float64) float64) []complex128 {
	n := waveSamples * waveFine
	v := make([]float64, n)
	for i := range int(end) + 1 {
		v[i] = x(float64(i)) / float64(n)
	}
	fft := s.pool.transform(n)
	defer s.pool.backTransform(fft)
	return fft.Coefficients(nil, v)[:len(s.plain)]
}

// mark is the burst at a place of the table.
func (s *shaper) mark(at float64) float64 {
	if at < 0 || at >= s.burst()*s.rate*waveFine {
		return 0
	}
	return math.Sin(s.omega / waveFine * at)
}

// sampled is a wave as one window has it.
type sampled [columns][]float64

// beat is what an envelope detector adds where two paths, some samples apart, have
// carriers out of phase: by the envelope's series the square of their difference,
// (a(t) − b(t−spacing))². It is sampled n times, first at start samples after a's
// arrival.
func (s *shaper) beat(a, b *sent, spacing, start float64, n int) (w sampled) {
	// The squares and the product of two sines are lines, the product's at the difference and
	// the sum of the pitches, while both last. They are continuous where either begins or
	// ends, so that only the integrand has a derivative by the spacing.
	apart, omega := spacing/s.rate, 2*math.Pi*b.ToneHz
	turned := cmplx.Rect(1, omega*apart)
	from, to := max(0, apart), min(a.burst(), apart+b.burst())
	scale := complex(s.rate/waveSamples, 0)
	// What turns with the frequency is turned on from bin to bin.
	var turns, steps [4]complex128
	for k, t := range [4]float64{apart, from, to, -start / s.rate} {
		turns[k], steps[k] = 1, cmplx.Rect(1, -2*math.Pi*t*s.rate/waveSamples)
	}
	tones := [4]float64{a.ToneHz - b.ToneHz, b.ToneHz - a.ToneHz, a.ToneHz + b.ToneHz, -a.ToneHz - b.ToneHz}
	var begin, end [4]complex128
	for k, tone := range tones {
		begin[k], end[k] = cmplx.Rect(1, 2*math.Pi*tone*from), cmplx.Rect(1, 2*math.Pi*tone*to)
	}
	var spectra [columns][waveSamples/2 + 1]complex128
	for i := range s.plain {
		hz := float64(i) * s.rate / waveSamples
		late, shift := b.square[i]*turns[0], turns[3]
		var product, byApart complex128
		if from < to {
			var lines [4]complex128 // as line has them
			for k, tone := range tones {
				x := 2 * math.Pi * (tone - hz)
				if math.Abs(x*(to-from)) < 1e-5 {
					lines[k] = cmplx.Rect(to-from, x*(from+to)/2)
					continue
				}
				z := end[k]*turns[2] - begin[k]*turns[1]
				lines[k] = complex(imag(z)/x, -real(z)/x)
			}
			up, down := turned*lines[0], cmplx.Conj(turned)*lines[1]
			high, low := cmplx.Conj(turned)*lines[2], turned*lines[3]
			product = (up + down - high - low) / 4
			byApart = complex(0, omega/4) * (up - down + high - low)
		}
		for k, v := range steps {
			turns[k] *= v
		}
		plain := scale * (a.square[i] + late - 2*product)
		bySpacing := scale * (complex(0, -2*math.Pi*hz)*late - 2*byApart) / complex(s.rate, 0)
		turn := complex(0, -2*math.Pi*float64(i)/waveSamples) // by one sample of lag
		for col, v := range [columns]complex128{plain * s.plain[i], plain * s.plain[i] * turn, bySpacing * s.plain[i], plain * s.byHigh[i], plain * s.byLow[i]} {
			switch v *= shift; {
			case i < waveSamples/2:
				spectra[col][i] += v
			case i == waveSamples/2:
				spectra[col][i] += 2 * v // which the transform counts once
			default: // beyond half the rate
				spectra[col][waveSamples-i] += cmplx.Conj(v)
			}
		}
	}
	fft := s.pool.transform(waveSamples)
	defer s.pool.backTransform(fft)
	for col := range w {
		w[col] = fft.Sequence(nil, spectra[col][:])[:n]
	}
	return w
}

// rise tabulates by how much noise of a variance, against the carrier's power, lifts the
// envelope while a mark of full modulation sounds: where the carrier's troughs are, by
// √(A² + σ²) − A, nearly the mean of Rice's distribution.
func (s *shaper) rise(variance float64) wave {
	still := math.Sqrt(1+variance) - 1
	return wave{shaper: s, spectrum: s.inTime(s.burst()*s.rate*waveFine-1, func(at float64) float64 {
		a := 1 + s.mark(at)
		return math.Sqrt(a*a+variance) - a - still
	})}
}

// sample fills dst with column col of the wave, t samples after its arrival and on.
func (w *wave) sample(dst []float64, col int, t float64) {
	x := w.column(col)
	pos := t * waveFine
	i := int(math.Floor(pos))
	r := pos - float64(i)
	// Lagrange's cubic.
	a, b, c, d := -r*(r-1)*(r-2)/6, (r*r-1)*(r-2)/2, -r*(r+1)*(r-2)/2, r*(r*r-1)/6
	const mask = waveSamples*waveFine - 1
	for j := range dst {
		dst[j] = a*x[(i-1)&mask] + b*x[i&mask] + c*x[(i+1)&mask] + d*x[(i+2)&mask]
		i += waveFine
	}
}
