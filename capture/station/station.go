// Package station holds what standard-time stations publish about their
// broadcasts, as data: no algorithm of this program knows a station by name.
// The built-in table is stations.toml beside this file; a user's own file has
// the same fields.
package station

import (
	"slices"
	"strings"
	"time"
)

// Keying tells how a mark appears on the air.
type Keying string

const (
	// ToneBurst marks are bursts of an audio tone on a standing carrier.
	ToneBurst Keying = "tone"
	// CarrierOn marks key the carrier on; a beat-frequency oscillator turns
	// them into tone bursts whose pitch is the receiver's.
	CarrierOn Keying = "carrier-on"
	// CarrierReduced marks lower the carrier's level for their length.
	CarrierReduced Keying = "carrier-reduced"
	// CarrierRaised marks raise it: between marks it is low.
	CarrierRaised Keying = "carrier-raised"
	// PhaseRamps marks leave the level alone: over a mark's length the carrier's phase
	// rises to a deviation, falls to its opposite and comes back, evenly. The mark is on
	// time where its middle is, when the phase falls through its mean; of two lengths it
	// comes twice.
	PhaseRamps Keying = "phase-ramps"
)

// LongWave reports whether the station keys the level or the phase of a carrier that
// stands between its marks too, as those on long wave do: a receiver that beats with the
// carrier hears it.
func (s *Station) LongWave() bool {
	return s.Keying == CarrierReduced || s.Keying == CarrierRaised || s.Keying == PhaseRamps
}

// Station is one time signal service. Times are in seconds, frequencies in
// hertz, angles in degrees (north and east positive), as the names say.
type Station struct {
	ID     string  `toml:"id"`   // call sign in lower case
	Name   string  `toml:"name"` // operator and place, for people
	Keying Keying  `toml:"keying"`
	ToneHz float64 `toml:"tone_hz"` // pitch of the second marks; 0 when the receiver sets it
	// AdvanceSeconds is how long before the UTC second a mark leaves the
	// antenna by design; positive is early.
	AdvanceSeconds float64 `toml:"advance_s"`
	// EmissionSeconds is the uncertainty of the emission against UTC, 95 % half-width.
	EmissionSeconds float64 `toml:"emission_s"`
	// Marks lists rules in order; for a given second the first that matches holds.
	Marks []Mark `toml:"mark"`
	// QuietBeforeSeconds and QuietAfterSeconds bound the zone around the start
	// of a mark in which the station sends nothing else.
	QuietBeforeSeconds float64 `toml:"quiet_before_s"`
	QuietAfterSeconds  float64 `toml:"quiet_after_s"`
	// Depth is the modulation depth of the marks, 0 to 1. For CarrierReduced and
	// CarrierRaised it is the share of the full carrier's amplitude by which its
	// two levels differ.
	Depth float64 `toml:"depth"`
	Edge  Edge    `toml:"edge"`  // of a keyed level
	Phase Phase   `toml:"phase"` // keying of the carrier's phase beside that of its level
	// UpperSideband is true for H3E, full carrier and upper sideband only;
	// else both sidebands are sent (A3E).
	UpperSideband bool      `toml:"upper_sideband"`
	DUT1          DUT1      `toml:"dut1"`
	Code          Code      `toml:"code"`
	Carriers      []Carrier `toml:"carrier"`
	Blocks        []Block   `toml:"block"`     // minutes of the hour that carry marks; none listed: all
	Tones         []Tone    `toml:"tone"`      // programme tones that may be on the air between marks
	Voices        []Voice   `toml:"voice"`     // regular announcements
	Sounding      Sounding  `toml:"sounding"`  // sent for listeners to measure the channel by
	Lookalike     bool      `toml:"lookalike"` // marks like another station's: considered only when asked for, and then not believed by its name
	// Sources says where the facts come from: each entry is the fields it
	// supports, comma separated, a colon, and the source.
	Sources []string `toml:"sources"`
}

// Mark is a rule for the marks of some seconds of the minute.
type Mark struct {
	Seconds string  `toml:"seconds"`  // "1-28,30,40-50"; 0 is the minute mark
	Length  float64 `toml:"length_s"` // 0: the mark is omitted
	// CodedLengths are the other lengths, seconds, that the mark takes when it
	// carries a digit of a time code.
	CodedLengths []float64 `toml:"coded_lengths_s"`
	// Split is when, seconds after its start, a mark of Length may come a second
	// time and be a digit by that; 0: never.
	Split   float64 `toml:"split_s"`
	ToneHz  float64 `toml:"tone_hz"` // 0: the station's tone
	Minutes string  `toml:"minutes"` // minutes of the hour in which the rule holds, written as Seconds; empty: all
}

// DUT1 tells how UT1−UTC shows in the marks (Rec. ITU-R TF.460): the marks of
// seconds 1 to n are emphasised for +n tenths of a second, those of 9 to 8+n
// for −n tenths.
type DUT1 struct {
	Style          string  `toml:"style"`     // doubled, split, lengthened or none
	SpacingSeconds float64 `toml:"spacing_s"` // start of a mark to start of its repetition
	// LengthSeconds is the length of each part of an emphasised mark; 0: the
	// mark's own length.
	LengthSeconds float64 `toml:"length_s"`
}

// CodeKinds are the time codes there are: of a subcarrier, of a modem, and of the
// lengths of a long-wave station's marks.
var CodeKinds = []string{"bcd-100hz", "fsk-300", "dcf77", "msf", "wwvb", "jjy", "bpc", "als162"}

// Code names the time code the station sends.
type Code struct {
	Kind     string  `toml:"kind"`      // one of CodeKinds, or empty: none, or one whose content is not published
	ToneHz   float64 `toml:"tone_hz"`   // subcarrier; for fsk-300 the mark frequency
	Depth    float64 `toml:"depth"`     // modulation depth of the subcarrier while keyed up
	LowDepth float64 `toml:"low_depth"` // and while keyed down
}

// Edge is how a keyed carrier passes from one level to the other: as through one
// pole.
type Edge struct {
	TauSeconds float64 `toml:"tau_s"` // time constant
	// TauFactor bounds it with 95 %: it lies between TauSeconds over the factor and
	// TauSeconds times it.
	TauFactor float64 `toml:"tau_factor"`
	// OnTime is the share of the change that is done on time: 0 when the second is
	// where the change starts, 0.5 when it is the middle.
	OnTime float64 `toml:"on_time"`
}

// PhaseKinds are the codes there are that are keyed into a carrier's phase.
var PhaseKinds = []string{"dcf77", "wwvb", "ramps", Unpublished}

// Unpublished is a phase code that nobody can read: it is in the way of what is told from
// the noise beside the carrier.
const Unpublished = "unpublished"

// Phase names a code that is keyed into the carrier's phase.
type Phase struct {
	Kind    string  `toml:"kind"`          // one of PhaseKinds; empty: none
	Radians float64 `toml:"deviation_rad"` // from the mean phase, either way
}

// Carrier is one emission with its own antenna.
type Carrier struct {
	Hz       float64 `toml:"hz"`
	Lat      float64 `toml:"lat"`
	Lon      float64 `toml:"lon"`
	PowerW   float64 `toml:"power_w"`   // radiated; 0: not published
	HoursUTC string  `toml:"hours_utc"` // "07:30-01:00", comma separated; empty: all day
	Weekdays bool    `toml:"weekdays"`  // only Monday to Friday
	// SilentUTC is a day of the week and hours in which it is switched off for maintenance,
	// "Tue 06:00-11:00"; empty: none that is regular.
	SilentUTC string `toml:"silent_utc"`
}

// Block is a span of minutes of the hour, [From, To), that carries UTC marks.
type Block struct {
	From int `toml:"from"`
	To   int `toml:"to"`
}

// Tone is a steady programme tone.
type Tone struct {
	Hz          float64 `toml:"hz"`
	Depth       float64 `toml:"depth"`
	Minutes     string  `toml:"minutes"` // minutes of the hour; empty: all
	FromSeconds float64 `toml:"from_s"`  // span of the minute
	ToSeconds   float64 `toml:"to_s"`
}

// Voice is a regular spoken announcement.
type Voice struct {
	Depth       float64 `toml:"depth"`
	Minutes     string  `toml:"minutes"` // minutes of the hour; empty: all
	FromSeconds float64 `toml:"from_s"`  // span of the minute
	ToSeconds   float64 `toml:"to_s"`
}

// SoundingKinds are the signals there are for measuring the channel by.
var SoundingKinds = []string{"chirps-5khz"}

// Sounding is a signal that listeners measure the channel by, once an hour.
type Sounding struct {
	Kind        string  `toml:"kind"`   // one of SoundingKinds; empty: none
	Minute      int     `toml:"minute"` // of the hour
	FromSeconds float64 `toml:"from_s"` // when in the minute it begins
	Depth       float64 `toml:"depth"`  // modulation depth of its peaks
}

// Next is when the minute of the next sounding begins, from t on; a sounding whose
// minute runs counts. It is the zero time when the station sends none.
func (s Sounding) Next(t time.Time) time.Time {
	if s.Kind == "" {
		return time.Time{}
	}
	next := t.UTC().Truncate(time.Hour).Add(time.Duration(s.Minute) * time.Minute)
	if !next.Add(time.Minute).After(t) {
		next = next.Add(time.Hour)
	}
	return next
}

// MarkAt returns the mark that the station sends at a second of the hour: its
// rule with ToneHz filled in. It is false when the mark is omitted, when no
// rule names the second (as for second 60: no station publishes what it
// sends then) and outside the station's blocks.
func (s *Station) MarkAt(minuteOfHour, second int) (Mark, bool) {
	if !s.onDuty(minuteOfHour) {
		return Mark{}, false
	}
	m, ok := s.rule(minuteOfHour, second)
	return m, ok && m.Length > 0
}

// Omitted reports whether the station, while it sends marks, leaves out the
// mark of this second by rule. It is false outside the station's blocks.
func (s *Station) Omitted(minuteOfHour, second int) bool {
	if !s.onDuty(minuteOfHour) {
		return false
	}
	m, ok := s.rule(minuteOfHour, second)
	return ok && m.Length == 0
}

// Lengths lists the distinct lengths of the station's marks, seconds,
// ascending.
func (s *Station) Lengths() []float64 {
	var all []float64
	for _, m := range s.Marks {
		if m.Length > 0 {
			all = append(all, m.Length)
		}
		all = append(all, m.CodedLengths...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func (s *Station) onDuty(minuteOfHour int) bool {
	return len(s.Blocks) == 0 || slices.ContainsFunc(s.Blocks, func(b Block) bool {
		return b.From <= minuteOfHour && minuteOfHour < b.To
	})
}

func (s *Station) rule(minuteOfHour, second int) (Mark, bool) {
	for _, m := range s.Marks {
		if contains(m.Seconds, second) && holdsIn(m.Minutes, minuteOfHour) {
			if m.ToneHz == 0 {
				m.ToneHz = s.ToneHz
			}
			return m, true
		}
	}
	return Mark{}, false
}

// On reports whether the tone may be on the air at a moment of the hour.
func (t Tone) On(minuteOfHour int, secondOfMinute float64) bool {
	return holdsIn(t.Minutes, minuteOfHour) && t.FromSeconds <= secondOfMinute && secondOfMinute < t.ToSeconds
}

// On reports whether the announcement is on the air at a moment of the hour.
func (v Voice) On(minuteOfHour int, secondOfMinute float64) bool {
	return holdsIn(v.Minutes, minuteOfHour) && v.FromSeconds <= secondOfMinute && secondOfMinute < v.ToSeconds
}

// OnAir reports whether the carrier's published schedule covers t.
func (c Carrier) OnAir(t time.Time) bool {
	t = t.UTC()
	if c.Weekdays && (t.Weekday() == time.Saturday || t.Weekday() == time.Sunday) {
		return false
	}
	if day, hours, ok := strings.Cut(c.SilentUTC, " "); ok && t.Format("Mon") == day && within(hours, t) {
		return false
	}
	return c.HoursUTC == "" || within(c.HoursUTC, t)
}

// within reports whether a moment lies in hours as Carrier has them.
func within(hours string, t time.Time) bool {
	spans, err := parseHours(hours)
	if err != nil {
		return false // refused by Load
	}
	minute := t.Hour()*60 + t.Minute()
	return slices.ContainsFunc(spans, func(h [2]int) bool {
		if h[0] < h[1] {
			return h[0] <= minute && minute < h[1]
		}
		return h[0] <= minute || minute < h[1] // over midnight
	})
}
