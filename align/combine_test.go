package align

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"timeball/align/path"
	"timeball/capture/station"
)

// heardFix is a fix of one station at Boston, whose first arrival comes by a
// delay, on a clock that is 1.5 ms ahead.
func heardFix(minute int, id string, hz, delay float64, arrivals ...Arrival) Fix {
	at := time.Date(2026, 3, 14, 23, minute, 0, 0, time.UTC)
	x, u := 1.5e-3, 0.4e-3
	return Fix{
		Recording: Recording{Path: id}, Verdict: Found, Offset: &x, U: &u, CI95: &[2]float64{x - 2*u, x + 2*u}, At: &at,
		Place: &Place{42.36, -71.06}, Rate: &Rate{0, 1e-9}, Budget: []BudgetLine{{Source: receiverDelay, Type: "B", U: 20e-6}},
		Stations: []StationFix{{
			ID: id, CarrierHz: hz, Offset: &x, U: &u, TimedBy: EarliestArrival, Path: &PathUsed{Delay: delay, U: u, Mode: "1F2"},
			Received: &Received{1.5e-3 + delay, 15e-6}, Arrivals: append([]Arrival{{}}, arrivals...),
		}},
	}
}

func everyStation() []*station.Station {
	all := station.Builtin()
	var of []*station.Station
	for i := range all {
		of = append(of, &all[i])
	}
	return of
}

// Two carriers of one station by the modes that the model has likeliest: together
// they must be surer than either, and tell both.
func TestCombine(t *testing.T) {
	how := Combination{Stations: everyStation(), Sunspots: 80}
	var fixes []Fix
	for i, hz := range []float64{10e6, 15e6} {
		p, err := path.Predict(path.Request{Station: how.Stations[slices.IndexFunc(how.Stations, func(s *station.Station) bool { return s.ID == "wwv" })], CarrierHz: hz,
			At: path.LatLon{Lat: 42.36, Lon: -71.06}, Time: time.Date(2026, 3, 14, 23, 10*i, 0, 0, time.UTC), Sunspots: 80})
		if err != nil {
			t.Fatal(err)
		}
		f := heardFix(10*i, "wwv", hz, p.DelaySeconds)
		alone, half := 1.5e-3, p.USeconds
		f.Stations[0].U = &half
		f.CI95 = &[2]float64{alone - 1.96*half, alone + 1.96*half}
		fixes = append(fixes, f)
	}
	odd := heardFix(5, "chu", 7.85e6, 2.5e-3)
	odd.Place = nil
	odd.Recording.Path = "nowhere.wav"
	f, err := Combine(append(fixes, odd), how)
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Recordings) != 2 || math.Abs(f.Recordings[0].Weight+f.Recordings[1].Weight-1) > 1e-9 {
		t.Fatalf("recordings %+v", f.Recordings)
	}
	if f.CI95[0] > 1.5e-3 || f.CI95[1] < 1.5e-3 {
		t.Errorf("interval %v does not hold 1.5 ms", *f.CI95)
	}
	for i, one := range fixes {
		if *f.U >= *one.Stations[0].U {
			t.Errorf("u is %g s together, %g s of recording %d alone", *f.U, *one.Stations[0].U, i)
		}
	}
	if len(f.Notices) != 1 || f.Notices[0].(LeftOut).Recording != "nowhere.wav" {
		t.Errorf("notices %v: the recording without a place must be named", f.Notices)
	}
	if !f.At.Equal(*fixes[1].At) {
		t.Errorf("the fix is for %v, want the latest marker", f.At)
	}
}

// Path delays that were given are taken as they are: the mean of two, weighted.
func TestCombineGiven(t *testing.T) {
	a, b := heardFix(0, "wwv", 0, 5e-3), heardFix(10, "chu", 0, 2e-3)
	a.Stations[0].Path.Mode, a.Stations[0].Path.U = givenMode, 30e-6
	b.Stations[0].Path.Mode, b.Stations[0].Path.U = givenMode, 60e-6
	b.Stations[0].Received.Offset += 90e-6
	f, err := Combine([]Fix{a, b}, Combination{Stations: everyStation(), Sunspots: 80})
	if err != nil {
		t.Fatal(err)
	}
	// 1.5 ms to 33.5 µs and 1.59 ms to 61.8 µs, and the receiver's 20 µs.
	va, vb := 30e-6*30e-6+15e-6*15e-6, 60e-6*60e-6+15e-6*15e-6
	want := 1.5e-3 + 90e-6*va/(va+vb)
	u := math.Sqrt(va*vb/(va+vb) + 20e-6*20e-6)
	if math.Abs(*f.Offset-want) > 10e-6 || math.Abs(*f.U/u-1) > 0.35 {
		t.Errorf("offset %g s, u %g s; want %g and %g", *f.Offset, *f.U, want, u)
	}
}

// A clock that was set between two recordings must not be averaged.
func TestCombineContradiction(t *testing.T) {
	a, b := heardFix(0, "wwv", 10e6, 9.8e-3), heardFix(10, "chu", 7.85e6, 2.5e-3)
	b.Stations[0].Received.Offset += 40e-3
	_, err := Combine([]Fix{a, b}, Combination{Stations: everyStation(), Sunspots: 80})
	var apart path.ContradictionError
	if !errors.As(err, &apart) || apart.Apart < 30e-3 || apart.Apart > 40e-3 {
		t.Errorf("error %v", err)
	}
}

// A file given twice, or the same minutes by another receiver, tells nothing twice.
func TestCombineSameTicks(t *testing.T) {
	how := Combination{Stations: everyStation(), Sunspots: 80}
	one := heardFix(10, "wwv", 10e6, 9.8e-3)
	one.Recording.Seconds = 120
	copied := one
	copied.Recording.Path = "copy.wav"
	later := one.At.Add(119 * time.Second)
	overlapping := one
	overlapping.At, overlapping.Recording.Path = &later, "late.wav"
	alone, err := Combine([]Fix{one}, how)
	if err != nil {
		t.Fatal(err)
	}
	all, err := Combine([]Fix{one, copied, overlapping}, how)
	if err != nil {
		t.Fatal(err)
	}
	if len(all.Recordings) != 1 || len(all.Notices) != 2 || *all.U != *alone.U {
		t.Errorf("%d recordings, u %g s, %g s alone; notices %v", len(all.Recordings), *all.U, *alone.U, all.Notices)
	}
	after := one.At.Add(121 * time.Second)
	next := one
	next.At = &after
	if both, err := Combine([]Fix{one, next}, how); err != nil || len(both.Recordings) != 2 {
		t.Errorf("one recording after the other: %d, %v", len(both.Recordings), err)
	}
}
