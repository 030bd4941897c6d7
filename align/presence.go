package align

import "math"

const (
	// What one second may say for or against a station's presence (log
	// likelihood): a mark left out by rule, or one crash of static, is not a fade.
	mostPerSecond = 2
	// What it takes to be sure, log likelihood.
	presenceSure = 6
)

// presence tells from the power of each second's tick whether a station is
// still there, by Page's cumulative sum test between "fading about its mean
// strength" and "noise alone". How long that takes follows from the strength: two
// or three seconds for a strong tick, minutes for one deep in the noise.
type presence struct {
	gone  bool
	since int64   // last second for which the present state is in no doubt
	sum   float64 // evidence for the other state since then
}

// add takes the tick's power in second n, in units of noise, and what a tick of
// mean strength adds to the noise's 1.
func (p *presence) add(n int64, power, mean float64) {
	// Powers are exponentially distributed about 1+mean (Rayleigh) or about 1.
	here := power*mean/(1+mean) - math.Log1p(mean)
	here = max(-mostPerSecond, min(mostPerSecond, here))
	if !p.gone {
		here = -here
	}
	p.sum += here
	switch {
	case p.sum <= 0:
		p.sum = 0
		if !p.gone {
			p.since = n
		}
	case p.sum > presenceSure:
		p.gone, p.sum = !p.gone, 0
		if !p.gone {
			p.since = n
		}
	}
}
