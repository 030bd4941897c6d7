package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/wholefile"
)

type simulateCmd struct {
	Output string        `required:"" placeholder:"FILE.wav" help:"Recording to write."`
	For    time.Duration `default:"2m" placeholder:"2m" help:"Length of the recording (default: 2m)."`
	Rate   int           `name:"sample-rate" default:"48000" placeholder:"HZ" help:"Frames a second (default: 48000)."`
	Bits   int           `default:"16" enum:"16,24,32" placeholder:"16|24|32" help:"Sample size (default: 16; 32 writes floats)."`
	Start  time.Time     `placeholder:"2026-03-14T18:20:07Z" help:"UTC of the first sample (default: 2026-03-14T18:20:07Z)."`
	Seed   uint64        `default:"1" placeholder:"N" help:"Another number, another recording (default: 1)."`

	CN0       *float64  `name:"cn0" placeholder:"DBHZ" help:"Instead of --snr: power of a carrier on long wave against the noise in 1 Hz."`
	Station   []string  `default:"wwv" placeholder:"ID,ID" help:"Stations on the carrier, or none (default: wwv). The first sets the signal-to-noise ratio, the others are as strong."`
	Programme string    `default:"" enum:",marks,speech,music,carrier" placeholder:"KIND" help:"Between the marks: marks (nothing), speech, music, or carrier alone (default: what the station publishes)."`
	SNR       float64   `name:"snr" default:"15" placeholder:"DB" help:"Power of the tick's tone against the noise in 3 kHz of audio (default: 15 dB)."`
	PathDelay []string  `placeholder:"[ID=]7.2ms" help:"Delay of the earliest arrival, for one station or for all (default: 10ms)."`
	Fading    string    `default:"steady" placeholder:"CLASS" help:"Channel class of ITU-R F.1487: low, mid or high with -quiet, -moderate or -disturbed, or mid-near-vertical (default: steady)."`
	Lightning float64   `placeholder:"N" help:"Discharges a minute (default: 0)."`
	DUT1      float64   `name:"dut1" placeholder:"SECONDS" help:"UT1-UTC that the station sends (default: 0)."`
	LeapAt    time.Time `placeholder:"2027-01-01T00:00:00Z" help:"A second is inserted before this midnight UTC, and announced (default: none)."`

	Detector      string        `default:"am" enum:"am,sync,linear,ssb,direct" placeholder:"am|sync|linear|ssb|direct" help:"Receiver's detector; direct: none, the antenna itself is sampled, for long wave (default: am)."`
	Mistuning     float64       `placeholder:"HZ" help:"How much too high the audio comes out (ssb only); of a carrier on long wave its pitch."`
	LoopQ         float64       `name:"loop-q" placeholder:"N" help:"Quality of a tuned antenna for long wave (default: not tuned)."`
	Generator     float64       `placeholder:"HZ" help:"A generator's carrier at the antenna, on for half of each second (direct only; default: none)."`
	ReceiverDelay time.Duration `placeholder:"0.4ms" help:"Pure delay of the receiver (default: 0)."`
	HighPass      float64       `placeholder:"HZ" help:"Corner of a second-order audio filter (default: none)."`
	LowPass       float64       `placeholder:"HZ" help:"Corner of a second-order audio filter (default: none)."`
	AGC           string        `name:"agc" default:"none" enum:"none,slow,pumping" placeholder:"none|slow|pumping" help:"Automatic gain control (default: none)."`
	Hum           float64       `placeholder:"HZ" help:"Mains hum of this frequency (default: none)."`
	Compressed    bool          `help:"The audio comes over a network, through a lossy codec."`
	Sound         []string      `sep:"none" placeholder:"KIND[,KEY=VALUE…]" help:"Something that is no station: sweep, radar, dance, clockwork, metronome, telegraphy, data, pips, beacon, bleep or sparks; with level, per-second, ppm (of its clock against UTC), phase, tone, sweep (Hz a second), fade. May repeat."`

	Offset      time.Duration `placeholder:"12.3ms" help:"Local clock minus UTC at the start, positive ahead (default: 0)."`
	ClockRate   float64       `placeholder:"1e-9" help:"Rate of the local clock, positive gaining (default: 0)."`
	Step        []string      `placeholder:"60s=12ms" help:"Somebody turns the phase adjustment: after 60s the pulse comes 12ms later. May repeat."`
	PulseWidth  time.Duration `default:"100ms" placeholder:"100ms" help:"Width of the marker, 20us to 500ms (default: 100ms)."`
	PulseEdge   string        `default:"rising" enum:"rising,falling" placeholder:"rising|falling" help:"Leading edge of the marker (default: rising)."`
	NoMarker    bool          `help:"The recording has the receiver channel only."`
	MarkerFirst bool          `help:"The marker is on channel 1 instead of 2."`
	Motor       string        `default:"" enum:",click,thump,ring,buzz" placeholder:"click|thump|ring|buzz" help:"Noise of the clock's movement in the receiver channel (default: none)."`

	SampleClock float64       `placeholder:"PPM" help:"Rate error of the sample clock, 1e-6, positive fast (default: 0)."`
	Skew        time.Duration `placeholder:"1.3us" help:"Delay of the marker input minus that of the receiver input (default: 0)."`
	Leak        float64       `placeholder:"DB" help:"Marker in the receiver channel, such as -60 (default: none)."`
	JSON        bool          `name:"json" help:"Print the truth instead of writing it beside the recording."`
}

// Help is kong's long help.
func (simulateCmd) Help() string {
	return `Writes a recording whose offset, path delay and receiver delay are known, and the truth beside it in FILE.truth.json.

Example: the Gannet Head master clock, 12.3 ms ahead, heard against WWV on a fading path:
timeball simulate --station wwv --path-delay 7.2ms --fading mid-moderate --snr 10 --offset 12.3ms --for 3m --output gannet-head.wav`
}

// Run writes the recording and its truth.
func (c simulateCmd) Run(p *program) error {
	config, err := c.config()
	if err != nil {
		return usageError{err}
	}
	src, err := simulate.New(config)
	if err != nil {
		return usageError{err}
	}
	if err := c.write(p, src); err != nil {
		return err
	}
	truth, err := json.Marshal(src.Truth())
	if err != nil {
		return err
	}
	if c.JSON {
		_, err = fmt.Fprintf(p.stdout, "%s\n", truth)
		return err
	}
	beside := strings.TrimSuffix(c.Output, ".wav") + ".truth.json"
	err = wholefile.Write(beside, func(w io.Writer) error {
		_, err := fmt.Fprintf(w, "%s\n", truth)
		return err
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(p.stdout, "%s: %.1f s, the truth is in %s\n", c.Output, src.Truth().Seconds, beside)
	return err
}

// write copies src to the output until its end or an interruption.
func (c simulateCmd) write(p *program, src *simulate.Source) error {
	info := src.Info()
	w, err := wavfile.Create(c.Output, wavfile.Format{
		Rate: info.Rate, Channels: info.Channels, Bits: c.Bits, Start: info.Start, Note: info.Note,
	})
	if err != nil {
		return err
	}
	var b capture.Block
	for {
		err = p.ctx.Err()
		if err == nil {
			err = src.Read(&b)
		}
		if err == io.EOF {
			return w.Close()
		}
		if err == nil {
			err = w.Write(&b)
		}
		if err != nil {
			return errors.Join(fmt.Errorf("%s is cut short: %w", c.Output, err), w.Close())
		}
	}
}

// config turns the flags into the simulator's terms.
func (c simulateCmd) config() (simulate.Config, error) {
	config := simulate.Config{
		Rate: c.Rate, Seconds: c.For.Seconds(), Start: c.Start, Seed: c.Seed,
		Programme: simulate.Programme(c.Programme), SNRdB: c.SNR, DUT1: c.DUT1,
		LeapPending: !c.LeapAt.IsZero(), LeapAt: c.LeapAt,
		Lightning: simulate.Lightning{PerMinute: c.Lightning, LevelDB: 20},
		Receiver: simulate.Receiver{
			Detector: simulate.Detector(c.Detector), MistuningHz: c.Mistuning, DelaySeconds: c.ReceiverDelay.Seconds(),
			Filter: simulate.Filter{HighPassHz: c.HighPass, LowPassHz: c.LowPass, Order: 2},
			HumHz:  c.Hum, HumLevel: 0.02, Compressed: c.Compressed,
		},
		SoundCard: simulate.SoundCard{
			ClockPPM: c.SampleClock, SkewSeconds: c.Skew.Seconds(), LeakDB: c.Leak, NoiseRMS: 1e-4, CouplingHz: 2,
		},
		MarkerFirst: c.MarkerFirst,
	}
	if c.CN0 != nil {
		config.SNRdB = *c.CN0 - 10*math.Log10(3000)
	}
	config.Receiver.Loop.Q, config.Generator.Hz = c.LoopQ, c.Generator
	switch c.AGC {
	case "slow":
		config.Receiver.AGC = simulate.SlowAGC
	case "pumping":
		config.Receiver.AGC = simulate.PumpingAGC
	}
	for _, text := range c.Sound {
		sound, err := parseSound(text)
		if err != nil {
			return config, err
		}
		config.Sounds = append(config.Sounds, sound)
	}
	if !c.NoMarker {
		marker, err := c.marker()
		if err != nil {
			return config, err
		}
		config.Marker = marker
	}
	for i, id := range c.Station {
		if id == "none" {
			continue
		}
		st, ok := station.Find(id)
		if !ok {
			return config, fmt.Errorf("--station: no station %q", id)
		}
		delay, err := c.pathDelay(st.ID)
		if err != nil {
			return config, err
		}
		paths, err := simulate.Channel(c.Fading, delay.Seconds())
		if err != nil {
			return config, fmt.Errorf("--fading: %w", err)
		}
		if st.LongWave() && config.Receiver.Detector == simulate.SSB && c.Mistuning == 0 {
			return config, fmt.Errorf("--detector ssb: station %s has no pitch: --mistuning says how high the carrier sounds, such as 1500", st.ID)
		}
		if i == 0 {
			config.Station, config.Paths = st, paths
		} else {
			config.Others = append(config.Others, simulate.Signal{
				Station: st, Programme: config.Programme, Paths: paths, OffsetHz: 0.1 * float64(i),
			})
		}
	}
	return config, nil
}

// parseSound reads what --sound says, such as "sweep,per-second=2,tone=900".
func parseSound(text string) (simulate.Sound, error) {
	words := strings.Split(text, ",")
	s := simulate.Sound{Kind: simulate.SoundKind(words[0]), Level: 0.2}
	fields := map[string]*float64{
		"level": &s.Level, "per-second": &s.PerSecond, "ppm": &s.ClockPPM, "phase": &s.PhaseSeconds,
		"tone": &s.ToneHz, "sweep": &s.SweepHz, "fade": &s.FadeHz,
	}
	for _, word := range words[1:] {
		key, value, _ := strings.Cut(word, "=")
		v, err := strconv.ParseFloat(value, 64)
		if fields[key] == nil || err != nil {
			return s, fmt.Errorf("--sound %s: write a kind and what differs, such as sweep,per-second=2,tone=900", strconv.Quote(text))
		}
		*fields[key] = v
	}
	return s, nil
}

func (c simulateCmd) marker() (*simulate.Marker, error) {
	m := &simulate.Marker{
		OffsetSeconds: c.Offset.Seconds(), RateError: c.ClockRate, NoiseRMS: 1e-4,
		WidthSeconds: c.PulseWidth.Seconds(), Inverted: c.PulseEdge == "falling",
		Motor: simulate.Motor{Shape: simulate.MotorShape(c.Motor), Level: 0.1},
	}
	for _, s := range c.Step {
		at, by, _ := strings.Cut(s, "=")
		when, err1 := time.ParseDuration(at)
		later, err2 := time.ParseDuration(by)
		if err1 != nil || err2 != nil {
			return nil, fmt.Errorf("--step %s: write when and by how much, such as 60s=12ms", strconv.Quote(s))
		}
		m.Steps = append(m.Steps, simulate.Step{AtSeconds: when.Seconds(), BySeconds: later.Seconds()})
	}
	return m, nil
}

// pathDelay is the last delay given for a station or for all.
func (c simulateCmd) pathDelay(id string) (time.Duration, error) {
	delay := 10 * time.Millisecond
	for _, s := range c.PathDelay {
		who, value, named := strings.Cut(s, "=")
		if !named {
			who, value = id, s
		}
		d, err := time.ParseDuration(value)
		if err != nil {
			return 0, fmt.Errorf("--path-delay %s: write a time such as 7.2ms or wwv=7.2ms", strconv.Quote(s))
		}
		if strings.EqualFold(who, id) {
			delay = d
		}
	}
	return delay, nil
}
