package align

import (
	"math"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
)

// Through the insertion of a second (the last one was at the end of 2016, IERS
// Bulletin C 52) no pulse gets another second's name, and none stays unnamed.
func TestLeapSecondLive(t *testing.T) {
	t.Parallel()
	midnight := time.Date(2017, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		station string
		lead    time.Duration
	}{{"wwv", 150 * time.Second}, {"chu", 50 * time.Second}} {
		start := midnight.Add(-c.lead).Add(300 * time.Millisecond)
		config := simulate.Config{
			Rate: 8000, Seconds: c.lead.Seconds() + 20, Start: start, Station: aStation(t, c.station), SNRdB: 20,
			Paths: over(5e-3), Marker: &simulate.Marker{OffsetSeconds: 0.1}, LeapAt: midnight, LeapPending: true, Seed: 4,
		}
		s := wwvAtHome(t)
		s.Stations = []*station.Station{config.Station}
		s.Start = start
		s.PathDelays = map[string]Quantity{"": {Value: 5e-3, U: 1e-6}}
		src, live := begun(t, config, s)
		named, unnamed := 0, 0
		var b capture.Block
		for src.Read(&b) == nil {
			now, ok := live.Process(&b)
			if !ok {
				continue
			}
			if now.Offset != nil {
				live.refit = math.MaxInt64 // one fit will do to name seconds by
			}
			// The pulse comes 0.1 s before its second.
			at := start.Add(seconds(now.T)).Round(time.Second)
			if now.T > c.lead.Seconds()-20 && now.UTC == nil {
				unnamed++
			}
			if now.UTC == nil {
				continue
			}
			named++
			want, inserted := at, at.Equal(midnight)
			if at.After(midnight) {
				want = at.Add(-time.Second)
			}
			if !now.UTC.Second.Equal(want) || now.UTC.Inserted != inserted {
				t.Errorf("%s at %.1f s: %v (inserted %v), want %v (%v)", c.station, now.T, now.UTC.Second, now.UTC.Inserted, want, inserted)
			}
			if inserted && (now.SecondOfMinute == nil || *now.SecondOfMinute != 60) {
				t.Errorf("%s: second of the minute %v, want 60", c.station, now.SecondOfMinute)
			}
		}
		if named < 30 || unnamed > 0 {
			t.Errorf("%s: %d seconds named, %d unnamed around the leap", c.station, named, unnamed)
		}
	}
}

// A recording that begins just before it names the time after it.
func TestLeapSecondAtTheStart(t *testing.T) {
	t.Parallel()
	midnight := time.Date(2017, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, id := range []string{"wwv", "chu"} {
		config, s := clearly(t, id, 0, 0)
		config.Start = midnight.Add(-10 * time.Second).Add(300 * time.Millisecond)
		config.LeapAt, config.LeapPending = midnight, true
		if id == "wwv" {
			config.Seconds = 200 // two whole minutes of its code
		}
		fix := measured(t, config, s, 0)
		// One second of those since the start was inserted.
		if want := config.Start.Add(seconds(config.Seconds - 1)).Truncate(time.Second); fix.UTC == nil || !fix.UTC.Second.Equal(want) {
			t.Errorf("%s: UTC %+v, want %v", id, fix.UTC, want)
		}
	}
}
