package levels

import (
	"math"
	"slices"
)

// Verdict is what a check comes to.
type Verdict string

const (
	Good Verdict = "good"
	Poor Verdict = "poor" // it will do, but could be better
	Bad  Verdict = "bad"  // it will not do
)

// Finding is what a check found; the numbers that belong to it are in the report.
type Finding int

const (
	// Of a channel.
	Silent Finding = iota
	NoSignal
	Clipping
	NearlyClipping
	LowLevel
	SmallPulse
	FairLevel
	Offset // its DC
	MainsHum
	NoHum
	LongWave // carriers, of an antenna that is sampled itself
	// Of the input.
	OneChannel
	SameSignal
	// Of the marker.
	NotYetHeard
	ByWire // more than one
	NoMarker
	Swapped // on the channel meant for the receiver
	MarkerThere
	HalfSecond // no edge can be told to lead
	Shape
	ManyPulses // more than one a second
	OnePulse
	Jitter
	LostPulses
	AllPulses
	// Of the leads and the card.
	MarkerLeaks
	ReceiverLeaks
	ClockRate
	// Of the stations' ticks.
	TicksHeard
	TicksGone // heard before
	TickUnknown
	NoTickYet
	NoTick
	TicksUnsought // for want of a marker
)

// Check is one item of the list that a person goes through.
type Check struct {
	Channel int // from 1; 0: about no single one
	Finding Finding
	Verdict Verdict
}

// Roles are the channels as the person means them, from 1; 0: whichever.
type Roles struct{ Receiver, Marker int }

// Limits of what is good and what will do (common practice).
const (
	silentDB    = -80 // dBFS, peak
	lowDB       = -45 // dBFS, rms of the receiver
	hotDB       = -1  // dBFS, peak
	lowPulse    = 0.03
	mostDC      = 0.05
	humPoorDB   = -20 // against the channel's rms
	humFloorDB  = -60 // dBFS
	leakPoorDB  = -60
	leakBadDB   = -30
	poorJitter  = 5e-6 // s
	mostFalse   = 0.4  // pulses in between, each second (half of them are counted)
	clockPoor   = 100  // 1e-6
	clockBad    = 200
	sameSignal  = 0.98
	leastLength = 7 // s
)

// Ticks is what is heard of stations' ticks.
type Ticks struct {
	Seconds  float64        `json:"seconds"` // listened; 0: there is no marker to find them by
	Unknown  bool           `json:"unknown"` // a tick is heard, not yet known as a station's
	Stations []StationTicks `json:"stations"`
	// Marks: none but the marks of stations on long wave are looked for.
	Marks bool `json:"marks,omitempty"`
}

// StationTicks are those of one station that was heard.
type StationTicks struct {
	ID      string   `json:"id"`
	SNRdB   *float64 `json:"snr_db"`             // mean, in 3 kHz; null: not known yet
	Gone    float64  `json:"gone_s"`             // seconds since one was last heard; 0 while heard
	AsNamed bool     `json:"as_named,omitempty"` // taken for the station's because it was named
}

// EnoughForTicks is how long, s, without a tick is worth a remark: a first fix of a
// signal of 15 dB takes up to 20 s (from memory).
const EnoughForTicks = 30

// AwaitMore reports whether a tick may still turn up in EnoughForTicks.
func (t *Ticks) AwaitMore() bool { return t != nil && t.finding().Finding == NoTickYet }

// finding is what the ticks come to.
func (t *Ticks) finding() Check {
	heard := slices.ContainsFunc(t.Stations, func(s StationTicks) bool { return s.Gone == 0 })
	switch {
	case heard:
		return Check{0, TicksHeard, Good}
	case len(t.Stations) > 0:
		return Check{0, TicksGone, Poor}
	case t.Unknown:
		return Check{0, TickUnknown, Poor}
	case t.Seconds == 0:
		return Check{0, TicksUnsought, Poor}
	case t.Seconds < EnoughForTicks:
		return Check{0, NoTickYet, Poor}
	}
	return Check{0, NoTick, Poor}
}

// Checks goes through the list.
func (r *Report) Checks(roles Roles) []Check {
	all := r.wiring(roles)
	if r.Ticks != nil {
		all = append(all, r.Ticks.finding())
	}
	return all
}

// wiring is the list without the ticks.
func (r *Report) wiring(roles Roles) []Check {
	var all []Check
	for i, c := range r.Channels {
		all = append(all, c.checks(i+1)...)
	}
	switch {
	case len(r.Channels) < 2:
		return append(all, Check{0, OneChannel, Bad})
	case math.Abs(r.Correlation) > sameSignal:
		return append(all, Check{0, SameSignal, Bad})
	case r.Seconds < leastLength:
		return append(all, Check{0, NotYetHeard, Poor})
	}
	all = append(all, r.checkMarker(roles)...)
	if r.Marker == 0 {
		return all
	}
	all = append(all, r.checkPulse(*r.Channels[r.Marker-1].Pulse)...)
	if l := r.MarkerToReceiver; l != nil {
		all = append(all, Check{0, MarkerLeaks, l.verdict()})
	}
	if l := r.ReceiverToMarker; l != nil {
		all = append(all, Check{0, ReceiverLeaks, l.verdict()})
	}
	return append(all, Check{0, ClockRate, graded(math.Abs(*r.ClockPPM), clockPoor, clockBad)})
}

// graded is good up to one limit, and will do up to another.
func graded(v, poor, bad float64) Verdict {
	switch {
	case v > bad:
		return Bad
	case v > poor:
		return Poor
	}
	return Good
}

// checks looks at one channel, number n.
func (c Channel) checks(n int) []Check {
	rms := 20 * math.Log10(c.RMS)
	isMarker := c.Pulse != nil
	level := Check{n, FairLevel, Good}
	switch peak := c.PeakDB(); {
	case c.Peak == 0:
		return []Check{{n, Silent, Bad}}
	case peak < silentDB:
		return []Check{{n, NoSignal, Bad}}
	case c.Clipped > 0:
		level = Check{n, Clipping, Bad}
	case peak > hotDB:
		level = Check{n, NearlyClipping, Poor}
	case !isMarker && rms < lowDB:
		level = Check{n, LowLevel, Poor}
	case isMarker && c.Pulse.Amplitude < lowPulse:
		level = Check{n, SmallPulse, Poor}
	}
	all := []Check{level}
	if !isMarker { // a pulse has DC of its own
		all = append(all, Check{n, Offset, graded(math.Abs(c.DC), mostDC, math.Inf(1))})
	}
	hum := Check{n, NoHum, Good}
	if db := 20 * math.Log10(c.Hum.Level); c.Hum.Hz > 0 && db > humFloorDB {
		hum = Check{n, MainsHum, graded(db, rms+humPoorDB, math.Inf(1))}
	}
	all = append(all, hum)
	if len(c.Carriers) > 0 {
		all = append(all, Check{n, LongWave, Good})
	}
	return all
}

func (r *Report) checkMarker(roles Roles) []Check {
	var all []Check
	if len(r.Wired()) > 1 {
		all = append(all, Check{0, ByWire, Poor})
		if r.Marker == 0 {
			return all
		}
	}
	switch {
	case r.Marker == 0:
		return append(all, Check{0, NoMarker, Bad})
	case roles.Marker > 0 && r.Marker != roles.Marker || roles.Receiver > 0 && r.Receiver != roles.Receiver:
		return append(all, Check{r.Marker, Swapped, Bad})
	}
	return append(all, Check{r.Marker, MarkerThere, Good})
}

func (r *Report) checkPulse(p Pulse) []Check {
	shape, rate, pulses := Check{r.Marker, Shape, Good}, Check{r.Marker, OnePulse, Good}, Check{r.Marker, AllPulses, Good}
	if r.assessments[r.Marker-1].Ambiguous {
		shape = Check{r.Marker, HalfSecond, Bad}
	}
	if float64(p.False) > mostFalse*r.Seconds {
		rate = Check{r.Marker, ManyPulses, Bad}
	}
	if p.Missed > 0 || p.False > 0 {
		pulses = Check{r.Marker, LostPulses, Poor}
	}
	return []Check{shape, rate, {r.Marker, Jitter, graded(p.Jitter, poorJitter, math.Inf(1))}, pulses}
}

// verdict of a leak.
func (l *Leak) verdict() Verdict {
	if !l.Found {
		return Good
	}
	return graded(l.DB, leakPoorDB, leakBadDB)
}
