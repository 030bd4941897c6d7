package envelope

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Second is the audio of one second with what the chain does to it taken out.
type Second struct {
	At    float64   // after the reference second, s
	Audio []float64 // from a fixed time before the place where the mark is expected
	Noise float64   // variance of a sample
}

// place is a point in the space of the parameters that all seconds share.
type place struct {
	lags    [mostPaths]float64 // of the paths at the reference second, s
	corners [corners]float64   // logarithms of the receiver's, over those it was given with
	rate    float64            // of all lags, s/s
}

const mostShared = mostPaths + corners + 1

// move adds delta to the shared parameters: lags of paths, corners, as far as reach from
// where the chain was taken out, rate.
func (p place) move(paths int, delta *[mostShared]float64, reach float64) place {
	for i := range paths {
		p.lags[i] += max(-mostStep, min(delta[i], mostStep))
	}
	for i := range p.corners {
		p.corners[i] += max(-mostTurn, min(delta[paths+i], mostTurn))
		if i < len(Chain{}.Slope) {
			p.corners[i] = max(-reach, min(p.corners[i], reach))
		}
	}
	p.rate += delta[paths+corners]
	return p
}

// state is what a solver knows of one second.
type state struct {
	amp  [mostAmplitudes]float64
	cost float64 // −ln of the likelihood and of the amplitudes' density
	data float64 // −ln of the likelihood alone
	damp float64 // of the next step
	// Normal equations: second derivatives and descent, amplitudes before lags.
	h [mostColumns][mostColumns]float64
	g [mostColumns]float64
	// The amplitudes' step, and by how much it changes with the shared parameters'.
	step   [mostAmplitudes]float64
	follow [mostAmplitudes][mostShared]float64
	spread [mostAmplitudes]float64 // variances, when the places are known
	logDet float64                 // of the amplitudes' second derivatives
}

// solver fits paths to seconds.
type solver struct {
	*model
	chain   *flattener
	seconds []Second
	paths   int
	place
	width  [mostPaths]float64 // variance of each part of an amplitude
	loose  float64            // how many times that variance they are left
	reach  float64            // of the corners' logarithms
	states []state
	trials []state
	h      [mostShared][mostShared]float64 // of the shared parameters alone
	g      [mostShared]float64
	resid  []float64
	// At a maximum: the logarithm of the likelihood integrated over the amplitudes, over
	// that of no mark, and over the shared parameters too; and these' covariance.
	gain, log float64
	scatter   float64 // of the seconds' scores, over what the likelihood's curvature says
	cov       *mat.SymDense
}

func (s *solver) amplitudes() int { return s.detector.amplitudes(s.paths) }

func (s *solver) pathOf(amplitude int) int { return pathOf(amplitude, s.paths) }

const (
	// noiseDoF is for how many samples' worth a second's noise is known beforehand;
	// its own audio tells the rest, so that a burst of noise weighs little.
	noiseDoF = 24
	// bandShare is the share of the audio's band that holds noise.
	bandShare = 0.85
	// widthOverBand is half the bandwidth before the detector over the audio's, 4 kHz:
	// in a broadcast receiver 3 to 5 kHz (common practice), widthSpread the standard
	// deviation of its logarithm.
	widthOverBand, widthSpread = 1, 0.3
	// loose is how many times the amplitudes' own variance they are left.
	loose = 1000
)

// weigh fills st from the model at its amplitudes and the place.
func (s *solver) weigh(k int, at place, st *state, derivatives bool) {
	sec := &s.seconds[k]
	var lags [mostPaths]float64
	for p := range s.paths {
		lags[p] = at.lags[p] + at.rate*sec.At
		if !(math.Abs(lags[p]) < margin) {
			st.data, st.cost = math.Inf(1), math.Inf(1)
			return
		}
	}
	s.render(lags[:s.paths], &st.amp, sec.Noise*widthOverBand*math.Exp(at.corners[2]), derivatives)
	y := s.col[0]
	a := s.amplitudes()
	high, low := s.col[1+a+s.paths], s.col[2+a+s.paths]
	s.chain.turn(high, low, y)
	for i, x := range sec.Audio {
		y[i] = x - y[i] - at.corners[0]*high[i] - at.corners[1]*low[i]
	}
	s.level(y)
	rss := dot(y, y)
	n := bandShare * float64(s.points)
	st.data = (noiseDoF + n) / 2 * math.Log1p(rss/(noiseDoF*sec.Noise))
	st.cost = st.data + s.penalty(st)
	if !derivatives {
		return
	}
	weight := (noiseDoF + n) / (noiseDoF*sec.Noise + rss)
	columns := a + s.paths + corners
	var along [mostColumns][drifts]float64
	for i := range columns {
		c := s.col[1+i]
		for k, u := range s.base {
			along[i][k] = dot(c, u)
		}
		st.g[i] = weight * dot(c, y)
		for j := range i + 1 {
			sum := dot(c, s.col[1+j])
			for k := range drifts {
				sum -= along[i][k] * along[j][k]
			}
			st.h[i][j] = weight * sum
			st.h[j][i] = weight * sum
		}
	}
	for i := range s.amplitudes() {
		v := s.loose * s.width[s.pathOf(i)]
		st.h[i][i] += 1 / v
		st.g[i] -= st.amp[i] / v
	}
}

// penalty keeps the amplitudes that the audio does not tell from running away. A
// density as narrow as theirs would draw the places: the earlier a path, the more of
// it is in the audio, and the less amplitude it needs.
func (s *solver) penalty(st *state) float64 {
	sum := 0.0
	for i := range s.amplitudes() {
		sum += st.amp[i] * st.amp[i] / (2 * s.loose * s.width[s.pathOf(i)])
	}
	return sum
}

// eliminate solves st's normal equations for its amplitudes, and adds what remains
// to h and g.
func (s *solver) eliminate(k int, st *state, h *[mostShared][mostShared]float64, g *[mostShared]float64) {
	a, own := s.amplitudes(), s.paths+corners
	shared := own + 1
	at := s.seconds[k].At
	// The rate moves all lags.
	var cross [mostAmplitudes][mostShared]float64
	for i := range a {
		copy(cross[i][:own], st.h[i][a:a+own])
		for p := range s.paths {
			cross[i][own] += at * st.h[i][a+p]
		}
	}
	var l [mostAmplitudes][mostAmplitudes]float64
	st.logDet = 0
	for i := range a {
		for j := range i + 1 {
			sum := st.h[i][j]
			if i == j {
				sum *= 1 + st.damp
			}
			for m := range j {
				sum -= l[i][m] * l[j][m]
			}
			if i == j {
				l[i][i] = math.Sqrt(max(sum, 1e-12*st.h[i][i]))
				st.logDet += 2 * math.Log(l[i][i])
			} else {
				l[i][j] = sum / l[j][j]
			}
		}
	}
	solve := func(x []float64) {
		for i := range a {
			for j := range i {
				x[i] -= l[i][j] * x[j]
			}
			x[i] /= l[i][i]
		}
		for i := a - 1; i >= 0; i-- {
			for j := i + 1; j < a; j++ {
				x[i] -= l[j][i] * x[j]
			}
			x[i] /= l[i][i]
		}
	}
	var x [mostAmplitudes]float64
	x = [mostAmplitudes]float64(st.g[:mostAmplitudes])
	solve(x[:])
	st.step = x
	for q := range shared {
		for i := range a {
			x[i] = cross[i][q]
		}
		solve(x[:])
		for i := range a {
			st.follow[i][q] = x[i]
		}
	}
	for i := range a {
		x = [mostAmplitudes]float64{}
		x[i] = 1
		solve(x[:])
		st.spread[i] = x[i]
	}
	if h == nil {
		return
	}
	for q := range shared {
		g[q] += s.descent(st, q, at)
		for i := range a {
			g[q] -= cross[i][q] * st.step[i]
		}
		for r := range q + 1 {
			v := s.bend(st, q, r, at)
			for i := range a {
				v -= cross[i][q] * st.follow[i][r]
			}
			h[q][r] += v
			if r != q {
				h[r][q] += v
			}
		}
	}
}

// descent is −d/dq of a second's cost, of shared parameter q.
func (s *solver) descent(st *state, q int, at float64) float64 {
	a := s.amplitudes()
	if q < s.paths+corners {
		return st.g[a+q]
	}
	sum := 0.0
	for p := range s.paths {
		sum += at * st.g[a+p]
	}
	return sum
}

// bend is d²/dq·dr of a second's cost, of shared parameters q ≥ r.
func (s *solver) bend(st *state, q, r int, at float64) float64 {
	a, rate := s.amplitudes(), s.paths+corners
	switch {
	case q < rate:
		return st.h[a+q][a+r]
	case r < rate:
		sum := 0.0
		for p := range s.paths {
			sum += at * st.h[a+r][a+p]
		}
		return sum
	}
	sum := 0.0
	for p := range s.paths {
		for o := range s.paths {
			sum += at * at * st.h[a+o][a+p]
		}
	}
	return sum
}
