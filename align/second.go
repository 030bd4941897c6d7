package align

import (
	"time"

	"timeball/detect/levels"
	"timeball/detect/timecode"
)

// SecondSchema names the form of Second.
const SecondSchema = "timeball.second/1"

// Second is the state of a measurement at one second, in the form that
// `listen --json` streams (schema timeball.second/1). Units and signs are those
// of Fix.
type Second struct {
	Schema string  `json:"schema"`
	T      float64 `json:"t_s"` // sample clock since the first frame
	Count  int     `json:"count"`
	// Verdict is what Fix would say now; the figures stand for the latest pulse.
	Verdict  Verdict     `json:"verdict"`
	Why      Reason      `json:"-"` // why there is no fix; Reason is for the sentence
	Reason   string      `json:"reason"`
	Waiting  *Waiting    `json:"waiting,omitempty"` // as in Fix
	Standing Standing    `json:"standing,omitempty"`
	Offset   *float64    `json:"offset_s"`
	U        *float64    `json:"u_s"`
	CI95     *[2]float64 `json:"ci95_s"`
	Sense    Sense       `json:"sense"`
	// Prospect is what the interval can still become; null without an offset.
	Prospect *Prospect   `json:"prospect"`
	Rate     *Rate       `json:"rate"`
	Marker   MarkerState `json:"marker"`
	Radio    Reception   `json:"radio"`
	// Turning is the clock's adjustment; null where nobody follows it.
	Turning *Turning `json:"turning"`
	// Stations heard at any time, in the order in which they were found.
	Stations []StationState `json:"stations"`
	Levels   []ChannelLevel `json:"levels"`
	At       *time.Time     `json:"at"` // UTC of the latest pulse, when known
	// WholeSeconds is what the clock's hands show minus what they should, when
	// known; Setting tells it hand by hand, and Hands is for the words.
	WholeSeconds *int              `json:"whole_seconds"`
	Setting      *timecode.Setting `json:"-"`
	Hands        string            `json:"hands,omitempty"`
	UTC          *UTC              `json:"utc"`
	// SecondOfMinute is the broadcast's, which may be known before UTC is.
	SecondOfMinute *int `json:"second_of_minute"`
}

// Hearing says whether the radio is heard.
type Hearing string

const (
	NeverHeard Hearing = "never heard"
	HeardNow   Hearing = "heard"
	Fading     Hearing = "fading"   // gone for a short while
	Coasting   Hearing = "coasting" // gone for longer: the marker alone carries the offset on
	ByWire     Hearing = "by wire"  // there is no radio
)

// Reception is the state of the radio: of the best station.
type Reception struct {
	State Hearing `json:"state"`
	Gone  float64 `json:"gone_s"` // seconds since a tick was last heard; 0 while heard
}

// StationState is the reception of one station.
type StationState struct {
	ID     string   `json:"id"`
	ToneHz float64  `json:"tone_hz"`
	SNRdB  *float64 `json:"snr_db"` // of this second's tick; null when no tick stands out
	// Sounding is what its chirps told last.
	Sounding *Sounding `json:"sounding,omitempty"`
	Reception
}

// MarkerState is the marker as it now is.
type MarkerState struct {
	Channel int    `json:"channel"` // from 1; 0 until it is found
	Edge    string `json:"edge,omitempty"`
	// Missing counts the seconds since the latest pulse.
	Missing int     `json:"missing_s"`
	Jitter  float64 `json:"jitter_s"`
	Beat    float64 `json:"beat_s"` // see MarkerFix
	// Step is by how much the latest pulse had moved, positive later; 0: it had not.
	Step float64 `json:"step_s"`
	// Moved is the sum of all steps so far, positive later.
	Moved float64 `json:"moved_s"`
}

// ChannelLevel is the level of one channel over the second.
type ChannelLevel struct {
	Channel int    `json:"channel"` // from 1
	Role    string `json:"role"`    // receiver, marker, reference or empty
	levels.Level
}
