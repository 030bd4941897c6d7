package marker

import (
	"fmt"
	"math"
	"slices"
)

const (
	trackSeconds  = 9000 // kept one by one: two and a half hours
	lineSeconds   = 16   // latest pulses through which the next one is foretold
	periodSeconds = 64   // latest pulses from which the period is stated
	refineSeconds = 8    // pulses after a step from which its size is refined
	firstSeconds  = 5    // pulses before steps are looked for; a Detector has found these regular
	jitterMemory  = 64   // second differences from which the jitter is estimated
	stepSigmas    = 6    // a departure of so many sigma is a step
	wander        = 5e-9 // of the sample clock in a second, s (common practice)
	settleSeconds = 0.05 // after the expected instant, a pulse elsewhere stands for this second
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
// Seconds are counted from the first pulse, which is number 0. A pulse further
// than six sigma from where the latest sixteen foretell it (sigma: jitter,
// extrapolation and 5 ns of sample clock wander together) is a step, at once.
// Steps are withdrawn when the next pulse is back at an old place, since the
// pulses that seemed to have moved were then false ones. Positions are kept for
// the latest two and a half hours.
type Track struct {
	rate   float64
	log    []second // seconds oldest .. oldest+len(log)-1
	oldest int

	start float64 // position of second 0's pulse, frames
	shift float64 // total of steps and gaps, frames
	gap   float64 // total of gaps, frames

	line   line // through the latest pulses; see recent
	latest int  // second of the newest pulse
	stale  bool // line is not that of the log

	waiting  []Pulse // candidates for the next second
	move     move    // the latest movement; its second is -1 when it is settled
	doubtful []move  // since a pulse was last where it was expected
	steps    []Step
	jumps    []Jump
	nextID   int

	differences []float64 // absolute second differences of pulse positions
	sigma       float64   // of one edge, frames

	pulses, missed, discarded int
}

// second is one local second. A missing pulse has at NaN.
type second struct {
	at    float64 // position of the pulse, frames
	shift float64 // steps and gaps before it, frames
	gap   float64 // gaps before it, frames
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
	return &Track{rate: rate, move: move{second: -1, jump: -1}}
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
	for i := len(t.doubtful) - 1; i >= 0 && math.Abs(r) > limit; i-- {
		back += t.doubtful[i].size
		if math.Abs(math.Remainder(back, t.PeriodFrames())) <= limit {
			t.withdraw(i)
			t.recount(p)
			r = 0
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
			t.append(second{math.NaN(), t.shift, t.gap})
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
		t.begin(n, p, moved)
	}
	t.append(second{p.Position, t.shift, t.gap})
	t.latest, t.stale = n, true
	t.pulses++
	if moved == 0 {
		t.doubtful = t.doubtful[:0]
		if t.move.second >= 0 && n-t.move.second < refineSeconds {
			t.refineMove()
		}
	}
	t.learnJitter(n, p)
}

func (t *Track) append(s second) {
	if len(t.log) >= 2*trackSeconds {
		drop := len(t.log) - trackSeconds
		t.log = append(t.log[:0], t.log[drop:]...)
		t.oldest += drop
	}
	t.log = append(t.log, s)
}

// Seconds is the number of local seconds so far: the latest is Seconds()-1.
func (t *Track) Seconds() int { return t.oldest + len(t.log) }

// steady returns the latest pulses before second end, up to count of them, as
// second and position with movements taken out, the latest first.
func (t *Track) steady(end, count int) (n, c []float64) {
	for i := end - 1; i >= t.oldest && i >= end-8*count && len(n) < count; i-- {
		if s := t.log[i-t.oldest]; !math.IsNaN(s.at) {
			n = append(n, float64(i))
			c = append(c, s.at-s.shift)
		}
	}
	return n, c
}

// line is the straight line through points of equal weight.
type line struct {
	n, c  float64 // centre
	slope float64
	count float64
	sxx   float64
}

// fitLine needs at least one point; one point alone takes the given slope.
func fitLine(n, c []float64, slope float64) line {
	l := line{count: float64(len(n)), slope: slope}
	for i := range n {
		l.n += n[i] / l.count
		l.c += (c[i] - c[0]) / l.count // near each other: keeps the digits
	}
	sxy := 0.0
	for i := range n {
		dn := n[i] - l.n
		l.sxx += dn * dn
		sxy += dn * (c[i] - c[0] - l.c)
	}
	l.c += c[0]
	if l.sxx > 0 {
		l.slope = sxy / l.sxx
	}
	return l
}

func (l line) at(n float64) float64 { return l.c + l.slope*(n-l.n) }

// variance is that of at(n) for unit variance of the points.
func (l line) variance(n float64) float64 {
	v := 1 / l.count
	if l.sxx > 0 {
		v += (n - l.n) * (n - l.n) / l.sxx
	}
	return v
}

// recent is the line through the latest pulses, and the second of the last. It
// stays known in a silence longer than the log.
func (t *Track) recent() (l line, latest float64) {
	for count := lineSeconds; t.stale && count < 16*trackSeconds; count *= 2 { // more after a long silence
		if n, c := t.steady(t.latest+1, count); len(n) > 0 {
			t.line, t.latest, t.stale = fitLine(n, c, t.rate), int(n[0]), false
		}
	}
	return t.line, float64(t.latest)
}

// expect foretells the position of the next second's pulse, and how far from it
// a pulse may be without having been moved. sigma is the pulse's own noise.
func (t *Track) expect(sigma float64) (position, limit float64) {
	n := float64(t.Seconds())
	l, latest := t.recent()
	position = l.at(n) + t.shift
	if t.pulses < firstSeconds {
		return position, (chainJitter + maxRateError*(n-l.n)) * t.rate
	}
	s := max(t.sigma, sigma)
	w := wander * t.rate * (n - latest)
	limit = stepSigmas * math.Sqrt(s*s*(1+l.variance(n))+w*w)
	// While few differences are known their median may be far too small.
	return position, limit * (1 + 4/float64(len(t.differences)+1))
}

// learnJitter updates the jitter from the second difference of the latest
// positions: a steady rate, even that of a steadily turned adjustment, leaves
// none. Differences across a movement are left out, unless movements alternate,
// for a hand turns one way and jitter goes to and fro.
func (t *Track) learnJitter(n int, p Pulse) {
	i := n - t.oldest
	if i < 2 || math.IsNaN(t.log[i-1].at) || math.IsNaN(t.log[i-2].at) {
		return
	}
	a, b, c := t.log[i-2], t.log[i-1], t.log[i]
	first, second := b.shift-a.shift, c.shift-b.shift
	if first != 0 || second != 0 {
		if first*second >= 0 {
			return
		}
	}
	if len(t.differences) == jitterMemory {
		t.differences = slices.Delete(t.differences, 0, 1)
	}
	t.differences = append(t.differences, math.Abs(c.at-2*b.at+a.at))
	// The second difference of white jitter has six times its variance.
	t.sigma = 1.4826 * median(t.differences) / math.Sqrt(6)
}

// begin books a movement by r frames before second n.
func (t *Track) begin(n int, p Pulse, r float64) {
	t.shift += r
	t.move = move{second: n, size: r, jump: -1}
	if math.Abs(r) >= 0.5 {
		t.move.jump = t.nextID
		t.nextID++
		t.jumps = append(t.jumps, Jump{ID: t.move.jump, Second: n, AtPosition: t.lastPosition(), size: r})
		t.judge(r)
	}
	if len(t.doubtful) == mostDoubtful {
		t.doubtful = slices.Delete(t.doubtful, 0, 1)
	}
	t.doubtful = append(t.doubtful, t.move)
	if k := len(t.steps) - 1; k >= 0 && t.steps[k].Last >= n-1 && (t.steps[k].BySeconds > 0) == (r > 0) {
		s := &t.steps[k]
		s.Last, s.moves = n, s.moves+1
		s.BySeconds += r / t.rate
	} else {
		t.steps = append(t.steps, Step{First: n, Last: n, At: p.Position, BySeconds: r / t.rate, moves: 1})
	}
	if len(t.steps) > listLength {
		t.steps = slices.Delete(t.steps, 0, listLength/2)
	}
	if len(t.jumps) > listLength {
		t.jumps = slices.Delete(t.jumps, 0, listLength/2)
	}
}

func (t *Track) lastPosition() float64 {
	for i := len(t.log) - 1; i >= 0; i-- {
		if !math.IsNaN(t.log[i].at) {
			return t.log[i].at
		}
	}
	return math.NaN()
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
	t.stale = true
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
			t.log[i].at = math.NaN()
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
			t.append(second{math.NaN(), t.shift, t.gap})
			t.missed++
		case r < -t.rate/2 && math.IsNaN(t.log[len(t.log)-1].at):
			t.log = t.log[:len(t.log)-1]
			t.missed--
		default:
			return
		}
	}
}

// refineMove makes the size of the latest movement the least-squares one: a
// straight line with a step, through the pulses before and after it.
func (t *Track) refineMove() {
	nb, cb := t.steady(t.move.second, lineSeconds)
	na, ca := t.steady(t.Seconds(), t.Seconds()-t.move.second)
	if len(nb) < 3 {
		return
	}
	// With the slope common to both sides, the step is the difference of their
	// centres less the slope between them.
	before, after := fitLine(nb, cb, t.rate), fitLine(na, ca, t.rate)
	slope := (before.slope*before.sxx + after.slope*after.sxx) / (before.sxx + after.sxx)
	by := after.c - before.c - slope*(after.n-before.n)
	t.resize(t.move.size + by)
	t.judge(t.move.size)
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
// in frames, had nobody moved the marker since second 0: on each real pulse
// less the steps before it, in between on the straight line, and beyond the
// latest pulse on the line through the latest sixteen. For eight seconds after
// a step the values since then still change by as much as its size is in
// doubt. It is false for seconds before the first and those older than two and
// a half hours.
func (t *Track) Base(n int) (frames float64, ok bool) {
	if n < t.oldest || len(t.log) == 0 {
		return 0, false
	}
	if n >= t.Seconds() {
		l, _ := t.recent()
		return l.at(float64(n)) + t.gap, true
	}
	k := n - t.oldest
	steady := func(i int) float64 { return t.log[i].at - t.log[i].shift }
	if !math.IsNaN(t.log[k].at) {
		return steady(k) + t.log[k].gap, true
	}
	lo, hi := k, k
	for lo >= 0 && math.IsNaN(t.log[lo].at) {
		lo--
	}
	for hi < len(t.log) && math.IsNaN(t.log[hi].at) {
		hi++
	}
	switch {
	case hi == len(t.log):
		l, _ := t.recent()
		return l.at(float64(n)) + t.log[k].gap, true
	case lo < 0:
		return 0, false
	}
	f := float64(k-lo) / float64(hi-lo)
	return steady(lo) + f*(steady(hi)-steady(lo)) + t.log[k].gap, true
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
	if n < t.oldest || n >= t.Seconds() || math.IsNaN(t.log[n-t.oldest].at) {
		return 0, false
	}
	return t.log[n-t.oldest].at, true
}

// Oldest is the first second that is not forgotten.
func (t *Track) Oldest() int { return t.oldest }

// PeriodFrames is the length of a local second on the sample clock over the
// latest minute, movements taken out.
func (t *Track) PeriodFrames() float64 {
	n, c := t.steady(t.latest+1, periodSeconds)
	if len(n) == 0 {
		return t.rate
	}
	return fitLine(n, c, t.rate).slope
}

// JitterSeconds is the standard deviation of one edge over the latest minute;
// 0 before there are three successive pulses.
func (t *Track) JitterSeconds() float64 { return t.sigma / t.rate }

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
