package path

import (
	"math"
	"slices"
)

// component is one possibility for the earliest arrival: a Gaussian in delay,
// cut off at the great circle.
type component struct {
	weight  float64
	mean    float64 // s
	height  float64 // standard deviation from the height of the layer, s
	mirror  float64 // standard deviation from taking the layer for a mirror, s
	scatter float64 // standard deviation from scatter above the MUF, s
	carrier int     // which of the choices made it
	mode    mode
	r12     int
	day     int
}

func (c component) variance() float64 {
	return c.height*c.height + c.mirror*c.mirror + c.scatter*c.scatter
}

// mixture is the distribution of the delay. Its weights sum to 1.
type mixture []component

// normalise scales the weights to the sum 1; false when there is none.
func (m mixture) normalise() bool {
	sum := 0.0
	for _, c := range m {
		sum += c.weight
	}
	if !(sum > 0) {
		return false
	}
	for i := range m {
		m[i].weight /= sum
	}
	return true
}

func (m mixture) mean() float64 {
	sum := 0.0
	for _, c := range m {
		sum += c.weight * c.mean
	}
	return sum
}

// deviation is the standard deviation.
func (m mixture) deviation() float64 {
	mean, sum := m.mean(), 0.0
	for _, c := range m {
		sum += c.weight * (c.variance() + (c.mean-mean)*(c.mean-mean))
	}
	return math.Sqrt(sum)
}

// likeliest is the mode most likely to be the first, and its chance.
func (m mixture) likeliest() (first mode, chance float64) {
	chances := map[mode]float64{}
	for _, c := range m {
		chances[c.mode] += c.weight
		if chances[c.mode] > chance {
			first, chance = c.mode, chances[c.mode]
		}
	}
	return first, chance
}

// meanOf is the mean of the components made for one sunspot number.
func (m mixture) meanOf(r12 int) float64 {
	weight, sum := 0.0, 0.0
	for _, c := range m {
		if c.r12 == r12 {
			weight += c.weight
			sum += c.weight * c.mean
		}
	}
	return sum / weight
}

// causes splits the variance (law of total variance): what each choice, in the
// order of the list, adds to the spread of the means, then what is left inside.
func (m mixture) causes() []Cause {
	levels := []struct {
		name string
		key  func(component) component
	}{
		{"carrier", func(c component) component { return component{carrier: c.carrier} }},
		{"mode", func(c component) component { return component{carrier: c.carrier, mode: c.mode} }},
		{"sunspot number", func(c component) component { return component{carrier: c.carrier, mode: c.mode, r12: c.r12} }},
		{"day-to-day ionosphere", func(c component) component {
			return component{carrier: c.carrier, mode: c.mode, r12: c.r12, day: c.day}
		}},
	}
	mean := m.mean()
	explained := 0.0
	var causes []Cause
	for _, level := range levels {
		type group struct{ weight, sum float64 }
		index := map[component]int{}
		var groups []group // in the order of the mixture, so that sums come out the same every time
		for _, c := range m {
			k := level.key(c)
			i, known := index[k]
			if !known {
				i = len(groups)
				index[k] = i
				groups = append(groups, group{})
			}
			groups[i].weight += c.weight
			groups[i].sum += c.weight * (c.mean - mean)
		}
		between := 0.0
		for _, g := range groups {
			if g.weight > 0 {
				between += g.sum * g.sum / g.weight
			}
		}
		causes = append(causes, Cause{level.name, math.Sqrt(max(0, between-explained))})
		explained = max(explained, between)
	}
	var height, mirror, scatter float64
	for _, c := range m {
		height += c.weight * c.height * c.height
		mirror += c.weight * c.mirror * c.mirror
		scatter += c.weight * c.scatter * c.scatter
	}
	causes = append(causes, Cause{"layer height", math.Sqrt(height)}, Cause{"mirror geometry", math.Sqrt(mirror)}, Cause{"scatter", math.Sqrt(scatter)})
	return slices.DeleteFunc(causes, func(c Cause) bool { return c.USeconds < 1e-9 })
}

// quantile is the delay below which a share of the mixture lies, no earlier than floor.
func (m mixture) quantile(share, floor float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, c := range m {
		reach := 8 * math.Sqrt(c.variance())
		low, high = min(low, c.mean-reach), max(high, c.mean+reach)
	}
	for range 40 {
		mid := (low + high) / 2
		below := 0.0
		for _, c := range m {
			if u := math.Sqrt(c.variance()); u > 0 {
				below += c.weight * normalCDF((mid-c.mean)/u)
			} else if c.mean <= mid {
				below += c.weight
			}
		}
		if below < share {
			low = mid
		} else {
			high = mid
		}
	}
	return max(floor, (low+high)/2)
}
