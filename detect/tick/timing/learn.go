package timing

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"

	"timeball/detect/kaiser"
)

// learned is a kind of chain as the noise tells it: with the corners that explain
// the noise best, and how well that is.
type learned struct {
	chain
	log   float64    // log likelihood of the noise at the corners, with their prior,
	slope [2]float64 // its derivatives by the corners' logarithms, nought at the best,
	sure  [2]float64 // the negatives of its second, at the best the logarithms' precision,
	cross float64    // and what couples them
	scale float64    // by which noise is stronger than was thought
}

// evidence is the logarithm of the likelihood integrated over the corners.
func (l *learned) evidence() float64 {
	return l.log + math.Log(2*math.Pi) - math.Log(l.sure[0]*l.sure[1]-l.cross*l.cross)/2
}

// departs is the logarithm of the corners' density, moved from l's, over that there.
func (l *learned) departs(high, low float64) float64 {
	return l.slope[0]*high + l.slope[1]*low - (l.sure[0]*high*high+l.sure[1]*low*low+2*l.cross*high*low)/2
}

// spectrumBins is the number of frequencies, from 0 to half the rate, at which a
// spectrum is summed: so many that its covariance does not begin anew in a window.
const spectrumBins = 256

// covariance fills r with the autocovariance of noise behind c, one at the tone,
// with a floor and a level that nobody knows.
func (f *filter) covariance(r []float64, c chain) {
	var s, sum [spectrumBins + 1]float64
	tone := c.power(f.ToneHz)
	for i := range s {
		hz := f.rate / 2 * float64(i) / spectrumBins
		power := c.power(hz) * f.aliases[i][0]
		if b := f.aliases[i][1]; b > 0 {
			power += c.power(f.rate-hz) * b
		}
		s[i] = power/tone + noiseFloor
	}
	f.autocovariance.Transform(sum[:], s[:])
	for k := range r {
		r[k] = sum[k]/(2*spectrumBins) + c.rest(float64(k)/f.rate)
	}
}

const (
	// noiseFloor is the density, of that at the tone, that comes in behind the chain:
	// a sound card of 16 bits with some headroom lies lower (common practice).
	noiseFloor = 1e-4
	// restLevel is the variance, in that of the noise, of what stands still in a window, and
	// of what hums in a tick's: so large that it has no say.
	restLevel = 100
)

// score is the log likelihood of the noise of st behind c, its level free, with the
// corners' prior; scale is by how much it is stronger than was thought. What is the same each
// second is noise as well, or c's hum.
func (st *stack) score(c chain, p *Priors) (log, scale float64) {
	log = p.corners(c)
	if st.quiet.count == 0 {
		return log, 1
	}
	energy := 0.0
	for _, part := range []struct {
		chain
		tails blas64.General
		count float64
	}{{c, st.quiet.tails, st.quiet.count}, {c.hummed(), st.quiet.repeats, 1}} {
		r := make([]float64, part.tails.Rows)
		var t toeplitz
		st.covariance(r, part.chain)
		if !t.set(r) {
			return math.Inf(-1), 1
		}
		energy += t.trace(part.tails)
		log -= part.count * t.logDet / 2
	}
	half := (st.quiet.count*float64(st.quiet.tails.Rows) + float64(st.quiet.repeats.Rows)) / 2
	scale = energy / (2 * half)
	return log - half*math.Log(scale), scale
}

// rest is the covariance of what stands still and of hum, seconds apart.
func (c chain) rest(seconds float64) float64 {
	if c.humHz > 0 {
		return restLevel + c.humLevel*kaiser.Sinc(2*c.humHz*seconds)
	}
	return restLevel
}

// hummed is c with hum so strong that it has no say.
func (c chain) hummed() chain {
	c.humLevel = restLevel
	return c
}

// outline tells by the noise behind a usual chain what there is beside its filters: an edge,
// and up to where something slower than audio is heard.
func (st *stack) outline(p *Priors) (best chain) {
	most := math.Inf(-1)
	near := []float64{0, 0, 0.1} // where the one before was likeliest
	for i, up := range hums {
		for _, level := range humLevels {
			if i == 0 && level > 0 {
				continue // of what is not there
			}
			c := chain{high: corner{kind{2, 0}, p.HighHz}, low: corner{kind{2, 0}, p.LowHz}, edge: p.LowHz, humHz: up, humLevel: level}
			at := func(u []float64) chain {
				c := c.turned(u[0], u[1])
				c.edge *= math.Exp(u[2])
				return c
			}
			w := descend(func(u []float64) float64 {
				log, _ := st.score(at(u), p)
				return -log - logNormal(u[2], p.LowSpread)
			}, near, 0.5, 1e-2)
			near = w.x
			log := -w.f
			if i > 0 {
				log -= math.Log(float64((len(hums) - 1) * len(humLevels))) // all together as probable as none
			}
			if log > most {
				best, most = at(w.x), log
			}
		}
	}
	return best
}

// hums are up to where there may be something slower than audio, Hz: a mistuned carrier's
// beat or the hum of the mains, and with its first overtones. humLevels are the variances, in
// that of the noise, of what may vary of it from second to second: none if it keeps time with
// them.
var (
	hums      = []float64{0, 60, 160}
	humLevels = []float64{0, 0.01, 0.1, 1, 10, restLevel}
)

// moved is l with its corners elsewhere, and what the noise says of them there.
func (st *stack) moved(l learned, high, low float64, p *Priors) learned {
	m := learned{chain: l.turned(high, low)}
	// Steps over which the likelihood changes by about a half.
	h, w := min(1/math.Sqrt(l.sure[0]), 0.2), min(1/math.Sqrt(l.sure[1]), 0.2)
	at := func(high, low float64) float64 {
		log, _ := st.score(m.turned(high*h, low*w), p)
		return log
	}
	m.log, m.scale = st.score(m.chain, p)
	second := func(i int, step, up, down float64) {
		m.slope[i] = (up - down) / (2 * step)
		m.sure[i] = max((2*m.log-up-down)/(step*step), leastSure)
	}
	second(0, h, at(1, 0), at(-1, 0))
	second(1, w, at(0, 1), at(0, -1))
	m.couple((at(1, -1) + at(-1, 1) - at(1, 1) - at(-1, -1)) / (4 * h * w))
	return m
}

// couple takes cross for what couples the corners, unless it is too great to be.
func (l *learned) couple(cross float64) {
	if cross*cross < 0.8*l.sure[0]*l.sure[1] {
		l.cross = cross
	}
}

// leastSure is the least precision of a corner's logarithm, where the noise's likelihood
// bends the other way.
const leastSure = 0.1

// learn tells the kinds of chain that the noise leaves possible, likeliest first.
func (st *stack) learn(p *Priors) []learned {
	usual := st.outline(p)
	var all []learned
	for _, high := range p.Highs {
		for _, low := range p.Lows {
			c := chain{high: corner{high, p.HighHz}, low: corner{low, p.LowHz}, edge: usual.edge, humHz: usual.humHz, humLevel: usual.humLevel}
			at := func(u []float64) float64 {
				log, _ := st.score(c.turned(u[0], u[1]), p)
				return -log
			}
			w := descend(at, []float64{0, 0}, 0.5, 1e-2)
			l := learned{chain: c.turned(w.x[0], w.x[1]), sure: [2]float64{max(w.bends.At(0, 0), leastSure), max(w.bends.At(1, 1), leastSure)}}
			l.couple(w.bends.At(0, 1))
			l.log, l.scale = st.score(l.chain, p)
			all = append(all, l)
		}
	}
	slices.SortFunc(all, func(a, b learned) int { return cmp.Compare(b.evidence(), a.evidence()) })
	for i, l := range all {
		if i == p.Chains || all[0].evidence()-l.evidence() > p.ChainLoss {
			all = all[:i]
			break
		}
	}
	return all
}

// well is a minimum of a function and its second derivatives there.
type well struct {
	x     []float64
	f     float64
	bends *mat.SymDense
	step  []float64 // over which differences are taken
}

// descend finds a minimum of f near x by Newton's method, with differences for
// derivatives and steps bounded to most in each direction, until another would gain less than
// least. f may be infinite.
func descend(f func([]float64) float64, x []float64, most, least float64) well {
	var w well
	w.near(x)
	w.descend(f, most, least, true)
	return w
}

// near puts w at x, with nothing known of the second derivatives.
func (w *well) near(x []float64) { *w = well{x: slices.Clone(x)} }

// descend goes on from w.x. What couples two directions is most of the work and changes
// little on the way: it is found where nothing is known of it, now and then, and if it
// must be exact, once more at the minimum; by two places each beside those of the
// slopes (Abramowitz and Stegun, Handbook of Mathematical Functions, 25.3.27).
func (w *well) descend(f func([]float64) float64, most, least float64, exact bool) {
	x, n := w.x, len(w.x)
	step := w.step
	if step == nil {
		step = slices.Repeat([]float64{most / 4}, n)
		w.step = step
	}
	w.f = f(x)
	couple := w.bends == nil
	if couple {
		w.bends = mat.NewSymDense(n, nil)
	}
	slope, beside := make([]float64, n), make([]float64, n)
	y := slices.Clone(x)
	at := func(i, j int, by float64) float64 {
		copy(y, x)
		y[i] += by * step[i]
		if j != i {
			y[j] += by * step[j]
		}
		return f(y)
	}
	var e mat.EigenSym
	var v mat.Dense
	move := make([]float64, n)
	better := true
	for turn := range mostSteps {
		for i := 0; better && i < n; i++ {
			// A step over which f bends by less than one or so.
			for try := range mostTries {
				up, down := at(i, i, 1), at(i, i, -1)
				slope[i], beside[i] = (up-down)/(2*step[i]), up+down
				bend := up + down - 2*w.f
				w.bends.SetSym(i, i, bend/(step[i]*step[i]))
				if math.Abs(bend) <= 1 || try == mostTries-1 {
					break
				}
				if finite := math.Abs(bend) < math.Inf(1); finite {
					step[i] /= math.Sqrt(2 * math.Abs(bend))
				} else {
					step[i] /= 2
				}
			}
		}
		for i := 0; couple && i < n; i++ {
			for j := range i {
				v := (at(i, j, 1) + at(i, j, -1) - beside[i] - beside[j] + 2*w.f) / (2 * step[i] * step[j])
				w.bends.SetSym(i, j, v)
			}
		}
		known := couple || !exact
		if !finite(w.bends) || !e.Factorize(w.bends, true) {
			break
		}
		e.VectorsTo(&v)
		clear(move)
		for k, l := range e.Values(nil) {
			dot := 0.0
			for i, g := range slope {
				dot += v.At(i, k) * g
			}
			for i := range move {
				move[i] -= v.At(i, k) * dot / max(math.Abs(l), 1e-3)
			}
		}
		longest, gain := 0.0, 0.0
		for i, m := range move {
			longest = max(longest, math.Abs(m))
			gain -= m * slope[i]
		}
		better = false
		if !(gain < least) {
			share := min(1, most/longest)
			for range 6 {
				for i, m := range move {
					y[i] = x[i] + share*m
				}
				if v := f(y); v < w.f {
					copy(x, y)
					w.f, better = v, true
					break
				}
				share /= 3
			}
		}
		if !better && known {
			break
		}
		couple = !better || turn%renewed == renewed-1
	}
}

// A descent ends after mostSteps at the latest, and a step is fitted to the function's bend
// in mostTries. On the way what couples two directions is found anew every so often: a
// step that goes by an old value is not the best, but costs a third.
const mostSteps, mostTries, renewed = 40, 8, 4

func finite(a *mat.SymDense) bool {
	n := a.SymmetricDim()
	for i := range n {
		for j := range i + 1 {
			if v := a.At(i, j); math.IsNaN(v) || math.IsInf(v, 0) {
				return false
			}
		}
	}
	return true
}
