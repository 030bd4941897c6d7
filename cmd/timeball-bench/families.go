package main

import (
	"encoding/binary"
	"math/rand/v2"
	"os"
	"path/filepath"

	"timeball/capture/simulate"
)

// family is a kind of recording without a station that is looked for. Half of the
// families were kept out of all tuning: the split was made by name before the
// first of them was run, and the kept ones were looked at once, at the end.
type family struct {
	name string
	kept bool
	make change
}

// How the names of classes of either half begin.
const openHalf, keptHalf = "free open", "free kept"

// families are those of class "free".
func families() []family {
	sound := func(kind simulate.SoundKind, more ...func(r *rand.Rand, s *simulate.Sound)) change {
		return func(r *rand.Rand, c *simulate.Config) {
			s := simulate.Sound{Kind: kind, Level: 0.05 + 0.25*r.Float64(), PhaseSeconds: r.Float64()}
			for _, f := range more {
				f(r, &s)
			}
			c.Sounds = append(c.Sounds, s)
		}
	}
	loose := func(r *rand.Rand, s *simulate.Sound) { s.ClockPPM = 200 * (2*r.Float64() - 1) }
	faint := func(r *rand.Rand, s *simulate.Sound) { s.Level = 0.02 + 0.06*r.Float64() }
	near := func(r *rand.Rand, s *simulate.Sound) { s.ToneHz = 950 + 100*r.Float64() }
	each := func(rates ...float64) func(r *rand.Rand, s *simulate.Sound) {
		return func(r *rand.Rand, s *simulate.Sound) { s.PerSecond = rates[r.IntN(len(rates))] }
	}
	swept := func(r *rand.Rand, s *simulate.Sound) {
		s.SweepHz = []float64{-1, 1}[r.IntN(2)] * (10e3 + 90e3*r.Float64())
		s.PerSecond = []float64{0.5, 1, 1, 2, 3, 4, 5, 10}[r.IntN(8)]
	}
	carriers := func(offsets ...float64) change {
		return func(r *rand.Rand, c *simulate.Config) {
			c.Programme = simulate.CarrierOnly
			for _, hz := range offsets {
				c.Carriers = append(c.Carriers, simulate.Carrier{OffsetHz: hz, LevelDB: -26 + 12*r.Float64()})
			}
		}
	}
	rwm := func(r *rand.Rand, c *simulate.Config) {
		of("rwm")(r, c)
		beat(r, c)
		c.Paths = nil
	}
	all := []family{
		{"noise", false, with()},
		{"speech", false, programme(simulate.Speech)},
		{"music", false, programme(simulate.Music)},
		{"carriers", false, carriers(50, 150, 440, 600, 1000, 1200)},
		{"lightning", false, lightning(20)},
		{"crosstalk", false, leak(-60, -30)},
		{"motor", false, func(r *rand.Rand, c *simulate.Config) {
			motor(motors[r.IntN(len(motors))], 0.3*r.Float64(), false)(r, c)
		}},
		{"sweep locked", false, sound(simulate.Sweep, swept)},
		{"dance 120", false, sound(simulate.Dance, each(2))},
		{"telegraphy", false, sound(simulate.Telegraphy, near)},
		{"beacon", false, sound(simulate.Beacon, near)},
		{"beat of RWM", false, rwm},
		{"pips", false, with(programme(simulate.Speech), sound(simulate.Pips))},
		{"metronome", false, sound(simulate.Metronome, each(1, 2), near)},

		{"sweep loose", true, sound(simulate.Sweep, swept, loose)},
		{"sweep faint", true, sound(simulate.Sweep, swept, faint)},
		{"radar", true, sound(simulate.Radar, each(1, 10, 20, 50), near)},
		{"dance 60, 100, 128", true, sound(simulate.Dance, each(1, 100.0/60, 128.0/60))},
		{"kitchen clock", true, sound(simulate.Clockwork, loose)},
		{"kitchen clock on time", true, sound(simulate.Clockwork, near)},
		{"data", true, with(sound(simulate.Data, near), sound(simulate.Data))},
		{"bleep", true, sound(simulate.Bleep, near)},
		{"sparks", true, sound(simulate.Sparks)},
		{"next station", true, with(rwm, func(r *rand.Rand, c *simulate.Config) {
			c.Receiver.MistuningHz = 1150 + 100*r.Float64()
		})},
		{"pips compressed", true, with(programme(simulate.Speech), sound(simulate.Pips), compressed)},
		{"speech compressed", true, with(programme(simulate.Speech), compressed)},
		{"dance compressed", true, with(sound(simulate.Dance, each(1, 2)), compressed)},
	}
	for _, kept := range []bool{false, true} {
		var of []family
		for _, f := range all {
			if f.kept == kept {
				of = append(of, f)
			}
		}
		all = append(all, family{"mixture of two", kept, func(r *rand.Rand, c *simulate.Config) {
			of[r.IntN(len(of))].make(r, c)
			of[r.IntN(len(of))].make(r, c)
		}})
	}
	if played := recordings(); len(played) > 0 {
		all = append(all, family{"recorded", true, func(r *rand.Rand, c *simulate.Config) {
			sound(simulate.Playback, func(r *rand.Rand, s *simulate.Sound) {
				s.Audio, s.AudioRate = played[r.IntN(len(played))], 8000
				s.PerSecond = []float64{0.5, 1, 1, 2}[r.IntN(4)]
			})(r, c)
		}})
	}
	return all
}

func compressed(_ *rand.Rand, c *simulate.Config) { c.Receiver.Compressed = true }

// recordings are speech, music and modem tones as recorded, off the air and in a
// studio, without any station, from Debian's codec2-examples: 16 bits at 8 kHz.
// There are none when the package is not installed.
func recordings() (all [][]float32) {
	names, _ := filepath.Glob("/usr/share/codec2/raw/*.raw")
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil || len(b) < 5*16000 {
			continue
		}
		x := make([]float32, len(b)/2)
		for i := range x {
			x[i] = float32(int16(binary.LittleEndian.Uint16(b[2*i:]))) / 32768
		}
		all = append(all, x)
	}
	return all
}

// classOf makes a class of a family: recordings of 3 to 10 minutes.
func (f family) class() class {
	half := openHalf
	if f.kept {
		half = keptHalf
	}
	return class{name: half + ": " + f.name, free: true, config: func(r *rand.Rand) simulate.Config {
		config := base(r, 180+420*r.Float64(), 10)
		free(r, &config)
		config.Noiseless = false
		f.make(r, &config)
		return config
	}}
}
