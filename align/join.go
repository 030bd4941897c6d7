package align

import (
	"math"

	"timeball/detect/mixture"
)

// join is what stations say together, each with its weight in the mean. What the marker
// scatters, jitter, and what the receiver's filter is, do not average out over stations;
// what their ticks do to each other's estimate counts as it is (JCGM 100:2008, 5.2.2).
// These are left to be added, as shared; filter and tied are the parts of the mean's standard
// uncertainty and variance that come from the latter two.
func join(known []stationOffset, weights []float64, jitter float64) (joint mixture.Mixture, shared, filter, tied float64) {
	squares := 0.0
	for i, s := range known {
		own := s.measured.Widen(math.Sqrt(max(0, s.ub*s.ub-s.filter*s.filter)))
		if i == 0 {
			joint = own
		} else {
			joint, _ = joint.Times(own)
			joint = joint.Reduce(mostPossibilities)
		}
		filter += weights[i] * s.filter
		squares += weights[i] * weights[i]
		for j := range i {
			tied += 2 * weights[i] * weights[j] * known[i].covariance(&known[j])
		}
	}
	return joint, math.Sqrt(filter*filter + max(0, jitter*jitter*(1-squares)+tied)), filter, tied
}

// covariance is that of two stations' ticks, whose arrivals were fitted together, s².
func (s *stationOffset) covariance(o *stationOffset) float64 {
	most := 0.0
	for _, pair := range [][2]*stationOffset{{s, o}, {o, s}} {
		for _, b := range pair[0].beside {
			if math.Abs(b.ToneHz-pair[1].fix.ToneHz) < oneTone && math.Abs(b.Cov) > math.Abs(most) {
				most = b.Cov
			}
		}
	}
	// Either solution may know of possibilities that the other does not: they share no more
	// than both vary.
	return max(-s.ua*o.ua, min(most, s.ua*o.ua))
}

// oneTone is by how much at most the tones of one station differ, mistuned, and those of two
// do not, Hz.
const oneTone = 100
