package timing

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

// The likelihood. With paths at lags d and a tone phase φ common to all
// seconds, the probes' outputs of second k are y(k) = G·a(k) + noise, where
// the amplitudes a(k) of the paths are Gaussian with unknown mean and
// covariance: a mean, because an AM receiver's audio keeps its phase; a
// covariance, because paths fade. Maximised over mean and covariance the log
// likelihood against noise alone is, with z the outputs whitened by G,
//
//	Λ = K/2·( |mean z|² + Σ f(λ_i) ),  f(λ) = λ − 1 − ln λ for λ > 1, else 0,
//
// λ_i the eigenvalues of z's covariance (stochastic maximum likelihood; noise
// has λ = 1). In weak noise it adds coherently, in strong fading it adds power,
// and two paths that fade apart are told apart. An SSB receiver leaves the
// phase of each second arbitrary: then a is complex with no mean, K/2 becomes K.

// hypothesis is what an estimate is made under.
type hypothesis struct {
	paths    int  // 1 or 2
	coherent bool // the tone keeps its phase from second to second
	phase    *float64
}

// Parameters of the likelihood, in this order: lag of the earliest path,
// excess of the second (two paths), the tone's phase at a fixed lag, φ − ω·d
// (coherent and not fixed; unlike φ it hardly depends on d), and drift of the
// lags a second. Lags in low-rate samples.
func (h hypothesis) params() int {
	n := 2
	if h.paths == 2 {
		n++
	}
	if h.coherent && h.phase == nil {
		n++
	}
	return n
}

type point struct {
	d, excess, phi, drift float64
}

func (st *stack) unpack(h hypothesis, x []float64) point {
	p := point{d: x[0]}
	i := 1
	if h.paths == 2 {
		p.excess = x[i]
		i++
	}
	if h.coherent {
		if h.phase != nil {
			p.phi = *h.phase
		} else {
			p.phi = x[i] + st.omega*p.d
			i++
		}
	}
	p.drift = x[i]
	return p
}

func (st *stack) pack(h hypothesis, p point) []float64 {
	return h.list(p.d, p.excess, p.phi-st.omega*p.d, p.drift)
}

// list puts those of its arguments that are parameters of h in order.
func (h hypothesis) list(d, excess, phase, drift float64) []float64 {
	x := []float64{d}
	if h.paths == 2 {
		x = append(x, excess)
	}
	if h.coherent && h.phase == nil {
		x = append(x, phase)
	}
	return append(x, drift)
}

// moments are sums over seconds of whitened outputs z: n, Σ z, Σ z·z*.
type moments struct {
	n    float64
	sum  [2]float64
	prod [3]complex128 // 11, 12, 22
}

func (m *moments) add(o moments) {
	m.n += o.n
	for i := range m.sum {
		m.sum[i] += o.sum[i]
	}
	for i := range m.prod {
		m.prod[i] += o.prod[i]
	}
}

// moments of block b at p; false where p leaves the stack.
func (st *stack) moments(h hypothesis, b *block, p point) (moments, bool) {
	m := moments{n: b.n}
	d1 := p.d + p.drift*b.t
	// Drift turns the phase too: the stack's points keep the model's.
	q1, ok := st.probe(d1, p.phi)
	if !ok {
		return m, false
	}
	s11, h11 := b.products(&q1, &q1, st.points)
	if h.paths == 1 {
		if h.coherent {
			m.sum[0] = real(b.linear(&q1))
			m.prod[0] = complex((real(s11)+real(h11))/2, 0)
		} else {
			m.prod[0] = complex(real(h11)/2, 0)
		}
		return m, true
	}
	d2 := d1 + p.excess
	q2, ok := st.probe(d2, p.phi)
	if !ok {
		return m, false
	}
	y := pair{y1: b.linear(&q1), y2: b.linear(&q2), s11: s11, h11: h11}
	y.s22, y.h22 = b.products(&q2, &q2, st.points)
	y.s12, y.h12 = b.products(&q1, &q2, st.points)
	return m, m.whiten(h, y, st.coupling(d1, d2, p.phi))
}

// pair is what two probes give over a block: Σ y1, Σ y2, Σ y1·y1, Σ y1·y1* …
type pair struct {
	y1, y2                       complex128
	s11, s22, s12, h11, h22, h12 complex128
}

// coupling is the correlation of the noise of probes at d1 and d2, E[y1·y2*]/2.
func (st *stack) coupling(d1, d2, phi float64) complex128 {
	return (st.overlap(d1, d2, phi) + conj(st.overlap(d2, d1, phi))) / 2
}

// whiten fills m from the outputs of two probes with coupling g. It reports
// false when the probes are too alike.
func (m *moments) whiten(h hypothesis, y pair, g complex128) bool {
	if h.coherent {
		r := real(g)
		c := math.Sqrt(1 - r*r)
		if !(c > 0.05) {
			return false
		}
		a11, a22, a12 := real(y.s11+y.h11)/2, real(y.s22+y.h22)/2, real(y.s12+y.h12)/2
		// z1 = y1, z2 = (y2 − r·y1)/c.
		m.sum = [2]float64{real(y.y1), (real(y.y2) - r*real(y.y1)) / c}
		m.prod = [3]complex128{complex(a11, 0), complex((a12-r*a11)/c, 0), complex((a22-2*r*a12+r*r*a11)/(c*c), 0)}
		return true
	}
	c2 := 1 - sqAbs(g)
	if !(c2 > 0.0025) {
		return false
	}
	// z1 = y1, z2 = (y2 − g*·y1)/c.
	a11, a22 := real(y.h11)/2, real(y.h22)/2
	a12 := y.h12 / 2
	m.prod = [3]complex128{
		complex(a11, 0),
		(a12 - g*complex(a11, 0)) / complex(math.Sqrt(c2), 0),
		complex((a22-2*real(conj(g)*a12)+sqAbs(g)*a11)/c2, 0),
	}
	return true
}

// pooled sums the blocks' moments at p.
func (st *stack) pooled(h hypothesis, p point) (moments, bool) {
	var sum moments
	for i := range st.blocks {
		m, ok := st.moments(h, &st.blocks[i], p)
		if !ok {
			return sum, false
		}
		sum.add(m)
	}
	return sum, true
}

// gain is Λ of pooled moments.
func (h hypothesis) gain(m moments) float64 {
	if h.paths == 1 {
		second := real(m.prod[0]) / m.n
		if !h.coherent {
			return m.n * excess(second)
		}
		mean := m.sum[0] / m.n
		return m.n / 2 * (mean*mean + excess(second-mean*mean))
	}
	l1, l2, mean := h.spectrum(m)
	if h.coherent {
		return m.n / 2 * (mean + excess(l1) + excess(l2))
	}
	return m.n * (excess(l1) + excess(l2))
}

// spectrum returns the eigenvalues of the covariance of z, the greater first,
// and the squared length of its mean.
func (h hypothesis) spectrum(m moments) (l1, l2, mean float64) {
	a, b, c := real(m.prod[0])/m.n, m.prod[1]/complex(m.n, 0), real(m.prod[2])/m.n
	if h.coherent {
		m1, m2 := m.sum[0]/m.n, m.sum[1]/m.n
		a, b, c = a-m1*m1, b-complex(m1*m2, 0), c-m2*m2
		mean = m1*m1 + m2*m2
	}
	half, diff := (a+c)/2, (a-c)/2
	root := math.Sqrt(diff*diff + sqAbs(b))
	return half + root, half - root, mean
}

func excess(lambda float64) float64 {
	if lambda <= 1 {
		return 0
	}
	return lambda - 1 - math.Log(lambda)
}

// lambda is Λ at x, −Inf where x is not allowed.
func (st *stack) lambda(h hypothesis, x []float64) float64 {
	p := st.unpack(h, x)
	if h.paths == 2 && p.excess < leastExcess*st.rate {
		return math.Inf(-1)
	}
	m, ok := st.pooled(h, p)
	if !ok {
		return math.Inf(-1)
	}
	return h.gain(m)
}

// leastExcess is the least spacing at which two paths are looked for, s: below
// it a receiver's filter looks the same.
const leastExcess = 0.2e-3

// maximise climbs from p.
func (st *stack) maximise(h hypothesis, p point) (point, float64) {
	x0 := st.pack(h, p)
	scale := h.list(0.3, 0.3, 0.1, 0.1/(st.duration()+10))
	problem := optimize.Problem{Func: func(u []float64) float64 {
		x := make([]float64, len(u))
		for i := range u {
			x[i] = x0[i] + u[i]*scale[i]
		}
		return -st.lambda(h, x)
	}}
	settings := &optimize.Settings{FuncEvaluations: 600, Converger: &optimize.FunctionConverge{Absolute: 1e-9, Relative: 1e-12, Iterations: 30}}
	r, err := optimize.Minimize(problem, make([]float64, len(x0)), settings, &optimize.NelderMead{SimplexSize: 0.5})
	if r == nil || (err != nil && math.IsInf(r.F, 1)) {
		return p, st.lambda(h, x0)
	}
	x := make([]float64, len(x0))
	for i := range x {
		x[i] = x0[i] + r.X[i]*scale[i]
	}
	return st.unpack(h, x), -r.F
}

// duration is the time between the means of the first and last block, s.
func (st *stack) duration() float64 {
	if len(st.blocks) == 0 {
		return 0
	}
	return st.blocks[len(st.blocks)-1].t - st.blocks[0].t
}

// curvature returns the inverse of −Λ's second derivatives at a maximum p and
// the logarithm of its determinant.
func (st *stack) curvature(h hypothesis, p point) (inv *mat.SymDense, logDet float64, ok bool) {
	x := st.pack(h, p)
	n := len(x)
	step := st.steps(h, x)
	hess := mat.NewSymDense(n, nil)
	f0 := st.lambda(h, x)
	at := func(i, j int, a, b float64) float64 {
		y := append([]float64(nil), x...)
		y[i] += a * step[i]
		y[j] += b * step[j]
		return st.lambda(h, y)
	}
	for i := range n {
		hess.SetSym(i, i, -(at(i, i, 1, 0)-2*f0+at(i, i, -1, 0))/(step[i]*step[i]))
		for j := range i {
			hess.SetSym(i, j, -(at(i, j, 1, 1)-at(i, j, 1, -1)-at(i, j, -1, 1)+at(i, j, -1, -1))/(4*step[i]*step[j]))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(hess) {
		return nil, 0, false
	}
	inv = mat.NewSymDense(n, nil)
	if chol.InverseTo(inv) != nil {
		return nil, 0, false
	}
	return inv, -chol.LogDet(), true
}

// steps finds for each parameter a step at which Λ falls by about a quarter.
func (st *stack) steps(h hypothesis, x []float64) []float64 {
	f0 := st.lambda(h, x)
	step := h.list(1e-3, 1e-3, 1e-3, 1e-3/(st.duration()+10))
	for i := range x {
		for range 40 {
			y := append([]float64(nil), x...)
			y[i] = x[i] + step[i]
			up := st.lambda(h, y)
			y[i] = x[i] - step[i]
			if f0-(up+st.lambda(h, y))/2 > 0.25 {
				break
			}
			step[i] *= 1.7
		}
	}
	return step
}

// covariance of the estimate at p, by the blocks' scores: H⁻¹·(Σ g·gᵀ)·H⁻¹, which
// holds when seconds within a block are not independent. Where the model's own
// curvature claims more it is believed instead. Dof are those of the blocks.
func (st *stack) covariance(h hypothesis, p point) (cov *mat.SymDense, dof float64, ok bool) {
	x := st.pack(h, p)
	n := len(x)
	inv, _, ok := st.curvature(h, p)
	if !ok {
		return nil, 0, false
	}
	step := st.steps(h, x)
	total, good := st.pooled(h, p)
	if !good {
		return nil, 0, false
	}
	blocks := float64(len(st.blocks))
	outer := mat.NewSymDense(n, nil)
	g := mat.NewVecDense(n, nil)
	for b := range st.blocks {
		for i := range x {
			y := append([]float64(nil), x...)
			y[i] = x[i] + step[i]
			up, ok1 := st.moments(h, &st.blocks[b], st.unpack(h, y))
			y[i] = x[i] - step[i]
			down, ok2 := st.moments(h, &st.blocks[b], st.unpack(h, y))
			if !ok1 || !ok2 {
				return nil, 0, false
			}
			g.SetVec(i, (h.score(up, total)-h.score(down, total))/(2*step[i]))
		}
		outer.SymRankOne(outer, 1, g)
	}
	dof = blocks - float64(min(n, 2))
	if dof >= 3 {
		var left, sandwich mat.Dense
		left.Mul(inv, outer)
		sandwich.Mul(&left, inv)
		k := blocks / dof
		cov = mat.NewSymDense(n, nil)
		for i := range n {
			for j := range i + 1 {
				cov.SetSym(i, j, k*(sandwich.At(i, j)+sandwich.At(j, i))/2)
			}
		}
		if cov.At(0, 0) > inv.At(0, 0) {
			return cov, dof, true
		}
	}
	return inv, math.Inf(1), true
}

// score is the log likelihood of a block's moments under the pooled mean and
// covariance.
func (h hypothesis) score(m, total moments) float64 {
	if h.paths == 1 {
		second := real(total.prod[0]) / total.n
		if !h.coherent {
			v := max(1, second)
			return real(m.prod[0]) * (1 - 1/v)
		}
		mean := total.sum[0] / total.n
		v := max(1, second-mean*mean)
		return real(m.prod[0])/2 - (real(m.prod[0])-2*mean*m.sum[0])/(2*v)
	}
	// In the eigenvectors of the pooled covariance the likelihood is a sum.
	a, b, c := real(total.prod[0])/total.n, total.prod[1]/complex(total.n, 0), real(total.prod[2])/total.n
	var m1, m2 float64
	if h.coherent {
		m1, m2 = total.sum[0]/total.n, total.sum[1]/total.n
		a, b, c = a-m1*m1, b-complex(m1*m2, 0), c-m2*m2
	}
	l1, l2, _ := h.spectrum(total)
	e := [2][2]complex128{{1, 0}, {0, 1}}
	if sqAbs(b) > 0 {
		n1 := math.Sqrt(sqAbs(b) + (l1-a)*(l1-a))
		e[0] = [2]complex128{b / complex(n1, 0), complex((l1-a)/n1, 0)}
		e[1] = [2]complex128{complex((l1-a)/n1, 0), -cmplx.Conj(b) / complex(n1, 0)}
	} else if c > a {
		e[0], e[1] = e[1], e[0]
	}
	sum := 0.0
	for i, l := range []float64{l1, l2} {
		u, w := e[i][0], e[i][1]
		// |e*·z|² summed over the block.
		p := sqAbs(u)*real(m.prod[0]) + sqAbs(w)*real(m.prod[2]) + 2*real(cmplx.Conj(u)*w*cmplx.Conj(m.prod[1]))
		v := max(1, l)
		if h.coherent {
			mu := real(u)*m1 + real(w)*m2
			s := real(u)*m.sum[0] + real(w)*m.sum[1]
			sum += p/2 - (p-2*mu*s)/(2*v)
		} else {
			sum += p * (1 - 1/v)
		}
	}
	return sum
}
