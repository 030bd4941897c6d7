package simulate

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"

	"timeball/capture"
)

// Source is a simulated recording. It implements capture.Source.
type Source struct {
	cfg   Config
	truth Truth
	info  capture.Info

	radio  *radio
	direct *direct // in place of radio
	read   *interpolator
	audio  []float64 // receiver output on the grid
	first  float64   // grid point of audio[0], on the time of the first frame
	marker *pulseShape
	wire   *pulseShape

	inputs [2]input // receiver, marker
	leak   float64

	tick   int64 // next sample of the sound card, losses counted
	ticks  int64 // in all
	hidden int64 // lost unnoticed so far
	losses []Loss
	times  []float64
	x      [2][]float64
}

// input is one input of the sound card.
type input struct {
	coupled  bool
	coupling section
	noise    float64
	rng      *rand.Rand
}

// lead is how long the radio runs before the recording, for filters and gain
// control to settle, s.
func (r *Receiver) lead() int64 {
	if r.AGC.AttackSeconds > 0 {
		return 4
	}
	return 2
}

// blockFrames is the length of a block.
const blockFrames = 4096

// New prepares a recording. An error names the field of c that cannot be.
func New(c Config) (*Source, error) {
	c = c.withDefaults()
	if err := c.check(); err != nil {
		return nil, err
	}
	s := &Source{cfg: c, ticks: int64(math.Round(c.Seconds * float64(c.Rate))), losses: c.SoundCard.Losses}
	seed := &seeder{seed: c.Seed}
	rate := float64(c.Rate)
	fraction := float64(c.Start.Nanosecond()) / 1e9
	if c.Wire == nil && c.Receiver.Detector == Direct {
		s.direct = newDirect(&c, seed)
	} else if c.Wire == nil {
		s.radio = newRadio(&c, seed)
		lead := c.Receiver.lead()
		s.radio.start(c.Start.Unix() - lead)
		s.first = -(float64(lead)+fraction)*gridRate - float64(s.radio.latency())
		s.read = newInterpolator(min(0.48, 0.44*rate/gridRate), 16*max(1, int(math.Ceil(gridRate/rate))))
	} else {
		s.wire = newPulseShape(c.Wire, c.Seed^0x77697265, fraction, rate)
	}
	if c.Marker != nil {
		s.marker = newPulseShape(c.Marker, c.Seed^0x70756c73, fraction, rate)
	}
	if c.SoundCard.LeakDB != 0 {
		s.leak = math.Sqrt(power(c.SoundCard.LeakDB))
	}
	for i := range s.inputs {
		in := &s.inputs[i]
		in.rng = seed.rng()
		in.noise = c.SoundCard.NoiseRMS
		if c.SoundCard.CouplingHz > 0 {
			in.coupled, in.coupling = true, coupling(c.SoundCard.CouplingHz, rate)
		}
	}
	s.info = capture.Info{
		Name: "simulation", Rate: c.Rate, Channels: 1, Bits: 32, Frames: s.ticks, Start: c.Start,
		Note: fmt.Sprintf("simulated, seed %d", c.Seed),
	}
	if st := c.Station; st != nil && st.LongWave() && c.Receiver.Detector == SSB {
		s.info.Note += fmt.Sprintf("; the carrier of %g kHz is brought down to %g Hz", st.Carriers[0].Hz/1e3, c.Receiver.MistuningHz)
	}
	if c.Marker != nil {
		s.info.Channels = 2
	}
	for _, l := range s.losses {
		if l.At >= s.ticks {
			break
		}
		l.Lost = min(l.Lost, s.ticks-l.At)
		s.info.Frames -= l.Lost
		if l.Hidden {
			s.hidden += l.Lost
		} else {
			s.info.Gaps = append(s.info.Gaps, capture.Gap{At: l.At - s.hidden, Lost: l.Lost})
		}
	}
	s.hidden = 0
	s.truth = newTruth(s, fraction)
	return s, nil
}

// Info describes the recording. Frames counts those delivered.
func (s *Source) Info() capture.Info {
	info := s.info
	info.Gaps = slices.Clone(info.Gaps)
	return info
}

// Read delivers the next block, see capture.Source.
func (s *Source) Read(b *capture.Block) error {
	b.Lost, b.Inexact = 0, false
	for len(s.losses) > 0 && s.losses[0].At == s.tick {
		l := s.losses[0]
		s.losses = s.losses[1:]
		s.tick += l.Lost
		if l.Hidden {
			s.hidden += l.Lost
		} else {
			b.Lost += l.Lost
			b.Inexact = b.Inexact || l.Inexact
		}
	}
	n := min(blockFrames, s.ticks-s.tick)
	if n <= 0 {
		b.Resize(s.info.Channels, 0)
		return io.EOF
	}
	if len(s.losses) > 0 {
		n = min(n, s.losses[0].At-s.tick)
	}
	b.Position = s.tick - s.hidden
	b.Resize(s.info.Channels, int(n))
	s.run(b, int(n))
	s.tick += n
	return nil
}

func (s *Source) run(b *capture.Block, n int) {
	s.times = resize(s.times, n)
	for i := range s.times {
		s.times[i] = s.cfg.SoundCard.timeOf(s.tick+int64(i), s.cfg.Rate)
	}
	rx, mk := resize(s.x[0], n), resize(s.x[1], n)
	s.x = [2][]float64{rx, mk}
	switch {
	case s.direct != nil:
		s.direct.receive(rx, s.times, s.cfg.Receiver.DelaySeconds)
	case s.radio != nil:
		s.receive(rx)
	default:
		s.wire.advance(s.times)
		s.wire.run(rx, s.times, 0)
		s.inputs[0].hiss(rx, s.wire.m.NoiseRMS)
	}
	if s.marker != nil {
		s.marker.advance(s.times)
		s.marker.run(mk, s.times, s.cfg.SoundCard.SkewSeconds)
		if s.leak > 0 {
			for i, v := range mk {
				rx[i] += s.leak * v
			}
		}
		s.marker.noise(rx, s.times)
		s.inputs[1].hiss(mk, s.marker.m.NoiseRMS)
	}
	rxChannel, mkChannel := 0, 1
	if s.cfg.MarkerFirst && s.marker != nil {
		rxChannel, mkChannel = 1, 0
	}
	s.inputs[0].sample(b.Channels[rxChannel], rx)
	if s.marker != nil {
		s.inputs[1].sample(b.Channels[mkChannel], mk)
	}
}

// receive reads the receiver's audio at s.times into x.
func (s *Source) receive(x []float64) {
	half := s.read.half
	pos := func(t float64) float64 { return (t-s.cfg.Receiver.DelaySeconds)*gridRate - s.first }
	if drop := int(pos(s.times[0])) - half; drop > 0 {
		drop = min(drop, len(s.audio))
		s.audio = s.audio[:copy(s.audio, s.audio[drop:])]
		s.first += float64(drop)
	}
	for int(pos(s.times[len(s.times)-1]))+half+2 > len(s.audio) {
		n := len(s.audio)
		s.audio = append(s.audio, make([]float64, gridRate)...)
		s.radio.run(s.audio[n:])
	}
	for i, t := range s.times {
		x[i] = s.read.at(s.audio, pos(t))
	}
}

func (in *input) hiss(x []float64, rms float64) {
	if rms > 0 {
		for i := range x {
			x[i] += rms * in.rng.NormFloat64()
		}
	}
}

// sample turns the voltage x into samples.
func (in *input) sample(out []float32, x []float64) {
	if in.coupled {
		in.coupling.run(x)
	}
	in.hiss(x, in.noise)
	for i, v := range x {
		out[i] = float32(max(-1, min(1, v)))
	}
}

// timeOf is when sample n was taken, s since sample 0. The clock's rate error
// is ClockPPM + WanderPPM·sin(2π t/WanderSeconds).
func (c *SoundCard) timeOf(n int64, rate int) float64 {
	t := float64(n) / float64(rate) / (1 + c.ClockPPM*1e-6)
	if c.WanderPPM != 0 {
		w := 2 * math.Pi / c.WanderSeconds
		t -= c.WanderPPM * 1e-6 * (1 - math.Cos(w*t)) / w
	}
	return t
}

func resize(x []float64, n int) []float64 {
	if cap(x) < n {
		return make([]float64, n)
	}
	return x[:n]
}
