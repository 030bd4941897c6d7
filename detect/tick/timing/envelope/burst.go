package envelope

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

const (
	// oversample is the number of points of the model in a sample of the audio: a
	// detector's overtones reach beyond the audio's band.
	oversample = 2
	// between is the number of entries of a burst's table from one such point to
	// the next, so that a straight line between entries errs by 1e-4 at 4 kHz.
	between = 32
	// The receiver's filter before the detector passes passHz above the carrier and
	// nothing beyond stopHz. A broadcast receiver's passes 3 to 5 kHz (common
	// practice); what is cut off beyond the audio's own band makes no difference.
	passHz, stopHz = 4000, 5000
)

// burst is the analytic signal of a mark that begins at zero as a sine, in units
// of the carrier, as a table over the time since its begin, and its derivative.
type burst struct {
	origin int // entry of time zero
	step   float64
	value  []complex128
	slope  []complex128 // a second
}

// sounds is how long a mark lasts in the tables, s: so long that its end is not felt
// in a window.
const sounds = 60e-3

// newBurst tabulates a mark of toneHz from before its begin to after it.
func newBurst(rate, toneHz, before, after float64) *burst {
	b := &burst{step: 1 / (rate * oversample * between)}
	n := 1 << int(math.Ceil(math.Log2((sounds+before+after)/b.step)))
	fft := fourier.NewCmplxFFT(n)
	spectrum := make([]complex128, n)
	hz := 1 / (float64(n) * b.step)
	for k := 0; float64(k)*hz < stopHz; k++ {
		f := float64(k) * hz
		// ∫ sin(2π·toneHz·t)·exp(−2πi·f·t) dt over the mark.
		s := (turned(toneHz-f, sounds) - turned(-toneHz-f, sounds)) / 2i
		if f > passHz {
			s *= complex(0.5+0.5*math.Cos(math.Pi*(f-passHz)/(stopHz-passHz)), 0)
		}
		spectrum[k] = 2 * s * complex(hz, 0)
	}
	spectrum[0] /= 2
	slopes := make([]complex128, n)
	for k, s := range spectrum {
		slopes[k] = s * complex(0, 2*math.Pi*float64(k)*hz)
	}
	b.origin = int(before / b.step)
	b.value, b.slope = make([]complex128, 0, n), make([]complex128, 0, n)
	to := int(after / b.step)
	for _, t := range []struct {
		dst      *[]complex128
		spectrum []complex128
	}{{&b.value, spectrum}, {&b.slope, slopes}} {
		all := fft.Sequence(nil, t.spectrum)
		*t.dst = append(append((*t.dst)[:0:0], all[n-b.origin:]...), all[:to]...)
	}
	return b
}

// turned is ∫ exp(2πi·hz·t) dt from 0 to length.
func turned(hz, length float64) complex128 {
	x := math.Pi * hz * length
	sin, cos := math.Sincos(x)
	if math.Abs(x) < 1e-6 {
		return complex(length, 0)
	}
	return complex(length*sin/x, 0) * complex(cos, sin)
}
