package align

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"timeball/detect/tick/timing"
)

// component is one possibility of a quantity, Student distributed.
type component struct {
	mean, u, dof, weight float64
	preferred            bool // belongs to the possibility the value is stated by
}

// mixture is a distribution made of possibilities whose weights sum to one.
type mixture []component

// stated is the possibility that the value is stated by, alone.
func (m mixture) stated() mixture {
	var some mixture
	total := 0.0
	for _, c := range m {
		if c.preferred {
			some = append(some, c)
			total += c.weight
		}
	}
	for i := range some {
		some[i].weight /= total
	}
	return some
}

// centre is the median of the stated possibility: where possibilities are
// apart, a place between them would be none of them.
func (m mixture) centre() float64 { return m.stated().quantile(0.5) }

// u is the standard uncertainty: half the 95 % interval over the coverage
// factor of the heaviest component, so that a far but unlikely possibility does
// not count for more than the interval shows.
func (m mixture) u() float64 {
	lo, hi := m.interval()
	return (hi - lo) / 2 / coverage(m.dof())
}

func (m mixture) dof() float64 {
	return slices.MaxFunc(m, func(a, b component) int {
		if a.weight < b.weight {
			return -1
		}
		return 1
	}).dof
}

// interval is the central 95 % of the mixture, and of the stated possibility
// should that be an unlikely one.
func (m mixture) interval() (lo, hi float64) {
	s := m.stated()
	return min(m.quantile(0.025), s.quantile(0.025)), max(m.quantile(0.975), s.quantile(0.975))
}

func (m mixture) quantile(p float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, c := range m {
		k := 60 * c.u
		lo, hi = min(lo, c.mean-k), max(hi, c.mean+k)
	}
	for range 80 {
		mid := (lo + hi) / 2
		sum := 0.0
		for _, c := range m {
			if c.u == 0 {
				if mid >= c.mean {
					sum += c.weight
				}
				continue
			}
			z := (mid - c.mean) / c.u
			if math.IsInf(c.dof, 1) {
				sum += c.weight * distuv.UnitNormal.CDF(z)
			} else {
				sum += c.weight * distuv.StudentsT{Sigma: 1, Nu: max(1, c.dof)}.CDF(z)
			}
		}
		if sum < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// manyDoF are degrees of freedom beyond which Student's distribution is the
// normal one in all digits that matter; far beyond it cannot be computed.
const manyDoF = 1e6

// shift moves the mixture by d and widens it by an independent u of type B.
func (m mixture) shift(d, u float64) mixture {
	out := slices.Clone(m)
	for i := range out {
		c := &out[i]
		c.mean += d
		if u > 0 {
			// Welch–Satterthwaite with a line known for certain.
			total := math.Hypot(c.u, u)
			if c.u > 0 {
				c.dof *= math.Pow(total/c.u, 4)
			}
			if c.dof > manyDoF {
				c.dof = math.Inf(1)
			}
			c.u = total
		}
	}
	return out
}

// rateScales are the standard deviations of the local clock's rate that are
// thought possible, with their probabilities: from a standard to a clock with a
// pendulum. Most clocks worth measuring run so close to rate that minutes of
// ticks cannot tell it, and then a fitted rate would only add noise.
var rateScales = []struct{ sigma, probability float64 }{
	{3e-10, 0.3}, {1e-8, 0.3}, {3e-7, 0.25}, {1e-5, 0.15},
}

// line is an offset that changes at a rate: x at a reference, y a second.
type line struct {
	x, y        float64
	vx, vy, cov float64
	probability float64
	dof         float64
	preferred   bool // the possibility the value is stated by
}

// extrapolate returns the mixture of the value dt seconds after the reference,
// and that of the rate, when the rate is weighed against what clocks do.
func extrapolate(lines []line, dt float64) (value, rate mixture) {
	for _, l := range lines {
		var parts []component
		var rates []component
		var logs []float64
		top := math.Inf(-1)
		for _, s := range rateScales {
			v := s.sigma*s.sigma + l.vy
			logs = append(logs, math.Log(s.probability)-0.5*math.Log(v)-l.y*l.y/(2*v))
			top = max(top, logs[len(logs)-1])
			// Condition the line on a rate near zero: Kalman update with y = 0 ± σ.
			g := l.vy / v
			y := l.y * (1 - g)
			vy := l.vy * (1 - g)
			x := l.x - l.cov/v*l.y
			vx := l.vx - l.cov*l.cov/v
			cov := l.cov * (1 - g)
			parts = append(parts, component{x + y*dt, math.Sqrt(max(0, vx+2*dt*cov+dt*dt*vy)), l.dof, 0, l.preferred})
			rates = append(rates, component{y, math.Sqrt(vy), l.dof, 0, l.preferred})
		}
		sum := 0.0
		for _, g := range logs {
			sum += math.Exp(g - top)
		}
		for i, g := range logs {
			w := l.probability * math.Exp(g-top) / sum
			parts[i].weight, rates[i].weight = w, w
		}
		value, rate = append(value, parts...), append(rate, rates...)
	}
	return value, rate
}

// lines turns an arrival into the local clock's offset before corrections. The
// flywheel's second lasts period frames; rate is the nominal frames a second.
func lines(a *timing.Arrival, rate, period float64) []line {
	k := rate / period // nominal seconds of the sample clock to local seconds
	var all []line
	for _, p := range a.Alternatives {
		all = append(all, line{
			x: p.Lag * k, y: p.Rate * k, vx: p.VarLag, vy: p.VarRate, cov: p.Cov,
			probability: p.Probability, dof: a.DoF, preferred: p.Preferred,
		})
	}
	return all
}

// wrap brings an offset into (−0.5, 0.5].
func wrap(x float64) float64 { return x - math.Ceil(x-0.5) }
