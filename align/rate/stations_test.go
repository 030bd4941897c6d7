package rate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// twoStations is a month of a clock that gains 1 µs a day, measured each evening
// by one station and two hours later by another, whose path delay is mistaken by
// bias.
func twoStations(seed uint64, u, bias float64) []Fix {
	rng := rand.New(rand.NewPCG(seed, 1))
	var fixes []Fix
	for d := range 30 {
		for i, station := range []string{"wwv", "chu"} {
			at := time.Date(2026, 3, 1+d, 18+2*i, 0, 0, 0, time.UTC)
			x := 1e-3 + 1e-6*(float64(d)+float64(i)/12) + u*rng.NormFloat64() + bias*float64(i)
			fixes = append(fixes, Fix{ID: int64(len(fixes) + 1), At: at, Offset: x, U: u, Stations: station})
		}
	}
	return fixes
}

// Stations that agree are left alone, but for the days that chance makes look
// otherwise: the test's level for two is that of chi-squared above 3.83, 5 %.
func TestStationsThatAgree(t *testing.T) {
	const records, days = 20, 30
	apart := 0
	for seed := range uint64(records) {
		fit, err := Analyse(twoStations(seed, 0.2e-3, 0), nil)
		if err != nil {
			t.Fatal(err)
		}
		apart += len(fit.Disagreements)
	}
	if share := float64(apart) / (records * days); share > 0.08 {
		t.Errorf("on %.1f %% of the days stations that agree are said not to", 100*share)
	}
}

func TestStationsThatDisagree(t *testing.T) {
	const u, bias = 0.1e-3, 0.8e-3
	fixes := twoStations(3, u, bias)
	fit, err := Analyse(fixes, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(fit.Disagreements) < 28 {
		t.Fatalf("%d of 30 days", len(fit.Disagreements))
	}
	sum := 0.0
	for _, d := range fit.Disagreements {
		sum += d.Apart / float64(len(fit.Disagreements))
		if !slices.Equal(d.Stations, []string{"wwv", "chu"}) || len(d.Entries) != 2 || math.Abs(d.U/(math.Sqrt2*u)-1) > 0.1 {
			t.Errorf("%+v", d)
		}
	}
	if math.Abs(sum/bias-1) > 0.1 {
		t.Errorf("apart by %g s, the mistake is %g s", sum, bias)
	}
	for _, f := range fit.Fixes[:2] {
		if f.U < 3*u {
			t.Errorf("fix %d has u = %g s, it stated %g s, the stations are %g s apart", f.ID, f.U, u, bias)
		}
	}
	if plain, err := analyse(fixes, nil); err != nil || fit.UOffset < plain.UOffset {
		t.Errorf("u of the offset is %g s, without the check %g s; %v", fit.UOffset, plain.UOffset, err)
	}
}

// A clock that was set between two stations' fixes is no disagreement, nor are
// two fixes of one station, nor fixes of other days.
func TestWhatIsNoDisagreement(t *testing.T) {
	fixes := twoStations(4, 1e-5, 0)
	step := 5e-3
	for i := range fixes[31:] {
		fixes[31+i].Offset += step
	}
	set := Adjustment{Kind: StepMade, At: fixes[30].At.Add(time.Hour), Step: &step}
	fit, err := Analyse(fixes, []Adjustment{set})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range fit.Disagreements {
		if d.Apart > step/2 {
			t.Errorf("an adjustment is taken for a disagreement: %+v", d)
		}
	}
	one := twoStations(4, 1e-5, 1e-3)
	for i := range one {
		one[i].Stations = "wwv"
	}
	if fit, err = Analyse(one, nil); err != nil || len(fit.Disagreements) > 0 {
		t.Errorf("one station disagrees with itself: %+v, %v", fit.Disagreements, err)
	}
}
