// Package mixture holds what is known of a quantity as a list of possibilities,
// each a Student or normal distribution with a probability: cycles of a tone,
// modes of a path, chains of a receiver. The statements made of it are its median and its
// shortest set that holds a given probability (JCGM 101:2008, 5.3.4 and 7.7),
// which has several parts where the possibilities lie apart.
//
// All numbers of a mixture have one unit, the caller's.
package mixture

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Component is one possibility.
type Component struct {
	Mean   float64
	U      float64 // standard uncertainty: scale of the Student distribution
	DoF    float64 // degrees of freedom, at least 1; +Inf: normal
	Weight float64 // probability
	Label  string  // what it rests on, for people; may be empty
}

// Mixture is a distribution. Its methods, but for Normalise, ask for at least one
// component and weights that sum to one.
type Mixture []Component

// Normal is the mixture of one normal component.
func Normal(mean, u float64) Mixture {
	return Mixture{{Mean: mean, U: u, DoF: math.Inf(1), Weight: 1}}
}

const (
	// leastU stands for an uncertainty of zero: far below every quantity here.
	leastU = 1e-15
	// farthest is beyond what is looked at of any component, scales: 6 of a normal one, and of
	// one degree of freedom 6 times 12.7 over 2 (JCGM 100:2008, table G.2).
	farthest = 100
	// manyDoF are degrees of freedom beyond which Student's distribution is the
	// normal one in all digits that matter; far beyond it cannot be computed.
	manyDoF = 1e6
)

func (c Component) scale() float64 { return max(c.U, leastU) }

// normal reports whether c counts as a normal distribution.
func (c Component) normal() bool { return c.DoF > manyDoF }

// CDF is the probability of a value of at most x.
func (c Component) CDF(x float64) float64 {
	z := (x - c.Mean) / c.scale()
	if c.normal() {
		return distuv.UnitNormal.CDF(z)
	}
	return distuv.StudentsT{Sigma: 1, Nu: max(1, c.DoF)}.CDF(z)
}

// Density is the probability density at x.
func (c Component) Density(x float64) float64 {
	z := (x - c.Mean) / c.scale()
	if c.normal() {
		return math.Exp(-z*z/2) / (math.Sqrt(2*math.Pi) * c.scale())
	}
	return distuv.StudentsT{Sigma: 1, Nu: max(1, c.DoF)}.Prob(z) / c.scale()
}

// variance of a component; of few degrees of freedom, where it does not exist,
// that of the normal distribution with the same 95 % interval.
func (c Component) variance() float64 {
	s := c.scale()
	if !c.normal() {
		s *= Coverage(c.DoF) / normalCoverage
	}
	return s * s
}

// normalCoverage is that of the normal distribution.
var normalCoverage = distuv.UnitNormal.Quantile(0.975)

// Coverage is the factor by which a standard uncertainty is multiplied for a
// 95 % interval: that of Student's distribution. Unlike JCGM 100:2008, G.4.1,
// which truncates, it takes fractional degrees of freedom as they are.
func Coverage(dof float64) float64 {
	if dof > manyDoF {
		return normalCoverage
	}
	return distuv.StudentsT{Sigma: 1, Nu: max(1, dof)}.Quantile(0.975)
}

// Normalise scales the weights in place to the sum 1; false when there is none.
func (m Mixture) Normalise() bool {
	sum := 0.0
	for _, c := range m {
		sum += c.Weight
	}
	if !(sum > 0) || math.IsInf(sum, 1) {
		return false
	}
	for i := range m {
		m[i].Weight /= sum
	}
	return true
}

// FromLogs returns m with weights proportional to exp(logs), which may be of any
// size.
func (m Mixture) FromLogs(logs []float64) Mixture {
	out := slices.Clone(m)
	top := slices.Max(logs)
	for i := range out {
		out[i].Weight = math.Exp(logs[i] - top)
	}
	out.Normalise()
	return out
}

// Mean is the expectation.
func (m Mixture) Mean() float64 {
	sum := 0.0
	for _, c := range m {
		sum += c.Weight * (c.Mean - m[0].Mean)
	}
	return m[0].Mean + sum
}

// Deviation is the standard deviation.
func (m Mixture) Deviation() float64 {
	mean, sum := m.Mean(), 0.0
	for _, c := range m {
		sum += c.Weight * (c.variance() + (c.Mean-mean)*(c.Mean-mean))
	}
	return math.Sqrt(sum)
}

// CDF is the probability of a value of at most x.
func (m Mixture) CDF(x float64) float64 {
	sum := 0.0
	for _, c := range m {
		sum += c.Weight * c.CDF(x)
	}
	return sum
}

// Density is the probability density at x.
func (m Mixture) Density(x float64) float64 {
	sum := 0.0
	for _, c := range m {
		sum += c.Weight * c.Density(x)
	}
	return sum
}

// Quantile is the value below which lies the share p, 0 < p < 1.
func (m Mixture) Quantile(p float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, c := range m {
		reach := 8 * c.scale()
		if !c.normal() {
			reach *= Coverage(c.DoF) // tails of one degree reach this far
		}
		lo, hi = min(lo, c.Mean-reach), max(hi, c.Mean+reach)
	}
	for range 70 {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			break
		}
		if m.CDF(mid) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + (hi-lo)/2
}

// Median is the value that is as likely exceeded as not.
func (m Mixture) Median() float64 { return m.Quantile(0.5) }

// DoF are those of the heaviest component.
func (m Mixture) DoF() float64 {
	return slices.MaxFunc(m, func(a, b Component) int { return cmp.Compare(a.Weight, b.Weight) }).DoF
}

// Interval is a range of values.
type Interval struct{ Low, High float64 }

// Shortest is the shortest set that holds the share p, 0 < p < 1, in order: the
// values of highest density. Of a mixture with a number in it that is not finite, or
// whose tails are not, nothing is known: it is all values.
func (m Mixture) Shortest(p float64) []Interval {
	for _, c := range m {
		if sum := math.Abs(c.Mean) + farthest*c.scale() + c.Weight; sum-sum != 0 || math.IsNaN(c.DoF) {
			return []Interval{{math.Inf(-1), math.Inf(1)}}
		}
	}
	m = m.heaviest()
	x, log := m.profile()
	// The level above which the density holds p, by bisection of its logarithm.
	lo, hi := slices.Max(log)-60, slices.Max(log)
	for hi-lo > 1e-9 {
		level := (lo + hi) / 2
		if m.mass(above(x, log, level)) > p {
			lo = level
		} else {
			hi = level
		}
	}
	return above(x, log, lo)
}

// Hull is the range from the lowest to the highest value of Shortest(p).
func (m Mixture) Hull(p float64) Interval {
	parts := m.Shortest(p)
	return Interval{parts[0].Low, parts[len(parts)-1].High}
}

// U is the standard uncertainty that goes with the hull of the shortest 95 % set
// and the degrees of freedom: half the hull over the coverage factor.
func (m Mixture) U() float64 { return m.UOf(m.Hull(0.95)) }

// UOf is U for a hull that has been worked out.
func (m Mixture) UOf(hull Interval) float64 {
	return (hull.High - hull.Low) / 2 / Coverage(m.DoF())
}

// heaviest is m without the lightest components, so many as have negligible between them.
func (m Mixture) heaviest() Mixture {
	out := slices.Clone(m)
	slices.SortStableFunc(out, func(a, b Component) int { return cmp.Compare(b.Weight, a.Weight) })
	for sum := 0.0; len(out) > 1; out = out[:len(out)-1] {
		if sum += out[len(out)-1].Weight; sum > negligible {
			break
		}
	}
	return out
}

// negligible is a probability that moves no stated digit: at the ends of a normal
// distribution's 95 % it is a hundred thousandth of the deviation.
const negligible = 1e-6

func (m Mixture) mass(parts []Interval) float64 {
	sum := 0.0
	for _, p := range parts {
		sum += m.CDF(p.High) - m.CDF(p.Low)
	}
	return sum
}

// profile is the logarithm of the density at places that no part of it escapes.
func (m Mixture) profile() (x, log []float64) {
	const (
		step = 0.2 // of a component's scale: a parabola bends little in it
		far  = 7   // scales beyond which a normal density, e⁻²⁴ of its top, is nothing
	)
	reach := make([]float64, len(m)) // scales
	at := math.Inf(1)
	for i, c := range m {
		reach[i] = 6
		if !c.normal() {
			reach[i] *= Coverage(c.DoF) / 2
		}
		at = min(at, c.Mean-reach[i]*c.scale())
	}
	for !math.IsInf(at, 1) {
		x = append(x, at)
		next := math.Inf(1)
		for i, c := range m {
			switch z := (at - c.Mean) / c.scale(); {
			case z < -reach[i]*(1+1e-9): // not there by more than rounding
				next = min(next, c.Mean-reach[i]*c.scale())
			case z < reach[i]:
				next = min(next, at+step*max(1, math.Abs(z)/4)*c.scale())
			}
		}
		at = max(next, math.Nextafter(at, math.Inf(1)))
	}
	log = make([]float64, len(x)) // first the density
	for _, c := range m {
		lo, hi := 0, len(x)
		if c.normal() {
			lo, _ = slices.BinarySearch(x, c.Mean-far*c.scale())
			hi, _ = slices.BinarySearch(x, c.Mean+far*c.scale())
		}
		for i := lo; i < hi; i++ {
			log[i] += c.Weight * c.Density(x[i])
		}
	}
	for i, d := range log {
		log[i] = math.Log(d)
	}
	return x, log
}

// above returns where the profile lies above a level, straight between places.
func above(x, log []float64, level float64) []Interval {
	var all []Interval
	inside := false
	for i := range x {
		cross := func() float64 {
			if i == 0 || math.IsInf(log[i-1], -1) || math.IsInf(log[i], -1) {
				return x[i]
			}
			return x[i-1] + (x[i]-x[i-1])*(level-log[i-1])/(log[i]-log[i-1])
		}
		switch up := log[i] >= level; {
		case up && !inside:
			all = append(all, Interval{Low: cross()})
			inside = true
		case !up && inside:
			all[len(all)-1].High = cross()
			inside = false
		}
	}
	if inside {
		all[len(all)-1].High = x[len(x)-1]
	}
	return all
}

// Shift moves the mixture by d.
func (m Mixture) Shift(d float64) Mixture {
	out := slices.Clone(m)
	for i := range out {
		out[i].Mean += d
	}
	return out
}

// Widen adds an independent error of mean zero and a standard uncertainty u that
// is known for certain; degrees of freedom follow Welch and Satterthwaite (JCGM
// 100:2008, G.2b).
func (m Mixture) Widen(u float64) Mixture { return m.Plus(Normal(0, u)) }

// Scale multiplies the quantity by k.
func (m Mixture) Scale(k float64) Mixture {
	out := slices.Clone(m)
	for i := range out {
		out[i].Mean *= k
		out[i].U *= math.Abs(k)
	}
	return out
}

// Plus is the distribution of the sum of two independent quantities.
func (m Mixture) Plus(o Mixture) Mixture {
	out := make(Mixture, 0, len(m)*len(o))
	for _, a := range m {
		for _, b := range o {
			out = append(out, Component{a.Mean + b.Mean, math.Hypot(a.U, b.U), sumDoF(a, b), a.Weight * b.Weight, join(a.Label, b.Label)})
		}
	}
	return out
}

// sumDoF are the effective degrees of freedom of a sum (JCGM 100:2008, G.2b).
func sumDoF(a, b Component) float64 {
	va, vb := a.U*a.U, b.U*b.U
	fourth := va*va/a.DoF + vb*vb/b.DoF
	if fourth == 0 {
		return math.Inf(1)
	}
	return (va + vb) * (va + vb) / fourth
}

func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + ", " + b
}

// Times joins two independent statements of one quantity: the product of the
// densities. The logarithm of its integral says how well they agree: that of the
// density of one at the other. Degrees of freedom join as in a mean (JCGM 100:2008, G.2b).
func (m Mixture) Times(o Mixture) (joint Mixture, logEvidence float64) {
	var logs []float64
	for _, a := range m {
		for _, b := range o {
			va, vb := a.scale()*a.scale(), b.scale()*b.scale()
			wa, wb := vb/(va+vb), va/(va+vb)
			c := Component{
				Mean: a.Mean + wb*(b.Mean-a.Mean), U: math.Sqrt(va * wa), Label: join(a.Label, b.Label),
				DoF: sumDoF(Component{U: wa * a.scale(), DoF: a.DoF}, Component{U: wb * b.scale(), DoF: b.DoF}),
			}
			apart := Component{Mean: b.Mean, U: math.Hypot(a.scale(), b.scale()), DoF: min(a.DoF, b.DoF)}
			joint = append(joint, c)
			logs = append(logs, math.Log(a.Weight)+math.Log(b.Weight)+math.Log(apart.Density(a.Mean)))
		}
	}
	top := slices.Max(logs)
	if math.IsInf(top, -1) { // apart by more than a float tells
		return slices.Concat(slices.Clone(m).weigh(0.5), slices.Clone(o).weigh(0.5)), top
	}
	sum := 0.0
	for _, l := range logs {
		sum += math.Exp(l - top)
	}
	return joint.FromLogs(logs), top + math.Log(sum)
}

func (m Mixture) weigh(k float64) Mixture {
	for i := range m {
		m[i].Weight *= k
	}
	return m
}

// Reduce merges neighbours until at most n components are left, mean and variance
// kept, those first whose merging changes the distribution least (Runnalls 2007,
// IEEE Trans. Aerospace and Electronic Systems 43, equation 21).
func (m Mixture) Reduce(n int) Mixture {
	out := slices.Clone(m)
	out = slices.DeleteFunc(out, func(c Component) bool { return !(c.Weight > 0) })
	slices.SortStableFunc(out, func(a, b Component) int { return cmp.Compare(a.Mean, b.Mean) })
	for len(out) > max(1, n) {
		best, least := 0, math.Inf(1)
		for i := range len(out) - 1 {
			a, b := out[i], out[i+1]
			c := merge(a, b)
			cost := c.Weight*math.Log(c.variance()) - a.Weight*math.Log(a.variance()) - b.Weight*math.Log(b.variance())
			if cost < least {
				best, least = i, cost
			}
		}
		out[best] = merge(out[best], out[best+1])
		out = slices.Delete(out, best+1, best+2)
	}
	return out
}

func merge(a, b Component) Component {
	w := a.Weight + b.Weight
	mean := a.Mean + b.Weight/w*(b.Mean-a.Mean)
	v := (a.Weight*(a.variance()+(a.Mean-mean)*(a.Mean-mean)) + b.Weight*(b.variance()+(b.Mean-mean)*(b.Mean-mean))) / w
	heavy := a
	if b.Weight > a.Weight {
		heavy = b
	}
	k := Coverage(heavy.DoF) / normalCoverage
	return Component{mean, math.Sqrt(v) / k, heavy.DoF, w, heavy.Label}
}
