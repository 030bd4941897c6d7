package timing

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// fit is what a stack says: where the tick arrives, on the model's time axis,
// and how well that is known.
type fit struct {
	hypothesis
	point
	gain float64 // Λ
	lead float64 // of a single path's score over that with the other coherence
	cov  *mat.SymDense
	dof  float64
	// parts are the places the earliest arrival may have when the phase of the
	// audio chain is in doubt: one for each cycle at which a chain without
	// phase shift fits, and one for a chain of any phase.
	parts    []part
	evidence float64 // log likelihood of the parts
	// level of the paths' mean power in units of noise, earliest first.
	power []float64
}

// part is one alternative of a fit: the lag and drift of the earliest arrival,
// their covariance, and its probability.
type part struct {
	d, drift   float64
	vd, vr, cr float64 // variances and covariance
	weight     float64
	envelope   bool // the phase was free: the envelope times it
	flat       bool // the chain leaves the phase alone
}

// leastGain is the Λ a stack must show before it is taken for ticks at all.
const leastGain = 16

// fit finds the hypothesis that explains the stack best; local is the same stack confined to the tone's neighbourhood.
func (st *stack) fit(local *stack) (fit, bool) {
	one, ok := st.single()
	if !ok {
		return fit{}, false
	}
	all := []fit{one}
	h := hypothesis{paths: 2, coherent: one.coherent}
	if p, ok := st.merged().searchTwo(h, one.point); ok {
		p, g := st.maximise(h, p)
		two := fit{hypothesis: h, point: p, gain: g}
		if g-h.penalty(st.count) > one.gain-one.penalty(st.count) {
			switch {
			case st.fadeApart(two):
				all = []fit{two, one}
			case one.coherent && !st.Onset: // of an onset too little is seen to tell a chain
				return st.weigh(one, two, local)
			case st.farApart(two, one):
				all = []fit{two, one}
			}
		}
	}
	// Two paths that lie where the likelihood has no top do not count.
	for _, f := range all {
		if f, ok := st.settle(f, local); ok {
			return f, true
		}
	}
	return fit{}, false
}

// settle completes a fit.
func (st *stack) settle(f fit, local *stack) (fit, bool) {
	var ok bool
	if f.cov, f.dof, ok = st.covariance(f.hypothesis, f.point); ok {
		f.power = st.levels(f)
		st.settlePhase(&f, local)
	}
	return f, ok
}

// weigh chooses between one path and a pair that does not fade apart, which may be
// one path seen through a filter, or with another sound, by how well the audio's
// chains explain either. The other's places stay in the parts.
func (st *stack) weigh(one, two fit, local *stack) (fit, bool) {
	var all []fit
	best := -1
	half := math.Pi / st.omega // by which a pair that no chain explains may be out
	add := func(f fit) {
		f, ok := st.settle(f, local)
		if !ok || f.paths == 2 && st.tooWeak(f) {
			return
		}
		if f.paths == 2 {
			f.evidence += math.Log(steadyPairPrior)
			unexplained := false
			for i := range f.parts {
				p := &f.parts[i]
				p.vd *= steadyPairError * steadyPairError
				if p.envelope {
					p.vd += half * half
					unexplained = p.weight > 0.5
				}
			}
			if unexplained && len(all) > 0 {
				// Then it is no better than the single path, and no phase is trusted.
				f.evidence = min(f.evidence, all[0].evidence-math.Ln2)
				for i := range f.parts {
					f.parts[i].envelope, f.parts[i].flat = true, false
				}
			}
		}
		all = append(all, f)
		if best < 0 || f.evidence > all[best].evidence {
			best = len(all) - 1
		}
	}
	add(one)
	add(two)
	if best < 0 {
		return fit{}, false
	}
	total := 0.0
	for _, f := range all {
		total += math.Exp(f.evidence - all[best].evidence)
	}
	f := all[best]
	f.parts = nil
	for _, o := range all {
		for _, p := range o.parts {
			p.weight *= math.Exp(o.evidence-all[best].evidence) / total
			if p.weight > leastWeight {
				f.parts = append(f.parts, p)
			}
		}
	}
	return f, true
}

// steadyPairPrior is the chance of two paths that do not fade apart.
// Its place is uncertain by steadyPairError times what its covariance says: the
// edges that tell them apart are a filter's too (from simulated pairs).
const steadyPairPrior, steadyPairError = 0.1, 2

// single finds the best single path, and whether the tone keeps its phase.
func (st *stack) single() (fit, bool) {
	if st.count < 3 {
		return fit{}, false
	}
	whole := st.merged()
	best := fit{}
	score, other := math.Inf(-1), math.Inf(-1)
	for _, coherent := range []bool{true, false} {
		h := hypothesis{paths: 1, coherent: coherent}
		p, ok := whole.searchOne(h)
		if !ok {
			continue
		}
		p, g := st.maximise(h, p)
		if s := g - h.penalty(st.count); s > score {
			score, other, best = s, score, fit{hypothesis: h, point: p, gain: g}
		} else {
			other = s
		}
	}
	best.lead = score - other
	return best, best.gain >= leastGain
}

// pairPlaces is the logarithm of the number of separate places at which a second
// path is looked for.
const pairPlaces = 5

// penalty is half the Bayesian information criterion's: ln K for every two
// parameters, those of the amplitudes' mean and covariance included.
func (h hypothesis) penalty(count float64) float64 {
	n := float64(h.params())
	places := 0.0
	switch {
	case h.paths == 1 && h.coherent:
		n += 2
	case h.paths == 1:
		n++
	case h.coherent:
		n, places = n+5, pairPlaces
	default:
		n, places = n+4, pairPlaces
	}
	return n/2*math.Log(count) + places
}

// merged sums all blocks into one.
func (st *stack) merged() *stack {
	m := *st
	sum := block{mean: make([]complex128, st.points), herm: make([]complex128, st.points*st.points), sym: make([]complex128, st.points*st.points)}
	for i := range st.blocks {
		b := &st.blocks[i]
		sum.n += b.n
		for j, v := range b.mean {
			sum.mean[j] += v
		}
		for j, v := range b.herm {
			sum.herm[j] += v
			sum.sym[j] += b.sym[j]
		}
	}
	m.blocks = []block{sum}
	return &m
}

// reach is the range of lags at which probes fit into the stack.
func (st *stack) reach() (from, to float64) {
	margin := float64(taps / 2)
	to = float64(st.points) - st.before - margin
	if st.Onset {
		to = min(to, st.end-2e-3*st.rate)
	}
	return -st.before + margin, to
}

// searchOne finds the neighbourhood of the best single path, on the stack's own
// points.
func (st *stack) searchOne(h hypothesis) (point, bool) {
	b := &st.blocks[0]
	from, to := st.reach()
	best, top := point{}, math.Inf(-1)
	for i := range st.points {
		d := float64(i) - st.before
		if d < from || d > to {
			continue
		}
		for _, phi := range h.phases(16) {
			turn := st.turn(d, phi)
			m := moments{n: b.n}
			at := i*st.points + i
			herm := sqAbs(turn) * real(b.herm[at])
			if h.coherent {
				m.sum[0] = real(turn * b.mean[i])
				m.prod[0] = complex((real(turn*turn*b.sym[at])+herm)/2, 0)
			} else {
				m.prod[0] = complex(herm/2, 0)
			}
			if g := h.gain(m); g > top {
				best, top = point{d: d, phi: phi}, g
			}
		}
	}
	return best, !math.IsInf(top, -1)
}

// phases are trial phases of the tone; its sign does not matter.
func (h hypothesis) phases(n int) []float64 {
	if !h.coherent {
		return []float64{0}
	}
	p := make([]float64, n)
	for i := range p {
		p[i] = math.Pi * float64(i) / float64(n)
	}
	return p
}

const longestExcess = 4e-3 // s, between the paths that are told apart

// searchTwo finds the neighbourhood of the best pair of paths near a single
// one, on the stack's own points.
func (st *stack) searchTwo(h hypothesis, one point) (point, bool) {
	b := &st.blocks[0]
	from, to := st.reach()
	best, top := point{}, math.Inf(-1)
	lo := max(from, one.d-longestExcess*st.rate)
	hi := min(to, one.d+0.5e-3*st.rate)
	least := int(math.Ceil(leastExcess * st.rate))
	most := int(longestExcess * st.rate)
	for _, phi := range h.phases(8) {
		for i := range st.points {
			d1 := float64(i) - st.before
			if d1 < lo || d1 > hi {
				continue
			}
			t1 := st.turn(d1, phi)
			for e := least; e < most; e++ {
				j := i + e
				d2 := d1 + float64(e)
				if d2 > to {
					break
				}
				t2 := st.turn(d2, phi)
				s := pair{
					y1: t1 * b.mean[i], y2: t2 * b.mean[j],
					s11: t1 * t1 * b.sym[i*st.points+i], h11: complex(sqAbs(t1), 0) * b.herm[i*st.points+i],
					s22: t2 * t2 * b.sym[j*st.points+j], h22: complex(sqAbs(t2), 0) * b.herm[j*st.points+j],
					s12: t1 * t2 * b.sym[i*st.points+j], h12: t1 * conj(t2) * b.herm[i*st.points+j],
				}
				m := moments{n: b.n}
				if !m.whiten(h, s, st.coupling(d1, d2, phi)) {
					continue
				}
				if g := h.gain(m); g > top {
					best, top = point{d: d1, excess: float64(e), phi: phi, drift: one.drift}, g
				}
			}
		}
	}
	return best, !math.IsInf(top, -1)
}

// levels returns the mean power of each path's amplitude at its probe, in
// units of noise.
func (st *stack) levels(f fit) []float64 {
	m, ok := st.pooled(f.hypothesis, f.point)
	if !ok {
		return nil
	}
	if f.paths == 1 {
		return []float64{max(0, real(m.prod[0])/m.n-1)}
	}
	// a = G⁻¹·y; y1 = z1, y2 = g*·z1 + c·z2.
	d1 := f.d
	d2 := d1 + f.excess
	g := st.coupling(d1, d2, f.phi)
	if f.coherent {
		g = complex(real(g), 0)
	}
	c := math.Sqrt(1 - sqAbs(g))
	// a2 = z2/c, a1 = z1 − g·a2.
	p11, p12, p22 := real(m.prod[0])/m.n, m.prod[1]/complex(m.n, 0), real(m.prod[2])/m.n
	a2 := (p22 - 1) / (c * c)
	a1 := p11 - 1 - 2*real(conj(g)*p12)/c + sqAbs(g)*(p22-1)/(c*c)
	return []float64{max(0, a1), max(0, a2)}
}

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }

// tooWeak reports whether one of a pair of paths is too weak to be told from what
// a filter does.
func (st *stack) tooWeak(two fit) bool {
	p := st.levels(two)
	return p == nil || min(p[0], p[1]) <= 0 || math.Abs(10*math.Log10(p[1]/p[0])) > 15
}

// fadeApart reports whether a pair of paths fades apart: it is no single path seen
// through a filter.
func (st *stack) fadeApart(two fit) bool {
	m, ok := st.pooled(two.hypothesis, two.point)
	if !ok || st.tooWeak(two) {
		return false
	}
	_, l2, _ := two.spectrum(m)
	apart := m.n * excess(l2)
	if two.coherent {
		apart /= 2
	}
	return apart > 2*math.Log(m.n)
}

// farApart reports whether a pair of paths is so far apart and so comparable that no
// filter makes it of one.
func (st *stack) farApart(two, one fit) bool {
	p := st.levels(two)
	return two.excess > 0.7e-3*st.rate && !st.tooWeak(two) && math.Abs(10*math.Log10(p[1]/p[0])) < 10 && two.gain-one.gain > 0.02*one.gain
}
