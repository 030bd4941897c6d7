// Package chirp measures a channel by the chirps that a station sends for it: how
// many ways a signal comes, how far apart and how strong.
//
// The sequence is that of the designers' description (Zenodo 5602094, 2021): three
// short chirps up and three down, a pause, then three long ones up and three down,
// over 5 kHz; only the long ones are used. In the band a receiver lets through, a
// matched filter gains some 30 dB and tells paths apart that lie the inverse of the
// band's width apart. What lies nearer is told apart by fitting: every chirp is the
// sum of the same few delays, each time with other amplitudes.
//
// When the sequence begins against the UTC second is not published, so it tells
// nothing of absolute time.
package chirp

import (
	"math"
	"math/cmplx"
	"slices"

	"github.com/mjibson/go-dsp/fft"
	"gonum.org/v1/gonum/dsp/fourier"

	"timeball/detect/rank"
)

const (
	topHz  = 5000.0 // swept from or up to
	length = 1.0    // of a chirp, s
	every  = 1.1    // from the start of one to that of the next, s
	each   = 3      // up, and then down
	chirps = 2 * each
	rise   = topHz / length // Hz a second

	// The band looked at, Hz: below it lie time codes, hum and a receiver's high-pass;
	// above it what the receiver's audio is decimated to.
	lowHz, highHz = 300.0, 3400.0

	// What arrives is looked for this long before and after the strongest, s.
	before, after = 6e-3, 10e-3
	// A receiver on one sideband may be mistuned by this much, Hz.
	mistuned = 60.0
	// On noise alone, fewer than one in 1e10 of a search's cells is as strong, by
	// Chernoff's bound of the sum over six chirps of ln(1+p), p the power over the
	// noise's mean: E[(1+p)^7] < e·7!, so the chance is below (e·7!)^6·exp(-7·found).
	// And so many of them must each be stronger than noise in one of a thousand.
	// What stands out so and is then no stronger than this over the noise about it, dB,
	// is something else: tones, or noise that comes and goes (judgement).
	credible                = 9.0
	found, strong, strongOf = 11.5, 7.0, 4
)

// Sounding is a channel as the chirps tell it.
type Sounding struct {
	// Begin is when the first of the long chirps arrives by the strongest path, s
	// after the first sample.
	Begin    float64
	SNRdB    float64   // of the strongest path in the matched filter, mean over the chirps
	Arrivals []Arrival // the earliest first
	// Level is the matched filter's power over the noise, mean over the chirps, dB,
	// from First, s after the earliest arrival, every Step.
	Level       []float32
	First, Step float64
}

// Arrival is one way the chirps came.
type Arrival struct {
	Excess  float64 // after the earliest, s
	U       float64 // its standard uncertainty, s
	LevelDB float64 // mean power against the strongest
}

// Find looks for the chirps in audio, rate samples a UTC second.
func Find(audio []float32, rate float64) (Sounding, bool) {
	top := min(highHz, 0.425*rate)
	power, ok := matched(audio, rate, top)
	if !ok {
		return Sounding{}, false
	}
	at, apart, ok := strongest(power[0], power[1], rate)
	if !ok {
		return Sounding{}, false
	}
	c := newChannel(audio, rate, top, at, apart)
	if c == nil {
		return Sounding{}, false
	}
	s := c.measure()
	s.Begin += float64(at) / rate
	return s, s.SNRdB > credible
}

// template is a chirp as far as it lies in the band, as a spectrum of n bins, of the
// positive frequencies alone.
func template(n int, rate, top float64, falls bool) []complex128 {
	x := make([]complex128, n)
	for i := range int(length * rate) {
		t := float64(i) / rate
		hz := rise * t
		phase := math.Pi * rise * t * t
		if falls {
			hz = topHz - hz
			phase = 2 * math.Pi * (topHz*t - rise*t*t/2)
		}
		if hz < lowHz-100 || hz > top+100 {
			continue // its spectrum is cut below
		}
		x[i] = cmplx.Rect(1, phase)
	}
	s := fft.FFT(x)
	for i := range s {
		if hz := float64(i) * rate / float64(n); hz < lowHz || hz > top {
			s[i] = 0
		}
	}
	return s
}

const block = 1 << 15 // samples transformed together

// matcher is the memory in which blocks are transformed, in place: what go-dsp would
// throw away is more than all else that is held.
type matcher struct {
	real     *fourier.FFT
	complex  *fourier.CmplxFFT
	x        []float64
	spectrum []complex128 // of x, not negative frequencies
	y        []complex128
}

func newMatcher() *matcher {
	return &matcher{
		fourier.NewFFT(block), fourier.NewCmplxFFT(block),
		make([]float64, block), make([]complex128, block/2+1), make([]complex128, block),
	}
}

// matched is the power of the matched filters for chirps up and down, by where one
// begins; false of too little audio.
func matched(audio []float32, rate, top float64) (power [2][]float32, ok bool) {
	count := len(audio) - int(length*rate)
	use := block - int(length*rate) // outputs of a block that are not wrapped round
	if use <= 0 || count <= int((chirps-1)*every*rate) {
		return power, false
	}
	m := newMatcher()
	var filters [2][]complex128
	for k, falls := range [2]bool{false, true} {
		filters[k], power[k] = template(block, rate, top, falls), make([]float32, count)
	}
	for from := 0; from < count; from += use {
		clear(m.x)
		for i, v := range audio[from:min(from+block, len(audio))] {
			m.x[i] = float64(v)
		}
		m.real.Coefficients(m.spectrum, m.x)
		for k, out := range power {
			clear(m.y)
			for i, v := range m.spectrum {
				m.y[i] = v * cmplx.Conj(filters[k][i]) // which has no negative frequencies
			}
			m.complex.Sequence(m.y, m.y)
			for i := 0; i < use && from+i < count; i++ {
				out[from+i] = float32(real(m.y[i])*real(m.y[i]) + imag(m.y[i])*imag(m.y[i]))
			}
		}
	}
	return power, true
}

// strongest finds where three chirps up and three down stand out together: where
// the first begins, and how much later than they should those down come, samples.
func strongest(up, down []float32, rate float64) (at, apart int, ok bool) {
	step := func(k int) int { return int(math.Round(float64(k) * every * rate)) }
	lag := int(2 * mistuned / rise * rate)
	noise := [2]float64{median(up), median(down)} // of an exponential distribution: ln 2 of its mean
	for i := range noise {
		noise[i] /= math.Ln2
	}
	if noise[0] == 0 || noise[1] == 0 {
		return 0, 0, false
	}
	last := len(down) - step(each-1) // places where three down may begin
	count := min(len(up)-step(each-1), last-step(each)-lag)
	if count <= 0 {
		return 0, 0, false
	}
	// Products, whose logarithms add: one click does not count as much as six chirps.
	product := func(x []float32, i int, noise float64) float64 {
		p, over := 1.0, 1/noise
		for k := range each {
			p *= 1 + float64(x[i+step(k)])*over
		}
		return p
	}
	falls := make([]float32, last)
	for i := range falls {
		falls[i] = float32(min(product(down, i, noise[1]), math.MaxFloat32))
	}
	least := math.Exp(found / 4) // else the rest would have to come from those down alone
	best := math.Exp(found)
	for i := range count {
		u := product(up, i, noise[0])
		if u < least {
			continue
		}
		from := i + step(each) - lag
		window := falls[from : from+2*lag+1]
		for d, f := range window {
			if total := u * float64(f); total > best {
				best, at, apart, ok = total, i, d-lag, true
			}
		}
	}
	if !ok {
		return 0, 0, false
	}
	clearer := 0
	for k := range chirps {
		x, mean, i := up, noise[0], at+step(k)
		if k >= each {
			x, mean, i = down, noise[1], i+apart
		}
		near := slices.Max(x[max(0, i-3):min(len(x), i+4)])
		if float64(near) > strong*mean {
			clearer++
		}
	}
	return at, apart, clearer >= strongOf
}

func median(x []float32) float64 {
	s := make([]float32, 0, len(x)/16+1)
	for i := 0; i < len(x); i += 16 {
		s = append(s, x[i])
	}
	return float64(rank.Upper(s))
}
