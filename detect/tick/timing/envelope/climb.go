package envelope

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// climb moves s from where it is to a maximum of the likelihood by Gauss and
// Newton's method; each second's amplitudes are damped on their own, so that none
// holds up the others.
func (s *solver) climb(steps int) {
	cost := s.total(s.states, s.place)
	damp := 0.0
	for range steps {
		delta, expected := s.step(damp)
		next := s.place.move(s.paths, &delta, s.reach)
		for k := range s.states {
			s.try(k, next, &delta)
		}
		after := s.total(s.trials, next)
		if !(after <= cost) {
			damp = max(10*damp, 1e-3)
			continue
		}
		damp = damp / 10
		if damp < 1e-4 {
			damp = 0
		}
		s.place = next
		s.states, s.trials = s.trials, s.states
		gained := cost - after
		s.widen()
		cost = s.total(s.states, s.place)
		if gained < enough && expected < enough {
			break
		}
	}
}

const (
	mostStep = 0.1e-3 // s, of a lag at once
	mostTurn = 0.2    // of a corner's logarithm at once
	// farCorner is how far a corner's logarithm goes at most from where the chain was taken
	// out: farther, what it changes is not in proportion.
	farCorner = 0.5
	enough    = 0.05 // log likelihood that is not worth another step
	// usualRate is the standard deviation of a clock's rate, s/s (from memory).
	usualRate = 3e-6
)

// total is the cost of seconds at a place where they are, and of the place.
func (s *solver) total(states []state, at place) float64 {
	sum := 0.0
	for k := range states {
		sum += states[k].cost
	}
	d := s.known(at)
	for i, v := range s.chain.Slope {
		d[i] -= v
	}
	for i, v := range at.corners {
		sum += d[i] * v / 2
	}
	return sum + d[corners]*at.rate/2
}

// step solves the normal equations of all seconds for the shared parameters.
func (s *solver) step(damp float64) (delta [mostShared]float64, expected float64) {
	s.prepare()
	n := s.shared()
	h, g := mat.NewSymDense(n, nil), mat.NewVecDense(n, s.g[:n:n])
	for i := range n {
		for j := range i + 1 {
			v := s.h[i][j]
			if i == j {
				v *= 1 + damp
			}
			h.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(h) || chol.SolveVecTo(&x, g) != nil {
		return delta, 0
	}
	copy(delta[:], x.RawVector().Data)
	return delta, mat.Dot(&x, g) / 2
}

func (s *solver) shared() int { return s.paths + corners + 1 }

// prepare sums the normal equations of all seconds.
func (s *solver) prepare() {
	s.h, s.g = [mostShared][mostShared]float64{}, [mostShared]float64{}
	for k := range s.states {
		s.eliminate(k, &s.states[k], &s.h, &s.g)
	}
	c, r := s.paths, s.paths+corners
	g := s.known(s.place)
	sure := s.chain.Sure
	s.h[c][c] += sure[0]
	s.h[c+1][c+1] += sure[1]
	s.h[c+2][c+2] += 1 / (widthSpread * widthSpread)
	s.h[c][c+1] += s.chain.Cross
	s.h[c+1][c] += s.chain.Cross
	s.h[r][r] += 1 / (usualRate * usualRate)
	for i, v := range g {
		s.g[c+i] -= v
	}
}

// known are the derivatives, by corners and rate, of −ln of what is known of them
// without the marks.
func (s *solver) known(at place) [corners + 1]float64 {
	c := s.chain
	return [...]float64{
		c.Sure[0]*at.corners[0] + c.Cross*at.corners[1] - c.Slope[0],
		c.Sure[1]*at.corners[1] + c.Cross*at.corners[0] - c.Slope[1],
		at.corners[2] / (widthSpread * widthSpread),
		at.rate / (usualRate * usualRate),
	}
}

// try puts into trials what second k is at the place next, its amplitudes moved
// with it or, if that is worse, left.
func (s *solver) try(k int, next place, delta *[mostShared]float64) {
	old, t := &s.states[k], &s.trials[k]
	t.amp = old.amp
	for i := range s.amplitudes() {
		d := old.step[i]
		for q := range s.shared() {
			d -= old.follow[i][q] * delta[q]
		}
		t.amp[i] += d
	}
	s.weigh(k, next, t, true)
	t.damp = old.damp / 10
	if t.damp < 1e-3 {
		t.damp = 0
	}
	if !(t.cost <= old.cost+enough) {
		moved, cost := t.amp, t.cost
		t.amp = old.amp
		s.weigh(k, next, t, true)
		if !(t.cost <= cost) {
			t.amp = moved
			s.weigh(k, next, t, true)
		} else {
			t.damp = max(10*old.damp, 1e-2)
		}
	}
}

// widen learns from the amplitudes how they are distributed.
func (s *solver) widen() {
	var sum, count [mostPaths]float64
	for k := range s.states {
		st := &s.states[k]
		for i := range s.amplitudes() {
			p := s.pathOf(i)
			sum[p] += st.amp[i]*st.amp[i] + min(st.spread[i], s.width[p])
			count[p]++
		}
	}
	for p := range s.paths {
		was := s.width[p]
		s.width[p] = sum[p] / count[p]
		more := (1/s.width[p] - 1/was) / s.loose
		for k := range s.states {
			st := &s.states[k]
			for i := range s.amplitudes() {
				if s.pathOf(i) == p {
					st.h[i][i] += more
					st.g[i] -= st.amp[i] * more
				}
			}
		}
	}
	for k := range s.states {
		st := &s.states[k]
		st.cost = st.data + s.penalty(st)
	}
}

// refresh works out all states at the place.
func (s *solver) refresh() {
	for k := range s.states {
		s.weigh(k, s.place, &s.states[k], true)
	}
}

// evidence weighs the maximum and takes the covariance of the shared parameters;
// false when it is none. Where the seconds' own scores, summed over blocks in which they
// may depend on each other, scatter by more than the likelihood's curvature says, they
// are believed (Huber's sandwich).
func (s *solver) evidence() bool {
	s.gain = s.integrate()
	if s.detector != Diode {
		s.gain -= turningCost * float64(len(s.seconds))
	}
	for k := range s.states {
		s.states[k].damp = 0
	}
	s.prepare()
	n := s.shared()
	h, meat := mat.NewSymDense(n, nil), mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			h.SetSym(i, j, s.h[i][j])
		}
	}
	blocks, last := 0.0, math.Inf(-1)
	var score [mostShared]float64
	flush := func() {
		meat.SymRankOne(meat, 1, mat.NewVecDense(n, score[:n]))
		score = [mostShared]float64{}
		blocks++
	}
	for k := range s.states {
		st := &s.states[k]
		if at := s.seconds[k].At; at > last+blockSeconds {
			if k > 0 {
				flush()
			}
			last = at
		}
		var unused [mostShared][mostShared]float64
		s.eliminate(k, st, &unused, &score)
	}
	flush()
	// In units of what each parameter alone would be known to: seconds and seconds a second
	// are so far from logarithms of corners that a good maximum passed for a singular one.
	// Of a curvature that is not positive this makes NaN, which has no factor.
	units := make([]float64, n)
	logDet := 0.0
	for i := range units {
		units[i] = 1 / math.Sqrt(h.At(i, i))
		logDet -= 2 * math.Log(units[i])
	}
	scale := func(a *mat.SymDense) {
		for i := range n {
			for j := range i + 1 {
				a.SetSym(i, j, a.At(i, j)*units[i]*units[j])
			}
		}
	}
	scale(h)
	var chol mat.Cholesky
	s.cov = mat.NewSymDense(n, nil)
	if !chol.Factorize(h) || chol.InverseTo(s.cov) != nil {
		return false
	}
	scale(s.cov)
	s.log = s.chain.Log + s.gain - s.total(nil, s.place) + (float64(n)*math.Log(2*math.Pi)-chol.LogDet()-logDet)/2
	s.scatter = 1
	if blocks >= leastBlocks {
		var left, sandwich mat.Dense
		left.Mul(s.cov, meat)
		sandwich.Mul(&left, s.cov)
		for p := range s.paths {
			s.scatter = max(s.scatter, blocks/(blocks-float64(n))*sandwich.At(p, p)/s.cov.At(p, p))
		}
		s.cov.ScaleSym(s.scatter, s.cov)
	}
	return true
}

// integrate is the logarithm of the likelihood integrated over all seconds' amplitudes,
// over that of no mark: about where their density, whose variances are learnt with it,
// and the audio have them. Where the audio tells little of an amplitude, as of what two
// paths a cycle apart have between them, the likelihood's own maximum is mostly noise, far
// out in the density.
func (s *solver) integrate() float64 {
	free := s.states
	s.states, s.loose = slices.Clone(free), 1
	s.refresh()
	for range integrateSteps {
		s.settleSeconds(1)
		s.widen()
	}
	sum := 0.0
	for k := range s.states {
		st := &s.states[k]
		s.eliminate(k, st, nil, nil)
		sum += s.nothing(k) - st.cost - st.logDet/2
		for i := range s.amplitudes() {
			sum -= math.Log(s.width[s.pathOf(i)]) / 2
		}
	}
	s.states, s.loose = free, loose
	for k := range s.states {
		st := &s.states[k]
		st.cost = st.data + s.penalty(st)
	}
	return sum
}

// integrateSteps bring the amplitudes to rest: twice as many move the evidence by 3 in 1000.
const integrateSteps = 4

// turningCost is what a second counts against a detector that lets the tone's phase
// turn freely, as a logarithm: amplitudes are taken for independent from second to
// second, so that behind it one path costs less than two that fade slowly behind a
// diode, and stands for both as well (0.8 in simulated quiet conditions at 0 dB; where
// the detector is of that kind, it leads by 3 at 3 dB).
const turningCost = 1

const (
	blockSeconds = 10 // s, longer than a fade of 0.1 Hz
	leastBlocks  = 12 // from which the scatter of their scores is known well enough
)

// nothing is −ln of the likelihood of second k with no tick in it.
func (s *solver) nothing(k int) float64 {
	sec := &s.seconds[k]
	copy(s.resid, sec.Audio)
	s.level(s.resid)
	n := bandShare * float64(s.points)
	return (noiseDoF + n) / 2 * math.Log1p(dot(s.resid, s.resid)/(noiseDoF*sec.Noise))
}
