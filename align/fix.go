// Package align puts the two tracks, UTC ticks and local marker, on one
// flywheel and states the offset between them with its uncertainty.
package align

import (
	"encoding/json"
	"time"

	"timeball/detect/marker"
	"timeball/detect/timecode"
)

// Fix is one finished measurement, in the form `replay --json` prints
// (schema timeball.fix/1). Times are in seconds; an offset is local clock
// minus UTC: positive means the local clock is ahead and must be retarded.
type Fix struct {
	Schema    string    `json:"schema"`
	Program   string    `json:"program,omitempty"` // that made it, with its commit
	Recording Recording `json:"recording"`
	Verdict   Verdict   `json:"verdict"`
	// Why there is no fix, and what else there is to say; Reason and Warnings are
	// for the sentences.
	Why      Reason   `json:"-"`
	Notices  []Reason `json:"-"`
	Reason   string   `json:"reason"` // when the verdict is not Found
	Standing Standing `json:"standing,omitempty"`
	// Offset is the local clock minus UTC at the recording's last marker, in
	// (-0.5, 0.5]; nil when there is none.
	Offset *float64    `json:"offset_s"`
	U      *float64    `json:"u_s"` // standard uncertainty
	CI95   *[2]float64 `json:"ci95_s"`
	DoF    *float64    `json:"dof"` // effective degrees of freedom
	// Candidates are set where the offset may be one of several that lie apart, the
	// likeliest first.
	Candidates []Candidate `json:"candidates,omitempty"`
	Sense      Sense       `json:"sense"`
	At         *time.Time  `json:"at"` // UTC of the last marker, when known
	Rate       *Rate       `json:"rate"`
	// WholeSeconds is what the clock's hands show minus what they should, by
	// UTC (or UT1) and the zone they keep, when both are known; Setting tells it hand
	// by hand, and Hands is for the words.
	WholeSeconds *int              `json:"whole_seconds"`
	Setting      *timecode.Setting `json:"-"`
	Hands        string            `json:"hands,omitempty"`
	// OffsetUT1 is the local clock minus UT1, on wish, when the broadcast has told
	// DUT1: to 0.1 s (Rec. ITU-R TF.460), and without the hands' whole seconds.
	OffsetUT1   *float64     `json:"offset_ut1_s,omitempty"`
	Budget      []BudgetLine `json:"budget"`
	Stations    []StationFix `json:"stations"`
	Marker      *MarkerFix   `json:"marker"`
	SampleClock *SampleClock `json:"sample_clock"`
	UTC         *UTC         `json:"utc"`
	Warnings    []string     `json:"warnings"`
	// Waiting is set while a tick is heard and not yet known as a station's.
	Waiting *Waiting `json:"waiting,omitempty"`
	// Wire is set in a comparison by wire: UTC then stands for the reference.
	Wire *Wire `json:"wire,omitempty"`
	// Place is the receiver's, when it was told.
	Place *Place `json:"place,omitempty"`
	// Recordings are those that were combined.
	Recordings []Combined `json:"recordings,omitempty"`
	// Response is the receiver's, when it was asked for and one station is heard.
	Response *ReceiverResponse `json:"-"`
	// Advice is what to receive next, where that would narrow the interval.
	Advice *Advice `json:"advice,omitempty"`
}

// Place is a point of the earth, degrees, north and east positive.
type Place struct {
	Lat float64 `json:"lat_deg"`
	Lon float64 `json:"lon_deg"`
}

// Candidate is one of several offsets.
type Candidate struct {
	Offset      float64 `json:"offset_s"`
	U           float64 `json:"u_s"`
	Probability float64 `json:"probability"`
	Because     string  `json:"because"` // as "1E first"
}

// Wire is what a comparison by wire tells beyond the offset.
type Wire struct {
	Reference  MarkerFix   `json:"reference"`
	Deviations []Deviation `json:"deviations"` // of marker against reference
}

// Deviation is one point of a clock's short-term stability (IEEE Std 1139).
type Deviation struct {
	Kind  string     `json:"kind"`
	M     int        `json:"m"`
	Tau   float64    `json:"tau_s"`
	Value float64    `json:"value"` // dimensionless; tdev: seconds
	CI95  [2]float64 `json:"ci95"`
	EDF   float64    `json:"edf"`   // equivalent degrees of freedom
	Noise string     `json:"noise"` // power law that dominates there
}

// Sense says which way the local clock is off; empty, and null in JSON, when
// there is no offset.
type Sense string

const (
	Ahead  Sense = "ahead"
	Behind Sense = "behind"
)

// SenseOf is the sense of an offset.
func SenseOf(x float64) Sense {
	if x < 0 {
		return Behind
	}
	return Ahead
}

// MarshalJSON implements json.Marshaler.
func (s Sense) MarshalJSON() ([]byte, error) {
	if s == "" {
		return []byte("null"), nil
	}
	return json.Marshal(string(s))
}

// Standing says how far an offset may be relied on just now. It is empty where
// there is nothing to rely on.
type Standing string

const (
	Settled Standing = "settled"
	// Verifying: the marker has moved by a whole number of frames. That is taken
	// for a hand's step, as it most likely is, until the ticks have told it from
	// frames that were lost unnoticed.
	Verifying Standing = "verifying"
	// Withheld: frames were lost, nobody knows how many, and the ticks since are too
	// few to tell. There is no offset.
	Withheld Standing = "withheld"
)

// Verdict says what came of a measurement.
type Verdict string

const (
	Found    Verdict = "fix"
	NoTick   Verdict = "no-tick"
	NoMarker Verdict = "no-marker"
	NoPath   Verdict = "no-path" // measured, but the offset is left uncorrected
)

// Recording identifies what was measured.
type Recording struct {
	// Settings are flags, without their hyphens, that the measurement took from the
	// recording itself.
	Settings []string `json:"settings,omitempty"`
	Path     string   `json:"path"`
	RateHz   int      `json:"rate_hz"`
	Seconds  float64  `json:"seconds"`
	Gaps     []Gap    `json:"gaps"`
	// Recorded is how much of it is on file, s, when the recording ended before
	// the measurement did; nil: all.
	Recorded *float64 `json:"recorded_s,omitempty"`
}

// Gap is a loss of frames in the recording.
type Gap struct {
	At         float64 `json:"at_s"`
	LostFrames int64   `json:"lost_frames"`
}

// Rate is the local clock's rate against UTC, dimensionless, positive gaining.
type Rate struct {
	Y float64 `json:"y"`
	U float64 `json:"u"`
}

// BudgetLine is one contribution to the uncertainty (JCGM 100:2008, clause 8). Known
// says how it came to be known, and Note is for the words.
type BudgetLine struct {
	Source string   `json:"source"`
	Type   string   `json:"type"` // A or B
	U      float64  `json:"u_s"`
	DoF    *float64 `json:"dof,omitempty"` // absent: infinite
	Known  Remark   `json:"-"`
	Note   string   `json:"note,omitempty"`
}

// StationFix is what one station contributed.
type StationFix struct {
	ID            string      `json:"id"`
	CarrierHz     float64     `json:"carrier_hz,omitempty"` // when it is known
	ToneHz        float64     `json:"tone_hz"`
	TicksExpected int         `json:"ticks_expected"`
	TicksUsed     int         `json:"ticks_used"`
	SNRdB         *float64    `json:"snr_db"`
	TimedBy       string      `json:"timed_by"`
	Offset        *float64    `json:"offset_s"`
	U             *float64    `json:"u_s"`
	CI95          *[2]float64 `json:"ci95_s"`
	Path          *PathUsed   `json:"path"`
	Received      *Received   `json:"received,omitempty"`
	Arrivals      []Arrival   `json:"arrivals"`
	Sounding      *Sounding   `json:"sounding,omitempty"`
	// PhaseCode compares the phase code of a station on long wave with the edges of its
	// level.
	PhaseCode *PhaseCode `json:"phase_code,omitempty"`
	// AsNamed is set while a tick is taken for the station's because a person named it
	// and its form is a tick's: its minute has not been heard.
	AsNamed bool `json:"as_named,omitempty"`
}

// PhaseCode is by how much a phase code comes later than the level's edges: both are one
// arrival.
type PhaseCode struct {
	Later float64 `json:"later_s"`
	U     float64 `json:"u_s"`
	// Agrees: the difference is within three times U. Otherwise half of it is in the budget.
	Agrees bool `json:"agrees"`
}

// Received is a station's offset before its path delay is taken out, and its
// uncertainty without the path's and without what all stations share.
type Received struct {
	Offset float64 `json:"offset_s"`
	U      float64 `json:"u_s"`
}

// What a station's offset is the time of.
const (
	EarliestArrival   = "earliest arrival"    // of several that are told apart
	OnlyArrival       = "only arrival"        // of a steady tick
	PowerWeightedMean = "power-weighted mean" // of those that cannot be told apart, when it fades
)

// PathUsed is the path delay that was taken out.
type PathUsed struct {
	Delay float64 `json:"delay_s"` // in the middle of the ticks used
	U     float64 `json:"u_s"`
	// CI95 are the ends of its 95 % interval; nil: it is as long to both sides.
	CI95 *[2]float64 `json:"ci95_s,omitempty"`
	Mode string      `json:"mode"`
	// Of a computed delay:
	GreatCircle float64     `json:"great_circle_s,omitempty"` // along the ground at the speed of light
	Drift       float64     `json:"drift,omitempty"`          // how the delay grows, seconds a second
	Causes      []PathCause `json:"causes,omitempty"`         // what u comes from; their squares sum to its square
	Sky         *Sky        `json:"sky,omitempty"`            // on long wave, as the recording tells it
}

// Sky is the sky wave beside the ground wave, as the marks on long wave show it: Delay is
// that of their sum.
type Sky struct {
	Level float64 `json:"level_db"` // of one hop, over the ground wave
	U     float64 `json:"u_db"`
	Late  float64 `json:"late_s"` // of the marks after the ground wave
}

// PathCause is one contribution to the uncertainty of a computed path delay.
type PathCause struct {
	Source string  `json:"source"`
	U      float64 `json:"u_s"`
}

// Arrival is one path of the tick, relative to the earliest.
type Arrival struct {
	Excess float64 `json:"excess_s"`
	U      float64 `json:"u_s,omitempty"` // of Excess
	Level  float64 `json:"level_db"`
}

// MarkerFix describes the local pulse as recorded.
type MarkerFix struct {
	Channel int     `json:"channel"` // from 1
	Edge    string  `json:"edge"`    // rising or falling
	Pulses  int     `json:"pulses"`
	Missed  int     `json:"missed"`
	Jitter  float64 `json:"jitter_s"` // standard deviation of one pulse about the mean line, a beat taken out
	// Scatter says how pulses lie about the mean line; Beat by how much longer every
	// second interval between them is than the mean one, when they are out of beat.
	Scatter marker.Pattern `json:"scatter,omitempty"`
	Beat    float64        `json:"beat_s"`
	Steps   []Step         `json:"steps"`
}

// Step is a jump of the marker, as when somebody turns the phase adjustment.
type Step struct {
	At float64 `json:"at_s"` // from the start of the recording
	By float64 `json:"by_s"` // positive: the marker became later, the clock was retarded
}

// SampleClock is the sound card's rate error, parts per million, positive fast.
type SampleClock struct {
	PPMvsUTC    *float64 `json:"ppm_vs_utc"`
	PPMvsMarker *float64 `json:"ppm_vs_marker"`
	// PPMvsCarrier is that against a carrier on long wave that is sampled itself, which
	// is a frequency standard: a check of the marker's.
	PPMvsCarrier *float64 `json:"ppm_vs_carrier,omitempty"`
}

// UTC is what the broadcast's own code said.
type UTC struct {
	Second time.Time `json:"second"`
	// Inserted is set in a leap second, 23:59:60: Second is then the midnight
	// that follows it.
	Inserted bool     `json:"inserted,omitempty"`
	DUT1     *float64 `json:"dut1_s"`
	Leap     string   `json:"leap"`
	// SummerTime is set when the broadcast announces that that of its own country begins
	// or ends, which is on this UTC day.
	SummerTime string `json:"summer_time,omitempty"`
	From       string `json:"from"`
}
