package align

import (
	"io"
	"math"
	"slices"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
)

// hearFor measures cfg with the stations named, or all but the lookalikes.
func hearFor(t *testing.T, cfg simulate.Config, ids ...string) Fix {
	t.Helper()
	src, err := simulate.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	s := Settings{Sunspots: math.NaN(), Named: len(ids) > 0, PathDelays: map[string]Quantity{"": {Value: 10e-3}}}
	all := station.Builtin()
	for i := range all {
		named := false
		for _, id := range ids {
			named = named || all[i].ID == id
		}
		if named || len(ids) == 0 && !all[i].Lookalike {
			s.Stations = append(s.Stations, &all[i])
		}
	}
	a, err := NewAttempt(src.Info(), s)
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for src.Read(&b) != io.EOF {
		a.Process(&b)
	}
	return a.Fix()
}

// local is a clock that is right enough.
func local() *simulate.Marker {
	return &simulate.Marker{OffsetSeconds: 0.12, NoiseRMS: 1e-4, WidthSeconds: 0.02}
}

// What repeats each second and is no station gives no fix, no offset and no direction,
// be the station named or not: sweeps as of coastal radars, dance music, steady carriers.
func TestOthersAreNotTaken(t *testing.T) {
	sunday := time.Date(2026, 3, 15, 14, 11, 7, 0, time.UTC)
	sound := func(s simulate.Sound) simulate.Config {
		s.Level, s.PhaseSeconds = 0.2, 0.31
		return simulate.Config{Rate: 8000, Seconds: 150, Seed: 3, Start: sunday, SNRdB: 10, Marker: local(), Sounds: []simulate.Sound{s}}
	}
	rwm, _ := station.Find("rwm")
	carriers := simulate.Config{Rate: 8000, Seconds: 150, Seed: 3, Start: sunday, SNRdB: 10, Marker: local(), Programme: simulate.CarrierOnly}
	for _, hz := range []float64{50, 150, 440, 600, 1000, 1200} {
		carriers.Carriers = append(carriers.Carriers, simulate.Carrier{OffsetHz: hz, LevelDB: -20})
	}
	beat := simulate.Config{
		Rate: 8000, Seconds: 150, Seed: 3, Start: sunday, SNRdB: 10, Marker: local(), Station: rwm,
		Receiver: simulate.Receiver{Detector: simulate.SSB, MistuningHz: 1010},
	}
	for _, c := range []struct {
		name  string
		cfg   simulate.Config
		named []string
	}{
		{"a sweep each second", sound(simulate.Sound{Kind: simulate.Sweep}), nil},
		{"a sweep each second, WWV named", sound(simulate.Sound{Kind: simulate.Sweep}), []string{"wwv"}},
		{"two sweeps a second, WWVH named", sound(simulate.Sound{Kind: simulate.Sweep, SweepHz: 50e3, PerSecond: 2}), []string{"wwvh"}},
		{"dance at 120, HLA named", sound(simulate.Sound{Kind: simulate.Dance, PerSecond: 2}), []string{"hla"}},
		{"steady carriers, CHU named", carriers, []string{"chu"}},
		{"RWM's beat on a Sunday, when EBC is off", beat, nil},
		{"RWM's beat, RWM and CHU named", beat, []string{"rwm", "chu"}},
	} {
		f := hearFor(t, c.cfg, c.named...)
		if f.Verdict != NoTick || f.Offset != nil || f.Sense != "" || len(f.Stations) > 0 {
			t.Errorf("%s: %s, %d stations", c.name, f.Verdict, len(f.Stations))
		}
	}
}

// A name does not help a station whose ticks are another's: it is waited for its minute.
func TestNamedLookalike(t *testing.T) {
	lol, _ := station.Find("lol")
	f := hearFor(t, simulate.Config{
		Rate: 8000, Seconds: 25, Seed: 4, Start: time.Date(2026, 3, 12, 11, 20, 7, 0, time.UTC),
		SNRdB: 15, Marker: local(), Station: lol,
	}, "lol")
	if f.Verdict != NoTick || f.Offset != nil || f.Waiting == nil || f.Waiting.Station != "lol" || f.Waiting.For != MinuteMark {
		t.Errorf("%s, waits for %+v", f.Verdict, f.Waiting)
	}
}

// A station that by its own table is off the air is refused, and that is said.
func TestOffTheAir(t *testing.T) {
	ebc, _ := station.Find("ebc")
	for _, c := range []struct {
		start time.Time
		found bool
	}{
		{time.Date(2026, 3, 15, 10, 5, 7, 0, time.UTC), false}, // a Sunday
		{time.Date(2026, 3, 12, 10, 5, 7, 0, time.UTC), true},
	} {
		f := hearFor(t, simulate.Config{Rate: 8000, Seconds: 60, Seed: 3, Start: c.start, SNRdB: 10, Marker: local(), Station: ebc}, "ebc")
		if (f.Verdict == Found) != c.found {
			t.Errorf("%v: %s, %v", c.start, f.Verdict, f.Why)
		}
		if off, ok := f.Why.(OffAir); !c.found && (!ok || !slices.Equal(off.Stations, []string{"ebc"})) {
			t.Errorf("the reason is %#v", f.Why)
		}
	}
}

// A named station is taken from its form before its minute is heard, and that is said;
// under auto it is waited for, with the reason, and without an offset.
func TestNamedAndNot(t *testing.T) {
	wwv, _ := station.Find("wwv")
	cfg := simulate.Config{
		Rate: 8000, Seconds: 25, Seed: 4, Start: time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC),
		SNRdB: 15, Marker: local(), Station: wwv,
	}
	f := hearFor(t, cfg, "wwv")
	if f.Verdict != Found || len(f.Stations) != 1 || !f.Stations[0].AsNamed || !slices.Contains(f.Notices, Reason(TakenAsNamed{"wwv"})) {
		t.Errorf("named: %s, %v", f.Verdict, f.Notices)
	}
	f = hearFor(t, cfg)
	if f.Verdict != NoTick || f.Offset != nil || f.Sense != "" {
		t.Errorf("not named: %s", f.Verdict)
	}
	if f.Waiting == nil || f.Waiting.Station != "wwv" || f.Waiting.For != MinuteMark || f.Waiting.In == nil || *f.Waiting.In < 20 || *f.Waiting.In > 60 {
		t.Errorf("waits for %+v", f.Waiting)
	}
	cfg.Seconds = 150
	if f = hearFor(t, cfg); f.Verdict != Found || f.Stations[0].AsNamed || f.Waiting != nil {
		t.Errorf("not named, after two minute marks: %s, %v", f.Verdict, f.Why)
	}
}
