package find

import (
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/tick/timing"
)

// Arrivals fits all that has been found so far.
func (f *Finder) Arrivals() []*timing.Arrival { return f.fit((*timing.Track).Arrival) }

// Calibrate is the same, with the receiver's response.
func (f *Finder) Calibrate() []*timing.Arrival { return f.fit((*timing.Track).Calibrate) }

func (f *Finder) fit(arrival func(t *timing.Track, s *station.Station, others ...timing.Shape) *timing.Arrival) []*timing.Arrival {
	var all []*timing.Arrival
	for _, t := range f.tracks {
		if t.standing == Unknown {
			continue
		}
		if a := arrival(t.Track, t.station, f.beside(t)...); a != nil {
			all = append(all, a)
		}
	}
	return all
}

// beside are the shapes of the short marks that other stations may send on the carrier
// of t's, of another tone.
func (f *Finder) beside(t *track) (all []timing.Shape) {
	if t.Shape().Onset {
		return nil
	}
	for _, o := range f.request.Table {
		sh := shapeOf(o)
		if o.ToneHz == 0 || sh.Onset || math.Abs(o.ToneHz-t.station.ToneHz) <= timing.Mistuned || slices.Contains(all, sh) || !f.onAir(o) {
			continue
		}
		if slices.ContainsFunc(o.Carriers, func(c station.Carrier) bool {
			return slices.ContainsFunc(t.station.Carriers, func(own station.Carrier) bool { return math.Abs(c.Hz-own.Hz) < NextCarrier })
		}) {
			all = append(all, sh)
		}
	}
	return all
}

// Picture draws up what was heard of a, one of f's arrivals. The audio spans
// the lags audioFrom to audioTo.
func (f *Finder) Picture(a *timing.Arrival, audioFrom, audioTo float64) timing.Picture {
	i := slices.IndexFunc(f.tracks, func(t *track) bool { return t.station == a.Station })
	if i < 0 {
		panic("find: an arrival of another finder")
	}
	return f.tracks[i].Picture(a, audioFrom, audioTo)
}

// Heard is a station whose ticks are tracked.
type Heard struct {
	Station *station.Station
	*timing.Track
}

// Heard lists the tracked stations that are known, or taken as named, in the order in
// which they were found; Tracked lists all.
func (f *Finder) Heard() []Heard {
	return slices.DeleteFunc(f.Tracked(), func(h Heard) bool { return f.Standing(h.Station) == Unknown })
}

// Tracked lists the stations whose ticks may be those that are heard.
func (f *Finder) Tracked() []Heard {
	var all []Heard
	for _, t := range f.tracks {
		all = append(all, Heard{t.station, t.Track})
	}
	return all
}

// Doubted reports whether it would help to Confirm a station: it is not known, or soon to
// be weighed anew.
func (f *Finder) Doubted(s *station.Station) bool {
	return slices.ContainsFunc(f.tracks, func(t *track) bool {
		return t.station == s && !t.confirmed && (t.standing != Known || f.next+1 >= t.look)
	})
}

// Confirm says that what was heard of a station told the time: it is the station.
func (f *Finder) Confirm(s *station.Station) {
	for _, t := range f.tracks {
		if t.station == s {
			t.confirmed, t.standing = true, Known
		}
	}
}

// Standing is how well the tick of a station is known.
func (f *Finder) Standing(s *station.Station) Standing {
	for _, t := range f.tracks {
		if t.station == s {
			return t.standing
		}
	}
	return Unknown
}

// Moved weighs whether the ticks of seconds from ≤ n < to arrive by shift
// low-rate samples later than expected (positive result) or as expected (negative), as
// the difference of log likelihoods of unknown phase.
func (f *Finder) Moved(from, to int64, shift float64) float64 {
	sum := 0.0
	for _, t := range f.tracks {
		sum += t.Moved(from, to, shift)
	}
	return sum
}

// Present weighs whether ticks come in second n where they are expected (positive
// result) or nothing but noise does, as the difference of log likelihoods.
func (f *Finder) Present(n int64) float64 {
	sum := 0.0
	for _, t := range f.tracks {
		sum += t.Present(n)
	}
	return sum
}

// Restart forgets everything and begins anew at second first.
func (f *Finder) Restart(first int64) {
	f.tracks, f.band = nil, nil
	f.Start(first)
}
