// Package rate reads a clock's history: fixes and the adjustments made between
// them. It finds rate, ageing and steps with their uncertainty, forecasts the
// offset, and advises how much to trim and when to measure next.
package rate

import "time"

// Fix is what the analysis needs of one finished measurement.
type Fix struct {
	ID     int64     // the logbook's entry number, to name it by
	At     time.Time // UTC
	Offset float64   // local clock minus UTC, s, in (-0.5, 0.5]
	U      float64   // standard uncertainty of Offset, s, > 0
	// UCommon is the part of U, s, that is the same in every fix made with this
	// wiring (receiver delay, skew, marker edge): it moves the offset but never the rate.
	UCommon float64
	Whole   *int // whole seconds the hands are ahead of UTC, when known
	// Stations are the IDs of those it rests on, joined by spaces; empty: not told.
	Stations string
}

// Adjustment is something done to the clock, or noted about it. Its JSON form
// is a line of the logbook, schema timeball.adjustment/1.
type Adjustment struct {
	Schema string         `json:"schema"`
	At     time.Time      `json:"at"` // UTC
	Kind   AdjustmentKind `json:"kind"`
	// Step is what a phase adjustment added to the offset, s; positive: advanced.
	Step *float64 `json:"step_s,omitempty"`
	// Trim is what a trim added to the rate, dimensionless; positive: raised.
	// In a Dial entry it is what one division clockwise adds.
	Trim *float64 `json:"trim_y,omitempty"`
	// Divisions is how far the dial was turned; positive: clockwise.
	Divisions *float64 `json:"divisions,omitempty"`
	// U is the standard uncertainty of Step or Trim, in its unit.
	U       *float64 `json:"u,omitempty"`
	Celsius *float64 `json:"celsius,omitempty"`
	// Entry is the digest of the logbook entry that a note or a withdrawal is
	// about.
	Entry string `json:"entry,omitempty"`
	Note  string `json:"note,omitempty"`
}

// AdjustmentSchema is the schema of an Adjustment's JSON form.
const AdjustmentSchema = "timeball.adjustment/1"

// AdjustmentKind says what was done.
type AdjustmentKind string

const (
	StepMade    AdjustmentKind = "step"        // the phase was stepped
	Trimmed     AdjustmentKind = "trim"        // the oscillator's frequency was changed
	Stopped     AdjustmentKind = "stop"        // stopped and restarted: offset and rate are new
	Moved       AdjustmentKind = "move"        // carried elsewhere: the rate may be new
	Temperature AdjustmentKind = "temperature" // a reading, °C
	Dial        AdjustmentKind = "dial"        // what one division does, as the maker or the keeper says
	Noted       AdjustmentKind = "note"
	Withdrawn   AdjustmentKind = "withdraw" // the entry named no longer counts
)

// Kinds are all of them.
var Kinds = []AdjustmentKind{StepMade, Trimmed, Stopped, Moved, Temperature, Dial, Noted, Withdrawn}
