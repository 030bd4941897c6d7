package marker

import (
	"fmt"
	"math"
	"slices"
)

const (
	trackSeconds  = 9000 // kept one by one: two and a half hours
	periodSeconds = 64   // latest pulses from which the period is stated
	settleSeconds = 0.05 // after the expected instant, a pulse elsewhere stands for this second
	mostJitter    = 3e-3 // s: an optical pick-off's (common practice)
	mostDoubtful  = 64   // movements that one pulse may undo
	listLength    = 4096 // steps and jumps remembered
)

// Step is a movement of the marker against the sample clock that was too large
// and too sudden for jitter: somebody turned the phase adjustment. Movements in
// successive seconds the same way are one Step.
type Step struct {
	First, Last int     // seconds of the first and the last pulse that moved
	At          float64 // position of the first pulse that moved, frames
	BySeconds   float64 // positive: the marker became later, the clock was retarded
	moves       int
}

// Jump is a movement between two pulses by at least half a frame, which lost
// (negative) or repeated (positive) frames would explain if Whole; see ResolveJump.
type Jump struct {
	ID         int
	Second     int     // of the first pulse after it
	AtPosition float64 // position of the last pulse before it, frames
	Frames     int64   // nearest whole number of frames
	Whole      bool    // the movement is that number of frames within its uncertainty
	IsGap      bool    // resolved to be lost or repeated frames
	size       float64 // frames
}

// Track keeps the marker's phase against the sample clock.
//
// Seconds are counted from the first pulse, which is number 0. The pulses scatter
// about a smooth line of sample time, the base (see follow.go), with a jitter that
// is learned, and by turns to either side of it if the movement is out of beat. A
// pulse farther from where the line foretells it than scatter explains is a step, at
// once; a smaller step is found when several pulses show it. Steps are withdrawn
// when the next pulse is back at an old place, since the pulses that seemed to have
// moved were then false ones. Positions are kept for the latest two and a half hours.
type Track struct {
	rate   float64
	log    []second // seconds oldest .. oldest+len(log)-1
	oldest int

	start float64 // position of second 0's pulse, frames
	shift float64 // total of steps and gaps, frames
	gap   float64 // total of gaps, frames

	follower
	latest int // second of the newest pulse

	waiting  []Pulse // candidates for the next second
	move     move    // the latest movement; its second is -1 when it is settled
	doubtful []move  // since a pulse was last where it was expected
	steps    []Step
	jumps    []Jump
	nextID   int

	scatter

	pulses, missed, discarded int
}

// second is one local second.
type second struct {
	at     float64 // position of the pulse, frames
	seen   bool    // there was one
	shift  float64 // steps and gaps before it, frames
	gap    float64 // gaps before it, frames
	filter estimate
}

// move is a movement that may still be withdrawn or refined.
type move struct {
	second int
	size   float64 // frames
	jump   int     // ID of the jump it may be, or -1
}

// NewTrack returns an empty track for a nominal sampling rate in Hz.
func NewTrack(rate float64) *Track {
	if !(rate > 0) {
		panic(fmt.Sprintf("marker: rate %v Hz", rate))
	}
	return &Track{rate: rate, latest: -1, follower: follower{warmth: warming, bent: -tuneSeconds}, move: move{second: -1, jump: -1}}
}

// Update takes pulses in order of position, and the position up to which the
// samples have been searched for them, in frames: a pulse that should have come
// before it is missing. A Detector delivers up to 25 ms late, which through
// should allow for.
func (t *Track) Update(through float64, pulses []Pulse) {
	for _, p := range pulses {
		t.advance(p.Position)
		t.offer(p)
	}
	t.advance(through)
}

// offer takes one pulse.
func (t *Track) offer(p Pulse) {
	if len(t.log) == 0 {
		t.start = p.Position
		t.accept(p, 0)
		return
	}
	expected, limit := t.expect(p.SigmaFrames)
	r := p.Position - expected
	back := r
	for i := len(t.doubtful) - 1; i >= 0; i-- {
		back += t.doubtful[i].size
		if old := math.Abs(math.Remainder(back, t.PeriodFrames())); old <= limit && old < math.Abs(r) {
			t.withdraw(i)
			t.recount(p)
			r = 0
			break
		}
	}
	switch {
	case math.Abs(r) <= limit:
		t.discarded += len(t.waiting)
		t.waiting = t.waiting[:0]
		t.accept(p, 0)
	case r < -t.rate/2:
		t.discarded++
	case r > settleSeconds*t.rate && len(t.waiting) == 0:
		t.accept(p, r)
	default:
		t.waiting = append(t.waiting, p)
	}
}

// advance decides on every second whose time is over at the given position.
func (t *Track) advance(position float64) {
	for len(t.log) > 0 {
		expected, _ := t.expect(0)
		switch {
		case len(t.waiting) > 0 && position >= expected+settleSeconds*t.rate:
			// The likest pulse stands for the second.
			best := slices.MaxFunc(t.waiting, func(a, b Pulse) int {
				if a.Match*a.Amplitude < b.Match*b.Amplitude {
					return -1
				}
				return 1
			})
			t.discarded += len(t.waiting) - 1
			t.waiting = t.waiting[:0]
			t.accept(best, best.Position-expected)
		case position >= expected+t.rate/2:
			t.append(second{shift: t.shift, gap: t.gap})
			t.missed++
		default:
			return
		}
	}
}

// accept books p for the next second, as having moved by the given frames.
func (t *Track) accept(p Pulse, moved float64) {
	if moved != 0 && len(t.doubtful) == 1 && t.Seconds()-t.doubtful[0].second > 1 {
		// The pulse before this one stood alone, at no place of any other.
		t.withdraw(0)
		t.recount(p)
		expected, limit := t.expect(p.SigmaFrames)
		if moved = p.Position - expected; math.Abs(moved) <= limit {
			moved = 0
		}
	}
	n := t.Seconds()
	if moved != 0 {
		t.begin(n, p.Position, moved)
		if len(t.doubtful) == mostDoubtful {
			t.doubtful = slices.Delete(t.doubtful, 0, 1)
		}
		t.doubtful = append(t.doubtful, t.move)
	}
	t.append(second{at: p.Position, seen: true, shift: t.shift, gap: t.gap})
	t.latest = n
	t.pulses++
	if moved == 0 {
		t.doubtful = t.doubtful[:0]
		t.seekStep(n)
		if t.move.second >= 0 {
			t.refineMove(n)
		}
	}
	t.learn(n)
}

func (t *Track) append(s second) {
	if len(t.log) >= 2*trackSeconds {
		drop := len(t.log) - trackSeconds
		t.log = append(t.log[:0], t.log[drop:]...)
		t.oldest += drop
	}
	t.log = append(t.log, s)
	t.changed(t.Seconds() - 1)
}

// Seconds is the number of local seconds so far: the latest is Seconds()-1.
func (t *Track) Seconds() int { return t.oldest + len(t.log) }

// begin books a movement by r frames before second n, the pulse of which is at at.
func (t *Track) begin(n int, at, r float64) {
	t.shift += r
	t.move = move{second: n, size: r, jump: -1}
	if math.Abs(r) >= 0.5 {
		t.move.jump = t.nextID
		t.nextID++
		t.jumps = append(t.jumps, Jump{ID: t.move.jump, Second: n, AtPosition: t.lastPosition(n), size: r})
		t.judge(r)
	}
	if k := len(t.steps) - 1; k >= 0 && t.steps[k].Last >= n-1 && (t.steps[k].BySeconds > 0) == (r > 0) {
		s := &t.steps[k]
		s.Last, s.moves = n, s.moves+1
		s.BySeconds += r / t.rate
	} else {
		t.steps = append(t.steps, Step{First: n, Last: n, At: at, BySeconds: r / t.rate, moves: 1})
	}
	if len(t.steps) > listLength {
		t.steps = slices.Delete(t.steps, 0, listLength/2)
	}
	if len(t.jumps) > listLength {
		t.jumps = slices.Delete(t.jumps, 0, listLength/2)
	}
}

// lastPosition is that of the latest pulse before second n.
func (t *Track) lastPosition(n int) float64 {
	for i := min(n, t.Seconds()) - 1 - t.oldest; i > 0; i-- {
		if t.log[i].seen {
			return t.log[i].at
		}
	}
	return t.start
}

// judge tells of the latest jump whether its size is a whole number of frames.
func (t *Track) judge(size float64) {
	for i := range t.jumps {
		if j := &t.jumps[i]; j.ID == t.move.jump {
			j.size = size
			j.Frames = int64(math.Round(size))
			sigma := max(t.sigma, wander*t.rate) * 1.5
			j.Whole = j.Frames != 0 && sigma < 0.1 && math.Abs(size-math.Round(size)) < 4*sigma
		}
	}
}

// resize changes the size of the latest movement.
func (t *Track) resize(size float64) {
	by := size - t.move.size
	t.move.size = size
	t.changed(t.move.second)
	t.shift += by
	for i := range t.log {
		if t.oldest+i >= t.move.second {
			t.log[i].shift += by
		}
	}
	if k := len(t.steps) - 1; k >= 0 && t.steps[k].Last == t.move.second {
		t.steps[k].BySeconds += by / t.rate
	}
}

// withdraw undoes the doubtful movements from number i on: the pulses that
// seemed to have moved were false ones, and the true ones are missing.
func (t *Track) withdraw(i int) {
	for k := len(t.doubtful) - 1; k >= i; k-- {
		m := t.doubtful[k]
		t.move = m
		t.resize(0)
		if k := len(t.steps) - 1; k >= 0 && t.steps[k].Last == m.second {
			t.steps[k].moves--
			t.steps[k].Last--
			if t.steps[k].moves == 0 {
				t.steps = t.steps[:k]
			}
		}
		t.jumps = slices.DeleteFunc(t.jumps, func(j Jump) bool { return j.ID == m.jump })
		if i := m.second - t.oldest; i >= 0 {
			t.log[i].at, t.log[i].seen = 0, false
		}
		t.pulses--
		t.missed++
		t.discarded++
	}
	t.doubtful = t.doubtful[:i]
	t.move = move{second: -1, jump: -1}
}

// recount makes p the pulse of the next second after false pulses, each less
// than half a second off but together more, were withdrawn.
func (t *Track) recount(p Pulse) {
	for {
		expected, _ := t.expect(0)
		switch r := p.Position - expected; {
		case r > t.rate/2:
			t.append(second{shift: t.shift, gap: t.gap})
			t.missed++
		case r < -t.rate/2 && !t.log[len(t.log)-1].seen:
			t.log = t.log[:len(t.log)-1]
			t.missed--
		default:
			return
		}
	}
}

// ResolveJump tells what a jump was: lost or repeated frames (isGap), which
// leave the marker's phase alone and move the time base, or, as every jump is
// taken at first, a step of the marker. An unknown ID panics.
func (t *Track) ResolveJump(id int, isGap bool) {
	i := slices.IndexFunc(t.jumps, func(j Jump) bool { return j.ID == id })
	if i < 0 {
		panic(fmt.Sprintf("marker: no jump %d", id))
	}
	j := &t.jumps[i]
	if j.IsGap == isGap {
		return
	}
	j.IsGap = isGap
	by := j.size
	if !isGap {
		by = -by
	}
	if t.move.jump == id {
		t.move = move{second: -1, jump: -1} // its size stands
	}
	t.gap += by
	for k := range t.log {
		if t.oldest+k >= j.Second {
			t.log[k].gap += by
		}
	}
	for k := range t.steps {
		if s := &t.steps[k]; s.First <= j.Second && j.Second <= s.Last {
			s.BySeconds -= by / t.rate
			if isGap {
				s.moves--
			} else {
				s.moves++
			}
			return
		}
	}
}

// Base returns where the pulse of local second n would be on the sample clock,
// in frames, were there no jitter and had nobody moved the marker since second 0:
// the smooth line through the pulses less the steps before them, and led on beyond
// the latest. What it says of a second still changes a little while later pulses
// come. It is false for seconds before the first and those older than two and a half
// hours.
func (t *Track) Base(n int) (frames float64, ok bool) {
	if n < t.oldest || len(t.log) == 0 {
		return 0, false
	}
	if n >= t.Seconds() {
		a := t.ahead(n)
		return a.x + t.gap, true
	}
	t.smooth()
	s := &t.log[n-t.oldest]
	return s.filter.smooth + s.gap, true
}

// Start returns the position of second 0's pulse, frames, however long ago it
// was; 0 before there is one.
func (t *Track) Start() float64 { return t.start }

// Phase returns how far the marker of local second n stands from Base, in
// frames: the sum of the steps up to it. For a second to come it is that of the
// latest; it is false for one forgotten.
func (t *Track) Phase(n int) (frames float64, ok bool) {
	switch {
	case n < t.oldest:
		return 0, false
	case n >= t.Seconds():
		return t.Shift(), true
	}
	s := t.log[n-t.oldest]
	return s.shift - s.gap, true
}

// Shift is the latest second's Phase.
func (t *Track) Shift() float64 { return t.shift - t.gap }

// Pulse returns the position of the pulse of second n, in frames, and whether
// there was one.
func (t *Track) Pulse(n int) (position float64, ok bool) {
	if n < t.oldest || n >= t.Seconds() {
		return 0, false
	}
	s := &t.log[n-t.oldest]
	return s.at, s.seen
}

// Oldest is the first second that is not forgotten.
func (t *Track) Oldest() int { return t.oldest }

// PeriodFrames is the length of a local second on the sample clock over the
// latest minute, movements and jitter taken out.
func (t *Track) PeriodFrames() float64 {
	to := t.Seconds() - 1
	from := max(t.oldest, to-periodSeconds)
	a, ok := t.Base(from)
	b, _ := t.Base(to)
	if !ok || to == from {
		return t.rate
	}
	return (b - a - (t.log[to-t.oldest].gap - t.log[from-t.oldest].gap)) / float64(to-from)
}

// RateSigma is the standard uncertainty of the period as a part of it.
func (t *Track) RateSigma() float64 {
	if len(t.log) == 0 {
		return maxRateError
	}
	return math.Sqrt(t.ahead(t.Seconds()).yy) / t.rate
}

// JitterSeconds is the standard deviation of one edge over the latest minute, a beat
// taken out; 0 before there are three successive pulses.
func (t *Track) JitterSeconds() float64 { return t.sigma / t.rate }

// BeatSeconds is by how much the time from an even pulse to an odd one is longer
// than a second, and shorter to the next even one: 0 unless it is clear that the
// pulses come by turns early and late.
func (t *Track) BeatSeconds() float64 { return -2 * t.beat / t.rate }

// Counts returns the pulses in use, the seconds without one between the first
// pulse and the latest second, and the false pulses that were discarded.
func (t *Track) Counts() (pulses, missed, discarded int) {
	return t.pulses, t.missed, t.discarded
}

// Steps returns the steps of the marker in order; the latest may still be
// withdrawn by the next pulse, and its size be refined for eight seconds.
func (t *Track) Steps() []Step {
	return slices.DeleteFunc(slices.Clone(t.steps), func(s Step) bool { return s.moves == 0 })
}

// Jumps returns the movements that lost frames might explain, in order, each
// once a later pulse has confirmed it.
func (t *Track) Jumps() []Jump {
	n := len(t.jumps)
	for len(t.doubtful) > 0 && n > 0 && t.jumps[n-1].Second >= t.doubtful[0].second {
		n--
	}
	return slices.Clone(t.jumps[:n])
}
