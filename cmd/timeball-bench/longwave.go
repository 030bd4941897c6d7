package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"timeball/align/path"
	"timeball/align/path/groundwave"
	"timeball/capture/simulate"
	"timeball/capture/station"
)

// longWave puts a station on long wave on the air: its beat note at a pitch in the
// middle of the receiver's filter.
func longWave(id string, cn0 float64) change {
	return func(r *rand.Rand, c *simulate.Config) {
		s := *find(id)
		s.EmissionSeconds = 1e-9 // the estimator is judged, not the station
		c.Station = &s
		c.SNRdB = cn0 - 10*math.Log10(3000)
		c.Receiver = simulate.Receiver{Detector: simulate.SSB, MistuningHz: 1400 + 200*r.Float64(), DriftHz: 20 * (2*r.Float64() - 1)}
		c.Start = time.Date(2026, 6, 14, 2+r.IntN(18), r.IntN(60), r.IntN(60), 0, time.UTC)
	}
}

// knownEdge is what the bounds take for granted: the shape of the edge is known.
func knownEdge(_ *rand.Rand, c *simulate.Config) { c.Station.Edge.TauFactor = 1.001 }

// sampled puts the station's carrier into the recording itself.
func sampled(rate int, q float64) change {
	return func(_ *rand.Rand, c *simulate.Config) {
		c.Rate = rate
		c.Receiver = simulate.Receiver{Detector: simulate.Direct, Loop: simulate.Loop{Q: q}}
	}
}

// anyLoop is an antenna that nobody tells of: a third of them are not tuned, the others are
// of qualities from 5 to 150 and tuned by ear.
func anyLoop(r *rand.Rand, c *simulate.Config) {
	if r.IntN(3) == 0 {
		return
	}
	hz := c.Station.Carriers[0].Hz
	q := 5 * math.Pow(30, r.Float64())
	c.Receiver.Loop = simulate.Loop{Q: q, TunedHz: hz * (1 + 0.5*r.NormFloat64()/(2*q))}
}

// nightPath is a place 500 km west of DCF77's antenna.
var nightPath = path.LatLon{Lat: 50.0, Lon: 2.03}

// skyWave adds to the ground wave over 500 km one reflected by a layer at 90 km that
// sinks and rises, with a share of its amplitude.
func skyWave(share float64) change {
	return func(r *rand.Rand, c *simulate.Config) {
		const km, earth, height, light = 500.0, 6371.0, 90.0, 299792.458
		ground := []groundwave.Ground{groundwave.Sea, groundwave.Land, groundwave.Dry}[r.IntN(3)]
		d := groundwave.Mix{{Ground: ground, Share: 1}}.Delay(c.Station.Carriers[0].Hz, distance(c.Station, nightPath))
		way := 2 * math.Sqrt(earth*earth+(earth+height)*(earth+height)-2*earth*(earth+height)*math.Cos(km/2/earth))
		c.Paths = []simulate.Path{
			{DelaySeconds: d},
			{DelaySeconds: d + (way-km)/light, LevelDB: 20 * math.Log10(share), PhaseRadians: 2 * math.Pi * r.Float64(),
				SwingSeconds: 20e-6 * r.Float64(), SwingPeriodSeconds: 600 + 3000*r.Float64()},
		}
		c.Start = time.Date(2026, 1, 14, 20+r.IntN(4), r.IntN(60), r.IntN(60), 0, time.UTC)
	}
}

// distance is that over the ground, m, by the path's own prediction.
func distance(s *station.Station, at path.LatLon) float64 {
	p, err := path.Predict(path.Request{Station: s, At: at, Time: time.Date(2026, 6, 14, 12, 0, 0, 0, time.UTC), Sunspots: math.NaN()})
	if err != nil {
		panic(err)
	}
	return p.DistanceM
}

// longWaveClasses are the kinds of recordings of stations on long wave.
func longWaveClasses() []class {
	var all []class
	add := func(name string, minutes float64, f change) *class {
		all = append(all, class{name: fmt.Sprintf("long wave %s %g min", name, minutes), config: func(r *rand.Rand) simulate.Config {
			config := base(r, 60*minutes, 0)
			f(r, &config)
			return config
		}})
		return &all[len(all)-1]
	}
	for _, cn0 := range []float64{40, 50, 60, 70} {
		for _, id := range []string{"wwvb", "dcf77"} {
			add(fmt.Sprintf("%s known edge %g dBHz", id, cn0), 10, with(longWave(id, cn0), knownEdge))
		}
		for _, id := range []string{"dcf77", "msf", "wwvb", "jjy-40", "bpc", "als162"} {
			add(fmt.Sprintf("%s %g dBHz", id, cn0), 3, longWave(id, cn0))
		}
	}
	add("jjy-40 direct 60 dBHz", 3, with(longWave("jjy-40", 60), sampled(96000, 30)))
	add("dcf77 direct 60 dBHz", 3, with(longWave("dcf77", 60), sampled(192000, 30)))
	add("dcf77 direct known edge 60 dBHz", 3, with(longWave("dcf77", 60), sampled(192000, 0), knownEdge))
	add("jjy-40 direct known edge 60 dBHz", 3, with(longWave("jjy-40", 60), sampled(96000, 0), knownEdge))
	for _, id := range []string{"dcf77", "msf"} {
		add(id+" direct, any loop, 60 dBHz", 3, with(longWave(id, 60), sampled(192000, 0), anyLoop)).untold = true
	}
	for _, id := range []string{"dcf77", "wwvb"} {
		add(id+" lightning 60 dBHz", 3, with(longWave(id, 60), lightning(20)))
	}
	for _, share := range []float64{0.3, 0.5} {
		add(fmt.Sprintf("dcf77 sky wave of %g by night 60 dBHz", share), 10, with(longWave("dcf77", 60), skyWave(share))).at = &nightPath
		add(fmt.Sprintf("dcf77 direct sky wave of %g by night 60 dBHz", share), 10, with(longWave("dcf77", 60), sampled(192000, 0), skyWave(share))).at = &nightPath
	}
	// A beat note may be any carrier's.
	ids := []string{"dcf77", "msf", "wwvb", "jjy-60", "bpc", "als162"}
	for _, onAir := range ids {
		for _, named := range ids {
			if named == onAir {
				continue
			}
			c := add(fmt.Sprintf("free %s for %s", onAir, named), 3, func(r *rand.Rand, c *simulate.Config) {
				longWave(onAir, 40+30*r.Float64())(r, c)
			})
			c.named = named
		}
	}
	// What stands beside the stations on long wave, and repeats once a second or oftener.
	for _, kind := range []simulate.SoundKind{simulate.Telegrams, simulate.Switching} {
		c := add("free "+string(kind), 3, with(free, detector(simulate.SSB), func(r *rand.Rand, c *simulate.Config) {
			rate, ppm := []float64{1, 1, 2, 5}[r.IntN(4)], []float64{0, 100}[r.IntN(2)]
			c.Sounds = append(c.Sounds, simulate.Sound{
				Kind: kind, Level: 0.05 + 0.25*r.Float64(), PhaseSeconds: r.Float64(), PerSecond: rate, ClockPPM: ppm * (2*r.Float64() - 1), ToneHz: 800 + 1200*r.Float64(),
			})
		}))
		c.free, c.named = true, "any"
	}
	seen := map[string]bool{}
	for _, f := range families() {
		if seen[f.name] {
			continue // the halves of a split are alike here
		}
		seen[f.name] = true
		c := add("free "+f.name, 3, with(free, detector(simulate.SSB), f.make))
		c.free, c.named = true, "any"
	}
	return all
}
