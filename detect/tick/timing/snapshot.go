package timing

import (
	"math"

	"timeball/detect/audio"
	"timeball/detect/tone"
)

const (
	// A snapshot covers this much around the expected arrival, s.
	snapBefore = 8.5e-3
	snapAfter  = 17e-3
	// The audio from flankFrom to flankTo before the expected arrival, s, tells
	// the noise: stations leave it quiet.
	flankFrom, flankTo = 10e-3, 2.5e-3
	// room is by how much the line may move, s, before what was kept along it is of no
	// more use: the greatest spacing of two paths, between which fading lets it go to and
	// fro (Rec. ITU-R F.1487).
	room = 7e-3
	// onsetEnd is where the sums for an onset end, s after the expected
	// arrival; the shortest of the marks that share it still sounds there.
	onsetEnd = 9e-3
	// maxSnapshots bounds the memory of a track: the last two hours count.
	maxSnapshots = 7200
)

// snapshot is what is kept of one second: the audio around the place where the
// tick is expected, and what its matched filter's output told.
type snapshot struct {
	n      int64
	origin float64 // lag of the output's first point after the flywheel's second, low-rate samples
	noise  float64 // variance of the audio's noise around the tone, a sample
	long   bool    // a mark much longer than the filter, as at the minute: it would smear a stack
	// audio is in units of audioUnit; its first sample has the lag audioLag.
	audio     []int16
	audioUnit float64
	audioLag  float64
	base      float64 // position of the second that lags are counted from, samples of the stream
}

// output is the matched filter's output around the place where a snapshot's
// tick is expected. It is worked out when it is asked for: the audio takes
// less memory.
type output struct {
	*snapshot
	w     []complex64
	mixed []complex128
	cum   []complex128
}

// open works out the output of s.
func (f *filter) open(o *output, s *snapshot) {
	if n := len(s.audio); len(o.mixed) != n {
		o.w, o.mixed, o.cum = make([]complex64, int((snapBefore+snapAfter)*f.rate)), make([]complex128, n), make([]complex128, n)
	}
	o.snapshot = s
	f.mix(o.mixed, s)
	for i := range o.mixed[1:] {
		o.cum[i+1] = o.cum[i] + (o.mixed[i]+o.mixed[i+1])/2
	}
	at := int((room + flankFrom - snapBefore) * f.rate)
	endAt := int((room + flankFrom + onsetEnd) * f.rate)
	for j := range o.w {
		i := at + j
		to := i + f.length
		if f.Onset {
			to = endAt // past it the sum is that of the samples between, negative
		}
		o.w[j] = complex64(o.cum[to] - o.cum[i])
	}
}

// cutter makes snapshots for one filter.
type cutter struct {
	*filter
	stream *audio.Stream
	buf    []float32
	flanks [5]*tone.Tone // 5 ms of the tone, and 200 and 400 Hz to each side of it
	opened output
}

func newCutter(f *filter, s *audio.Stream) *cutter {
	n := int((2*room+flankFrom+snapAfter+2*f.Seconds)*f.rate) + 8
	c := &cutter{filter: f, stream: s, buf: make([]float32, n)}
	for k := range c.flanks {
		c.flanks[k] = tone.New((f.ToneHz+200*float64(k-2))/f.rate, int(5e-3*f.rate))
	}
	return c
}

// output returns that of s, valid until the next.
func (c *cutter) output(s *snapshot) *output {
	c.open(&c.opened, s)
	return &c.opened
}

// cut fills s with the second at position base (low-rate samples on the sample
// clock), the tick of which is expected lag samples later. It reports whether
// the audio is there.
func (c *cutter) cut(s *snapshot, base, lag float64) bool {
	first := int64(math.Round(base + lag - (room+flankFrom)*c.rate))
	if !c.stream.Copy(c.buf, first) {
		return false
	}
	s.keep(c.buf, float64(first)-base)
	s.base = base
	s.origin = s.audioLag + float64(int((room+flankFrom-snapBefore)*c.rate))
	o := c.output(s)
	s.noise = c.flankNoise(s)
	s.long = false
	if !c.Onset {
		// The power well after a short mark.
		i := int((room+flankFrom+snapAfter)*c.rate) + c.length
		tail := sqAbs(o.cum[i+c.length] - o.cum[i])
		peak := 0.0
		for _, w := range o.w {
			peak = max(peak, float64(real(w)*real(w)+imag(w)*imag(w)))
		}
		s.long = tail >= 20*(float64(c.length)*s.noise+1e-30) && tail > 0.25*peak
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

// flankNoise is the mean power of the mixed audio before the mark, within some
// hundred hertz of the tone, as the variance a sample of white noise would have.
func (c *cutter) flankNoise(s *snapshot) float64 {
	x := c.buf[:int((flankFrom-flankTo)*c.rate)]
	for i, v := range s.audio[int(room*c.rate):][:len(x)] {
		x[i] = float32(v)
	}
	sum, count := 0.0, 0
	n := c.flanks[0].Len()
	for at := 0; at+n <= len(x); at += n / 2 {
		for _, flank := range c.flanks {
			sum += sqAbs(flank.Of(x[at:at+n])) / float64(n)
			count++
		}
	}
	return s.audioUnit * s.audioUnit * sum / float64(count)
}
