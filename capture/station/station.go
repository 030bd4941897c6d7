// Package station holds what standard-time stations publish about their
// broadcasts, as data: no algorithm of this program knows a station by name.
// The built-in table is stations.toml beside this file; a user's own file has
// the same fields.
package station

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
)

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
	// Uncertainty of the emission against UTC, 95 % half-width.
	EmissionSeconds float64 `toml:"emission_s"`
	// Marks lists rules in order; for a given second the first that matches holds.
	Marks []Mark `toml:"mark"`
	// QuietBefore and QuietAfter bound the zone around the start of a mark in
	// which the station sends nothing else.
	QuietBeforeSeconds float64 `toml:"quiet_before_s"`
	QuietAfterSeconds  float64 `toml:"quiet_after_s"`
	// Depth is the modulation depth of the marks, 0 to 1.
	Depth     float64   `toml:"depth"`
	DUT1      DUT1      `toml:"dut1"`
	Code      Code      `toml:"code"`
	Carriers  []Carrier `toml:"carrier"`
	Blocks    []Block   `toml:"block"`     // minutes of the hour that carry marks; none listed: all
	Tones     []Tone    `toml:"tone"`      // programme tones that may be on the air between marks
	Lookalike bool      `toml:"lookalike"` // marks like another station's: considered only when asked for
	Sources   []string  `toml:"sources"`   // where the facts come from, each with the field it supports
}

// Mark is a rule for the marks of some seconds of the minute.
type Mark struct {
	Seconds string  `toml:"seconds"`  // "1-28,30,40-50"; 0 is the minute mark
	Length  float64 `toml:"length_s"` // 0: the mark is omitted
	ToneHz  float64 `toml:"tone_hz"`  // 0: the station's tone
	Minutes string  `toml:"minutes"`  // minutes of the hour in which the rule holds; empty: all
}

// DUT1 tells how UT1−UTC shows in the marks (Rec. ITU-R TF.460).
type DUT1 struct {
	Style          string  `toml:"style"`     // doubled, split, lengthened or none
	SpacingSeconds float64 `toml:"spacing_s"` // start of a mark to start of its repetition
}

// Code names the time code the station sends.
type Code struct {
	Kind   string  `toml:"kind"` // bcd-100hz, fsk-300, or empty
	ToneHz float64 `toml:"tone_hz"`
}

// Carrier is one emission with its own antenna.
type Carrier struct {
	Hz       float64 `toml:"hz"`
	Lat      float64 `toml:"lat"`
	Lon      float64 `toml:"lon"`
	PowerW   float64 `toml:"power_w"`
	HoursUTC string  `toml:"hours_utc"` // "07:30-01:00"; empty: all day
}

// Block is a span of minutes of the hour, [From, To), that carries UTC marks.
type Block struct {
	From int `toml:"from"`
	To   int `toml:"to"`
}

// Tone is a steady programme tone.
type Tone struct {
	Hz    float64 `toml:"hz"`
	Depth float64 `toml:"depth"`
}
