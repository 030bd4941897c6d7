package align

import (
	"math"
	"testing"
	"time"

	"timeball/align/path"
	"timeball/capture/simulate"
	"timeball/capture/station"
)

// The chirps of minute 8 tell two ways apart that fade, and what they tell decides
// between the path's modes.
func TestSoundingIsHeard(t *testing.T) {
	t.Parallel()
	wwv, _ := station.Find("wwv")
	const apart = 0.45e-3
	c := simulate.Config{
		Rate: 8000, Seconds: 100, Seed: 5, SNRdB: 3, Station: wwv, Start: time.Date(2026, 3, 14, 5, 7, 30, 0, time.UTC),
		Paths:  []simulate.Path{{DelaySeconds: 25e-3, SpreadHz: 0.1}, {DelaySeconds: 25e-3 + apart, SpreadHz: 0.1}},
		Marker: &simulate.Marker{OffsetSeconds: 0.012},
	}
	f := measured(t, c, Settings{Stations: []*station.Station{wwv}, Named: true, CarrierHz: 5e6, Start: c.Start,
		At: &path.LatLon{Lat: 50.2, Lon: -5.6}, Sunspots: 80}, 0)
	if len(f.Stations) != 1 || f.Stations[0].Sounding == nil {
		t.Fatalf("no chirps heard: %s", f.Reason)
	}
	s := f.Stations[0].Sounding
	if want := time.Date(2026, 3, 14, 5, 8, 0, 0, time.UTC); !s.At.Equal(want) {
		t.Errorf("chirps of %v, want %v", s.At, want)
	}
	if len(s.Arrivals) != 2 || math.Abs(s.Arrivals[1].Excess-apart) > 60e-6 {
		t.Errorf("arrivals %+v, want two that are %g s apart", s.Arrivals, apart)
	}
}

// Of ways that one tick cannot tell apart the tick is the mean; a tick that is told
// apart begins with the arrival whose fellows it shares.
func TestLateOfSounding(t *testing.T) {
	late, u := meanOf([]Arrival{{}, {Excess: 0.4e-3, Level: 0}, {Excess: 2e-3, Level: 0}})
	if math.Abs(late-0.2e-3) > 1e-9 || math.Abs(u-0.12e-3) > 1e-9 {
		t.Errorf("late by %g ± %g s", late, u)
	}
	s := Sounding{Arrivals: []Arrival{{}, {Excess: 0.5e-3, U: 20e-6}}}
	if h := s.heard([]Arrival{{}, {Excess: 0.48e-3, U: 5e-6, Level: -2}}); h[1].Excess != 0.48e-3 || h[1].LevelDB != -2 {
		t.Errorf("heard %+v: the tick's own second arrival is timed better", h)
	}
}
