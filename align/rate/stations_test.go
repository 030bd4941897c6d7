package rate

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
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

// biasedYears simulates years of a clock measured every third evening by two stations,
// each with a bias of its own, an error of the evening and one of the fix, and counts
// how often the offset now and in 30 days are held, and the rate.
func biasedYears(t testing.TB, runs int) (held map[string]int) {
	held = map[string]int{}
	for run := range runs {
		rng := rand.New(rand.NewPCG(uint64(run), 9))
		o := &oscillator{offset: 2e-3, y: 3e-10, white: 1e-10, walk: 1e-12, rng: rng}
		o.run(365 + 31)
		const u = 0.3e-3
		bias := map[string]float64{}
		for _, s := range []string{"chu", "wwv"} {
			bias[s] = u * math.Sqrt(pathBias) * rng.NormFloat64()
		}
		var fixes []Fix
		for d := 0; d < 365; d += 3 {
			for i, s := range []string{"wwv", "chu"} {
				evening := u * math.Sqrt(0.4) * rng.NormFloat64()
				for k := range 2 {
					at := float64(d) + float64(18+2*i+k)/24
					f := o.fix(at, u*math.Sqrt(0.1))
					f.ID, f.U, f.Stations = int64(len(fixes)+1), u, s
					f.Offset += bias[s] + evening
					fixes = append(fixes, f)
				}
			}
		}
		slices.SortStableFunc(fixes, func(a, b Fix) int { return a.At.Compare(b.At) })
		fit, err := Analyse(fixes, nil)
		if err != nil {
			t.Fatal(err)
		}
		count := func(what string, miss, u float64) {
			if math.Abs(miss) < 1.96*u {
				held[what]++
			}
		}
		last := fixes[len(fixes)-1].At.Sub(atDay(0)).Hours() / 24
		count("offset now", fit.Offset-o.at(last), fit.UOffset)
		x, ux := fit.Forecast(atDay(last + 30))
		count("in 30 days", x-o.at(last+30), ux)
		count("rate", fit.Y-o.trueY[int(math.Round(last*24))], fit.UY)
	}
	return held
}

// A bias stays however many evenings there are.
func TestBiasedStations(t *testing.T) {
	const runs = 16
	for what, n := range biasedYears(t, runs) {
		if n < runs*95/100-3 { // three standard deviations below 95 %
			t.Errorf("%s is held in %d of %d", what, n, runs)
		}
	}
}

func BenchmarkBiasedYears(b *testing.B) {
	const runs = 200
	var held map[string]int
	for b.Loop() {
		held = biasedYears(b, runs)
	}
	for what, n := range held {
		b.ReportMetric(100*float64(n)/runs, "%/"+strings.ReplaceAll(what, " ", "_"))
	}
}
