package align

import (
	"math"
	"time"

	"timeball/align/path"
	"timeball/capture"
	"timeball/capture/station"
	"timeball/detect/mixture"
	"timeball/detect/tick/timing"
	"timeball/detect/timecode"
)

// delay is the path delay of one station: that of the second its arrival is
// stated for, and how it runs on from there.
type delay struct {
	used    PathUsed
	spread  mixture.Mixture // the delay with all that is known of it
	uDrift  float64
	known   Remark // how it came to be known
	notices []Reason
	// onLine: it is that of the arrival's line at the last marker, with all that is not
	// known of the line there but noise.
	onLine bool
}

// leastShare of a computed delay's variance is worth naming its cause.
const leastShare = 0.03

// givenMode stands for the mode of a delay that was given.
const givenMode = "given"

// pathDelay is the delay given for the station, or that computed for the place
// and the time over which it was heard; begin is the UTC of the first frame, zero
// when unknown. ok is false, and why says so, when there is none.
func (a *Attempt) pathDelay(arr *timing.Arrival, s *Sounding, ticks []Arrival, begin time.Time, last int) (d delay, why PathUnknown, ok bool) {
	for _, id := range []string{arr.Station.ID, ""} {
		if q, given := a.settings.PathDelays[id]; given {
			return delay{used: PathUsed{Delay: q.Value, U: q.U, Mode: givenMode}, spread: mixture.Normal(q.Value, q.U), known: q.Known}, why, true
		}
	}
	switch {
	case a.settings.At == nil:
		return d, PathUnknown{Place: true, Time: begin.IsZero()}, false
	case begin.IsZero():
		return d, PathUnknown{Time: true}, false
	}
	middle := begin.Add(seconds(a.pulses.Start()/a.rate + arr.Ref))
	c, err := a.course(arr.Station, middle, seconds(float64(arr.Expected)))
	if err != nil {
		return d, PathUnknown{Err: err}, false
	}
	heard, late, uLate := heardOf(arr), 0.0, 0.0
	if s != nil {
		heard, late, uLate = s.heard(ticks), s.Late, s.ULate
	}
	p := c.WithArrivals(heard)
	if arr.Waves != nil {
		p = a.withWaves(arr, c, last)
	}
	mode, share := p.FirstMode()
	how := PathComputed{First: mode}
	d = delay{
		used:   PathUsed{Delay: p.DelaySeconds + c.Bend + late, U: math.Hypot(p.USeconds, uLate), Mode: mode, GreatCircle: p.GreatCircleSeconds, Drift: c.Drift},
		spread: p.Delay.Shift(c.Bend + late).Widen(uLate), uDrift: c.UDrift,
	}
	below, above := math.Hypot(p.DelaySeconds-p.CI95[0], 1.96*uLate), math.Hypot(p.CI95[1]-p.DelaySeconds, 1.96*uLate)
	d.used.CI95 = &[2]float64{d.used.Delay - below, d.used.Delay + above}
	if p.DistanceM > path.ModelledM && !arr.Station.LongWave() {
		d.notices = append(d.notices, FarPath{arr.Station.ID})
	}
	if p.Sky != nil {
		// The line itself has bent and drifted with the path.
		d.used.Delay, d.used.CI95, d.used.Drift, d.used.Sky = p.DelaySeconds, &p.CI95, 0, &Sky{p.Sky.LevelDB, p.Sky.UDB, p.Sky.Late}
		d.spread, d.uDrift, d.onLine = p.Delay, 0, true
		how.BySky = *d.used.Sky
	}
	switch {
	case p.Stray > 0:
		d.notices = append(d.notices, PathContradicted{arr.Station.ID, p.Stray})
	case p.Spaced:
		how.BySpacing = share
	}
	for _, cause := range p.Causes {
		d.used.Causes = append(d.used.Causes, PathCause{cause.Name, cause.USeconds})
		if share := cause.USeconds * cause.USeconds / (p.USeconds * p.USeconds); share > leastShare {
			how.From = append(how.From, Share{cause.Name, share})
		}
	}
	d.known = how
	return d, why, true
}

// heardOf is what a tick's arrivals tell the path's modes; nothing when it is the
// mean of several that are not told apart.
func heardOf(arr *timing.Arrival) []path.Heard {
	if timedBy(arr) == PowerWeightedMean {
		return nil
	}
	heard := []path.Heard{{}}
	for i, p := range arr.Paths {
		if i == 0 {
			heard[0].LevelDB = p.LevelDB
			continue
		}
		heard = append(heard, path.Heard{Excess: p.ExcessSeconds, U: p.UExcess, LevelDB: p.LevelDB})
	}
	return heard
}

// courseKey is what a computed delay is for, to the minute: live and replayed the
// same, and seldom computed anew.
type courseKey struct {
	middle time.Time
	span   time.Duration
}

// course is the delay of a station over a span of time.
func (a *Attempt) course(s *station.Station, middle time.Time, span time.Duration) (path.Course, error) {
	key := courseKey{middle.Round(time.Minute), span.Round(time.Minute)}
	if kept, ok := a.courses[s]; ok && kept.key.middle.Equal(key.middle) && kept.key.span == key.span {
		return kept.course, kept.err
	}
	c, err := path.Follow(path.Request{
		Station: s, CarrierHz: a.settings.CarrierHz, At: *a.settings.At, Time: key.middle,
		Sunspots: a.settings.Sunspots, Maps: a.settings.Maps, Ground: a.settings.Ground, Ionograms: a.settings.Ionograms,
	}, key.span)
	a.courses[s] = keptCourse{key, c, err}
	return c, err
}

// wavesEvery is how old what ground and sky wave tell may be, s.
const wavesEvery = 10

// withWaves is a course with what an arrival tells of ground and sky wave.
func (a *Attempt) withWaves(arr *timing.Arrival, c path.Course, last int) path.Prediction {
	k := keptWaves{arr: arr, middle: a.courses[arr.Station].key, at: last / wavesEvery}
	kept := a.waves[arr.Station]
	if kept.arr != k.arr || kept.middle != k.middle || kept.at != k.at {
		k.told = c.WithWaves(arr.Waves, float64(last), a.loop(arr.Station).tiltU(arr.Station.Carriers[0].Hz))
		a.waves[arr.Station] = k
		kept = k
	}
	return kept.told
}

// loop is the tuned antenna before a station.
func (a *Attempt) loop(st *station.Station) TunedLoop {
	l, noise := a.settings.loopFor(st), a.radio.loop(st)
	if l.Known == nil {
		return noise
	}
	return l.beside(noise, st.Carriers[0].Hz)
}

// keptWaves is what was last told of ground and sky wave.
type keptWaves struct {
	arr    *timing.Arrival
	middle courseKey
	at     int
	told   path.Prediction
}

// keptCourse is the latest course of a station.
type keptCourse struct {
	key    courseKey
	course path.Course
	err    error
}

// begin is the UTC of the first frame as far as it is known: from what was said,
// the recording's own account or the broadcast.
func (a *Attempt) begin(read func(decoder) timecode.Reading) time.Time {
	if at := a.start(); !at.IsZero() {
		return at
	}
	return a.broadcastBegin(read)
}

// broadcastBegin is the UTC of the first frame as the broadcast tells it.
func (a *Attempt) broadcastBegin(read func(decoder) timecode.Reading) time.Time {
	for _, c := range a.told() {
		if r := read(c.dec); r.UTC.Known() {
			return r.UTC.Value.Add(-seconds(a.pulses.Start()/a.rate + float64(r.N)))
		}
	}
	return time.Time{}
}

// start is the UTC of the first frame as it was given or stands in the recording.
func (a *Attempt) start() time.Time { return startOf(a.settings, a.info) }

func startOf(s Settings, info capture.Info) time.Time {
	if !s.Start.IsZero() {
		return s.Start
	}
	return info.Start
}

// withDrift takes a path's drift, known to u, out of what the ticks say of the
// clock's rate. In the middle of the ticks, where the lines hold, it does nothing.
func withDrift(lines []line, drift, u float64) []line {
	moved := make([]line, len(lines))
	for i, l := range lines {
		l.y -= drift
		l.vy += u * u
		moved[i] = l
	}
	return moved
}

// partOf is what something contributes to an uncertainty u of which rest is left
// without it.
func partOf(u, rest float64) float64 { return math.Sqrt(max(0, u*u-rest*rest)) }
