package tick

import (
	"math"

	"timeball/detect/audio"
)

const (
	// A snapshot covers this much around the expected arrival, s.
	snapBefore = 8.5e-3
	snapAfter  = 11.5e-3
	// The audio from flankFrom to flankTo before the expected arrival, s, tells
	// the noise: stations leave it quiet.
	flankFrom, flankTo = 10e-3, 2.5e-3
	// onsetEnd is where the sums for an onset end, s after the expected
	// arrival; the shortest of the marks that share it still sounds there.
	onsetEnd = 9e-3
	// maxSnapshots bounds the memory of a track: the last two hours count.
	maxSnapshots = 7200
)

// snapshot is what is kept of one second: the matched filter's output around
// the place where the tick is expected.
type snapshot struct {
	n      int64
	origin float64 // lag of w[0] after the flywheel's second, low-rate samples
	noise  float64 // variance of the audio's noise around the tone, a sample
	tail   float64 // power of the output well after a short mark, in units of noise's
	unit   float64 // mean power of the output in noise
	w      []complex64
	// audio is the audio itself, in units of audioUnit; its first sample has
	// the lag audioLag.
	audio     []int16
	audioUnit float64
	audioLag  float64
}

// cutter makes snapshots for one filter.
type cutter struct {
	*filter
	stream *audio.Stream
	buf    []float32
	mixed  []complex128
	cum    []complex128
}

func newCutter(f *filter, s *audio.Stream) *cutter {
	n := int((flankFrom+snapAfter+2*f.seconds)*f.rate) + 8
	return &cutter{filter: f, stream: s, buf: make([]float32, n), mixed: make([]complex128, n), cum: make([]complex128, n)}
}

// points is the number of points of a snapshot.
func (c *cutter) points() int {
	return int((snapBefore + snapAfter) * c.rate)
}

// cut fills s with the second at position base (low-rate samples on the sample
// clock), the tick of which is expected lag samples later. It reports whether
// the audio is there.
func (c *cutter) cut(s *snapshot, base, lag float64) bool {
	first := int64(math.Round(base + lag - flankFrom*c.rate))
	if !c.stream.Copy(c.buf, first) {
		return false
	}
	lag0 := float64(first) - base
	c.mix(c.mixed, c.buf, lag0)
	for i := range c.mixed[1:] {
		c.cum[i+1] = c.cum[i] + (c.mixed[i]+c.mixed[i+1])/2
	}
	at := int((flankFrom - snapBefore) * c.rate)
	s.origin = lag0 + float64(at)
	endAt := int((flankFrom + onsetEnd) * c.rate)
	for j := range s.w {
		i := at + j
		to := i + c.length
		if c.onset {
			to = endAt // past it the sum is that of the samples between, negative
		}
		s.w[j] = complex64(c.cum[to] - c.cum[i])
	}
	s.keep(c.buf, lag0)
	s.noise = c.flankNoise()
	s.unit = float64(c.length)*s.noise + 1e-30
	s.tail = 0
	if !c.onset {
		i := int((flankFrom+snapAfter)*c.rate) + c.length
		s.tail = sqAbs(c.cum[i+c.length]-c.cum[i]) / s.unit
	}
	return true
}

// keep holds the audio x, the first sample of which has the given lag.
func (s *snapshot) keep(x []float32, lag float64) {
	peak := float32(1e-20)
	for _, v := range x {
		peak = max(peak, v, -v)
	}
	if s.audio == nil {
		s.audio = make([]int16, len(x))
	}
	scale := math.MaxInt16 / float64(peak)
	for i, v := range x {
		s.audio[i] = int16(math.RoundToEven(float64(v) * scale))
	}
	s.audioUnit, s.audioLag = 1/scale, lag
}

// flankNoise is the mean power of the audio before the mark, within some
// hundred hertz of the tone, as the variance a sample of white noise would have.
func (c *cutter) flankNoise() float64 {
	n := int(5e-3 * c.rate)
	limit := int((flankFrom - flankTo) * c.rate)
	sum, count := 0.0, 0
	for at := 0; at+n <= limit; at += n / 2 {
		seg := c.mixed[at : at+n]
		// Fourier sums at the tone and 200 and 400 Hz to each side of it.
		for k := -2; k <= 2; k++ {
			step := 2 * math.Pi * float64(k) * 200 / c.rate
			var z complex128
			sin, cos := math.Sincos(step)
			rot, ph := complex(cos, -sin), complex(1, 0)
			for _, v := range seg {
				z += v * ph
				ph *= rot
			}
			sum += sqAbs(z) / float64(n)
			count++
		}
	}
	return sum / float64(count)
}
