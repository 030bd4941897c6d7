package rate

import (
	"math"
	"testing"
	"time"
)

// Ten fixes of one evening by one station are no surer than one; those of ten
// evenings are, and so are fixes that name no station.
func TestEveningSharesItsPath(t *testing.T) {
	start := time.Date(2026, 3, 1, 20, 0, 0, 0, time.UTC)
	make10 := func(step time.Duration, station string) []FittedFix {
		var fixes []FittedFix
		for i := range 10 {
			fixes = append(fixes, FittedFix{Fix: Fix{At: start.Add(time.Duration(i) * step), U: 1e-4, Stations: station}})
		}
		return fixes
	}
	mean := func(fixes []FittedFix) float64 { // u of the weighted mean, in those of one fix
		sum := 0.0
		for _, c := range crowding(fixes) {
			sum += 1 / c
		}
		return 1 / math.Sqrt(sum)
	}
	for _, c := range []struct {
		name    string
		step    time.Duration
		station string
		want    float64
	}{
		{"one evening", 2 * time.Minute, "wwv", 1}, {"ten evenings", 24 * time.Hour, "wwv", 1 / math.Sqrt(10)},
		{"no station named", 2 * time.Minute, "", 1 / math.Sqrt(10)},
	} {
		if u := mean(make10(c.step, c.station)); math.Abs(u-c.want) > 0.04 {
			t.Errorf("%s: u of the mean is %.3f of a fix's, want %.3f", c.name, u, c.want)
		}
	}
}
