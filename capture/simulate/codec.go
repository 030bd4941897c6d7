package simulate

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// codec is what a lossy codec of a receiver on the network does to audio: frames
// of 20 ms, overlapped by half, whose spectrum is kept to steps of 3 dB and only
// where it is not masked by what is louder within some hundred hertz (common
// practice of transform codecs).
type codec struct {
	fft      *fourier.FFT
	window   [codecFrame]float64
	in, tail [codecFrame / 2]float64
}

const (
	codecFrame = gridRate / 50
	codecBand  = 8 // lines of 50 Hz that mask one another
)

func newCodec() *codec {
	c := &codec{fft: fourier.NewFFT(codecFrame)}
	for i := range c.window {
		c.window[i] = math.Sin(math.Pi * (float64(i) + 0.5) / codecFrame)
	}
	return c
}

// run passes x, a whole number of half frames, through the codec, which delays it
// by half a frame.
func (c *codec) run(x []float64) {
	const half = codecFrame / 2
	frame := make([]float64, codecFrame)
	for ; len(x) > 0; x = x[half:] {
		copy(frame, c.in[:])
		copy(frame[half:], x[:half])
		copy(c.in[:], x[:half])
		for i := range frame {
			frame[i] *= c.window[i]
		}
		z := c.fft.Coefficients(nil, frame)
		for from := 0; from < len(z); from += codecBand {
			band := z[from:min(from+codecBand, len(z))]
			top := 0.0
			for _, v := range band {
				top = max(top, math.Hypot(real(v), imag(v)))
			}
			for i, v := range band {
				a := math.Hypot(real(v), imag(v))
				if a < 0.25*top || a == 0 {
					band[i] = 0
					continue
				}
				step := math.Exp2(math.Round(2*math.Log2(a)) / 2)
				band[i] *= complex(step/a, 0)
			}
		}
		c.fft.Sequence(frame, z)
		for i := range half {
			x[i] = c.tail[i] + frame[i]*c.window[i]/codecFrame
			c.tail[i] = frame[half+i] * c.window[half+i] / codecFrame
		}
	}
}
