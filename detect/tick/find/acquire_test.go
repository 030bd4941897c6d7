package find

import (
	"math"
	"testing"

	"timeball/detect/kaiser"
)

// A pendulum not yet regulated, ten seconds a day off, is looked for, and one of twenty seconds
// a day is not: each rate that may be costs work, and evidence of the others.
func TestRatesLookedFor(t *testing.T) {
	r := clocks(0)
	if day := r.to * 86400; r.from != -r.to || day < 10 || day > 15 {
		t.Errorf("clocks are taken to be off by %.3g s a day at most", day)
	}
	// Both clocks may be off: a flywheel that seems to lose 4e-4 of a second in each may be
	// one that does, beside a sample clock that is right.
	if r := clocks(4e-4); !(r.from <= -4e-4-r.to) || r.likeliest != 0 {
		t.Errorf("beside a pace of 4e-4 rates are %v", r)
	}
	// The blocks that are added up before a rate is tried lose less than a decibel of 1 kHz.
	lost := -20 * math.Log10(kaiser.Sinc(1000*r.to*blockSeconds))
	if lost < 0.4 || lost > 1 {
		t.Errorf("a block loses %.2f dB of a tone", lost)
	}
	// Half a second a week, 0.8e-6, is what quartz keeps; ten seconds a day are then a
	// hundredth as likely as none, of the same small range.
	all, log := r.trials(1e-6)
	var none, most float64
	for i, rate := range all {
		if rate == 0 {
			none = log[i]
		}
		if rate == all[len(all)-1] {
			most = log[i]
		}
	}
	if odds := math.Exp(none - most); odds < 80 || odds > 160 {
		t.Errorf("no rate is %.3g times as likely as the farthest", odds)
	}
}
