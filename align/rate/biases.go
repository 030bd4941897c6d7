package rate

import (
	"math"
	"slices"
)

// pathBias is the share of a fix's own variance that is the same whenever its
// stations are received: a path's error is in part the ionosphere's median, which the
// maps have wrong, and the mode that is taken for the first (judgement).
const pathBias = 0.5

const (
	// leastFixes of the same stations tell what they differ by from others.
	leastFixes = 5
	// Biases that differ by more than this many standard deviations are no biases but
	// a contradiction, which stays as it is.
	mostBias = 3
)

// withoutBiases takes out of fixes by what their stations differ in the long run, as
// f shows it. What they may have in common averages away with the number of stations
// only, not with that of evenings: it is added to what all fixes have in common.
// It returns nil when no fix names its stations often enough.
func (f *Fit) withoutBiases(fixes []Fix) []Fix {
	type group struct{ n, mean, variance float64 }
	groups := map[string]*group{}
	for i, fix := range fixes {
		if fix.Stations == "" || f.Fixes[i].Outlier {
			continue
		}
		g := groups[fix.Stations]
		if g == nil {
			g = &group{}
			groups[fix.Stations] = g
		}
		g.n++
		g.mean += f.Fixes[i].X - f.at(fix.At).x
		g.variance += ownVariance(fix)
	}
	var names []string
	for name, g := range groups {
		if g.n >= leastFixes {
			names = append(names, name)
			g.mean, g.variance = g.mean/g.n, g.variance/g.n
		}
	}
	if len(names) == 0 {
		return nil
	}
	slices.Sort(names)
	var sum, weight float64
	for _, name := range names {
		g := groups[name]
		w := 1 / (g.variance * (pathBias + 1/g.n))
		sum, weight = sum+w*g.mean, weight+w
	}
	common := 1 / weight
	shift := map[string]float64{}
	for _, name := range names {
		g := groups[name]
		bias, noise := pathBias*g.variance, g.variance/g.n
		apart := g.mean - sum/weight
		if len(names) > 1 && math.Abs(apart) > mostBias*math.Sqrt(bias+noise) {
			clear(shift)
			break
		}
		shift[name] = apart * bias / (bias + noise)
	}
	out := slices.Clone(fixes)
	for i := range out {
		x := &out[i]
		x.Offset -= shift[x.Stations]
		x.U = math.Sqrt(square(x.U) + common)
		x.UCommon = math.Sqrt(square(x.UCommon) + common)
	}
	return out
}
