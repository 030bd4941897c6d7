package longwave

import (
	"math"
	"testing"

	"timeball/capture/simulate"
	"timeball/capture/station"
)

// On 60 kHz stations do not beat with each other (all are exact: a static vector sum): two
// make no arrival, whichever is named, however they add up, and even when the other is 20 dB
// weaker.
func TestTwoOnOneCarrier(t *testing.T) {
	t.Parallel()
	for i, tt := range []struct {
		named, other string
		levelDB      float64
		later        float64
	}{{"msf", "wwvb", 0, 19e-3}, {"msf", "wwvb", -20, -2e-3}, {"wwvb", "msf", -6, 22e-3}, {"wwvb", "jjy-60", -20, 3e-3}, {"jjy-60", "wwvb", -10, 40e-3}} {
		c := config(t, tt.named, 65, false)
		c.Seconds, c.Seed = 130, uint64(i)
		c.Paths[0].DelaySeconds = 40e-3
		c.Others = []simulate.Signal{{Station: find(t, tt.other), LevelDB: tt.levelDB, Paths: []simulate.Path{{DelaySeconds: 40e-3 + tt.later}}}}
		f := beatNotes(t, c)([]*station.Station{find(t, tt.named)}, builtin)
		if heard := f.Heard(); len(heard) > 0 {
			t.Errorf("%s with %s of %g dB, %g s later: heard", tt.named, tt.other, tt.levelDB, tt.later)
		}
		if c := f.Crowded(); tt.levelDB <= -10 && (c == nil || c.Station.ID != tt.named || len(c.Others) != 2) {
			t.Errorf("%s with %s of %g dB, %g s later: %+v", tt.named, tt.other, tt.levelDB, tt.later, c)
		}
	}
}

// What the constants of a rest are derived from, beside them.
func TestRestConstants(t *testing.T) {
	for _, c := range []struct {
		what             string
		got, least, most float64
	}{
		{"time constants of half a millisecond in which a change takes place", restGap / 0.5e-3, 5, 7},
		{"and until its level is at rest", restClear / 0.5e-3, 8, 12},
		{"a weak other's pull on an edge, in a quarter of 40 us", restShare * 0.33e-3 / 10e-6, 0.7, 1.3},
		{"chance that noise is cut off", math.Exp2(-restMost), 2e-3, 1e-2},
		// Of the mean of 30 squares, by the distribution of chi squared with 60 degrees of freedom
		// (Wilson and Hilferty).
		{"logarithm of chance's odds at 300 places", math.Log(300 * math.Erfc((math.Cbrt(1+restOdds/math.Sqrt(30))-1+1.0/270)*math.Sqrt(270)/math.Sqrt2) / 2), -10, -6},
	} {
		if !(c.got >= c.least && c.got <= c.most) {
			t.Errorf("%s: %g, want %g to %g", c.what, c.got, c.least, c.most)
		}
	}
}
