package path

import (
	"errors"
	"math"
	"time"

	"timeball/align/path/ionosphere"
	"timeball/align/path/noise"
	"timeball/capture/station"
)

// OutlookRequest asks what can be heard at a place over a day.
type OutlookRequest struct {
	Stations []station.Station
	At       LatLon
	From     time.Time // start of the first hour
	Hours    int
	Sunspots float64 // as in Request
	Maps     ionosphere.Maps
	Receiver Receiver
}

// Hearing says how likely a carrier is heard well enough for an attempt.
type Hearing int

const (
	Off      Hearing = iota // not on the air by its schedule
	Unlikely                // on fewer than 3 days in 10
	Maybe
	Likely // on more than 7 days in 10
)

func (h Hearing) String() string {
	return [...]string{"off", "unlikely", "maybe", "likely"}[h]
}

// Slot is one carrier in the middle of one hour.
type Slot struct {
	Station      string // its ID
	CarrierHz    float64
	Time         time.Time
	Hearing      Hearing
	SNRdB        float64 // median, tick tone over noise in 3 kHz of audio
	Reliability  float64 // share of days on which the required SNR is reached
	DistanceM    float64
	Mode         string  // most likely to be the earliest arrival; empty: no delay was computed
	ModeShare    float64 // chance that it is
	DelaySeconds float64
	USeconds     float64
	SunElevation float64 // at the middle of the path, degrees
	Twilight     bool    // it is near dawn or dusk there, when layers move fast
	// Steady: no twilight, and the first mode does not hang on sporadic E.
	Steady bool
}

// Outlook estimates every carrier of every station for the hours asked for, in
// the order of the stations, their carriers and the hours. Those that are unlikely to
// be heard have no delay.
func Outlook(r OutlookRequest) ([]Slot, error) {
	if !onEarth(r.At) {
		return nil, errPlace(r.At)
	}
	if len(r.Stations) == 0 {
		return nil, errors.New("no station to look out for")
	}
	if r.From.IsZero() {
		return nil, errors.New("no day to look out for")
	}
	hours := make([]hour, r.Hours)
	var carriers []station.Carrier
	var of []*station.Station
	var sites []int // the first carrier of each
	for i := range r.Stations {
		for _, c := range r.Stations[i].Carriers {
			if n := len(sites); n == 0 || !sameSky(carriers[sites[n-1]], c) {
				sites = append(sites, len(carriers))
			}
			carriers, of = append(carriers, c), append(of, &r.Stations[i])
		}
	}
	each(r.Hours, func(i int) {
		t := r.From.Add(time.Duration(i)*time.Hour + 30*time.Minute)
		sunspots, u := r.Sunspots, float64(givenSunspotsU)
		if math.IsNaN(sunspots) {
			sunspots, u = DefaultSunspots(t)
		}
		hours[i] = hour{newInstant(t, r.Maps, sunspots), u, map[float64]noise.Figure{}}
		for _, c := range carriers {
			if _, known := hours[i].noise[c.Hz]; !known {
				hours[i].noise[c.Hz] = hours[i].noiseAt(r.At, r.Receiver, c.Hz)
			}
		}
	})
	slots := make([]Slot, len(carriers)*r.Hours)
	each(len(sites), func(k int) {
		first, after := sites[k], len(carriers)
		if k+1 < len(sites) {
			after = sites[k+1]
		}
		way := newCircuit(LatLon{Lat: carriers[first].Lat, Lon: carriers[first].Lon}, r.At, false)
		grounds := make([]longGround, after-first)
		for i, c := range carriers[first:after] {
			if of[first+i].LongWave() {
				grounds[i] = newLongGround(nil, c.Hz, way)
			}
		}
		var days [][]float64
		for h, now := range hours {
			var o *over
			for i := first; i < after; i++ {
				c := carriers[i]
				slot := &slots[i*r.Hours+h]
				*slot = Slot{Station: of[i].ID, CarrierHz: c.Hz, Time: now.time, DistanceM: way.distanceM}
				switch {
				case !onAirInHour(c, now.time):
				case of[i].LongWave():
					slot.fillLongWave(now.instant, c, way, grounds[i-first], r.Receiver, now.noise[c.Hz])
				default:
					if o == nil {
						o = now.over(way, now.uR12)
						if days == nil {
							days = evenDays(o.size(), len(o.weather.over))
						}
					}
					slot.fill(o, days, c, of[i].Depth, r.Receiver, now.noise[c.Hz])
				}
			}
		}
	})
	return slots, nil
}

// hour is what an outlook's carriers share in one hour: the ionosphere, how well its
// sunspot number is known, and the noise at the receiver by frequency.
type hour struct {
	instant
	uR12  float64
	noise map[float64]noise.Figure
}

// over is what carriers share that come over one circuit in one hour.
type over struct {
	*sky
	*weather
	leg
}

func (now instant) over(way *circuit, uR12 float64) *over {
	l, all := survey(now, way, 0, nil)
	return &over{now.sky(way), newWeather(now.r12, uR12, all, nil), l}
}

// onAirInHour holds when a carrier is scheduled for any part of the hour around
// its middle.
func onAirInHour(c station.Carrier, middle time.Time) bool {
	for minutes := -30; minutes < 30; minutes += 5 {
		if c.OnAir(middle.Add(time.Duration(minutes) * time.Minute)) {
			return true
		}
	}
	return false
}

// sameSky holds for antennas of one station, which stand within a few hundred
// metres; the outlook does not need their distances apart.
func sameSky(a, b station.Carrier) bool {
	return math.Abs(a.Lat-b.Lat) < 0.03 && math.Abs(a.Lon-b.Lon) < 0.03
}

func hearing(reliability float64) Hearing {
	switch {
	case reliability > 0.7:
		return Likely
	case reliability >= 0.3:
		return Maybe
	}
	return Unlikely
}

// fill computes what is heard and when it arrives.
func (slot *Slot) fill(o *over, days [][]float64, c station.Carrier, depth float64, r Receiver, external noise.Figure) {
	signal := o.reception(c, depth, r, external)
	slot.SNRdB, slot.Reliability = signal.snrDB, signal.reliability
	slot.Hearing = hearing(signal.reliability)
	slot.SunElevation = 90 - o.midZenith*180/math.Pi
	// The terminator crosses the F layer some ten degrees on either side of the
	// ground's; the layer rises and sinks fastest there: common practice.
	slot.Twilight = slot.SunElevation >= -18 && slot.SunElevation <= 12
	if slot.Hearing >= Maybe {
		slot.Steady = slot.time(o.weather, o.on(c.Hz), days).sporadic == 0 && !slot.Twilight
	}
}

// outlookDays are drawn for a slot. Its u is then within a quarter of Predict's, RMS, and its
// delay within a fifth of u (TestOutlookAgreesWithPath): what there is time for.
const outlookDays = 24

// time estimates the first arrival as Predict does, from fewer days, which are spread
// evenly over what matters most.
func (slot *Slot) time(w *weather, l leg, days [][]float64) kind {
	p := Prediction{GreatCircleSeconds: slot.DistanceM / lightMPerS}
	for _, z := range days {
		p.days = append(p.days, day{weight: 1. / outlookDays, sunspots: w.sunspots(z), ways: w.arrivals(&l, z)})
	}
	p.summarise(nil, together)
	slot.DelaySeconds, slot.USeconds = p.DelaySeconds, p.USeconds
	var first kind
	for _, m := range p.Modes {
		if m.First > slot.ModeShare {
			first, slot.Mode, slot.ModeShare = m.kind, m.Name, m.First
		}
	}
	return first
}

// evenDays are draws for weather over some places, whose first elements of the fields that
// matter most, whose scale and whose sunspots are a lattice: multiples of the powers of
// the root of x^(d+1) = x + 1, which fill d dimensions evenly (H. Niederreiter's
// additive recurrence; that root from memory).
func evenDays(size, places int) [][]float64 {
	quantities := [...]int{strayFoF2, strayM3000, strayThickF2, straySporadic, strayFoE}
	const d = len(quantities) + 2
	root := 1.0
	for range 60 {
		root = math.Pow(1+root, 1/float64(d+1))
	}
	normal := func(share float64) float64 { return math.Sqrt2 * math.Erfinv(2*share-1) }
	days := make([][]float64, outlookDays)
	for i := range days {
		z := make([]float64, size)
		draw(z, i)
		share := func(dimension int) float64 {
			_, f := math.Modf(0.5 + float64(i+1)*math.Pow(root, -float64(dimension+1)))
			return f
		}
		for k, q := range quantities {
			z[globals+q*places] = normal(share(k))
		}
		z[0] = normal(share(d - 2))
		// The scale's χ² of four degrees of freedom, by halving.
		low, high := 0.0, 60.0
		for range 40 {
			if x := (low + high) / 2; 1-math.Exp(-x/2)*(1+x/2) < share(d-1) {
				low = x
			} else {
				high = x
			}
		}
		for k := 1; k < globals; k++ {
			z[k] = math.Sqrt(low / (globals - 1))
		}
		days[i] = z
	}
	return days
}

// Recommend picks the slot for an attempt: heard likely, the middle of the
// path steadily in daylight or darkness, and then the surest delay. ok is false
// when no slot is even maybe heard.
func Recommend(slots []Slot) (best Slot, ok bool) {
	rank := func(s Slot) float64 {
		if s.Hearing < Maybe {
			return 0
		}
		// The inverse of the delay's uncertainty, a microsecond at best; a
		// likely slot comes before any other, then a steady one.
		r := 1e-6 / (1e-6 + s.USeconds)
		if s.Hearing == Likely {
			r += 2
		}
		if s.Steady {
			r++
		}
		return r
	}
	for _, s := range slots {
		if rank(s) > rank(best) {
			best, ok = s, true
		}
	}
	return best, ok
}
