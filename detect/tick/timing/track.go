// Package timing says when a tick arrives, on the flywheel's second.
//
// Each second of a tick leaves a snapshot (snapshot.go). The snapshots of a batch
// are summed (stack.go) and fitted by maximum likelihood (estimate.go, fit.go), and
// the phase of the audio's chain is settled (settle.go).
package timing

import (
	"math"

	"timeball/detect/audio"
)

// Tracker makes tracks of ticks in one stream.
type Tracker struct {
	stream  *audio.Stream
	base    func(n int64) (at float64, ok bool)
	filters map[Shape][2]*filter // made so far, wide and confined
}

// NewTracker returns a tracker in stream. The flywheel's second n is at position
// base(n), samples of the stream, if that is known.
func NewTracker(stream *audio.Stream, base func(n int64) (at float64, ok bool)) *Tracker {
	return &Tracker{stream: stream, base: base, filters: map[Shape][2]*filter{}}
}

// Line is where a tick is expected: Lag seconds after the flywheel's second Ref,
// in seconds of the stream's nominal rate, and Rate more with each second.
type Line struct{ Lag, Rate, Ref float64 }

// At is the lag at second n.
func (l Line) At(n float64) float64 { return l.Lag + l.Rate*(n-l.Ref) }

// Track follows one tick: it keeps a snapshot of each second and times the tick
// by them.
type Track struct {
	*cutter
	local    *filter // confined to the tone's neighbourhood
	base     func(n int64) (at float64, ok bool)
	snaps    []*snapshot // in order, at most maxSnapshots
	spare    *snapshot   // for the next
	model    model
	strength float64
	gain     float64
}

// Track returns a track of the tick of shape sh expected along l.
func (r *Tracker) Track(sh Shape, l Line) *Track {
	pair, ok := r.filters[sh]
	if !ok {
		wide := newFilter(sh, r.stream.Rate())
		pair = [2]*filter{wide, wide.confined()}
		r.filters[sh] = pair
	}
	rate := r.stream.Rate()
	return &Track{
		cutter: newCutter(pair[0], r.stream), local: pair[1], base: r.base,
		model: model{lag: l.Lag * rate, rate: l.Rate * rate, ref: l.Ref},
	}
}

// Shape is that of the tick.
func (t *Track) Shape() Shape { return t.filter.Shape }

// ToneHz is the pitch of the tick as received.
func (t *Track) ToneHz() float64 { return t.filter.ToneHz }

// Line is where the tick is expected.
func (t *Track) Line() Line { return Line{t.model.lag / t.rate, t.model.rate / t.rate, t.model.ref} }

// Onset is where second n's tick is expected, samples after the second.
func (t *Track) Onset(n int64) float64 { return t.model.at(float64(n)) }

// Len is the number of seconds kept.
func (t *Track) Len() int { return len(t.snaps) }

// Latest is the newest second kept, or -1.
func (t *Track) Latest() int64 {
	if len(t.snaps) == 0 {
		return -1
	}
	return t.snaps[len(t.snaps)-1].n
}

// Forget drops the seconds kept.
func (t *Track) Forget() { t.snaps = nil }

// Gain is the log likelihood of the latest fit of one arrival over that of noise.
func (t *Track) Gain() float64 { return t.gain }

// Strength is the power of a sample of the tick in units of the noise's, at the
// latest fit.
func (t *Track) Strength() float64 { return t.strength }

// Take adds second n, if its audio is there, and reports whether it is.
func (t *Track) Take(n int64) bool {
	if t.spare == nil {
		t.spare = &snapshot{}
	}
	base, ok := t.base(n)
	if !ok || !t.cut(t.spare, base, t.model.at(float64(n))) {
		return false
	}
	t.spare.n = n
	t.snaps, t.spare = append(t.snaps, t.spare), nil
	if len(t.snaps) > maxSnapshots {
		// The oldest's memory is used for the next.
		t.spare = t.snaps[0]
		t.snaps = t.snaps[:copy(t.snaps, t.snaps[1:])]
	}
	return true
}

// Evidence says how much there is for a tick at the line.
type Evidence struct {
	Gain     float64 // log likelihood of one arrival over that of noise
	Coherent bool    // the tone keeps its phase from second to second
	Lead     float64 // of Coherent's score over its contrary's
}

// Evidence weighs what the kept seconds say for a single arrival. It is false when
// there is none.
func (t *Track) Evidence() (Evidence, bool) {
	f, ok := t.stack(t.snaps, followBlocks).single()
	return Evidence{f.gain, f.coherent, f.lead}, ok
}

// Follow moves the line to where the tick now is, and reports whether there
// is one.
func (t *Track) Follow() bool {
	st := t.stack(t.snaps[max(0, len(t.snaps)-followSeconds):], followBlocks)
	f, ok := st.single()
	if !ok {
		t.gain = 0
		return false
	}
	m := st.axis
	m.lag += f.d
	// A rate is believed once it is known better than it matters.
	if inv, _, ok := st.curvature(f.hypothesis, f.point); ok {
		i := f.params() - 1
		if math.Abs(f.drift) > 3*math.Sqrt(inv.At(i, i)) {
			m.rate += f.drift
		}
	}
	t.model, t.gain = m, f.gain
	t.strength = 0
	if p := st.levels(f); p != nil {
		t.strength = p[0] / st.samples(f.d)
	}
	return true
}

const (
	// followBlocks is the number of blocks, and followSeconds that of the
	// latest seconds, that suffice to follow a tick.
	followBlocks  = 4
	followSeconds = 600
)

// refer counts the lags of what is kept from where its seconds are now known to lie:
// later pulses still move them a little.
func (t *Track) refer() {
	for _, s := range t.snaps {
		if base, ok := t.base(s.n); ok {
			by := s.base - base
			s.base, s.audioLag, s.origin = base, s.audioLag+by, s.origin+by
		}
	}
}

// stack sums snapshots of the track along its model, referred to their middle.
func (t *Track) stack(snaps []*snapshot, blocks int) *stack {
	t.refer()
	m := t.model
	if len(snaps) > 0 {
		mid := float64(snaps[0].n+snaps[len(snaps)-1].n) / 2
		m.lag, m.ref = m.at(mid), mid
	}
	return buildStack(t.filter, snaps, m, blocks)
}

const mostEvidence = 8

// Moved weighs whether the ticks of seconds from ≤ n < to arrive by shift
// samples later than expected (positive result) or as expected (negative), as
// the difference of log likelihoods of unknown phase. No second counts for more
// than mostEvidence: a discharge of lightning must not decide.
func (t *Track) Moved(from, to int64, shift float64) float64 {
	sum := 0.0
	s := &snapshot{}
	point := int(snapBefore * t.rate) // that lies where the tick is expected
	for n := from; n < to; n++ {
		expected := t.model.at(float64(n))
		base, ok := t.base(n)
		// The likelihood of a tick at lag, with its amplitude unknown.
		at := func(lag float64) float64 {
			if !ok || !t.cut(s, base, lag) || s.noise <= 0 {
				return 0
			}
			return sqAbs(complex128(t.opened.w[point])) / (s.noise * float64(t.length))
		}
		sum += max(-mostEvidence, min(at(expected+shift)-at(expected), mostEvidence))
	}
	return sum
}

// Present weighs whether the tick comes in second n where it is expected, as strong
// as it was at the latest fit and fading (positive result), or nothing but noise
// does, as the difference of log likelihoods: powers are exponentially distributed
// about the mean of either.
func (t *Track) Present(n int64) float64 {
	s := &snapshot{}
	base, ok := t.base(n)
	if !ok || !t.cut(s, base, t.model.at(float64(n))) || s.noise <= 0 {
		return 0
	}
	power := sqAbs(complex128(t.opened.w[int(snapBefore*t.rate)])) / (s.noise * float64(t.length))
	mean := t.strength * float64(t.length) / 2 // strength is of the part in phase, which has half the noise
	return min(power*mean/(1+mean)-math.Log1p(mean), mostEvidence)
}

// Power is how strongly the tick of second n shows where it is expected: the
// matched filter's output power in units of the noise, which alone would give
// 1 on average, exponentially distributed. It is false when the second is not
// among those kept.
func (t *Track) Power(n int64) (power float64, ok bool) {
	for i := len(t.snaps) - 1; i >= 0 && t.snaps[i].n >= n; i-- {
		s := t.snaps[i]
		at := int(t.model.at(float64(n)) - s.origin + 0.5)
		if s.n != n || s.noise <= 0 {
			continue
		}
		w := t.output(s).w
		if at < 0 || at >= len(w) {
			continue
		}
		return sqAbs(complex128(w[at])) / (s.noise * float64(t.length)), true
	}
	return 0, false
}

// PowerSNR is the ratio of the tone in a burst against the noise in 3 kHz, not
// in decibels, that gives an output power of 2: tick and noise alike.
func (t *Track) PowerSNR() float64 { return t.rate / (3000 * float64(t.length)) }
