package align

import (
	"math"
	"slices"

	"timeball/detect/chirp"
	"timeball/detect/tick/timing"
)

// Picture is what a person wants to see of an attempt. Times are local seconds
// after the recording's last marker, at its second, unless they say otherwise.
type Picture struct {
	Fix      Fix
	Stations []StationPicture
	// Marker is where the marker stood through the recording: constant but for
	// its steps.
	Marker []MarkerPoint
}

// MarkerPoint is the place of the marker from a time of the recording on.
type MarkerPoint struct {
	At    float64 // s from the start of the recording
	Place float64 // after the last marker
}

// StationPicture is what was heard of one station.
type StationPicture struct {
	ID       string
	LongWave bool       // its marks change a carrier's level or phase: there is no tick
	Coherent bool       // the audio keeps the tick's phase
	Arrival  float64    // of the earliest path's tick
	Band     [2]float64 // 95 % interval of Arrival, by the ticks alone
	// UTC is where the UTC second is by this station, nil when its path is not
	// known.
	UTC    *float64
	Excess []float64 // s, of each path over the earliest, that one included
	// Sounding is what its chirps told last; nil: none were heard.
	Sounding *chirp.Sounding
	// Start is when each row was heard, s from the start of the recording.
	Start []float64
	timing.Picture
}

// audioMargin is how much audio is shown around what there is to see, and
// nearMarker how near the marker must be to count as such, s.
const (
	audioMargin = 15e-3
	nearMarker  = 80e-3
	tickShown   = 10e-3
)

// Picture draws up the attempt whose fix is f.
func (a *Attempt) Picture(f Fix) Picture {
	if a.marker < 0 {
		return Picture{Fix: f}
	}
	a = a.now()
	return a.picture(f, a.radio.arrivals(false))
}

// Picture draws up what has been measured so far, by the latest radio fit.
func (l *Live) Picture() Picture {
	a := l.attempt
	f := a.report(l.arrivals, decoder.Reading)
	if a.marker < 0 {
		return Picture{Fix: f}
	}
	heard := a.radio.heard()
	return a.picture(f, slices.DeleteFunc(slices.Clone(l.arrivals), func(arr *timing.Arrival) bool { return !stillHeard(heard, arr) }))
}

// PictureOf draws up the measurement whose fix is f.
func (l *Live) PictureOf(f Fix) Picture { return l.attempt.Picture(f) }

func (a *Attempt) picture(f Fix, arrivals []*timing.Arrival) Picture {
	p := Picture{Fix: f}
	period := a.pulses.PeriodFrames()
	last := a.pulses.Seconds() - 1
	phase := a.pulses.Shift() / period
	total := 0.0
	for _, s := range f.Marker.Steps {
		total += s.By
	}
	p.Marker = []MarkerPoint{{0, -total}}
	for _, s := range f.Marker.Steps {
		total -= s.By
		p.Marker = append(p.Marker, MarkerPoint{s.At, -total})
	}
	for _, arr := range arrivals {
		s := StationPicture{ID: arr.Station.ID, LongWave: arr.Station.LongWave(), Coherent: arr.Coherent}
		lag, _ := extrapolate(lines(arr, a.rate, period), float64(last)-arr.Ref)
		median, hull := lag.Median(), lag.Hull(0.95)
		s.Arrival = wrap(median - phase)
		s.Band = [2]float64{s.Arrival + hull.Low - median, s.Arrival + hull.High - median}
		from, to := s.Arrival, s.Arrival+tickShown
		if x := offsetOf(f, s.ID); x != nil {
			utc := s.Arrival + wrap(*x-s.Arrival)
			s.UTC = &utc
			from, to = min(from, utc), max(to, utc)
		}
		if from > 0 && from < nearMarker {
			from = 0
		}
		if to < 0 && to > -nearMarker {
			to = 0
		}
		s.Picture = a.radio.picture(arr, from-audioMargin-s.Arrival, to+audioMargin-s.Arrival)
		for _, p := range arr.Paths {
			s.Excess = append(s.Excess, p.ExcessSeconds)
		}
		if u := a.sounds.found[arr.Station]; u != nil {
			s.Sounding = u.result
		}
		for _, r := range s.Rows {
			base, _ := a.pulses.Base(int(math.Round(r.Second))) // rows are of seconds not forgotten
			s.Start = append(s.Start, base/a.rate)
		}
		p.Stations = append(p.Stations, s)
	}
	return p
}

// offsetOf is the offset by one station whose path is known.
func offsetOf(f Fix, id string) *float64 {
	for _, s := range f.Stations {
		if s.ID == id && s.Path != nil {
			return s.Offset
		}
	}
	return nil
}
