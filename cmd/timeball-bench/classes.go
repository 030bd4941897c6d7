package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"time"

	"timeball/align/path"
	"timeball/capture/simulate"
	"timeball/capture/station"
)

// class is a kind of recording.
type class struct {
	name   string
	live   bool         // followed as a display would, for the time to the first fix
	auto   bool         // no station is named
	free   bool         // there is none
	named  string       // the station on long wave that is looked for, or any; empty: the one on the air
	at     *path.LatLon // of the receiver, from which the path is computed; nil: it is given
	untold bool         // that the antenna is tuned
	sparse int          // one recording for so many of other classes; 0: one
	config func(r *rand.Rand) simulate.Config
}

// change makes a recording of one class out of the one all classes share.
type change func(r *rand.Rand, c *simulate.Config)

// with makes several changes one after another.
func with(changes ...change) change {
	return func(r *rand.Rand, c *simulate.Config) {
		for _, f := range changes {
			f(r, c)
		}
	}
}

// base is what all classes share: a local clock with an arbitrary offset, a
// sample clock some tens of ppm out, WWV with its own programme over one steady
// path of some milliseconds, at some second of the day in which it is on the air.
func base(r *rand.Rand, seconds, snr float64) simulate.Config {
	return simulate.Config{
		Rate: 8000, Seconds: seconds, SNRdB: snr,
		Start:   time.Date(2026, 3, 14, r.IntN(24), r.IntN(60), r.IntN(60), 0, time.UTC),
		Station: find("wwv"),
		Paths:   []simulate.Path{{DelaySeconds: 5e-3 + 10e-3*r.Float64(), PhaseRadians: 2 * math.Pi * r.Float64()}},
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

// white is what the theory of the bound takes for granted: marks and noise.
func white(_ *rand.Rand, c *simulate.Config) {
	c.Programme, c.Receiver.Detector = simulate.MarksOnly, simulate.Linear
}

// of puts a station on the air, in a minute in which it sends marks.
func of(id string) change {
	return func(_ *rand.Rand, c *simulate.Config) {
		c.Station = find(id)
		if hours := c.Station.Carriers[0].HoursUTC; c.Station.Carriers[0].Weekdays {
			// Within the first hours of its first carrier, on a Thursday.
			hour, _ := strconv.Atoi(hours[:2])
			c.Start = time.Date(2026, 3, 12, hour, c.Start.Minute()%15, c.Start.Second(), 0, time.UTC)
		}
		if blocks := c.Station.Blocks; len(blocks) > 0 {
			c.Start = c.Start.Truncate(time.Hour).Add(time.Duration(blocks[0].From) * time.Minute)
		}
	}
}

func detector(d simulate.Detector) change {
	return func(r *rand.Rand, c *simulate.Config) {
		c.Receiver.Detector = d
		if d == simulate.SSB {
			c.Receiver.MistuningHz = 40 * (2*r.Float64() - 1)
		}
	}
}

// beat receives a station that keys its carrier.
func beat(r *rand.Rand, c *simulate.Config) {
	c.Receiver.Detector, c.Receiver.MistuningHz = simulate.SSB, 980+40*r.Float64()
}

// channel sends the station through a channel of Rec. ITU-R F.1487.
func channel(name string) change {
	return func(_ *rand.Rand, c *simulate.Config) {
		paths, err := simulate.Channel(name, c.Paths[0].DelaySeconds)
		if err != nil {
			panic(err)
		}
		c.Paths = paths
	}
}

// twoPaths adds a later path; both have the given Doppler spread.
func twoPaths(later, firstDB, secondDB, spread float64) change {
	return func(r *rand.Rand, c *simulate.Config) {
		first := c.Paths[0]
		first.LevelDB, first.SpreadHz = firstDB, spread
		second := simulate.Path{DelaySeconds: first.DelaySeconds + later, LevelDB: secondDB, SpreadHz: spread, PhaseRadians: 2 * math.Pi * r.Float64()}
		c.Paths = []simulate.Path{first, second}
	}
}

// also puts a second station, as strong, on the same carrier by a way of its own.
func also(id, channelName string) change {
	return func(r *rand.Rand, c *simulate.Config) {
		paths, err := simulate.Channel(channelName, 15e-3+10e-3*r.Float64())
		if err != nil {
			panic(err)
		}
		c.Others = append(c.Others, simulate.Signal{Station: find(id), Paths: paths, OffsetHz: 2 * r.Float64()})
	}
}

func programme(p simulate.Programme) change {
	return func(_ *rand.Rand, c *simulate.Config) { c.Programme = p }
}

// broadcaster puts an unbroken programme of somebody else on the carrier.
func broadcaster(p simulate.Programme, levelDB float64) change {
	return func(r *rand.Rand, c *simulate.Config) {
		c.Others = append(c.Others, simulate.Signal{Programme: p, LevelDB: levelDB, OffsetHz: 20 * r.Float64()})
	}
}

func lightning(perMinute float64) change {
	return func(_ *rand.Rand, c *simulate.Config) {
		c.Lightning = simulate.Lightning{PerMinute: perMinute, LevelDB: 20}
	}
}

func leak(fromDB, toDB float64) change {
	return func(r *rand.Rand, c *simulate.Config) { c.SoundCard.LeakDB = fromDB + (toDB-fromDB)*r.Float64() }
}

// motor lets the clock's movement sound; onTick: within some milliseconds of the
// station's tick.
func motor(shape simulate.MotorShape, level float64, onTick bool) change {
	return func(r *rand.Rand, c *simulate.Config) {
		m := simulate.Motor{Shape: shape, Level: level, DelaySeconds: 0.5 * r.Float64()}
		if onTick {
			c.Marker.OffsetSeconds = 0.3 * r.Float64()
			m.DelaySeconds = c.Marker.OffsetSeconds + c.Paths[0].DelaySeconds + 10e-3*r.Float64()
		}
		c.Marker.Motor = m
	}
}

func agc(a simulate.AGC) change {
	return func(_ *rand.Rand, c *simulate.Config) { c.Receiver.AGC = a }
}

func audioFilter(highPass, lowPass float64) change {
	return func(_ *rand.Rand, c *simulate.Config) {
		c.Receiver.Filter = simulate.Filter{HighPassHz: highPass, LowPassHz: lowPass, Order: 2}
	}
}

// drifting lets the clock gain or lose by up to so much, small and great rates alike.
func drifting(y float64) change {
	return func(r *rand.Rand, c *simulate.Config) {
		c.Marker.RateError = y * math.Pow(10, -3*r.Float64())
		if r.IntN(2) == 0 {
			c.Marker.RateError *= -1
		}
	}
}

// free takes the station off the air.
func free(_ *rand.Rand, c *simulate.Config) { c.Station, c.Paths = nil, nil }

// classes lists all kinds. A name is the group, what is special, the ratio of
// signal to noise and the length.
func classes() []class {
	var all []class
	add := func(name string, snr, minutes float64, f change) {
		c := class{name: fmt.Sprintf("%s %+g dB %g min", name, snr, minutes)}
		if minutes >= 30 {
			c.sparse = 10
		}
		c.config = func(r *rand.Rand) simulate.Config {
			config := base(r, 60*minutes, snr)
			f(r, &config)
			return config
		}
		all = append(all, c)
	}
	detectors := []simulate.Detector{simulate.AM, simulate.Sync, simulate.SSB}

	for _, minutes := range []float64{2, 3, 10} {
		for _, snr := range []float64{-10, -5, 0, 5, 10, 20, 30} {
			add("white wwv", snr, minutes, white)
		}
	}
	add("white wwv", 0, 120, white)
	for _, snr := range []float64{-20, -23, -26, -29} {
		for _, minutes := range []float64{30, 120} {
			add("white wwv", snr, minutes, white)
		}
	}
	for _, id := range audible() {
		if id != "wwv" { // it is above
			add("white "+id, 10, 3, with(white, of(id)))
		}
		for _, snr := range []float64{0, 10} {
			add("station "+id+" am", snr, 3, of(id))
			add("station "+id+" am mid-moderate", snr, 3, with(of(id), channel("mid-moderate")))
		}
	}
	for _, d := range detectors {
		for _, minutes := range []float64{2, 3} {
			for _, snr := range []float64{0, 6, 15, 30} {
				add(fmt.Sprintf("steady %s", d), snr, minutes, detector(d))
			}
		}
		for _, latitude := range []string{"low", "mid", "high"} {
			for _, state := range []string{"quiet", "moderate", "disturbed"} {
				for _, minutes := range []float64{2, 10} {
					for _, snr := range []float64{0, 6, 15} {
						add(fmt.Sprintf("fading %s-%s %s", latitude, state, d), snr, minutes, with(detector(d), channel(latitude+"-"+state)))
					}
				}
			}
		}
		add(fmt.Sprintf("fading mid-near-vertical %s", d), 6, 10, with(detector(d), channel("mid-near-vertical")))
		for _, state := range []string{"quiet", "moderate", "disturbed"} {
			add(fmt.Sprintf("fading mid-%s %s", state, d), 6, 120, with(detector(d), channel("mid-"+state)))
		}
	}
	for _, ms := range []float64{0.3, 0.5, 0.7, 1, 2} {
		for _, levels := range []struct {
			name          string
			first, second float64
		}{{"equal", 0, 0}, {"first weaker", -6, 0}, {"second weaker", 0, -6}} {
			for _, way := range []struct {
				name         string
				spread       float64
				snr, minutes float64
			}{{"steady", 0, 15, 3}, {"fading", 0.2, 6, 10}} {
				add(fmt.Sprintf("paths %g ms %s %s", ms, levels.name, way.name), way.snr, way.minutes, twoPaths(ms*1e-3, levels.first, levels.second, way.spread))
			}
		}
	}
	for _, snr := range []float64{-6, -10} {
		for _, minutes := range []float64{3, 30, 120} {
			add("weak am", snr, minutes, detector(simulate.AM))
			add("weak am mid-moderate", snr, minutes, channel("mid-moderate"))
		}
	}
	for _, snr := range []float64{0, 6, 15} {
		add("beneath speech", snr, 3, programme(simulate.Speech))
		add("beneath music", snr, 3, programme(simulate.Music))
		add("beneath broadcaster", snr, 3, broadcaster(simulate.Speech, -6))
		add("beneath lightning", snr, 3, with(channel("mid-moderate"), lightning(20)))
		add("beneath leak", snr, 3, leak(-60, -30))
		for _, shape := range motors {
			add(fmt.Sprintf("beneath motor %s", shape), snr, 3, motor(shape, 0.1, false))
			add(fmt.Sprintf("beneath motor %s on tick", shape), snr, 3, motor(shape, 0.1, true))
		}
		add("two wwv wwvh steady", snr, 3, also("wwvh", "steady"))
		add("two wwv wwvh mid-moderate", snr, 10, with(channel("mid-moderate"), also("wwvh", "mid-moderate")))
		add("agc pumping steady", snr, 3, agc(simulate.PumpingAGC))
		add("agc pumping mid-moderate", snr, 10, with(channel("mid-moderate"), agc(simulate.PumpingAGC)))
		add("agc slow mid-disturbed", snr, 10, with(channel("mid-disturbed"), agc(simulate.SlowAGC)))
	}
	for _, snr := range []float64{0, 6, 15, 30} {
		add("filter hp100 lp3000", snr, 3, audioFilter(100, 3000))
		add("filter hp300 lp2700", snr, 3, audioFilter(300, 2700))
	}
	for _, minutes := range []float64{10, 25} {
		add("clock gains or loses 1e-8 to 1e-5 am", 6, minutes, with(channel("mid-moderate"), drifting(1e-5)))
	}
	for _, snr := range []float64{0, 10} {
		add("station rwm ssb", snr, 3, with(of("rwm"), beat))
	}
	for _, id := range audible() {
		for _, snr := range []float64{0, 10} {
			for _, way := range []string{"steady", "mid-moderate"} {
				for _, minutes := range []float64{1.25, 5} {
					if find(id).Lookalike {
						continue // it is looked for only when it is named
					}
					add(fmt.Sprintf("auto %s %s", id, way), snr, minutes, with(of(id), channel(way)))
					all[len(all)-1].auto = true
				}
			}
		}
	}
	for _, f := range families() {
		all = append(all, f.class())
	}
	for _, minutes := range []float64{4, 10} {
		add("marker jitter 0.2 to 0.5 ms", 15, minutes, scatter(0.2e-3, 0.5e-3, 0, 0))
		add("marker jitter 0.5 to 1.5 ms", 15, minutes, scatter(0.5e-3, 1.5e-3, 0, 0))
		add("marker jitter 1.5 to 3 ms", 15, minutes, scatter(1.5e-3, 3e-3, 0, 0))
		add("marker jitter 0.2 to 3 ms mid-moderate", 10, minutes, with(channel("mid-moderate"), scatter(0.2e-3, 3e-3, 0, 0)))
		add("marker out of beat", 15, minutes, scatter(1e-6, 0.3e-3, 0.5e-3, 4e-3))
		add("marker on warming sample clock", 15, minutes, with(scatter(1e-8, 1e-5, 0, 0), warming))
	}
	for _, id := range []string{"wwv", "chu"} {
		for _, way := range []string{"steady", "mid-moderate"} {
			add(fmt.Sprintf("start %s %s", id, way), 15, 1, with(of(id), channel(way)))
			all[len(all)-1].live = true
		}
	}
	return append(all, longWaveClasses()...)
}

// scatter gives the marker a white jitter and a beat between bounds, s.
func scatter(least, most, leastBeat, mostBeat float64) change {
	return func(r *rand.Rand, c *simulate.Config) {
		c.Marker.JitterSeconds = least * math.Exp(r.Float64()*math.Log(most/least))
		c.Marker.BeatSeconds = leastBeat + r.Float64()*(mostBeat-leastBeat)
	}
}

// warming lets the sample clock's rate go to and fro.
func warming(r *rand.Rand, c *simulate.Config) {
	c.SoundCard.WanderPPM, c.SoundCard.WanderSeconds = 0.5+1.5*r.Float64(), 400+800*r.Float64()
}

var motors = []simulate.MotorShape{simulate.Click, simulate.Thump, simulate.Ring, simulate.Buzz}

// audible lists the built-in stations whose marks have a tone of their own.
func audible() []string {
	var ids []string
	for _, s := range station.Builtin() {
		if s.Keying == station.ToneBurst {
			ids = append(ids, s.ID)
		}
	}
	return ids
}

// reduced names the classes that a change is judged by before all of them are:
// one or two of each group, for a quarter of an hour of processor time.
var reduced = []string{
	"white wwv -5 dB 3 min", "white wwv +10 dB 3 min", "white wwv +30 dB 2 min",
	"station chu am +0 dB 3 min", "station wwvh am +0 dB 3 min", "station hla am mid-moderate +10 dB 3 min",
	"steady am +6 dB 2 min", "steady ssb +6 dB 3 min",
	"fading mid-quiet am +6 dB 10 min", "fading mid-moderate am +6 dB 10 min", "fading mid-disturbed am +6 dB 10 min",
	"fading mid-moderate ssb +6 dB 10 min", "fading mid-moderate am +6 dB 2 min", "fading mid-quiet sync +15 dB 2 min",
	"fading low-moderate am +6 dB 2 min", "fading high-moderate am +6 dB 2 min",
	"paths 0.3 ms equal steady +15 dB 3 min", "paths 0.5 ms first weaker steady +15 dB 3 min", "paths 0.5 ms equal fading +6 dB 10 min",
	"weak am -6 dB 3 min", "beneath speech +6 dB 3 min", "beneath lightning +6 dB 3 min", "beneath leak +6 dB 3 min",
	"beneath motor ring +6 dB 3 min", "beneath motor ring on tick +6 dB 3 min", "two wwv wwvh steady +6 dB 3 min",
	"agc pumping steady +6 dB 3 min", "filter hp100 lp3000 +6 dB 3 min",
	"free open: noise", "free open: speech", "free open: music", "free open: carriers",
	"free open: lightning", "free open: crosstalk", "free open: motor", "free open: sweep locked",
	"start wwv steady +15 dB 1 min", "start wwv mid-moderate +15 dB 1 min",
}
