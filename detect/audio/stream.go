// Package audio holds the receiver channel at a low rate: the last minutes of
// it, so that what a later stage learns can be applied to what came before.
package audio

import (
	"cmp"
	"slices"
)

// Stream is the receiver channel, decimated, on the sample clock: low-rate
// sample i belongs to frame i·Factor(). It remembers a fixed length.
type Stream struct {
	rate   float64
	factor int
	dec    *decimator
	taken  int64     // position after the last frame decimated
	low    []float32 // of Process
	ring   []float32 // grows up to limit; until then nothing is overwritten
	limit  int
	end    int64    // index after the newest sample
	frames int64    // frames taken so far
	lost   []extent // low-rate samples that touch lost frames, in order
}

// extent is a half-open range of low-rate samples.
type extent struct{ from, to int64 }

// NewStream returns a stream for frames at rate, Hz, which remembers about
// the last samples/Rate() seconds.
func NewStream(rate float64, samples int) *Stream {
	factor := max(1, int(rate/lowestRate))
	return &Stream{rate: rate, factor: factor, dec: newDecimator(factor), limit: samples}
}

// NewTuned returns a stream of what lies within TunedBand of carrierHz, taken down to
// Pitch, of frames at a rate that holds the carrier.
func NewTuned(rate float64, samples int, carrierHz float64) *Stream {
	factor := max(1, int(rate/lowestRate))
	return &Stream{rate: rate, factor: factor, dec: newTuner(rate, factor, carrierHz), limit: samples}
}

// Rate is the low rate, Hz.
func (s *Stream) Rate() float64 { return s.rate / float64(s.factor) }

// Factor is the number of frames for each low-rate sample.
func (s *Stream) Factor() int { return s.factor }

// Begin is the index of the oldest sample held, End that after the newest.
func (s *Stream) Begin() int64 { return max(0, s.end-int64(len(s.ring))) }

// End is the index after the newest sample.
func (s *Stream) End() int64 { return s.end }

// Low is a run of low-rate samples, and the frames that complete them.
type Low struct {
	Position, Frames int64 // of the first frame, and how many there are
	First            int64 // index of the first sample
	Samples          []float32
}

// Reduce decimates the frames x at position, and appends the samples to dst. It touches
// nothing that Take does: one goroutine may reduce ahead of another that takes.
func (s *Stream) Reduce(dst []float32, position int64, x []float32) ([]float32, Low) {
	if position != s.taken {
		s.dec.restart(position)
	}
	s.taken = position + int64(len(x))
	l := Low{position, int64(len(x)), s.dec.next, nil}
	had := len(dst)
	dst = s.dec.process(dst, position, x)
	l.Samples = dst[had:]
	return dst, l
}

// Drop says that the stream is not needed any more, and forgets what it holds.
func (s *Stream) Drop() { s.ring = nil }

// Process takes the frames x, the first of which has the given position on the
// sample clock. What frames lost before it would have shown is remembered as lost.
func (s *Stream) Process(position int64, x []float32) {
	low, l := s.Reduce(s.low[:0], position, x)
	s.low = low
	s.Take(l)
}

// Take takes what Reduce has made of frames.
func (s *Stream) Take(l Low) {
	if l.Position > s.frames {
		guard := s.dec.reach()
		s.lost = append(s.lost, extent{s.frames/int64(s.factor) - guard, l.Position/int64(s.factor) + guard})
	}
	s.frames = l.Position + l.Frames
	s.put(l)
	s.end = l.First + int64(len(l.Samples))
	gone := 0
	for gone < len(s.lost) && s.lost[gone].to < s.Begin() {
		gone++
	}
	s.lost = slices.Delete(s.lost, 0, gone)
}

// put writes samples into the ring.
func (s *Stream) put(l Low) {
	if need := l.First + int64(len(l.Samples)); need > int64(len(s.ring)) && len(s.ring) < s.limit {
		s.grow(need)
	}
	at := l.First
	for rest := l.Samples; len(rest) > 0; {
		n := copy(s.ring[at%int64(len(s.ring)):], rest)
		rest = rest[n:]
		at += int64(n)
	}
}

// grow makes room for need samples if the limit allows: an eighth of it at
// first, so that a channel that turns out to be the marker's has cost little,
// and then all of it.
func (s *Stream) grow(need int64) {
	size := s.limit / 8
	if need > int64(size) {
		size = s.limit
	}
	ring := make([]float32, size)
	copy(ring, s.ring)
	s.ring = ring
}

// Holds reports whether all samples from ≤ i < to are held, and none was lost.
func (s *Stream) Holds(from, to int64) bool {
	if from < s.Begin() || to > s.end {
		return false
	}
	i, _ := slices.BinarySearchFunc(s.lost, from, func(l extent, from int64) int { return cmp.Compare(l.to, from+1) })
	return i == len(s.lost) || s.lost[i].from >= to
}

// Copy fills dst with the samples from index from on. It reports false, and
// leaves dst undefined, when not all of them are held or some were lost.
func (s *Stream) Copy(dst []float32, from int64) bool {
	if !s.Holds(from, from+int64(len(dst))) {
		return false
	}
	if len(dst) == 0 {
		return true
	}
	at := int(from % int64(len(s.ring)))
	n := copy(dst, s.ring[at:])
	copy(dst[n:], s.ring)
	return true
}
