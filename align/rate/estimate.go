package rate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"timeball/detect/rank"
)

// falseAlarm is the chance that a record without unlogged steps is given one,
// and that one without outliers has one named.
const falseAlarm = 0.01

// priorAgeing is the standard deviation, per day, of the ageing before any fix
// has been seen: beyond it a standard is not in service (common practice). It
// keeps the parabola of a few days' fixes from running away.
const priorAgeing = 1e-9

// model is a record on its way to a fit.
type model struct {
	nodes []node // in order of time, days
	prior state
	noise noise
	// bounds of the noise search
	least, most noise
	found       []int // nodes that are steps found by the test
}

// newModel fits prior and noise bounds to the nodes.
func newModel(nodes []node) *model {
	m := &model{nodes: nodes}
	slope, intercept := coarseLine(nodes)
	var range0, range1, gap, u float64
	var us []float64
	range0, range1 = math.Inf(1), math.Inf(-1)
	var times, rates []float64
	span := nodes[len(nodes)-1].t - nodes[0].t
	last := -1
	for i, nd := range nodes {
		if !nd.measured {
			last = -1 // an adjustment: no rate across it
			continue
		}
		residual := nd.x - intercept - slope*nd.t
		range0, range1 = math.Min(range0, residual), math.Max(range1, residual)
		us = append(us, math.Sqrt(nd.r))
		times = append(times, nd.t)
		if last >= 0 {
			if dt := nd.t - nodes[last].t; dt > span/1000 {
				rates = append(rates, math.Abs((nd.x-nodes[last].x)/dt-slope))
			}
		}
		last = i
	}
	u = median(us)
	gap = math.Max(span/float64(len(times)), 1.0/day)
	span = math.Max(span, gap)
	scatter := math.Max(range1-range0, 10*u)
	fastest := scatter / span
	if len(rates) > 0 {
		fastest = math.Max(fastest, slices.Max(rates))
	}
	m.prior = state{x: intercept + slope*nodes[0].t, y: slope,
		xx: 100 * scatter * scatter, yy: 100 * fastest * fastest, dd: square(priorAgeing * day)}
	// Below least a noise is lost in the fixes' own; above most it would make
	// each fix a world of its own.
	m.least = noise{extra: 1e-2 * u * u, white: 1e-3 * u * u / span, walk: 1e-3 * u * u / (span * span * span)}
	m.most = noise{extra: scatter * scatter, white: scatter * scatter / gap, walk: fastest * fastest / gap}
	m.noise = m.least
	return m
}

func square(v float64) float64 { return v * v }

// median of v, which it rearranges; 0 for none.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	return rank.Upper(v)
}

// coarseLine is the unweighted least-squares line of the measurements.
func coarseLine(nodes []node) (slope, intercept float64) {
	var ts, xs []float64
	for _, nd := range nodes {
		if nd.measured {
			ts, xs = append(ts, nd.t), append(xs, nd.x)
		}
	}
	return straightLine(ts, xs)
}

// straightLine is the least-squares line of x over t; of one time it is level.
func straightLine(t, x []float64) (slope, intercept float64) {
	if slices.Max(t) == slices.Min(t) {
		return 0, stat.Mean(x, nil)
	}
	intercept, slope = stat.LinearRegression(t, x, nil, false)
	return slope, intercept
}

// deviance is -2 log likelihood at noise n.
func (m *model) deviance(n noise) float64 {
	d, _ := likelihood(m.nodes, m.prior, n)
	return d
}

// fitNoise sets the noise to the most likely one: a pattern search in the
// logarithms of the three powers, down to a factor of 1.4.
func (m *model) fitNoise() (deviance float64) {
	best := m.deviance(m.noise)
	terms := []struct{ value, least, most *float64 }{
		{&m.noise.extra, &m.least.extra, &m.most.extra},
		{&m.noise.white, &m.least.white, &m.most.white},
		{&m.noise.walk, &m.least.walk, &m.most.walk},
	}
	for factor := 64.0; factor > 1.4; factor = math.Sqrt(factor) {
		for improved := true; improved; {
			improved = false
			for _, term := range terms {
				for _, f := range []float64{factor, 1 / factor} {
					old := *term.value
					*term.value = math.Max(*term.least, math.Min(*term.most, old*f))
					if *term.value == old {
						continue
					}
					if d := m.deviance(m.noise); d < best-1e-3 {
						best, improved = d, true
						break
					}
					*term.value = old
				}
			}
		}
	}
	return best
}

// fit finds noise, outliers and unlogged steps.
//
// Steps: the score of an additional shock in offset or rate is computed at
// every gap between fixes. The gap with the strongest one is tested: the step
// is admitted when twice the gain in log likelihood, the noise being fitted
// anew with and without it, exceeds the point that the largest of as many
// independent trials as there are gaps and kinds passes by chance once in a
// hundred records. It must have two fixes on either side, three for a rate
// step, and be likelier than a few bad fixes there. Then the next is looked for.
//
// Outliers: a fix is one when it differs from what all others say at its time
// by more than a deviate that the largest of all fixes passes once in a
// hundred records. It keeps its place with its variance multiplied by the
// fourth power of the excess, so that its pull falls off with distance.
func (m *model) fit() {
	m.suspect()
	const rounds = 30 // of steps and reweighting; each step takes one
	for range rounds {
		before := m.fitNoise()
		s := smooth(m.nodes, m.prior, m.noise)
		if m.admitStep(s, before) {
			m.shiftSteps()
			continue
		}
		if !m.reweight(s) {
			break
		}
	}
}

// shiftSteps moves each step found to the gap beside it for as long as that is
// likelier: the first look, without the step in the fit, may be a gap off.
func (m *model) shiftSteps() {
	best := m.deviance(m.noise)
	for k, at := range m.found {
		for _, direction := range []int{-1, 1} {
			for {
				to := at + direction
				for to > 0 && to < len(m.nodes) && !m.nodes[to].measured {
					to += direction
				}
				if to <= 0 || to >= len(m.nodes) || slices.Contains(m.found, to) {
					break
				}
				from, next := m.nodes[at], m.nodes[to]
				m.nodes[at].varX, m.nodes[at].varY = 0, 0
				m.nodes[to].varX, m.nodes[to].varY = from.varX, from.varY
				d := m.deviance(m.noise)
				if d >= best {
					m.nodes[at], m.nodes[to] = from, next
					break
				}
				best, at = d, to
			}
		}
		m.found[k] = at
	}
}

// measurements counts fixes.
func (m *model) measurements() int {
	n := 0
	for _, nd := range m.nodes {
		if nd.measured {
			n++
		}
	}
	return n
}

// deviate is the standard normal point that the largest of n trials passes,
// either way, with probability falseAlarm.
func deviate(n int) float64 {
	return distuv.UnitNormal.Quantile(1 - falseAlarm/float64(2*n))
}

// suspect gives low weights, to begin with, to fixes far from the median of
// their neighbours, so that they cannot hide behind the noise they make.
func (m *model) suspect() {
	const reach = 3 // neighbours on either side
	slope, intercept := coarseLine(m.nodes)
	var at []int
	var done []float64 // sum of known steps, taken out
	var stepped float64
	for i, nd := range m.nodes {
		stepped += nd.stepX
		if nd.measured {
			at, done = append(at, i), append(done, nd.x-intercept-slope*nd.t-stepped)
		}
	}
	if len(at) < 2*reach+3 {
		return
	}
	away := make([]float64, len(at))
	scale := make([]float64, len(at))
	var near [2*reach + 1]float64
	for i := range at {
		lo := max(0, min(i-reach, len(at)-len(near)))
		copy(near[:], done[lo:lo+len(near)])
		slices.Sort(near[:])
		away[i] = math.Abs(done[i] - near[reach])
		scale[i] = away[i]
	}
	mad := 1.4826 * median(scale)
	limit := 2 * deviate(len(at))
	for i, k := range at {
		nd := &m.nodes[k]
		if z := away[i] / math.Sqrt(mad*mad+nd.r); z > limit {
			nd.weight = math.Pow(limit/z, 4)
		}
	}
}

// reweight sets the weights of all fixes from their distance to what the
// others say, and reports whether any changed by a third or more.
func (m *model) reweight(s []smoothed) (changed bool) {
	limit := deviate(m.measurements())
	for i := range m.nodes {
		nd := &m.nodes[i]
		if !nd.measured {
			continue
		}
		z := m.excess(nd, &s[i])
		weight := 1.0
		if z > limit {
			weight = math.Pow(limit/z, 4)
		}
		if weight < nd.weight*0.75 || weight > nd.weight/0.75 {
			nd.weight, changed = weight, true
		}
	}
	return changed
}

// excess is the distance of a fix from what all others say at its time, in
// standard deviations at full weight.
func (m *model) excess(nd *node, s *smoothed) float64 {
	return math.Abs(s.deleted) / math.Sqrt(s.varDeleted-nd.variance(m.noise)+nd.r+m.noise.extra)
}

// admitStep tests the strongest additional shock and, if it stands, puts it in
// as an unknown step.
func (m *model) admitStep(s []smoothed, before float64) bool {
	n := m.measurements()
	limit := deviate(2 * n)
	left, right := m.fixesBeside()
	best, at, inRate := 0.0, -1, false
	for i := 1; i < len(m.nodes); i++ {
		if !m.nodes[i].measured || m.nodes[i].weight <= 0.5 {
			continue
		}
		for _, c := range []struct {
			score, info float64
			inRate      bool
			fewest      int
		}{{s[i].scoreX, s[i].infoX, false, 2}, {s[i].scoreY, s[i].infoY, true, 3}} {
			if left[i] < c.fewest || right[i] < c.fewest || c.info <= 0 {
				continue
			}
			if z := math.Abs(c.score) / math.Sqrt(c.info); z > best {
				best, at, inRate = z, i, c.inRate
			}
		}
	}
	if best < limit/2 {
		return false
	}
	trial := *m
	trial.nodes = slices.Clone(m.nodes)
	size := s[at].scoreX / s[at].infoX
	if inRate {
		size = s[at].scoreY / s[at].infoY
		trial.nodes[at].stepY += size
	} else {
		trial.nodes[at].stepX += size
	}
	with := trial.fitNoise()
	if before-with < limit*limit {
		return false
	}
	if m.badPatch(at, trial.noise, with, limit*limit) {
		return true
	}
	// It stands. Its size is now an unknown like any other.
	nd := &m.nodes[at]
	if inRate {
		nd.varY += m.prior.yy
		// It came at some time in the gap before: what it has moved the offset
		// by since then is open.
		nd.varX += square(size * (nd.t - m.nodes[at-1].t))
	} else {
		nd.varX += m.prior.xx
	}
	m.found = append(m.found, at)
	m.noise = trial.noise
	return true
}

// badPatch tests against a step at a node, which leaves the noise and deviance
// given, that the clock went on as before and up to three fixes in a row beside
// that node are outliers, as on days of another path. Each of them costs as much
// as the step; if that is still likelier, their weights are lowered.
func (m *model) badPatch(at int, n noise, deviance, cost float64) bool {
	const longest = 3
	limit := deviate(m.measurements())
	best := deviance
	var patch []int
	var away []float64
	for _, direction := range []int{-1, 1} {
		i := at
		if direction < 0 {
			i--
		}
		var bad []int
		for ; i >= 0 && i < len(m.nodes) && m.nodes[i].measured && len(bad) < longest; i += direction {
			bad = append(bad, i)
			nodes := slices.Clone(m.nodes)
			for _, k := range bad {
				nodes[k].measured = false
			}
			rest := smooth(nodes, m.prior, n)
			z := make([]float64, len(bad))
			for j, k := range bad {
				nd := &nodes[k]
				z[j] = math.Abs(nd.x-rest[k].x) / math.Sqrt(rest[k].xx+nd.r+n.extra)
				nd.measured, nd.x = true, rest[k].x // what was bad about it is free
			}
			d, _ := likelihood(nodes, m.prior, n)
			if d += cost * float64(len(bad)-1); d < best && slices.Min(z) > limit {
				best, patch, away = d, slices.Clone(bad), z
			}
		}
	}
	for j, k := range patch {
		m.nodes[k].weight = math.Min(m.nodes[k].weight, math.Pow(limit/away[j], 4))
	}
	return len(patch) > 0
}

// fixesBeside counts, for each node, the fixes of full weight before it, and
// from it on, up to the next change of unknown size.
func (m *model) fixesBeside() (left, right []int) {
	left, right = make([]int, len(m.nodes)), make([]int, len(m.nodes))
	unknown := func(nd *node) bool { return nd.varX >= m.prior.xx || nd.varY >= m.prior.yy }
	counts := func(nd *node) int {
		if nd.measured && nd.weight > 0.5 {
			return 1
		}
		return 0
	}
	count := 0
	for i := range m.nodes {
		if unknown(&m.nodes[i]) {
			count = 0
		}
		left[i] = count
		count += counts(&m.nodes[i])
	}
	count = 0
	for i := len(m.nodes) - 1; i >= 0; i-- {
		count += counts(&m.nodes[i])
		right[i] = count
		if unknown(&m.nodes[i]) {
			count = 0
		}
	}
	return left, right
}
