package timing

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"

	"timeball/detect/tone"
)

// Shape is a kind of mark. Stations whose marks have the same shape differ only in
// their pattern.
type Shape struct {
	ToneHz  float64
	Seconds float64 // length of the filter
	Onset   bool    // the mark goes on after the filter's end
}

// filter is the matched filter of a shape at a low rate. Its output over n
// samples from lag ℓ on, w(ℓ) = Σ_{m≤n} a(ℓ+m)·exp(−jω(ℓ+m)) with half weight at
// both ends (so that it is centred on a mark that begins at ℓ), is the
// mark's complex envelope at base band. Lags are in samples.
type filter struct {
	Shape
	rate   float64 // low rate, Hz
	omega  float64 // tone, radians a sample
	length int     // samples of a whole mark
	view   view    // of stacks
	pool   *pool

	autocovariance *fourier.DCT // of a spectrum
	// aliases are what the stream's low-pass filter leaves of the power at each of the
	// spectrum's frequencies, and of what folds there.
	aliases [spectrumBins + 1][2]float64
}

func newFilter(s Shape, rate float64) *filter {
	f := &filter{rate: rate, view: closely, pool: &pool{}, autocovariance: fourier.NewDCT(spectrumBins + 1)}
	for i := range f.aliases {
		hz := rate / 2 * float64(i) / spectrumBins
		a, b := aliasing(hz, rate), aliasing(rate-hz, rate)
		f.aliases[i] = [2]float64{a * a, b * b}
	}
	return f.of(s)
}

// of is f for another shape.
func (f *filter) of(s Shape) *filter {
	o := *f
	o.Shape, o.omega, o.length = s, 2*math.Pi*s.ToneHz/f.rate, int(math.Round(s.Seconds*f.rate))
	return &o
}

// mix fills dst with the audio of s brought to base band.
func (f *filter) mix(dst []complex128, s *snapshot) {
	cycles := f.omega / (2 * math.Pi)
	for i, turn := range tone.Rotating(cycles, tone.Turn(cycles, s.audioLag)*complex(s.audioUnit, 0), len(s.audio)) {
		dst[i] = complex(float64(s.audio[i]), 0) * turn
	}
}

func sqAbs(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
