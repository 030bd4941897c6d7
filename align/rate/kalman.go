package rate

import "math"

// The clock is a state of offset x, rate y and ageing d,
//
//	dx = y dt + white frequency noise
//	dy = d dt + random walk frequency noise
//	dd = 0
//
// (the two-state clock of D. W. Allan and J. A. Barnes with ageing added; the
// covariance of a step is in C. Zucca and P. Tavella, IEEE Trans. UFFC 52,
// 2005). Units in this package's inner part are seconds and days: x in s, y in
// s/day, d in s/day².

// noise is the power of each noise term.
type noise struct {
	extra float64 // white phase noise beyond the fixes' own uncertainties, s²
	white float64 // white frequency noise, s²/day
	walk  float64 // random walk frequency noise, s²/day³
}

// node is an instant at which something happens: a shock to the clock, then a
// measurement, or one of them.
type node struct {
	t float64 // days
	// Shock: what was done to offset and rate, and the variance of what is
	// known of it.
	stepX, stepY float64
	varX, varY   float64
	// Measurement.
	measured bool
	x        float64 // s
	r        float64 // variance, s², the extra noise not included
	weight   float64 // 1, or less for an outlier: its variance is divided by it
}

// state is a mean and covariance of (x, y, d), the upper triangle.
type state struct {
	x, y, d                float64
	xx, xy, xd, yy, yd, dd float64
}

// advance moves s by dt days.
func (s *state) advance(dt float64, n noise) {
	if dt == 0 {
		return
	}
	h := dt * dt / 2
	s.x += dt*s.y + h*s.d
	s.y += dt * s.d
	r00, r01, r02 := s.xx+dt*s.xy+h*s.xd, s.xy+dt*s.yy+h*s.yd, s.xd+dt*s.yd+h*s.dd
	r11, r12 := s.yy+dt*s.yd, s.yd+dt*s.dd
	// Rounding could turn this negative where fixes are many millions of times
	// closer than the record's range.
	s.xx = math.Max(r00+dt*r01+h*r02, 0) + n.white*dt + n.walk*dt*dt*dt/3
	s.xy = r01 + dt*r02 + n.walk*dt*dt/2
	s.xd = r02
	s.yy = r11 + dt*r12 + n.walk*dt
	s.yd = r12
}

// shock applies what was done to the clock at n.
func (s *state) shock(n *node) {
	s.x += n.stepX
	s.y += n.stepY
	s.xx += n.varX
	s.yy += n.varY
}

// gain is what the filter keeps of one measurement for the way back.
type gain struct {
	v, f       float64 // innovation and its variance
	kx, ky, kd float64
}

// measure takes in a measurement z of x with variance r.
func (s *state) measure(z, r float64) gain {
	g := gain{v: z - s.x, f: s.xx + r}
	g.kx, g.ky, g.kd = s.xx/g.f, s.xy/g.f, s.xd/g.f
	s.x += g.kx * g.v
	s.y += g.ky * g.v
	s.d += g.kd * g.v
	xx, xy, xd := s.xx, s.xy, s.xd
	// 1-kx is r/f, written so that rounding cannot turn it negative; and no
	// variance falls below what its covariance with x demands.
	left := r / g.f
	s.xx, s.xy, s.xd = xx*left, xy*left, xd*left
	s.yy -= g.ky * xy
	s.yd -= g.ky * xd
	s.dd -= g.kd * xd
	if xx > 0 {
		s.yy = math.Max(s.yy, xy*xy/xx*left)
		s.dd = math.Max(s.dd, xd*xd/xx*left)
	}
	return g
}

// variance of the node's measurement under n.
func (nd *node) variance(n noise) float64 { return (nd.r + n.extra) / nd.weight }

// likelihood runs the filter over nodes from a prior that holds at the first
// node, and returns -2 log likelihood up to a constant and the state after the
// last node.
func likelihood(nodes []node, prior state, n noise) (deviance float64, last state) {
	s := prior
	// The product of variances is kept as a mantissa and an exponent: one
	// logarithm for many nodes.
	product, exponent := 1.0, 0
	for i := range nodes {
		nd := &nodes[i]
		if i > 0 {
			s.advance(nd.t-nodes[i-1].t, n)
		}
		s.shock(nd)
		if !nd.measured {
			continue
		}
		g := s.measure(nd.x, nd.variance(n))
		deviance += g.v * g.v / g.f
		product *= g.f
		if product < 1e-200 || product > 1e200 {
			m, e := math.Frexp(product)
			product, exponent = m, exponent+e
		}
	}
	return deviance + math.Log(product) + float64(exponent)*math.Ln2, s
}

// smoothed is what the whole record says at one node.
type smoothed struct {
	state // after the shock, before and after the measurement alike
	// Score and information of an additional shock at the node, one component
	// at a time: a step in x would be scoreX/infoX with variance 1/infoX (P. de
	// Jong and J. Penzer, "Diagnosing shocks in time series", JASA 93, 1998).
	scoreX, infoX float64
	scoreY, infoY float64
	// The measurement against what all others say there.
	deleted    float64 // s
	varDeleted float64 // s², of deleted
}

// smooth runs the filter forth and the fixed-interval smoother back.
func smooth(nodes []node, prior state, n noise) []smoothed {
	out := make([]smoothed, len(nodes))
	gains := make([]gain, len(nodes))
	s := prior
	for i := range nodes {
		nd := &nodes[i]
		if i > 0 {
			s.advance(nd.t-nodes[i-1].t, n)
		}
		s.shock(nd)
		out[i].state = s // predicted
		if nd.measured {
			gains[i] = s.measure(nd.x, nd.variance(n))
		}
	}
	// r is the score and m the information (symmetric, upper triangle) of the
	// state at the present place in the record from all that comes later.
	var rx, ry, rd, mxx, mxy, mxd, myy, myd, mdd float64
	for i := len(nodes) - 1; i >= 0; i-- {
		o, nd := &out[i], &nodes[i]
		if nd.measured {
			g := &gains[i]
			// Score and information of the measurement itself.
			bx, by, bd := mxx*g.kx+mxy*g.ky+mxd*g.kd, mxy*g.kx+myy*g.ky+myd*g.kd, mxd*g.kx+myd*g.ky+mdd*g.kd
			u := g.v/g.f - (g.kx*rx + g.ky*ry + g.kd*rd)
			d := 1/g.f + g.kx*bx + g.ky*by + g.kd*bd
			o.deleted, o.varDeleted = u/d, 1/d
			// Back through it with L = 1 - K Z, where 1 - kx is taken as r/f: it
			// can be tiny.
			c := nd.variance(n) / g.f
			rx = g.v/g.f + c*rx - g.ky*ry - g.kd*rd
			lx, ly, ld := mxx*c-mxy*g.ky-mxd*g.kd, mxy*c-myy*g.ky-myd*g.kd, mxd*c-myd*g.ky-mdd*g.kd
			mxx = 1/g.f + c*lx - g.ky*ly - g.kd*ld
			mxy, mxd = ly, ld
		}
		o.scoreX, o.infoX, o.scoreY, o.infoY = rx, mxx, ry, myy
		o.correct(rx, ry, rd, mxx, mxy, mxd, myy, myd, mdd)
		if i == 0 {
			break
		}
		dt := nd.t - nodes[i-1].t
		h := dt * dt / 2
		rd += dt*ry + h*rx
		ry += dt * rx
		// Transposed transition on both sides of m.
		a10, a11 := mxy+dt*mxx, myy+dt*mxy
		a20, a21, a22 := mxd+dt*mxy+h*mxx, myd+dt*myy+h*mxy, mdd+dt*myd+h*mxd
		mxy, mxd = a10, a20
		myy, myd = a11+dt*a10, a21+dt*a20
		mdd = a22 + dt*a21 + h*a20
	}
	return out
}

// correct turns a predicted state into the smoothed one: a + P r, P - P m P.
func (s *state) correct(rx, ry, rd, mxx, mxy, mxd, myy, myd, mdd float64) {
	p := [3][3]float64{{s.xx, s.xy, s.xd}, {s.xy, s.yy, s.yd}, {s.xd, s.yd, s.dd}}
	m := [3][3]float64{{mxx, mxy, mxd}, {mxy, myy, myd}, {mxd, myd, mdd}}
	r := [3]float64{rx, ry, rd}
	var add [3]float64
	var mp, c [3][3]float64
	for i := range 3 {
		for j := range 3 {
			add[i] += p[i][j] * r[j]
			for k := range 3 {
				mp[i][j] += m[i][k] * p[k][j]
			}
		}
	}
	for i := range 3 {
		for j := range 3 {
			c[i][j] = p[i][j]
			for k := range 3 {
				c[i][j] -= p[i][k] * mp[k][j]
			}
		}
	}
	s.x, s.y, s.d = s.x+add[0], s.y+add[1], s.d+add[2]
	s.xx, s.xy, s.xd, s.yy, s.yd, s.dd = c[0][0], c[0][1], c[0][2], c[1][1], c[1][2], c[2][2]
}
