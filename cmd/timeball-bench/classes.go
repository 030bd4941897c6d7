package main

import (
	"fmt"
	"math"
	"math/rand/v2"

	"timeball/capture/simulate"
	"timeball/capture/station"
)

// class is a kind of recording.
type class struct {
	name   string
	bound  float64 // Cramér–Rao bound of the offset, s; 0: not computed
	config func(r *rand.Rand) simulate.Config
}

// base is what all classes share: a local clock with an arbitrary offset, a
// sample clock some tens of ppm out, a path of some milliseconds.
func base(r *rand.Rand, seconds float64) simulate.Config {
	return simulate.Config{
		Rate: 8000, Seconds: seconds,
		Marker: &simulate.Marker{
			OffsetSeconds: r.Float64() - 0.5, NoiseRMS: 1e-4,
			WidthSeconds: 0.02, CouplingHz: 5,
		},
		SoundCard: simulate.SoundCard{ClockPPM: 60 * (2*r.Float64() - 1)},
	}
}

func find(id string) *station.Station {
	s, ok := station.Find(id)
	if !ok {
		panic(id)
	}
	return s
}

// crb is the coherent bound for ticks of the given length (estimation theory:
// σ = 1/(2πf0·√(6000·T·SNR·N)), T in seconds, SNR in 3 kHz).
func crb(toneHz, length, snrDB, ticks float64) float64 {
	return 1 / (2 * math.Pi * toneHz * math.Sqrt(6000*length*math.Pow(10, snrDB/10)*ticks))
}

func classes() []class {
	var all []class
	add := func(name string, bound float64, config func(r *rand.Rand) simulate.Config) {
		all = append(all, class{name, bound, config})
	}
	for _, snr := range []float64{-5, 0, 5, 10, 20, 30} {
		add(fmt.Sprintf("white %+.0f dB 3 min", snr), crb(1000, 5e-3, snr, 174), func(r *rand.Rand) simulate.Config {
			c := base(r, 180)
			c.Station, c.Programme, c.SNRdB = find("wwv"), simulate.MarksOnly, snr
			c.Receiver.Detector = simulate.Linear
			c.Paths = []simulate.Path{{DelaySeconds: 5e-3 + 10e-3*r.Float64()}}
			return c
		})
	}
	add("weak -20 dB 30 min", crb(1000, 5e-3, -20, 1740), func(r *rand.Rand) simulate.Config {
		c := base(r, 1800)
		c.Station, c.Programme, c.SNRdB = find("wwv"), simulate.MarksOnly, -20
		c.Receiver.Detector = simulate.Linear
		c.Paths = []simulate.Path{{DelaySeconds: 5e-3 + 10e-3*r.Float64()}}
		return c
	})
	for _, state := range []string{"quiet", "moderate", "disturbed"} {
		for _, det := range []simulate.Detector{simulate.AM, simulate.SSB} {
			for _, minutes := range []float64{3, 10} {
				for _, snr := range []float64{0, 6, 15} {
					add(fmt.Sprintf("%s %s %+.0f dB %.0f min", state, det, snr, minutes), 0, func(r *rand.Rand) simulate.Config {
						c := base(r, 60*minutes)
						c.Station, c.SNRdB = find("wwv"), snr
						c.Receiver.Detector = det
						if det == simulate.SSB {
							c.Receiver.MistuningHz = 40 * (2*r.Float64() - 1)
						}
						c.Paths, _ = simulate.Channel("mid-"+state, 5e-3+10e-3*r.Float64())
						return c
					})
				}
			}
		}
	}
	for _, snr := range []float64{0, 6, 15, 30} {
		add(fmt.Sprintf("am steady %+.0f dB 3 min", snr), 0, func(r *rand.Rand) simulate.Config {
			c := base(r, 180)
			c.Station, c.SNRdB = find("wwv"), snr
			c.Paths = []simulate.Path{{DelaySeconds: 5e-3 + 10e-3*r.Float64()}}
			return c
		})
		add(fmt.Sprintf("filter hp100 lp3000 %+.0f dB 3 min", snr), 0, func(r *rand.Rand) simulate.Config {
			c := base(r, 180)
			c.Station, c.SNRdB = find("wwv"), snr
			c.Paths = []simulate.Path{{DelaySeconds: 5e-3 + 10e-3*r.Float64()}}
			c.Receiver.Filter = simulate.Filter{HighPassHz: 100, LowPassHz: 3000, Order: 2}
			return c
		})
		add(fmt.Sprintf("filter hp300 lp2700 %+.0f dB 3 min", snr), 0, func(r *rand.Rand) simulate.Config {
			c := base(r, 180)
			c.Station, c.SNRdB = find("wwv"), snr
			c.Paths = []simulate.Path{{DelaySeconds: 5e-3 + 10e-3*r.Float64()}}
			c.Receiver.Filter = simulate.Filter{HighPassHz: 300, LowPassHz: 2700, Order: 2}
			return c
		})
	}
	for _, id := range []string{"chu", "bpm", "wwvh", "hla", "ebc"} {
		for _, snr := range []float64{0, 10} {
			add(fmt.Sprintf("%s am steady %+.0f dB 3 min", id, snr), 0, func(r *rand.Rand) simulate.Config {
				c := base(r, 180)
				c.Station, c.SNRdB = find(id), snr
				c.Paths = []simulate.Path{{DelaySeconds: 5e-3 + 10e-3*r.Float64()}}
				return c
			})
		}
	}
	stationFree := map[string]func(r *rand.Rand, c *simulate.Config){
		"noise":  func(r *rand.Rand, c *simulate.Config) {},
		"speech": func(r *rand.Rand, c *simulate.Config) { c.Programme = simulate.Speech; c.SNRdB = 20 },
		"music":  func(r *rand.Rand, c *simulate.Config) { c.Programme = simulate.Music; c.SNRdB = 20 },
		"carriers": func(r *rand.Rand, c *simulate.Config) {
			c.Programme = simulate.CarrierOnly
			c.Carriers = []simulate.Carrier{{OffsetHz: 1000, LevelDB: -20}, {OffsetHz: 700 + 800*r.Float64(), LevelDB: -20}}
		},
		"crosstalk": func(r *rand.Rand, c *simulate.Config) { c.SoundCard.LeakDB = -30 - 30*r.Float64() },
		"motor": func(r *rand.Rand, c *simulate.Config) {
			shapes := []simulate.MotorShape{simulate.Click, simulate.Thump, simulate.Ring, simulate.Buzz}
			c.Marker.Motor = simulate.Motor{Shape: shapes[r.IntN(4)], Level: 0.3 * r.Float64(), DelaySeconds: 0.5 * r.Float64()}
		},
	}
	for _, name := range []string{"noise", "speech", "music", "carriers", "crosstalk", "motor"} {
		add("free "+name+" 3 min", 0, func(r *rand.Rand) simulate.Config {
			c := base(r, 180)
			c.SNRdB = 10
			stationFree[name](r, &c)
			return c
		})
	}
	return all
}
