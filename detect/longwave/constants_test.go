package longwave

import (
	"math"
	"testing"
)

// What constants that decide something are derived from, beside them: none may double.
func TestConstants(t *testing.T) {
	for _, c := range []struct {
		what             string
		got, least, most float64
	}{
		{"standard deviations at which the worst clocks are, ten seconds a day off", 10.0 / 86400 / clockRateU, 1.5, 2.5},
		{"variance of a block's smear in that of an edge of a third of a millisecond", mostSmear * mostSmear / 12 / (0.33e-3 * 0.33e-3), 0.005, 0.015},
		// The rate goes as 1e-6·sin(2πt/1200 s): the place curves by 1e-6·2π/1200 s at most, and
		// from a chord by an eighth of that times its square.
		{"bend of a warming clock in what lays the axis, in the most that marks may smear", 1e-6 * 2 * math.Pi / 1200 / 8 * math.Pow(rateBlocks*blockSeconds, 2) / mostSmear, 0.3, 1},
		{"share of a chip, 120 cycles of 77.5 kHz, by which the axis may have moved", mostMoved / (120 / 77.5e3), 0.007, 0.02},
		// Of a loop of Q 300 at 40 kHz, the slowest that there is, e-folding in Q/(π·f).
		{"time constants of a loop of Q 300 at 40 kHz in what a level must last", keyedRest / (300 / (math.Pi * 40e3)), 6, 10},
		{"share of a change left after as many time constants as are looked at", math.Exp(-keyedTau), 1e-4, 1e-3},
		{"bins in which an answer is looked for, and one, before its edge", keyedQuiet / keyedBin, 4, 6},
	} {
		if c.got < c.least || c.got > c.most {
			t.Errorf("%s: %g, want %g to %g", c.what, c.got, c.least, c.most)
		}
	}
}
