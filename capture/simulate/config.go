// Package simulate builds recordings from the physics of a time-signal
// broadcast, an ionospheric channel, a receiver, a local clock and a sound
// card, with every quantity that matters known: the truth against which
// measurements are judged. It is a capture.Source, and it is deterministic:
// the same Config gives the same frames.
//
// It shares no code with the packages that measure.
//
// # Signal-to-noise ratio
//
// SNR is the mean power of a second mark's tone while the burst is on, against
// the noise in 3 kHz of audio after linear detection. An envelope detector is
// not linear: under it the ratio is what a product detector with a perfect
// carrier would have given. Under fading the tone's power is the long-term
// mean over all paths of the station.
package simulate

import (
	"errors"
	"fmt"
	"math"
	"time"

	"timeball/capture"
	"timeball/capture/station"
)

// Config describes a recording. The zero value of each field is usable, but
// for Seconds; what it means stands beside the field.
type Config struct {
	Rate    int       // frames a second, Hz; 0: 48000
	Seconds float64   // length on the sound card's nominal rate; must be given
	Start   time.Time // UTC of the first frame; zero: 2026-03-14T18:20:07Z
	Seed    uint64    // of everything random

	Station   *station.Station // nil: no time station on the air
	Programme Programme        // what is sent between the marks
	SNRdB     float64          // of Station, see the package comment; without a station, of a fully modulated carrier of level 0 dB
	Noiseless bool             // no noise at the antenna; SNRdB is then unused
	Paths     []Path           // nil: one steady path without delay
	Fades     []Fade           // times when Station fades on all its paths at once
	Others    []Signal         // further emissions on the carrier
	Carriers  []Carrier        // unmodulated carriers that beat with it
	Lightning Lightning        // zero: none
	Sounds    []Sound          // heard beside it
	Generator Generator        // at the antenna, with Direct

	DUT1        float64 // UT1−UTC as the station sends it, s, rounded to 0.1
	LeapPending bool    // a leap second is announced
	// LeapAt is the UTC midnight before which a second is inserted; zero: none is.
	LeapAt time.Time

	Receiver Receiver
	Marker   *Marker // nil: no marker channel, the recording is of the receiver alone
	// Wire, when given, is a second clock's pulse on the receiver channel in
	// place of the receiver (comparison by wire).
	Wire        *Marker
	SoundCard   SoundCard
	MarkerFirst bool // the marker is on channel 1; else on channel 2
}

// Programme names what is sent between the marks.
type Programme string

const (
	AsPublished Programme = ""        // the station's code, tones and announcements by its schedule; nothing without a station
	MarksOnly   Programme = "marks"   // the station's marks, nothing else
	Speech      Programme = "speech"  // marks, if there is a station, and unbroken speech
	Music       Programme = "music"   // likewise music with a beat
	CarrierOnly Programme = "carrier" // a bare carrier: no marks either
)

// Signal is a further emission on the same carrier frequency.
type Signal struct {
	Station   *station.Station // nil: a broadcaster without marks
	Programme Programme
	Paths     []Path  // nil: one steady path without delay
	LevelDB   float64 // mean carrier power against that of Config.Station
	OffsetHz  float64 // of its carrier against Config.Station's
}

// Path is one way through the ionosphere. The mean powers of a signal's paths
// are scaled to a sum of one.
type Path struct {
	DelaySeconds float64 // transmitter antenna to receiver antenna, 0 to 0.9
	LevelDB      float64 // mean power against the other paths
	// SpreadHz is the width 2σ of the Gaussian Doppler spectrum; 0: steady.
	SpreadHz     float64
	ShiftHz      float64 // Doppler shift
	PhaseRadians float64 // of the carrier at the start on a steady path
	// On long wave a reflecting layer rises and sinks: the delay swings by
	// SwingSeconds to either side.
	SwingSeconds, SwingPeriodSeconds float64
}

// Fade is a time when the station goes down on all paths, with flanks of a
// second on either side.
type Fade struct {
	AtSeconds, ForSeconds float64
	DepthDB               float64 // by how much, positive
}

// Carrier is an unmodulated carrier beside the station's.
type Carrier struct {
	OffsetHz float64
	LevelDB  float64 // against the station's carrier
	SpreadHz float64 // as of Path: a line that wanders, as of a switch-mode supply
}

// Lightning is impulsive noise: discharges of several strokes each.
type Lightning struct {
	PerMinute float64 // mean number of discharges
	LevelDB   float64 // peak of a stroke against the station's carrier
}

// Detector names a way of demodulating.
type Detector string

const (
	AM Detector = "am" // envelope detector
	// Sync is an in-phase detector whose carrier is recovered in 10 Hz from
	// the noisy signal.
	Sync Detector = "sync"
	// Linear is an in-phase detector whose carrier reference is free of
	// noise: the audio is the modulation with additive noise, and no more.
	Linear Detector = "linear"
	SSB    Detector = "ssb" // upper sideband with the dial's own carrier
	// Direct is no receiver: the antenna's signal itself is sampled, for stations
	// on long wave.
	Direct Detector = "direct"
)

// Receiver is everything between antenna and sound card.
type Receiver struct {
	Detector     Detector // "": AM
	MistuningHz  float64  // SSB only: how much too high the audio comes out; of a long-wave carrier its pitch
	DriftHz      float64  // SSB only: by how much that grows in an hour
	Loop         Loop     // antenna, for long wave
	BandwidthHz  float64  // intermediate-frequency bandwidth; 0: 10 kHz, SSB 2800 Hz from 200 Hz; unused by Linear
	Filter       Filter   // audio filter
	AGC          AGC
	DelaySeconds float64 // a pure delay, as of signal processing, 0 to 0.9
	Invert       bool    // the audio comes out inverted
	Level        float64 // output amplitude of a second mark, full scale 1; 0: 0.25, or less when noise would clip
	HumHz        float64 // mains frequency; 0: no hum
	HumLevel     float64 // amplitude of the fundamental, full scale 1
	Compressed   bool    // the audio comes over a network, through a lossy codec
}

// Loop is a tuned loop antenna.
type Loop struct {
	Q       float64 // loaded quality; 0: the antenna is not tuned
	TunedHz float64 // 0: to the station's carrier
}

// Filter is an audio filter: a high-pass and a low-pass, either absent when its
// frequency is 0.
type Filter struct {
	HighPassHz, LowPassHz float64 // −3 dB (Butterworth) or −6 dB (linear phase) points
	// Order of each Butterworth section, 1 to 8; 0: linear phase, with no delay
	// and flanks about 125 Hz wide.
	Order int
}

// AGC is automatic gain control: gain is the inverse of a level that rises
// with the attack and falls with the decay time constant.
type AGC struct {
	AttackSeconds float64 // 0: no AGC
	DecaySeconds  float64
}

// Two kinds of AGC (common practice).
var (
	SlowAGC    = AGC{AttackSeconds: 0.2, DecaySeconds: 2}
	PumpingAGC = AGC{AttackSeconds: 0.002, DecaySeconds: 0.2}
)

// Marker is a local clock's pulse and its channel. The pulse of local second k
// leaves when local time, UTC plus offset, is k.
type Marker struct {
	OffsetSeconds float64 // local clock − UTC at the start; positive is ahead: the pulse comes before the UTC second
	RateError     float64 // dimensionless, positive gaining
	Steps         []Step

	Amplitude      float64 // of the pulse, full scale 1; 0: 0.5
	Inverted       bool    // the pulse's leading edge falls
	WidthSeconds   float64 // 20e-6 to 0.5; 0: 0.1
	RiseSeconds    float64 // of either edge, which is on time at its middle; 0: as fast as the sound card allows
	CouplingHz     float64 // corner of a coupling capacitor in the marker's lead; 0: none
	RingHz         float64 // ringing after each edge: its frequency,
	RingLevel      float64 // amplitude against the pulse; 0: none,
	RingDecay      float64 // and time constant, s
	NoiseRMS       float64 // full scale 1
	JitterSeconds  float64 // standard deviation of each pulse
	BeatSeconds    float64 // by which every second interval between pulses is longer than a second, and the others shorter: an escapement out of beat
	MissingShare   float64 // 0 to 1
	FalsePerMinute float64 // mean number of pulses that are no second
	Motor          Motor
}

// Step is a phase adjustment.
type Step struct {
	AtSeconds   float64 // from the start of the recording
	BySeconds   float64 // positive: the pulse becomes later, the clock is retarded
	OverSeconds float64 // 0: at once; else a ramp that lasts this long
}

// Motor is the noise of the clock's movement in the receiver channel, once for
// each pulse that is due.
type Motor struct {
	Shape        MotorShape // "": none
	Level        float64    // amplitude, full scale 1
	DelaySeconds float64    // after the pulse's leading edge, 0 to 0.5
}

// MotorShape names a noise.
type MotorShape string

const (
	Click MotorShape = "click" // 0.3 ms, one-sided
	Thump MotorShape = "thump" // 60 Hz, decays in 30 ms
	Ring  MotorShape = "ring"  // 1 kHz, decays in 4 ms
	Buzz  MotorShape = "buzz"  // 400 Hz with harmonics for 40 ms
)

// SoundCard samples both channels. Beyond ±1 it clips.
type SoundCard struct {
	ClockPPM      float64 // rate error of the sample clock, 1e-6, positive fast
	WanderPPM     float64 // amplitude of a slow sinusoidal change of that,
	WanderSeconds float64 // and its period; 0: 600
	CouplingHz    float64 // corner of the input capacitors; 0: none
	NoiseRMS      float64 // of each channel, full scale 1
	SkewSeconds   float64 // delay of the marker input minus that of the receiver input, ±0.01
	LeakDB        float64 // marker in the receiver channel; 0: none, else negative
	Losses        []Loss  // in order of At
}

// Loss is a run of frames that were never delivered. At is their position on
// the sample clock, every loss before it counted.
type Loss struct {
	capture.Gap
	Hidden bool // nobody noticed: positions run on as if nothing were missing
}

// Channel returns the paths of a channel class of Rec. ITU-R F.1487, annex 3:
// low-, mid- or high- with quiet, moderate or disturbed, and
// mid-near-vertical. The first of two equal paths has the delay given.
// "steady" is one path that does not fade.
func Channel(class string, delaySeconds float64) ([]Path, error) {
	if class == "steady" {
		return []Path{{DelaySeconds: delaySeconds}}, nil
	}
	c, ok := channelClasses[class]
	if !ok {
		return nil, fmt.Errorf("unknown channel class %q: use steady, or low, mid or high with -quiet, -moderate or -disturbed, or mid-near-vertical", class)
	}
	return []Path{
		{DelaySeconds: delaySeconds, SpreadHz: c.spread},
		{DelaySeconds: delaySeconds + c.excess, SpreadHz: c.spread},
	}, nil
}

// Differential delay, s, and frequency spread 2σ, Hz (Rec. ITU-R F.1487, annex 3).
var channelClasses = map[string]struct{ excess, spread float64 }{
	"low-quiet":         {0.5e-3, 0.5},
	"low-moderate":      {2e-3, 1.5},
	"low-disturbed":     {6e-3, 10},
	"mid-quiet":         {0.5e-3, 0.1},
	"mid-moderate":      {1e-3, 0.5},
	"mid-disturbed":     {2e-3, 1},
	"mid-near-vertical": {7e-3, 1},
	"high-quiet":        {1e-3, 0.5},
	"high-moderate":     {3e-3, 10},
	"high-disturbed":    {7e-3, 30},
}

// withDefaults fills in what was left zero and copies what New will change.
func (c Config) withDefaults() Config {
	if c.Rate == 0 {
		c.Rate = 48000
	}
	if c.Start.IsZero() {
		c.Start = time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC)
	}
	c.Start = c.Start.UTC()
	steady := []Path{{}}
	if c.Paths == nil {
		c.Paths = steady
	}
	others := make([]Signal, len(c.Others))
	for i, s := range c.Others {
		if s.Paths == nil {
			s.Paths = steady
		}
		others[i] = s
	}
	c.Others = others
	if c.Receiver.Detector == "" {
		c.Receiver.Detector = AM
	}
	if c.Receiver.BandwidthHz == 0 {
		c.Receiver.BandwidthHz = 10e3
		if c.Receiver.Detector == SSB {
			c.Receiver.BandwidthHz = 2800
		}
	}
	if c.SoundCard.WanderSeconds == 0 {
		c.SoundCard.WanderSeconds = 600
	}
	c.Marker = c.Marker.withDefaults()
	c.Wire = c.Wire.withDefaults()
	return c
}

func (m *Marker) withDefaults() *Marker {
	if m == nil {
		return nil
	}
	d := *m
	if d.Amplitude == 0 {
		d.Amplitude = 0.5
	}
	if d.WidthSeconds == 0 {
		d.WidthSeconds = 0.1
	}
	return &d
}

// check reports the first field that is outside what the models hold for.
func (c Config) check() error {
	var wrong []error
	within := func(v, lo, hi float64, field string) {
		if !(v >= lo && v <= hi) {
			wrong = append(wrong, fmt.Errorf("%s = %g must lie within %g to %g", field, v, lo, hi))
		}
	}
	within(float64(c.Rate), 8000, 192000, "Rate")
	within(c.Seconds*float64(c.Rate), 1, 1e12, "Seconds times Rate")
	if !c.Noiseless {
		within(c.SNRdB, -100, 200, "SNRdB")
	}
	within(c.DUT1, -0.85, 0.85, "DUT1")
	if at := c.LeapAt.UTC(); !at.IsZero() && (at.Day() != 1 || at.Truncate(24*time.Hour) != at || !at.After(c.Start)) {
		wrong = append(wrong, fmt.Errorf("LeapAt %s: a leap second ends at midnight UTC of a month's first day (Rec. ITU-R TF.460), after the start", at.Format(time.RFC3339)))
	}
	signals := append([]Signal{{Station: c.Station, Programme: c.Programme, Paths: c.Paths}}, c.Others...)
	for _, s := range signals {
		switch s.Programme {
		case AsPublished, MarksOnly, Speech, Music, CarrierOnly:
		default:
			wrong = append(wrong, fmt.Errorf("unknown programme %q", s.Programme))
		}
		if s.Station != nil && s.Station.LongWave() {
			if !c.LeapAt.IsZero() && !InsertsLeap(s.Station.Code.Kind) {
				wrong = append(wrong, fmt.Errorf("LeapAt: nobody at hand says how station %s sends a leap second", s.Station.ID))
			}
			if d := c.Receiver.Detector; d != SSB && d != Direct {
				wrong = append(wrong, fmt.Errorf("station %s keys its carrier's level, which the detectors %s and %s alone show", s.Station.ID, SSB, Direct))
			}
			if hz := s.Station.Carriers[0].Hz; c.Receiver.Detector == Direct && hz > 0.48*float64(c.Rate) {
				wrong = append(wrong, fmt.Errorf("station %s sends on %g kHz: a rate of %d Hz cannot hold that", s.Station.ID, hz/1e3, c.Rate))
			}
		} else if c.Receiver.Detector == Direct && (s.Station != nil || s.Programme != AsPublished) {
			wrong = append(wrong, fmt.Errorf("only stations on long wave are sampled directly"))
		}
		if s.Station != nil && s.Station.Keying == station.CarrierOn && c.Receiver.Detector != SSB {
			wrong = append(wrong, fmt.Errorf("station %s keys its carrier, which only the %s detector makes audible", s.Station.ID, SSB))
		}
		for _, p := range s.Paths {
			within(p.DelaySeconds, 0, 0.9, "Path.DelaySeconds")
			within(p.SpreadHz, 0, 100, "Path.SpreadHz")
		}
		if len(s.Paths) == 0 {
			wrong = append(wrong, errors.New("no path: leave Paths nil or give at least one"))
		}
	}
	if g := c.Generator; g.Hz != 0 {
		within(g.Hz, 1, 0.48*float64(c.Rate), "Generator.Hz")
		within(g.PeriodSeconds, 0, 1e3, "Generator.PeriodSeconds")
		within(g.OnSeconds, 0, 1e3, "Generator.OnSeconds")
		within(g.RiseSeconds, 0, 1, "Generator.RiseSeconds")
		if c.Receiver.Detector != Direct {
			wrong = append(wrong, fmt.Errorf("a generator at the antenna is there with the detector %s only", Direct))
		}
	}
	for _, s := range c.Sounds {
		switch s.Kind {
		case Sweep, Radar, Dance, Clockwork, Metronome, Telegraphy, Data, Pips, Beacon, Bleep, Sparks, Telegrams, Switching, Playback:
		default:
			wrong = append(wrong, fmt.Errorf("unknown sound %q", s.Kind))
		}
		within(s.Level, 0, 1, "Sound.Level")
		within(s.PerSecond, 0, 100, "Sound.PerSecond")
		within(s.ClockPPM, -1e4, 1e4, "Sound.ClockPPM")
		within(s.ToneHz, 0, 3400, "Sound.ToneHz")
		if s.Kind == Playback && (len(s.Audio) < 2 || s.AudioRate <= 0) {
			wrong = append(wrong, errors.New("Sound.Audio: a playback needs audio and its rate"))
		}
	}
	r := c.Receiver
	switch r.Detector {
	case AM, Sync, Linear, SSB, Direct:
	default:
		wrong = append(wrong, fmt.Errorf("unknown detector %q: use am, sync, linear, ssb or direct", r.Detector))
	}
	if r.MistuningHz != 0 && r.Detector != SSB {
		wrong = append(wrong, fmt.Errorf("mistuning needs the %s detector", SSB))
	}
	within(r.BandwidthHz, 100, gridRate-1000, "Receiver.BandwidthHz")
	within(r.DelaySeconds, 0, 0.9, "Receiver.DelaySeconds")
	within(r.Filter.HighPassHz, 0, gridRate/2-1000, "Filter.HighPassHz")
	within(r.Filter.LowPassHz, 0, gridRate/2-1000, "Filter.LowPassHz")
	within(float64(r.Filter.Order), 0, 8, "Filter.Order")
	for _, m := range []*Marker{c.Marker, c.Wire} {
		if m == nil {
			continue
		}
		within(m.OffsetSeconds, -1e6, 1e6, "Marker.OffsetSeconds")
		within(m.RateError, -1e-3, 1e-3, "Marker.RateError")
		within(m.WidthSeconds, 20e-6, 0.5, "Marker.WidthSeconds")
		within(m.RiseSeconds, 0, math.Min(m.WidthSeconds, 5e-3), "Marker.RiseSeconds")
		within(m.MissingShare, 0, 1, "Marker.MissingShare")
		switch m.Motor.Shape {
		case "", Click, Thump, Ring, Buzz:
		default:
			wrong = append(wrong, fmt.Errorf("unknown motor shape %q", m.Motor.Shape))
		}
		within(m.Motor.DelaySeconds, 0, 0.5, "Motor.DelaySeconds")
	}
	within(c.SoundCard.ClockPPM, -1000, 1000, "SoundCard.ClockPPM")
	within(c.SoundCard.SkewSeconds, -0.01, 0.01, "SoundCard.SkewSeconds")
	last := int64(0)
	for _, l := range c.SoundCard.Losses {
		if l.At < last || l.Lost <= 0 {
			wrong = append(wrong, fmt.Errorf("loss of %d frames at %d is out of order", l.Lost, l.At))
		}
		last = l.At + l.Lost
	}
	if len(wrong) > 0 {
		return fmt.Errorf("simulate: %w", wrong[0])
	}
	return nil
}
