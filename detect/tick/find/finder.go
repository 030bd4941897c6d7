// Package find finds the second marks of standard-time stations in the
// receiver's audio and knows which station's they are.
//
// Acquisition (acquire.go) folds minutes of audio at the flywheel's period and
// looks for a burst of tone that chance does not explain; inspection
// (inspect.go, struck.go) asks whether it may be a station's mark or is
// something struck. Whose it is package recognise weighs (known.go), and only what is
// known, or taken for the station that a person named, is heard. Package timing times
// what is found.
package find

import (
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/rank"
	"timeball/detect/tick/recognise"
	"timeball/detect/tick/timing"
)

// Finder looks for the marks of a set of stations.
type Finder struct {
	stream   *audio.Stream
	tb       Timebase
	request  Request
	named    []*station.Station // the request's stations
	stations []*station.Station // the same, those on carriers at each pitch
	band     *recognise.Band    // nil until a tick is heard
	beaten   bool               // the stations are carriers, heard by their beat
	shapes   []timing.Shape
	tracker  *timing.Tracker
	tracks   []*track
	first    int64 // first second seen
	next     int64 // first second not yet seen
	broken   int64 // the latest second from which on it was not sure that the flywheel still goes with what was heard before
	search   int64 // second at which acquisition is tried next
	// barred are stations whose tick was another's of the same tone, and the second until
	// which they are not considered again.
	barred map[*station.Station]int64
}

// track follows one station's tick.
type track struct {
	*timing.Track
	station *station.Station
	refit   int64 // second at which its line is fitted next

	// tick is how much likelier its form is a tick's than something struck's, as the
	// logarithm of a likelihood ratio; infinite of a longer mark.
	tick     float64
	listener *recognise.Listener // nil until it is weighed whose tick it is
	form     recognise.Form
	order    recognise.Order
	standing Standing
	// contrary: once its order was surely not the station's.
	contrary bool
	// confirmed: by what it was heard to say.
	confirmed bool
	look      int64 // second at which that is weighed next
}

// NewFinder returns a finder of the marks of stations in stream, which must
// hold at least a few minutes. Seconds are those of tb. A station that keys its
// carrier has a tone only by the receiver's beat oscillator, at any pitch; it is
// looked for when no other kind of station is.
func NewFinder(stream *audio.Stream, tb Timebase, r Request) *Finder {
	f := &Finder{stream: stream, tb: tb, request: r, named: r.Stations, stations: r.Stations, barred: map[*station.Station]int64{}}
	f.tracker = timing.NewTracker(stream, r.Receiver, f.base)
	if !slices.ContainsFunc(r.Stations, func(s *station.Station) bool { return s.ToneHz > 0 }) {
		f.stations, f.beaten = beats(r.Stations), true
	}
	for _, s := range f.stations {
		if sh := shapeOf(s); sh.ToneHz > 0 && !slices.Contains(f.shapes, sh) {
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
func (f *Finder) Start(first int64) {
	f.first, f.next, f.broken, f.search = first, first, first, first+leastSearch
}

const (
	leastSearch = 5 // seconds before the first acquisition is tried
	// Audio beyond the second that a second's processing needs, s.
	lookAhead = 60e-3
)

// Advance processes the seconds for which the stream now holds all audio, up
// to but not including second limit.
func (f *Finder) Advance(limit int64) {
	for f.next < limit {
		end, ok := f.base(f.next + 1)
		if ok && int64(end+lookAhead*f.stream.Rate())+1 >= f.stream.End() {
			return
		}
		for _, t := range f.tracks {
			if t.Take(f.next) && f.next >= t.refit {
				t.follow(f.clocks())
			}
		}
		begin, known := f.base(f.next)
		f.next++
		if f.next >= f.search && known && ok && f.stream.Holds(int64(begin), int64(end)) {
			f.acquire()
			span := f.next - f.first
			if len(f.tracks) == 0 {
				f.search = f.next + max(2, min(span/3, 300))
			} else {
				f.search = f.next + max(20, min(span, 600)) // for another station
			}
		}
		f.tracks = slices.DeleteFunc(f.tracks, func(t *track) bool {
			return f.next >= t.look && !t.confirmed && !f.recognise(t)
		})
	}
}

// acquire folds what the stream holds and starts tracks for what it finds.
func (f *Finder) acquire() {
	from := f.first
	begin := float64(f.stream.Begin()) + 0.2*f.stream.Rate()
	for ; from < f.next; from++ {
		if at, ok := f.base(from); ok && at >= begin {
			break
		}
	}
	if from <= f.first+1 {
		// As long as all is held that was heard, a track must stand up to it.
		f.tracks = slices.DeleteFunc(f.tracks, func(t *track) bool { return !f.stands(t, from) })
	}
	about := f.rates()
	for _, sh := range f.shapes {
		for _, c := range foldSpan(f.stream, f.tb, sh, about, from, f.next).search() {
			f.consider(sh, c, from)
		}
	}
}

// rates are those at which a tick may drift: as that of a station that is known, since
// all keep UTC.
func (f *Finder) rates() rates {
	for _, t := range f.tracks {
		if t.standing == Known && t.Len() > knownSeconds {
			rate := t.Line().Rate
			return rates{rate - pathRate, rate, rate + pathRate}
		}
	}
	return f.clocks()
}

// clocks are the rates that the clocks allow, by the seconds whose audio is held.
func (f *Finder) clocks() rates {
	var frames []float64
	for n := f.next; ; n-- {
		begin, known := f.base(n)
		end, ok := f.base(n + 1)
		if !known || !ok || n < f.first || begin < float64(f.stream.Begin()) {
			break
		}
		frames = append(frames, end-begin)
	}
	if len(frames) == 0 {
		return clocks(0)
	}
	return clocks(rank.Median(frames)/f.stream.Rate() - 1) // a step of the marker is no rate
}

const (
	// pathRate is by how much two stations' ticks may drift apart, s/s: paths change
	// by a millisecond in ten minutes at most (common practice), and a known tick's
	// line by a tenth of that in knownSeconds.
	pathRate     = 2e-6
	knownSeconds = 120
)

// otherTones are the other stations' tones that sound in the band of this one.
func (f *Finder) otherTones(toneHz float64) []float64 {
	var all []float64
	if f.beaten {
		return nil
	}
	for _, sh := range f.shapes {
		if apart := math.Abs(sh.ToneHz - toneHz); apart > 0 && apart < 1000 && !slices.Contains(all, sh.ToneHz) {
			all = append(all, sh.ToneHz)
		}
	}
	return all
}

// stands reports whether the seconds from first on still look like t's station.
func (f *Finder) stands(t *track, first int64) bool {
	c := candidate{ref: int64(t.Line().Ref)}
	t.place(&c)
	accepted, tick := false, 0.0
	for _, c.coherent = range []bool{false, true} {
		p, ok := takeProfile(f.stream, f.tb, t.Shape(), f.otherTones(t.station.ToneHz), c, first, f.next)
		if !ok {
			return true
		}
		v := p.judge(t.station, c.coherent)
		accepted = accepted || v.accepted
		if math.Abs(v.tick) > math.Abs(tick) {
			tick = v.tick // the view that tells more
		}
	}
	t.tick = tick
	return accepted
}

// consider starts a track for candidate c unless it is known or no mark.
func (f *Finder) consider(sh timing.Shape, c candidate, from int64) {
	old := f.sameMark(sh, c)
	if old != nil && old.standing == Known {
		return
	}
	if old != nil {
		// The track knows better where the tick is, and how it drifts.
		old.place(&c)
	}
	p, ok := takeProfile(f.stream, f.tb, sh, f.otherTones(sh.ToneHz), c, from, f.next)
	if !ok {
		return
	}
	var best *station.Station
	var v verdict
	for _, s := range f.stations {
		if s.ToneHz != sh.ToneHz || !f.onAir(s) || f.next < f.barred[s] {
			continue
		}
		w := p.judge(s, c.coherent)
		if !w.accepted {
			continue
		}
		better := w.misfit < v.misfit
		if !math.IsInf(w.tick, 1) && !math.IsInf(v.tick, 1) {
			better = w.tick > v.tick // both marks are short
		}
		if best == nil || better {
			best, v = s, w
		}
	}
	if best == nil || shapeOf(best) != sh {
		return // another shape's search will find it
	}
	if old != nil && !old.Weak() && (old.station == best || shapeOf(old.station) == sh) {
		old.become(best) // more seconds tell the pattern better
		old.tick = v.tick
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
	t := f.newTrack(sh, best, timing.Line{Lag: c.lag, Rate: c.rate, Ref: float64(c.ref)})
	t.tick = v.tick
	t.fill(from, f.next)
	one, ok := t.Evidence()
	if !ok {
		return
	}
	hz := t.Pitch(best)
	if math.Abs(hz-best.ToneHz) > timing.Mistuned {
		return // another's, of a tone farther away
	}
	if !one.Coherent && one.Lead > clearLead && hz != sh.ToneHz {
		// A single-sideband receiver, and its pitch is off.
		sh.ToneHz = hz
		t = f.newTrack(sh, best, t.Line())
		t.tick = v.tick
		t.fill(from, f.next)
	}
	if !t.follow(f.clocks()) {
		return
	}
	if rival != nil && t.Gain() < clearGain*rival.Gain() {
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

// become says that t is rather station s's.
func (t *track) become(s *station.Station) {
	if t.station != s {
		t.station, t.listener, t.standing, t.contrary, t.confirmed, t.look = s, nil, Unknown, false, false, 0
	}
}

// clearGain is how many times the evidence for one place must exceed that for
// another before a track is given up for it.
const clearGain = 2

// sameMark is the track of c's tick, for a mark of this or another shape of
// the same tone.
func (f *Finder) sameMark(sh timing.Shape, c candidate) *track {
	for _, t := range f.tracks {
		if t.station.ToneHz == sh.ToneHz && math.Abs(t.until(c, f.next)) < sameTick {
			return t
		}
	}
	return nil
}

// place puts c where the track is.
func (t *track) place(c *candidate) {
	l := t.Line()
	c.rate = l.Rate
	c.lag = l.At(float64(c.ref))
}

// until is how long after the track's tick c comes at second now, s.
func (t *track) until(c candidate, now int64) float64 {
	return wrap(c.lag + c.rate*float64(now-c.ref) - t.Line().At(float64(now)))
}

// covers reports whether o may be no more than t's tick seen through another
// filter.
func (t *track) covers(o *track, now int64) bool {
	apart := wrap(t.Line().At(float64(now)) - o.Line().At(float64(now)))
	return math.Abs(apart) < coverRange && o.Strength() < coverRatio*t.Strength()
}

const (
	coverRange = 10e-3 // s
	// coverRatio bounds the power that a tick has in the filter of another
	// tone, with room for several paths; up to 0.3 was seen in simulations.
	coverRatio = 0.4
)

// clearLead is how clearly, in log evidence, the phase must be lost before a pitch is
// looked for. It decides nothing but how often the search is made in vain: for exp(−2),
// one in seven, of ticks that keep their phase at most (Markov's inequality for a
// likelihood ratio).
const clearLead = 2

func (f *Finder) newTrack(sh timing.Shape, s *station.Station, l timing.Line) *track {
	return &track{Track: f.tracker.Track(sh, l), station: s}
}

// base is the position of second n in the stream, low-rate samples, if known.
func (f *Finder) base(n int64) (at float64, ok bool) {
	at, ok = f.tb.Base(n)
	return at / float64(f.stream.Factor()), ok
}

// sameTick is how near two arrivals of one tone are taken for one, s.
const sameTick = 15e-3

// fill takes the seconds from ≤ n < to.
func (t *track) fill(from, to int64) {
	for n := from; n < to; n++ {
		t.Take(n)
	}
}

// follow moves the track's line to where the tick now is, and reports whether
// there is one.
func (t *track) follow(r rates) bool {
	t.refit = max(0, t.Latest()) + max(4, min(int64(t.Len()/3), timing.FollowSeconds))
	return t.Follow(r.from, r.to)
}
