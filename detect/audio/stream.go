// Package audio holds the receiver channel at a low rate: the last minutes of
// it, so that what a later stage learns can be applied to what came before.
package audio

import (
	"cmp"
	"math"
	"slices"

	"timeball/capture/lanes"
)

// Stream is the receiver channel, decimated, on the sample clock: low-rate
// sample i belongs to frame i·Factor(). It remembers a fixed length.
type Stream struct {
	rate   float64
	factor int
	dec    *decimator
	taken  int64     // position after the last frame decimated
	low    []float32 // of Process
	// The ring holds pieces as 16-bit integers, each in a unit of its own, and grows up to
	// limit; until then nothing is overwritten. The newest piece is held as it came.
	ring   []int16
	units  []float32
	newest [piece]float32
	number int64 // of the newest piece
	limit  int
	end    int64    // index after the newest sample
	frames int64    // frames taken so far
	lost   []extent // low-rate samples that touch lost frames, in order
}

// piece is how many samples have a unit in common: what rounding adds is 98 dB below a tone as
// strong as the piece's loudest sample, at any loudness that others have.
const piece = 512

// whole is a number of samples in whole pieces.
func whole(samples int) int { return (samples + piece - 1) / piece * piece }

// extent is a half-open range of low-rate samples.
type extent struct{ from, to int64 }

// NewStream returns a stream for frames at rate, Hz, which remembers about
// the last samples/Rate() seconds.
func NewStream(rate float64, samples int) *Stream {
	factor := max(1, int(rate/lowestRate))
	return &Stream{rate: rate, factor: factor, dec: newDecimator(factor), limit: whole(samples)}
}

// NewTuned returns a stream of what lies within TunedBand of carrierHz, taken down to
// Pitch, of frames at a rate that holds the carrier.
func NewTuned(rate float64, samples int, carrierHz float64) *Stream {
	factor := max(1, int(rate/lowestRate))
	return &Stream{rate: rate, factor: factor, dec: newTuner(rate, factor, carrierHz), limit: whole(samples)}
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
func (s *Stream) Drop() { s.ring, s.units = nil, nil }

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
	for at, rest := l.First, l.Samples; len(rest) > 0; {
		if number := at / piece; number != s.number {
			s.pack()
			s.number = number
		}
		n := copy(s.newest[at%piece:], rest)
		rest = rest[n:]
		at += int64(n)
	}
}

// pack puts the newest piece into the ring.
func (s *Stream) pack() {
	const most = 1<<15 - 1
	var silence [piece]float32
	slot := int(s.number) % len(s.units)
	peak := lanes.Farthest(silence[:], s.newest[:])
	s.units[slot] = peak / most
	if peak == 0 {
		peak = 1
	}
	scale := most / peak
	for i, v := range s.newest {
		// The lowest bits of a sum with so much are those of the nearest whole number.
		const bits = 3 << 22
		s.ring[slot*piece+i] = int16(math.Float32bits(float32(v*scale) + bits))
	}
}

// grow makes room for need samples if the limit allows: an eighth of it at
// first, so that a channel that turns out to be the marker's has cost little,
// and then all of it.
func (s *Stream) grow(need int64) {
	size := whole(s.limit / 8)
	if need > int64(size) {
		size = s.limit
	}
	ring, units := make([]int16, size), make([]float32, size/piece)
	copy(ring, s.ring)
	copy(units, s.units)
	s.ring, s.units = ring, units
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
	for len(dst) > 0 {
		number, first := from/piece, int(from%piece)
		n := min(len(dst), piece-first)
		if number == s.number {
			copy(dst, s.newest[first:])
		} else {
			slot := int(number) % len(s.units)
			unit := s.units[slot]
			for i, v := range s.ring[slot*piece+first:][:n] {
				dst[i] = float32(v) * unit
			}
		}
		dst = dst[n:]
		from += int64(n)
	}
	return true
}
