package find

import (
	"maps"
	"math"
	"slices"
	"time"

	"timeball/capture/station"
	"timeball/detect/tick/recognise"
	"timeball/detect/tick/timing"
)

// Request is what is looked for, and what is known beforehand.
type Request struct {
	Stations []*station.Station // that may be heard
	Named    bool               // by the person, who has tuned to them
	// Table is all stations that may be on the air at this carrier: each may be what
	// is taken for another, unless one is named alone.
	Table     []*station.Station
	CarrierHz float64   // 0: unknown
	Start     time.Time // UTC of the stream's first sample, within half a minute; zero: unknown
	Receiver  timing.Receiver
}

// NextCarrier is how far from a carrier, Hz, another is heard with it: in the
// pass-band of a receiver of any kind.
const NextCarrier = 5e3

// Standing is how well a tick is known.
type Standing int

const (
	Unknown Standing = iota // a tick is heard; whose is not known
	AsNamed                 // its form is a tick's, and the person named the station
	Known                   // its minute is the station's
)

// Unsettled is a tick that is heard and not yet known as a station's.
type Unsettled struct {
	Station *station.Station // the likeliest
	Form    recognise.Form
	Rival   *station.Station // that is as likely; nil: none
	// MinuteIn is how long, s, until a minute mark would have been heard.
	MinuteIn float64
}

// The evidence of a tick's form, as the logarithm of a likelihood ratio: one in a
// hundred of the things that repeat each second is taken to be a burst of a station's
// tone alone; and one in twenty thousand stations to be heard together with something
// that is part of its tick in no way but time (both from memory).
var worth = map[recognise.Form]float64{recognise.Alone: math.Log(100), recognise.Mixed: -10}

const (
	// known is the logarithm of the odds from which a station is known.
	known = 9.2 // 1e4
	// rivalOdds is by how much it must be likelier than any other.
	rivalOdds = 4.6 // 100
	// told is by how much its order must speak for a station when more than known is due.
	told = 2.3 // 10
	// twoMinutes is for how many seconds a name stands in for the order of the minute
	// whatever that is, by when each of its seconds has come round twice; and with aMinute of
	// clear ticks it must speak for the station.
	twoMinutes, aMinute = 120, 60
	// barredSeconds is how long at least a station is not considered whose tick was
	// another's: until a minute more tells.
	barredSeconds = 60
	// soon is after how many seconds at least a tick is weighed anew; later on after half as
	// many as there are since the flywheel was last in doubt, a quarter while it is unknown.
	soon = 5
	// leastHeard is how many seconds must be heard before a form is believed: fewer
	// tell nothing but a burst.
	leastHeard = 8
)

// recognise weighs whose tick t is; false when it is surely not t's station's, nor of
// its mark's shape.
func (f *Finder) recognise(t *track) bool {
	if f.band == nil {
		f.band = recognise.NewBand(f.stream, f.base, f.first)
	}
	f.band.Through(f.next)
	line := t.Line()
	if t.listener == nil {
		t.listener = recognise.Listen(f.stream, f.base, t.station, f.request.Table, t.ToneHz(), t.ToneHz() == t.station.ToneHz, line, f.first)
	}
	t.listener.Along(line)
	// A second that begins late in the flywheel's reaches into the one after the next,
	// of which a live stream may not hold all yet.
	t.listener.Through(f.next - 2)
	lengths := t.station.Lengths()
	place := recognise.Place{At: line.At(float64(f.next)), Length: lengths[0], ToneHz: t.ToneHz(), RepeatSeconds: t.station.DUT1.SpacingSeconds}
	if t.Shape().Onset {
		place.Length = lengths[len(lengths)-1]
	}
	t.form = f.band.Form(place, f.tablesTones(t.ToneHz()))
	t.order = t.listener.Order(t.station, f.rivals(t.station), f.hour())
	if o := f.instead(t); o != nil {
		if shapeOf(o) == shapeOf(t.station) {
			t.become(o)
			return true
		}
		// Its mark is of another shape: that is looked for, and this one not for a while.
		f.barred[t.station] = f.next + max(barredSeconds, f.next-f.first)
		f.search = f.next
		return false
	}
	t.contrary = t.contrary || t.order.Known < -known
	listened := f.next - f.first
	t.standing = evidence{
		order: t.order, form: t.form, tick: t.tick, weak: t.Weak(), contrary: t.contrary, lookalike: t.station.Lookalike,
		named: f.request.Named, alone: f.request.Named && len(f.named) == 1, listened: listened, seconds: f.band.Seconds(),
	}.standing()
	since := f.next - f.broken
	if t.standing == Unknown {
		since /= 2
	}
	t.look = f.next + max(soon, since/2)
	if listened < twoMinutes {
		t.look = min(t.look, f.first+twoMinutes)
	}
	return true
}

// Broken says that the flywheel may not go with what was heard before: frames were lost,
// or the marker has moved. Whose a tick is soon is weighed anew.
func (f *Finder) Broken() {
	f.broken = f.next
	for _, t := range f.tracks {
		t.look = min(t.look, f.next+soon)
	}
}

// Now returns a finder by itself in which whose each tick is has been weighed with all that
// has been heard: a fix must not rest on a look that what came since contradicts.
func (f *Finder) Now() *Finder {
	c := *f
	c.tracks, c.barred = nil, maps.Clone(f.barred)
	if f.band != nil {
		c.band = f.band.Clone()
	}
	for _, t := range f.tracks {
		now := *t
		if t.listener != nil {
			now.listener = t.listener.Clone()
		}
		if now.confirmed || c.recognise(&now) && (now.station == t.station || c.recognise(&now)) {
			c.tracks = append(c.tracks, &now)
		}
	}
	return &c
}

// evidence is what there is for and against a tick being a station's.
type evidence struct {
	order                     recognise.Order
	form                      recognise.Form
	tick                      float64 // as the track has it
	weak, contrary, lookalike bool
	named, alone              bool // by the person, and no other
	listened                  int64
	seconds                   int // of which the form is told
}

func (e evidence) standing() Standing {
	o := e.order
	switch {
	case o.Known+worth[e.form] > known && o.Least >= -rivalOdds && (e.alone || o.Rival < -rivalOdds):
		return Known
	case e.named && e.nameHelps() && (e.form == recognise.Alone || e.alone && e.form == recognise.Untold) && e.seconds >= leastHeard:
		return AsNamed
	}
	return Unknown
}

// nameHelps reports whether a name may stand in for the order of the minute.
func (e evidence) nameHelps() bool {
	o := e.order
	overdue := e.listened >= twoMinutes && o.Due > known
	switch {
	case e.lookalike:
		return false // such ticks are many's
	case o.Rival > known || !e.alone && o.Rival > -rivalOdds || e.listened >= twoMinutes && o.Rival > rivalOdds:
		return false // the minute is another's, or may be
	case o.Least < -known || o.Kept < -known:
		return false // a part of the minute is not there, or no minute of the station's is like that
	case (e.contrary || overdue) && o.Known < 0 && o.Kept < known:
		return false // something unknown explains it better, and not as another station heard with it would
	case overdue && o.Clear >= aMinute && (o.Known < told && o.Kept < known || o.Known < 0 && (o.Kept < 2*known || o.Least < -told)):
		return false // or hardly worse, when the station's minute should have told
	case e.weak && o.Kept < known:
		return false // anything that repeats, as another station's tick in this filter
	case o.Kept < known && e.tick+max(0, o.Kept) < rivalOdds:
		return false // it may be something struck: a path or a receiver may make a tick like that
	}
	return true
}

// instead is a station that is looked for which the order of the minute speaks for
// rather than for t's; nil: none.
func (f *Finder) instead(t *track) *station.Station {
	if t.order.Other == nil || t.order.Rival < rivalOdds {
		return nil
	}
	for _, s := range f.stations {
		if s.ID == t.order.Other.ID && s.ToneHz == t.station.ToneHz && f.onAir(s) {
			return s
		}
	}
	return nil
}

// heard is how much has been heard by the start of second n, s of the stream's nominal
// rate.
func (f *Finder) heard() (n int64, seconds float64) {
	for n = f.next - 1; n > f.first; n-- {
		if at, ok := f.base(n); ok {
			return n, at / f.stream.Rate()
		}
	}
	return f.first, 0
}

// hour is the second of the hour at flywheel second 0; NaN when the time is not known.
func (f *Finder) hour() float64 {
	if f.request.Start.IsZero() {
		return math.NaN()
	}
	at := f.request.Start.UTC()
	n, heard := f.heard()
	return float64(at.Minute()*60+at.Second()) + heard - float64(n)
}

// span is the time that has been heard, with the doubt of its start.
func (f *Finder) span() (from, to time.Time) {
	const doubt = 30 * time.Second
	_, heard := f.heard()
	return f.request.Start.Add(-doubt), f.request.Start.Add(time.Duration(heard*float64(time.Second)) + doubt)
}

// onAir reports whether by its own table station s sends marks while it is listened to.
func (f *Finder) onAir(s *station.Station) bool {
	if f.request.Start.IsZero() {
		return true
	}
	from, to := f.span()
	for t := from; !t.After(to); t = t.Add(20 * time.Second) {
		_, marks := s.MarkAt(t.UTC().Minute(), 1)
		for second := 2; !marks && second < 60; second++ {
			_, marks = s.MarkAt(t.UTC().Minute(), second)
		}
		if marks && slices.ContainsFunc(s.Carriers, func(c station.Carrier) bool {
			return (f.request.CarrierHz == 0 || math.Abs(c.Hz-f.request.CarrierHz) < NextCarrier) && c.OnAir(t)
		}) {
			return true
		}
	}
	return len(s.Carriers) == 0
}

// rivals are the stations whose marks might be taken for those of s: those of its
// tone, and those that key their carrier, whose beat may have any.
func (f *Finder) rivals(s *station.Station) []*station.Station {
	var all []*station.Station
	for _, o := range f.request.Table {
		same := o.Keying == station.CarrierOn || math.Abs(o.ToneHz-s.ToneHz) < timing.Mistuned
		if o.ID != s.ID && same && f.onAir(o) {
			all = append(all, o)
		}
	}
	return all
}

// tablesTones are the tones of the stations' marks, but for that at hz.
func (f *Finder) tablesTones(hz float64) []float64 {
	var all []float64
	for _, s := range f.request.Table {
		if s.ToneHz > 0 && math.Abs(s.ToneHz-hz) > timing.Mistuned && !slices.Contains(all, s.ToneHz) {
			all = append(all, s.ToneHz)
		}
	}
	return all
}

// Unsettled lists the ticks that are heard and not known, the first found first.
func (f *Finder) Unsettled() []Unsettled {
	var all []Unsettled
	for _, t := range f.tracks {
		if t.standing != Unknown {
			continue
		}
		u := Unsettled{Station: t.station, Form: t.form, MinuteIn: math.NaN()}
		if t.order.Rival >= -rivalOdds {
			u.Rival = t.order.Other
		}
		u.MinuteIn = max(0, 60-float64(f.next-f.first))
		if s := t.order.Second; s >= 0 {
			u.MinuteIn = float64(60 - (int64(s)+f.next-t.order.Ref)%60)
		}
		all = append(all, u)
	}
	return all
}

// OffAir lists the stations looked for that by their own table are off the air.
func (f *Finder) OffAir() []*station.Station {
	var all []*station.Station
	for _, s := range f.named {
		if !f.onAir(s) {
			all = append(all, s)
		}
	}
	return all
}
