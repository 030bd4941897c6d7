package path

import (
	"fmt"
	"math"
	"slices"
)

const (
	// strayShare is the chance that an arrival belongs to no mode of the
	// prediction (scatter, the two magneto-ionic rays, an oblique path), and
	// strayWithin the span over which such arrivals spread: common practice.
	strayShare  = 0.05
	strayWithin = 5e-3
	// spacingModelU is how far the spacing of two modes of one layer strays from
	// that of mirrors at one height, by what hops do not share: common practice.
	spacingModelU = 0.05e-3
	// negligible is the share below which a possibility is dropped.
	negligible = 1e-5
)

// WithArrivals takes in how long after the earliest arrival others were measured
// to come, each with standard uncertainty uSeconds. Modes whose spacings fit gain
// weight; two modes of the same layer also correct its height, since their
// spacing grows with it. Note says what was made of the arrivals. When an
// arrival fits no pair of modes Contradicted is set and the delay is widened by
// the misfit instead.
func (p Prediction) WithArrivals(excessSeconds []float64, uSeconds float64) Prediction {
	if len(p.mixture) == 0 || len(excessSeconds) == 0 {
		return p
	}
	chance := map[mode]float64{}
	for _, m := range p.Modes {
		chance[m.mode] = m.Probability
	}
	// Another mode's delay on the same day, as the same choices have it.
	type state struct{ carrier, r12, day int }
	others := map[state][]component{}
	for _, c := range p.mixture {
		k := state{c.carrier, c.r12, c.day}
		others[k] = append(others[k], c)
	}

	posterior := slices.Clone(p.mixture)
	for _, excess := range excessSeconds {
		var next mixture
		strays, misfit := 0.0, math.Inf(1)
		for _, first := range posterior {
			stray := first
			stray.weight *= strayShare / strayWithin
			strays += stray.weight
			next = append(next, stray)
			for _, second := range others[state{first.carrier, first.r12, first.day}] {
				if second.mean <= first.mean {
					continue
				}
				pair := pairFit(first, second, excess, uSeconds)
				pair.mean = max(pair.mean, p.GreatCircleSeconds)
				misfit = min(misfit, math.Abs(excess-(second.mean-first.mean)))
				pair.weight *= first.weight * chance[second.mode]
				next = append(next, pair)
			}
		}
		total := 0.0
		for _, c := range next {
			total += c.weight
		}
		if strays > 0.5*total {
			return p.contradicted(excess, misfit)
		}
		posterior = slices.DeleteFunc(next, func(c component) bool { return c.weight < negligible*total })
		posterior.normalise()
	}
	p.mixture = posterior
	p.summarise()
	p.Modes = slices.Clone(p.Modes)
	for i := range p.Modes {
		p.Modes[i].update(p.mixture)
	}
	first, share := p.FirstMode()
	p.Note = fmt.Sprintf("the spacing of the arrivals makes %s the first with %.0f %%", first, 100*share)
	return p
}

// pairFit is first, corrected by the measured excess of second over it; its
// weight is the density of that excess.
func pairFit(first, second component, excess, uSeconds float64) component {
	spacing := second.mean - first.mean
	variance := first.variance() + second.variance()
	sameLayer := first.mode.layer == second.mode.layer && first.height > 0 && first.scatter == 0 && second.scatter == 0
	stretch := 0.0
	if sameLayer {
		// One error of the layer's height moves both delays, the second more.
		stretch = second.height/first.height - 1
		variance = stretch*stretch*first.variance() + spacingModelU*spacingModelU
	}
	variance += uSeconds * uSeconds
	off := excess - spacing
	fitted := first
	fitted.weight = math.Exp(-off*off/(2*variance)) / math.Sqrt(2*math.Pi*variance)
	if sameLayer {
		gain := stretch * first.variance() / variance
		fitted.mean += gain * off
		left := math.Sqrt(max(0, 1-gain*stretch))
		fitted.height *= left
		fitted.mirror *= left
	}
	return fitted
}

// contradicted leaves the modes as predicted and widens by the misfit.
func (p Prediction) contradicted(excess, misfit float64) Prediction {
	p.Contradicted = true
	p.Note = fmt.Sprintf("an arrival %.2f ms after the first fits no two of the predicted modes: check station, place, time and sunspot number", excess*1e3)
	// With a single mode there is no pair to miss; the excess itself is the measure.
	misfit = min(misfit, excess)
	p.mixture = slices.Clone(p.mixture)
	for i := range p.mixture {
		p.mixture[i].mirror = math.Hypot(p.mixture[i].mirror, misfit)
	}
	p.summarise()
	return p
}
