package simulate

import (
	"math"
	"time"
)

// Truth is what a simulated recording holds (schema timeball.truth/1). Times
// are in seconds since the first frame unless they say otherwise; an offset is
// local clock minus UTC, positive ahead.
type Truth struct {
	Schema      string        `json:"schema"`
	RateHz      int           `json:"rate_hz"`
	Seconds     float64       `json:"seconds"`
	Start       time.Time     `json:"start"` // UTC of the first frame
	Seed        uint64        `json:"seed"`
	SNRdB       *float64      `json:"snr_db"` // nil: no noise
	Signals     []SignalTruth `json:"signals"`
	Receiver    ReceiverTruth `json:"receiver"`
	SkewSeconds float64       `json:"skew_s"` // marker input's delay minus the receiver input's
	SampleClock ClockTruth    `json:"sample_clock"`
	Marker      *MarkerTruth  `json:"marker"` // nil: no marker channel
	Wire        *MarkerTruth  `json:"wire,omitempty"`
	Gaps        []GapTruth    `json:"gaps"`
	UTC         UTCTruth      `json:"utc"`

	card   SoundCard
	marker *Marker
}

// SignalTruth is one emission.
type SignalTruth struct {
	Station   string      `json:"station,omitempty"`
	Programme Programme   `json:"programme,omitempty"`
	LevelDB   float64     `json:"level_db"`
	OffsetHz  float64     `json:"offset_hz"`
	Paths     []PathTruth `json:"paths"`
}

// PathTruth is one path; levels are mean powers within a total of 0 dB.
type PathTruth struct {
	DelaySeconds float64 `json:"delay_s"`
	LevelDB      float64 `json:"level_db"`
	SpreadHz     float64 `json:"spread_hz"`
	ShiftHz      float64 `json:"shift_hz"`
}

// ReceiverTruth is the delay from antenna to samples at the audio frequency
// of the station's second marks; the sound card's coupling is in it.
type ReceiverTruth struct {
	Detector    Detector `json:"detector"`
	ToneHz      float64  `json:"tone_hz"` // as it comes out, mistuning included
	GroupDelay  float64  `json:"group_delay_s"`
	PhaseDelay  float64  `json:"phase_delay_s"`
	MistuningHz float64  `json:"mistuning_hz"`
	Inverted    bool     `json:"inverted"`
}

// ClockTruth is the sample clock's rate error, positive fast.
type ClockTruth struct {
	PPM           float64 `json:"ppm"`
	WanderPPM     float64 `json:"wander_ppm"`
	WanderSeconds float64 `json:"wander_s"`
}

// MarkerTruth is the local clock.
type MarkerTruth struct {
	Channel      int         `json:"channel"` // from 1
	OffsetStart  float64     `json:"offset_at_start_s"`
	Rate         float64     `json:"rate"` // dimensionless, positive gaining
	Steps        []StepTruth `json:"steps"`
	Pulses       int         `json:"pulses"`  // second pulses within the recording and not lost with it
	Missing      int         `json:"missing"` // seconds that have none
	FalsePulses  int         `json:"false"`
	LastPulse    float64     `json:"last_pulse_s"`  // of Pulses
	Offset       float64     `json:"offset_s"`      // at the last pulse, in (-0.5, 0.5]
	WholeSeconds int         `json:"whole_seconds"` // what the hands show beyond Offset
	LeadingEdge  string      `json:"edge"`          // rising or falling
}

// StepTruth is an adjustment; positive: the pulse becomes later.
type StepTruth struct {
	At   float64 `json:"at_s"`
	By   float64 `json:"by_s"`
	Over float64 `json:"over_s"`
}

// GapTruth is a loss of frames; At counts every loss before it.
type GapTruth struct {
	At     int64 `json:"at_frame"`
	Lost   int64 `json:"lost_frames"`
	Hidden bool  `json:"hidden"`
}

// UTCTruth is what the code says.
type UTCTruth struct {
	DUT1        float64 `json:"dut1_s"`
	LeapPending bool    `json:"leap_pending"`
	// LeapAt is the midnight before which a second was inserted.
	LeapAt *time.Time `json:"leap_at,omitempty"`
}

// Truth returns what the recording holds.
func (s *Source) Truth() Truth { return s.truth }

// Offset is the local clock minus UTC t seconds after the first frame, whole
// seconds included.
func (t *Truth) Offset(seconds float64) float64 { return t.marker.offsetAt(seconds) }

// Time is when the frame of a position (capture.Block) was taken.
func (t *Truth) Time(position int64) float64 {
	tick := position
	for _, g := range t.Gaps {
		if g.Hidden && g.At <= tick {
			tick += g.Lost
		}
	}
	return t.card.timeOf(tick, t.RateHz)
}

func newTruth(s *Source, fraction float64) Truth {
	c := &s.cfg
	t := Truth{
		Schema: "timeball.truth/1", RateHz: c.Rate, Seconds: float64(s.ticks) / float64(c.Rate),
		Start: c.Start, Seed: c.Seed, SkewSeconds: c.SoundCard.SkewSeconds,
		SampleClock: ClockTruth{c.SoundCard.ClockPPM, c.SoundCard.WanderPPM, c.SoundCard.WanderSeconds},
		UTC:         UTCTruth{DUT1: math.Round(c.DUT1*10) / 10, LeapPending: c.LeapPending},
		Signals:     []SignalTruth{}, Gaps: []GapTruth{},
		card: c.SoundCard, marker: c.Marker,
	}
	if !c.LeapAt.IsZero() {
		t.UTC.LeapAt = &c.LeapAt
	}
	if !c.Noiseless {
		t.SNRdB = &c.SNRdB
	}
	for _, l := range c.SoundCard.Losses {
		if l.At < s.ticks {
			t.Gaps = append(t.Gaps, GapTruth{l.At, min(l.Lost, s.ticks-l.At), l.Hidden})
		}
	}
	if s.wire == nil {
		t.Receiver = s.receiverTruth()
		if c.Station != nil || c.Programme != AsPublished {
			t.Signals = append(t.Signals, signalTruth(Signal{Station: c.Station, Programme: c.Programme, Paths: c.Paths}))
		}
		for _, o := range c.Others {
			t.Signals = append(t.Signals, signalTruth(o))
		}
	}
	rxChannel, mkChannel := 1, 2
	if c.MarkerFirst {
		rxChannel, mkChannel = 2, 1
	}
	if s.marker != nil {
		t.Marker = t.markerTruth(s.marker.train, fraction, mkChannel)
	}
	if s.wire != nil {
		t.Wire = t.markerTruth(s.wire.train, fraction, rxChannel)
	}
	return t
}

func signalTruth(s Signal) SignalTruth {
	t := SignalTruth{Programme: s.Programme, LevelDB: s.LevelDB, OffsetHz: s.OffsetHz}
	if s.Station != nil {
		t.Station = s.Station.ID
	}
	total := 0.0
	for _, p := range s.Paths {
		total += power(p.LevelDB)
	}
	for _, p := range s.Paths {
		t.Paths = append(t.Paths, PathTruth{p.DelaySeconds, p.LevelDB - 10*math.Log10(total), p.SpreadHz, p.ShiftHz})
	}
	return t
}

func (s *Source) receiverTruth() ReceiverTruth {
	r := s.cfg.Receiver
	t := ReceiverTruth{Detector: r.Detector, MistuningHz: r.MistuningHz, Inverted: r.Invert, ToneHz: 1000}
	if st := s.cfg.Station; st != nil {
		t.ToneHz = st.ToneHz
	}
	t.ToneHz += r.MistuningHz
	if s.direct != nil {
		t.ToneHz = s.direct.loopHz
		t.GroupDelay = s.direct.delay(float64(s.cfg.Rate)) + r.DelaySeconds
		return t
	}
	if t.ToneHz <= 0 {
		return t
	}
	t.GroupDelay, t.PhaseDelay = s.radio.delays(t.ToneHz)
	if st := s.cfg.Station; st != nil && st.LongWave() {
		t.GroupDelay += newLoopAntenna(r.Loop, st.Carriers[0].Hz).groupDelay()
	}
	if in := &s.inputs[0]; in.coupled {
		rate := float64(s.cfg.Rate)
		g, p := in.coupling.delays(t.ToneHz / rate)
		t.GroupDelay += g / rate
		t.PhaseDelay += p / rate
	}
	return t
}

// markerTruth walks through the recording's pulses.
func (t *Truth) markerTruth(train *pulseTrain, fraction float64, channel int) *MarkerTruth {
	m := train.m
	out := &MarkerTruth{Channel: channel, OffsetStart: m.OffsetSeconds, Rate: m.RateError, Steps: []StepTruth{}, LeadingEdge: "rising"}
	if m.Inverted {
		out.LeadingEdge = "falling"
	}
	for _, s := range m.Steps {
		out.Steps = append(out.Steps, StepTruth{s.AtSeconds, s.BySeconds, s.OverSeconds})
	}
	end := t.card.timeOf(int64(math.Round(t.Seconds*float64(t.RateHz))), t.RateHz)
	walk := newPulseTrain(m, train.seed, fraction)
	var pulses []pulse
	for {
		pulses = walk.next(pulses[:0])
		if pulses[0].at > end+lookAhead {
			break
		}
		for _, p := range pulses {
			if p.at < 0 || p.at >= end || t.lost(p.at) {
				continue
			}
			switch {
			case !p.due:
				out.FalsePulses++
			case !p.sent:
				out.Missing++
			default:
				out.Pulses++
				out.LastPulse = p.at
			}
		}
	}
	x := m.offsetAt(out.LastPulse)
	whole := math.Ceil(x - 0.5)
	out.Offset, out.WholeSeconds = x-whole, int(whole)
	return out
}

// lost reports whether the frames about a time were lost.
func (t *Truth) lost(at float64) bool {
	for _, g := range t.Gaps {
		if t.card.timeOf(g.At, t.RateHz) <= at && at < t.card.timeOf(g.At+g.Lost, t.RateHz) {
			return true
		}
	}
	return false
}
