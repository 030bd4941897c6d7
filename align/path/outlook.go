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
	instants := make([]instant, r.Hours)
	for i := range instants {
		t := r.From.Add(time.Duration(i)*time.Hour + 30*time.Minute)
		sunspots := r.Sunspots
		if math.IsNaN(sunspots) {
			sunspots, _ = DefaultSunspots(t)
		}
		instants[i] = newInstant(t, r.Maps, []sunspotNode{{sunspots, 1}})
	}
	type tuned struct {
		hour int
		hz   float64
	}
	noises := map[tuned]noise.Figure{}
	var slots []Slot
	for _, s := range r.Stations {
		var way *circuit
		var skies [][]*sky
		for _, c := range s.Carriers {
			site := LatLon{Lat: c.Lat, Lon: c.Lon}
			if way == nil || !sameSky(way.from, site) {
				way = newCircuit(site, r.At, false)
				skies = make([][]*sky, r.Hours)
			}
			for i, now := range instants {
				slot := Slot{Station: s.ID, CarrierHz: c.Hz, Time: now.time, DistanceM: way.distanceM}
				if !onAirInHour(c, now.time) {
					slots = append(slots, slot)
					continue
				}
				key := tuned{i, c.Hz}
				external, known := noises[key]
				if !known {
					external = now.noiseAt(r.At, r.Receiver, c.Hz)
					noises[key] = external
				}
				if s.LongWave() {
					slot.fillLongWave(now, &s, c, way, r.At, r.Receiver, external)
					slots = append(slots, slot)
					continue
				}
				if skies[i] == nil {
					skies[i] = now.skies(way)
				}
				slot.fill(skies[i], now, c, s.Depth, r.Receiver, external)
				slots = append(slots, slot)
			}
		}
	}
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
func (slot *Slot) fill(skies []*sky, now instant, c station.Carrier, depth float64, r Receiver, external noise.Figure) {
	s := skies[0]
	signal := s.reception(c, depth, r, external)
	slot.SNRdB, slot.Reliability = signal.snrDB, signal.reliability
	slot.Hearing = hearing(signal.reliability)
	slot.SunElevation = 90 - s.midZenith*180/math.Pi
	var tally modeTally
	m := tally.appendFirstArrivals(nil, skies, now.nodes, component{weight: 1}, c.Hz)
	if !m.normalise() {
		slot.Hearing = Unlikely
		return
	}
	slot.DelaySeconds, slot.USeconds = m.mean(), m.deviation()
	first, share := m.likeliest()
	slot.Mode, slot.ModeShare = first.String(), share
	// The terminator crosses the F layer some ten degrees on either side of the
	// ground's; the layer rises and sinks fastest there: common practice.
	slot.Twilight = slot.SunElevation >= -18 && slot.SunElevation <= 12
	slot.Steady = !slot.Twilight && first.layer != sporadic
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
