// Package tick finds the second marks of standard-time stations in the
// receiver's audio and says when they arrive, on the flywheel's second.
//
// Acquisition (acquire.go) folds minutes of audio at the flywheel's period and
// looks for a burst of tone that chance does not explain; inspection
// (inspect.go, struck.go, minute.go) asks whether it is a station's mark or
// something else that comes once a second. A found tick is tracked: each second leaves a snapshot
// (snapshot.go), and the snapshots of a batch are summed (stack.go) and fitted
// by maximum likelihood (estimate.go, fit.go).
package tick

import (
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/audio"
)

// Finder looks for the marks of a set of stations.
type Finder struct {
	stream   *audio.Stream
	tb       Timebase
	stations []*station.Station
	beaten   bool // the stations are carriers, heard by their beat
	shapes   []shape
	filters  map[shape][2]*filter // made so far, wide and confined
	tracks   []*track
	minutes  map[weighed]float64 // evidence for minute marks in this acquisition
	first    int64               // first second seen
	next     int64               // first second not yet seen
	search   int64               // second at which acquisition is tried next
}

// track follows one station's tick.
type track struct {
	*cutter
	station  *station.Station
	local    *filter     // confined to the tone's neighbourhood
	snaps    []*snapshot // in order, at most maxSnapshots
	model    model
	refit    int64   // second at which the model is fitted next
	strength float64 // power of the tick, a sample of it, in units of noise
	gain     float64 // Λ of the latest fit
}

// NewFinder returns a finder of the marks of stations in stream, which must
// hold at least a few minutes. Seconds are those of tb. A station that keys its
// carrier has a tone only by the receiver's beat oscillator, at any pitch; it is
// looked for when no other kind of station is.
func NewFinder(stream *audio.Stream, tb Timebase, stations []*station.Station) *Finder {
	f := &Finder{stream: stream, tb: tb, stations: stations, filters: map[shape][2]*filter{}}
	if !slices.ContainsFunc(stations, func(s *station.Station) bool { return s.ToneHz > 0 }) {
		f.stations, f.beaten = beats(stations), true
	}
	for _, s := range f.stations {
		if sh := shapeOf(s); sh.toneHz > 0 && !slices.Contains(f.shapes, sh) {
			f.shapes = append(f.shapes, sh)
		}
	}
	return f
}

// beats returns the stations at each of the pitches that are tried for the beat
// of a carrier: so near that a filter of 10 ms loses little between two.
func beats(stations []*station.Station) []*station.Station {
	const lowest, highest, step = 400, 1600, 75
	var all []*station.Station
	for hz := float64(lowest); hz <= highest; hz += step {
		for _, s := range stations {
			heard := *s
			heard.ToneHz = hz
			all = append(all, &heard)
		}
	}
	return all
}

// Start tells the finder which second is the first whose audio is held.
func (f *Finder) Start(first int64) { f.first, f.next, f.search = first, first, first+leastSearch }

const (
	leastSearch = 5  // seconds before the first acquisition is tried
	aMinute     = 62 // seconds, of which the first may be cut, that hold a minute mark
	// Audio beyond the second that a second's processing needs, s.
	lookAhead = 60e-3
)

// Advance processes the seconds for which the stream now holds all audio, up
// to but not including second limit.
func (f *Finder) Advance(limit int64) {
	for f.next < limit {
		end := (f.tb.Base(f.next+1)/float64(f.stream.Factor()) + lookAhead*f.stream.Rate())
		if int64(end)+1 >= f.stream.End() {
			return
		}
		for _, t := range f.tracks {
			t.take(f.next, f.tb)
			if f.next >= t.refit {
				t.follow()
			}
		}
		f.next++
		if f.next >= f.search {
			f.acquire()
			span := f.next - f.first
			if len(f.tracks) == 0 {
				f.search = f.next + max(2, min(span/3, 300))
			} else {
				f.search = f.next + max(20, min(span, 600)) // for another station
			}
			if full := f.first + aMinute; f.next < full {
				f.search = min(f.search, full)
			}
		}
	}
}

// acquire folds what the stream holds and starts tracks for what it finds.
func (f *Finder) acquire() {
	f.minutes = map[weighed]float64{}
	from := f.first
	begin := float64(f.stream.Begin()) + 0.2*f.stream.Rate()
	for from < f.next && f.tb.Base(from)/float64(f.stream.Factor()) < begin {
		from++
	}
	if from <= f.first+1 {
		// As long as all is held that was heard, a track must stand up to it.
		f.tracks = slices.DeleteFunc(f.tracks, func(t *track) bool { return !f.stands(t, from) })
	}
	for _, sh := range f.shapes {
		for _, c := range foldSpan(f.stream, f.tb, sh, from, f.next).search() {
			f.consider(sh, c, from)
		}
	}
}

// otherTones are the other stations' tones that sound in the band of this one.
func (f *Finder) otherTones(toneHz float64) []float64 {
	var all []float64
	if f.beaten {
		return nil
	}
	for _, sh := range f.shapes {
		if apart := math.Abs(sh.toneHz - toneHz); apart > 0 && apart < 1000 && !slices.Contains(all, sh.toneHz) {
			all = append(all, sh.toneHz)
		}
	}
	return all
}

// stands reports whether the seconds from first on still look like t's station.
func (f *Finder) stands(t *track, first int64) bool {
	c := candidate{ref: int64(t.model.ref)}
	t.place(&c)
	accepted, tick := false, 0.0
	for _, c.coherent = range []bool{false, true} {
		p, ok := takeProfile(f.stream, f.tb, t.shape, f.otherTones(t.station.ToneHz), c, first, f.next)
		if !ok {
			return true
		}
		v := p.judge(t.station, c.coherent)
		accepted = accepted || v.accepted
		if math.Abs(v.tick) > math.Abs(tick) {
			tick = v.tick // the view that tells more
		}
	}
	return accepted && believable(tick, f.minute(t.station, t.shape, c, first))
}

// consider starts a track for candidate c unless it is known or no mark.
func (f *Finder) consider(sh shape, c candidate, from int64) {
	old := f.sameMark(sh, c)
	if old != nil {
		// The track knows better where the tick is, and how it drifts.
		old.place(&c)
	}
	p, ok := takeProfile(f.stream, f.tb, sh, f.otherTones(sh.toneHz), c, from, f.next)
	if !ok {
		return
	}
	var best *station.Station
	var v verdict
	var odds float64
	for _, s := range f.stations {
		if s.ToneHz != sh.toneHz {
			continue
		}
		w := p.judge(s, c.coherent)
		if !w.accepted {
			continue
		}
		minute := f.minute(s, sh, c, from)
		if !believable(w.tick, minute) {
			continue
		}
		better := w.misfit < v.misfit
		if o := w.tick + minute; !math.IsInf(o, 1) && !math.IsInf(odds, 1) {
			better = o > odds // both marks are short
		}
		if best == nil || better {
			best, v, odds = s, w, w.tick+minute
		}
	}
	if best == nil || shapeOf(best) != sh {
		return // another shape's search will find it
	}
	if old != nil && (old.station == best || shapeOf(old.station) == sh) {
		old.station = best // more seconds tell the pattern better
		return
	}
	c.lag += v.lag
	// A station has one tick: of two places the one with more evidence counts.
	var rival *track
	for _, t := range f.tracks {
		if t == old || t.station.ToneHz != best.ToneHz && t.station.ID != best.ID {
			continue
		}
		if repeat := t.station.DUT1.SpacingSeconds; repeat > 0 && math.Abs(t.until(c, f.next)-repeat) < sameTick {
			return
		}
		if t.station.ID == best.ID {
			rival = t
		}
	}
	t := f.newTrack(sh)
	t.station = best
	t.model = model{lag: c.lag * f.stream.Rate(), rate: c.rate * f.stream.Rate(), ref: float64(c.ref)}
	t.fill(f.tb, from, f.next)
	one, ok := t.stack(t.snaps, followBlocks).single()
	if ok && !one.coherent && one.lead > clearLead {
		// A single-sideband receiver: its pitch may be off.
		if t, ok = f.tune(t, from); ok {
			t.fill(f.tb, from, f.next)
		}
	}
	if !ok || !t.follow() {
		return
	}
	if rival != nil && t.gain < clearGain*rival.gain {
		return
	}
	f.tracks = slices.DeleteFunc(f.tracks, func(o *track) bool { return o == old || o == rival })
	// A strong tick shows, weaker, in the filters of other tones.
	for _, o := range f.tracks {
		if o.covers(t, f.next) {
			return
		}
	}
	f.tracks = slices.DeleteFunc(f.tracks, func(o *track) bool { return t.covers(o, f.next) })
	f.tracks = append(f.tracks, t)
}

// clearGain is how many times the evidence for one place must exceed that for
// another before a track is given up for it.
const clearGain = 2

// sameMark is the track of c's tick, for a mark of this or another shape of
// the same tone.
func (f *Finder) sameMark(sh shape, c candidate) *track {
	for _, t := range f.tracks {
		if t.station.ToneHz == sh.toneHz && math.Abs(t.until(c, f.next)) < sameTick {
			return t
		}
	}
	return nil
}

// place puts c where the track is.
func (t *track) place(c *candidate) {
	c.rate = t.model.rate / t.cutter.rate
	c.lag = t.model.at(float64(c.ref)) / t.cutter.rate
}

// until is how long after the track's tick c comes at second now, s.
func (t *track) until(c candidate, now int64) float64 {
	return wrap(c.lag + c.rate*float64(now-c.ref) - t.model.at(float64(now))/t.cutter.rate)
}

// covers reports whether o may be no more than t's tick seen through another
// filter.
func (t *track) covers(o *track, now int64) bool {
	apart := wrap((t.model.at(float64(now)) - o.model.at(float64(now))) / t.cutter.rate)
	return math.Abs(apart) < coverRange && o.strength < coverRatio*t.strength
}

const (
	coverRange = 10e-3 // s
	// coverRatio bounds the power that a tick has in the filter of another
	// tone, with room for several paths; up to 0.3 was seen in simulations.
	coverRatio = 0.4
)

// tune finds the pitch at which the marks come out of a single-sideband
// receiver, and returns t with a filter for it. It reports false when they are
// another station's, of a tone farther away than a receiver is mistuned.
func (f *Finder) tune(t *track, from int64) (*track, bool) {
	from = max(from, f.next-tuneSeconds)
	best, off, top := t, 0.0, math.Inf(-1)
	for offset := -tuneRange - tuneStep; offset <= tuneRange+tuneStep; offset += tuneStep {
		sh := t.shape
		sh.toneHz += offset
		u := f.newTrack(sh)
		u.station, u.model = t.station, t.model
		u.fill(f.tb, from, f.next)
		g, ok := u.stack(u.snaps, 1).single()
		if offset == 0 {
			g.gain += tuneLead
		}
		if ok && g.gain > top {
			best, off, top = u, math.Abs(offset), g.gain
		}
	}
	best.snaps = nil
	return best, off <= tuneRange
}

const (
	// clearLead is how clearly the phase must be lost before a pitch is
	// looked for: tuned to noise, a filter times the tick wrongly.
	clearLead = 10
	// tuneLead is by how much Λ of another pitch must exceed that of the
	// station's own: the tick of a fading AM signal too loses its phase.
	tuneLead    = 6
	tuneSeconds = 60
	tuneRange   = 75.0 // Hz
	tuneStep    = 15.0
)

func (f *Finder) newTrack(sh shape) *track {
	pair, ok := f.filters[sh]
	if !ok {
		wide := newFilter(sh, f.stream.Rate())
		pair = [2]*filter{wide, wide.confined()}
		f.filters[sh] = pair
	}
	return &track{cutter: newCutter(pair[0], f.stream), local: pair[1]}
}

// sameTick is how near two arrivals of one tone are taken for one, s.
const sameTick = 15e-3

// fill takes the seconds from ≤ n < to.
func (t *track) fill(tb Timebase, from, to int64) {
	for n := from; n < to; n++ {
		t.take(n, tb)
	}
}

// take adds the snapshot of second n, if its audio is there.
func (t *track) take(n int64, tb Timebase) {
	var s *snapshot
	if len(t.snaps) >= maxSnapshots {
		// Reuse the oldest's memory.
		s = t.snaps[0]
		copy(t.snaps, t.snaps[1:])
		t.snaps = t.snaps[:len(t.snaps)-1]
	} else {
		s = &snapshot{}
	}
	s.n = n
	if t.cut(s, tb.Base(n)/float64(t.stream.Factor()), t.model.at(float64(n))) {
		t.snaps = append(t.snaps, s)
	}
}

// follow moves the model to where the tick now is, and reports whether there
// is one.
func (t *track) follow() bool {
	last := t.model.ref
	if len(t.snaps) > 0 {
		last = float64(t.snaps[len(t.snaps)-1].n)
	}
	t.refit = int64(last) + max(4, min(int64(len(t.snaps)/3), 120))
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

// stack sums snapshots of the track along its model, referred to their middle.
func (t *track) stack(snaps []*snapshot, blocks int) *stack {
	m := t.model
	if len(snaps) > 0 {
		mid := float64(snaps[0].n+snaps[len(snaps)-1].n) / 2
		m.lag, m.ref = m.at(mid), mid
	}
	return buildStack(t.filter, snaps, m, blocks)
}
