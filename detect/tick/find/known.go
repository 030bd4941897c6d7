package find

import (
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

// What is thought beforehand, as odds (judgement, but where it says otherwise).
const (
	// aloneOfOthers is how many of the other things that repeat each second are a burst of
	// the station's tone alone.
	aloneOfOthers = 0.01
	// spoilt is one in how many stations is heard together with something that is part of
	// its tick in no way but time, or through what makes its tick look struck.
	spoilt = 1e4
	// elsewhere is one in how many stations is heard with the like at other times of the
	// second.
	elsewhere = 100
	// tuned is one in how many persons who name a station hear instead of it something
	// else that repeats at its tone.
	tuned = 1000
	// known are the odds from which a station is known, taken those from which it is as
	// a person named it, and those against any other station in both.
	known, taken = 1e4, 100
	// leastHeard is how many seconds must be heard before a form is believed: fewer
	// tell nothing but a burst.
	leastHeard = 8
)

// barredSeconds is how long at least a station is not considered whose tick was
// another's: until a minute more tells.
const barredSeconds = 60

// odds are the logarithmic odds that t's tick is its station's against something unknown
// that repeats, by its form and order. Of the unknown things some are struck, and the rest
// look like the tick as often as its form in the whole band has it.
func (t *track) odds() float64 {
	like := 1.0
	switch t.form {
	case recognise.Alone:
		like = aloneOfOthers
	case recognise.Repeated:
		like = elsewhere
	case recognise.Mixed:
		like = spoilt
	}
	return t.order.Known - math.Log(like+min(math.Exp(-t.tick), spoilt))
}

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
	named := 0.0
	if f.request.Named && !t.Weak() { // a weak one may be another station's in this filter
		named = math.Log(tuned)
	}
	// A name tells nothing of others that are named too, or that look like the station.
	other := -t.order.Rival
	if len(f.named) == 1 && !t.station.Lookalike {
		other += named
	}
	odds := t.odds()
	switch {
	case other < math.Log(taken):
		t.standing = Unknown
	case odds > math.Log(known):
		t.standing = Known
	case named > 0 && odds+named > math.Log(taken) && f.band.Seconds() >= leastHeard:
		t.standing = AsNamed
	default:
		t.standing = Unknown
	}
	listened := f.next - f.first
	if t.standing == Known {
		t.look = f.next + max(60, listened)
	} else {
		t.look = f.next + max(5, listened/4)
	}
	return true
}

// instead is a station that is looked for which the order of the minute speaks for
// rather than for t's; nil: none.
func (f *Finder) instead(t *track) *station.Station {
	if t.order.Other == nil || t.order.Rival < math.Log(taken) {
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
		if t.order.Rival >= -math.Log(taken) {
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
