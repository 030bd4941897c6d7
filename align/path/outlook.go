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
	Mode         string  // most likely to be the earliest arrival
	ModeShare    float64 // chance that it is
	DelaySeconds float64
	USeconds     float64
	SunElevation float64 // at the middle of the path, degrees
	Twilight     bool    // it is near dawn or dusk there, when layers move fast
	// Steady: no twilight, and the first mode does not hang on sporadic E.
	Steady bool
}

// Outlook estimates every carrier of every station for the hours asked for, in
// the order of the stations, their carriers and the hours. The delay of a slot
// leaves out the uncertainty of the sunspot number.
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
	var carriers []station.Carrier
	var of []*station.Station
	for i := range r.Stations {
		for _, c := range r.Stations[i].Carriers {
			carriers, of = append(carriers, c), append(of, &r.Stations[i])
		}
	}
	grounds := make([]longGround, len(carriers))
	each(len(carriers), func(i int) {
		if c := carriers[i]; of[i].LongWave() {
			grounds[i] = newLongGround(nil, c.Hz, newCircuit(LatLon{Lat: c.Lat, Lon: c.Lon}, r.At, false).distanceM)
		}
	})
	slots := make([]Slot, len(carriers)*r.Hours)
	each(r.Hours, func(hour int) {
		t := r.From.Add(time.Duration(hour)*time.Hour + 30*time.Minute)
		sunspots := r.Sunspots
		if math.IsNaN(sunspots) {
			sunspots, _ = DefaultSunspots(t)
		}
		now := newInstant(t, r.Maps, sunspots)
		noises := map[float64]noise.Figure{}
		var from LatLon
		var s *sky
		for i, c := range carriers {
			slot := &slots[i*r.Hours+hour]
			*slot = Slot{Station: of[i].ID, CarrierHz: c.Hz, Time: t}
			site := LatLon{Lat: c.Lat, Lon: c.Lon}
			if s == nil || !sameSky(from, site) {
				from = site
				s = now.sky(newCircuit(site, r.At, false))
			}
			slot.DistanceM = s.distanceM
			if !onAirInHour(c, t) {
				continue
			}
			external, known := noises[c.Hz]
			if !known {
				external = now.noiseAt(r.At, r.Receiver, c.Hz)
				noises[c.Hz] = external
			}
			if of[i].LongWave() {
				slot.fillLongWave(now, of[i], c, s.circuit, grounds[i], r.At, r.Receiver, external)
				continue
			}
			slot.fill(s, now, c, of[i].Depth, r.Receiver, external)
		}
	})
	return slots, nil
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
func sameSky(a, b LatLon) bool {
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
func (slot *Slot) fill(s *sky, now instant, c station.Carrier, depth float64, r Receiver, external noise.Figure) {
	signal := s.reception(c, depth, r, external)
	slot.SNRdB, slot.Reliability = signal.snrDB, signal.reliability
	slot.Hearing = hearing(signal.reliability)
	slot.SunElevation = 90 - s.midZenith*180/math.Pi
	// The terminator crosses the F layer some ten degrees on either side of the
	// ground's; the layer rises and sinks fastest there: common practice.
	slot.Twilight = slot.SunElevation >= -18 && slot.SunElevation <= 12
	first := slot.time(now, s.circuit, c.Hz)
	slot.Steady = !slot.Twilight && first.sporadic == 0
}

// time estimates the first arrival from a few days instead of many: those whose
// density and height of the F2 layer stray by √2 standard deviations everywhere
// alike, one at a time (the cubature rule of degree 3 in two dimensions).
func (slot *Slot) time(now instant, way *circuit, hz float64) kind {
	l, over := survey(now, way, hz, nil)
	w := &weather{r12: now.r12, over: over}
	w.day = newTriangle(over, func(_, _ *overhead) float64 { return 1 })
	w.passing = w.day
	z := make([]float64, w.size())
	for i := 1; i < globals; i++ {
		z[i] = 1 // a scale of 1
	}
	var sum, mean, square float64
	shares := map[kind]float64{}
	for _, quantity := range []int{strayFoF2, strayM3000} {
		for _, stray := range []float64{-math.Sqrt2, math.Sqrt2} {
			at := &z[globals+quantity*len(over)]
			*at = stray
			for _, p := range firsts(w.arrivals(&l, z)) {
				d := p.mean - slot.DistanceM/lightMPerS
				sum += p.weight
				mean += p.weight * d
				square += p.weight * (d*d + p.u*p.u)
				shares[p.first] += p.weight
			}
			*at = 0
		}
	}
	mean /= sum
	slot.DelaySeconds, slot.USeconds = slot.DistanceM/lightMPerS+mean, math.Sqrt(max(0, square/sum-mean*mean))
	var first kind
	for k, share := range shares {
		if share /= sum; share > slot.ModeShare || share == slot.ModeShare && k.String() < slot.Mode {
			first, slot.Mode, slot.ModeShare = k, k.String(), share
		}
	}
	return first
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
