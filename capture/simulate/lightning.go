package simulate

import (
	"math"
	"math/rand/v2"
)

// lightning adds discharges: each a few strokes over some tenths of a second,
// each stroke a burst of noise that dies away within a millisecond or so
// (common practice).
type lightning struct {
	rng     *rand.Rand
	rate    float64 // points a second
	share   float64 // probability of a discharge beginning at a point
	peak    float64
	strokes int     // to come in the present discharge
	wait    int     // points to the next stroke or discharge
	level   float64 // of the present stroke
	decay   float64
}

func newLightning(c Lightning, rng *rand.Rand, rate float64) *lightning {
	l := &lightning{rng: rng, rate: rate, share: c.PerMinute / 60 / rate, peak: math.Sqrt(power(c.LevelDB))}
	if l.share > 0 {
		l.wait = l.pause()
	}
	return l
}

func (l *lightning) pause() int { return int(l.rng.ExpFloat64()/l.share) + 1 }

func (l *lightning) run(re, im []float64) {
	if l.share == 0 {
		return
	}
	for i := range re {
		l.wait--
		if l.wait <= 0 {
			if l.strokes == 0 {
				l.strokes = 1 + l.rng.IntN(5)
			}
			l.strokes--
			l.level = l.peak * (0.3 + 0.7*l.rng.Float64())
			l.decay = math.Exp(-1 / (l.rate * (2e-4 + 8e-4*l.rng.Float64())))
			if l.strokes > 0 {
				l.wait = int(l.rate * (0.02 + 0.08*l.rng.Float64()))
			} else {
				l.wait = l.pause()
			}
		}
		if l.level > 1e-4*l.peak {
			re[i] += l.level * l.rng.NormFloat64()
			im[i] += l.level * l.rng.NormFloat64()
			l.level *= l.decay
		}
	}
}
