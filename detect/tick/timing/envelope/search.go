package envelope

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// shape is the relation of two paths' amplitudes, and what a detector makes of it.
type shape struct {
	amp   [mostAmplitudes]float64
	audio []float64 // of unit energy
	norm  float64   // of the audio that belongs to amp
}

// ratios and turns span the relations of two paths in a second.
var ratios = []float64{0.3, 0.7, 1.4, 3.3}

const turns = 12

// waveform is the burst that comes lag later, at the audio's points.
func (m *model) waveform(lag float64) []complex128 {
	w := make([]complex128, m.points)
	at := m.first + reach*between - int(math.Round(max(-margin, min(lag, margin))/m.step))
	for i := range w {
		w[i] = m.value[at+i*oversample*between]
	}
	return w
}

// shapes lists the relations of one or two paths of the given waveforms. Overtones
// fold back, which for a start does not matter. A product detector's audio is a sum of
// four waveforms of any size, of which an orthonormal basis is returned.
func (m *model) shapes(into []shape, paths ...[]complex128) []shape {
	into = into[:0]
	add := func(amp [mostAmplitudes]float64, fill func(x []float64)) {
		sh := shape{amp: amp}
		if len(into) < cap(into) {
			sh.audio = into[:len(into)+1][len(into)].audio
		}
		sh.audio = append(sh.audio[:0], m.col[0]...)
		fill(sh.audio)
		m.level(sh.audio)
		if m.detector == Product {
			for _, o := range into {
				subtract(sh.audio, o.audio)
			}
		}
		sh.norm = math.Sqrt(dot(sh.audio, sh.audio))
		floats.Scale(1/sh.norm, sh.audio)
		into = append(into, sh)
	}
	if m.detector == Product {
		for _, w := range paths {
			add([mostAmplitudes]float64{}, func(x []float64) {
				for i, v := range w {
					x[i] = real(v)
				}
			})
			add([mostAmplitudes]float64{}, func(x []float64) {
				for i, v := range w {
					x[i] = imag(v)
				}
			})
		}
		return into
	}
	related := func(re, im float64) {
		add([mostAmplitudes]float64{1, re, im}, func(x []float64) {
			for i, v := range paths[0] {
				cr, ci := real(v), imag(v)
				if len(paths) > 1 {
					y := paths[1][i]
					cr += re*real(y) - im*imag(y)
					ci += re*imag(y) + im*real(y)
				}
				if m.detector == Synchronous {
					x[i] = cr + im*imag(v) // im a₁ is −im a₂
					continue
				}
				cr, ci = cr+1+re, ci+im
				x[i] = math.Sqrt(cr*cr + ci*ci)
			}
		})
	}
	if len(paths) == 1 {
		related(0, 0)
		return into
	}
	for _, r := range ratios {
		for i := range turns {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / turns)
			related(r*cos, r*sin)
		}
	}
	return into
}

// best finds the shape that explains a second's levelled audio best, and the sum of
// squares it explains.
func (m *model) best(shapes []shape, audio []float64) (amp [mostAmplitudes]float64, explained float64) {
	if m.detector == Product {
		for i := range shapes {
			c := dot(audio, shapes[i].audio)
			explained += c * c
		}
		return amp, explained
	}
	at := -1
	top := 0.0
	for i := range shapes {
		if c := dot(audio, shapes[i].audio); c > top {
			at, top = i, c
		}
	}
	if at < 0 {
		return amp, 0
	}
	amp = shapes[at].amp
	for i := range amp {
		amp[i] *= top / shapes[at].norm
	}
	return amp, top * top
}

// newSolver returns a solver of seconds without a place.
func (m *model) newSolver(chain *flattener, seconds []Second, paths int) *solver {
	return &solver{
		model: m, chain: chain, seconds: seconds, paths: paths, loose: loose, reach: farCorner,
		states: make([]state, len(seconds)), trials: make([]state, len(seconds)),
		resid: make([]float64, m.points),
	}
}

// start puts s at a place, each second at the shape that explains it best.
func (s *solver) start(at place) {
	s.place = at
	var shapes []shape
	last := math.Inf(1)
	var sum [mostPaths]float64
	for k := range s.states {
		st := &s.states[k]
		*st = state{}
		shift := at.rate * s.seconds[k].At
		if math.Abs(shift-last) > fineStep {
			last = shift
			waves := [][]complex128{s.waveform(at.lags[0] + shift)}
			if s.paths > 1 {
				waves = append(waves, s.waveform(at.lags[1]+shift))
			}
			shapes = s.shapes(shapes, waves...)
		}
		copy(s.resid, s.seconds[k].Audio)
		s.level(s.resid)
		amp, explained := s.best(shapes, s.resid)
		st.amp = amp
		for p := range s.paths {
			// All paths may be as strong as what is explained.
			sum[p] += explained / float64(s.points) / float64(s.paths)
		}
	}
	for p := range s.paths {
		s.width[p] = max(sum[p], s.seconds[0].Noise) / float64(len(s.states))
	}
	s.refresh()
	if s.detector == Product {
		s.settleSeconds(4) // which are linear
	}
}

// fineStep is a change of lags for which shapes are worked out anew, s.
const fineStep = 15e-6

// score is how well paths at lags explain the levelled audio of some seconds: the
// logarithm of the likelihood over that of no tick.
func (m *model) score(shapes []shape, levelled [][]float64, seconds []Second) float64 {
	n := bandShare * float64(m.points)
	sum := 0.0
	for k, audio := range levelled {
		_, explained := m.best(shapes, audio)
		v := noiseDoF * seconds[k].Noise
		all := dot(audio, audio)
		sum += (noiseDoF + n) / 2 * (math.Log1p(all/v) - math.Log1p((all-explained)/v))
	}
	return sum
}

// candidate is a place that is worth a climb.
type candidate struct {
	place
	score float64
}

// coarse looks for places of paths on a grid and lists them with the best first, none beside a better one.
func (m *model) coarse(seconds []Second, paths int) []candidate {
	levelled := make([][]float64, len(seconds))
	for k := range seconds {
		levelled[k] = slices.Clone(seconds[k].Audio)
		m.level(levelled[k])
	}
	var all []candidate
	var shapes []shape
	var waves [][]complex128
	for lag := earliest; lag <= latest+mostExcess; lag += m.grid {
		waves = append(waves, m.waveform(lag))
	}
	for i := range int((latest-earliest)/m.grid) + 1 {
		at := place{lags: [mostPaths]float64{earliest + float64(i)*m.grid}}
		if paths == 1 {
			shapes = m.shapes(shapes, waves[i])
			all = append(all, candidate{at, m.score(shapes, levelled, seconds)})
			continue
		}
		for j := i + 1; float64(j-i)*m.grid <= mostExcess && j < len(waves); j++ {
			at.lags[1] = earliest + float64(j)*m.grid
			shapes = m.shapes(shapes, waves[i], waves[j])
			all = append(all, candidate{at, m.score(shapes, levelled, seconds)})
		}
	}
	slices.SortFunc(all, func(a, b candidate) int { return cmp.Compare(b.score, a.score) })
	var best []candidate
	for _, c := range all {
		if len(best) < starts && !slices.ContainsFunc(best, func(b candidate) bool { return b.near(c.place, paths, 1.5*m.grid) }) {
			best = append(best, c)
		}
	}
	return best
}

// near reports whether two places are within so many seconds of each other.
func (a place) near(b place, paths int, within float64) bool {
	for p := range paths {
		if math.Abs(a.lags[p]-b.lags[p]) > within {
			return false
		}
	}
	return true
}

const (
	mostExcess = 3e-3 // s, of a second path that is looked for over the first
	starts     = 16   // places that are climbed from
	// Seconds in which places are looked for, and how many it takes at least and at most
	// to choose among them, of a span, s, so short that a rate hardly counts. Weak marks
	// take more: as many as tell someLog of log likelihood.
	fewSeconds                    = 60
	leastSome, mostSome, someSpan = 60, 150, 240
	someLog                       = 2000
)

// spread returns at most n of seconds, evenly.
func spread[T any](seconds []T, n int) []T {
	if len(seconds) <= n {
		return seconds
	}
	some := make([]T, n)
	for i := range some {
		some[i] = seconds[(2*i+1)*len(seconds)/(2*n)]
	}
	return some
}

// middle returns the seconds within span of the middle one's time.
func middle(seconds []Second, span float64) []Second {
	mid := seconds[len(seconds)/2].At
	from, _ := slices.BinarySearchFunc(seconds, mid-span/2, func(s Second, t float64) int { return cmp.Compare(s.At, t) })
	to, _ := slices.BinarySearchFunc(seconds, mid+span/2, func(s Second, t float64) int { return cmp.Compare(s.At, t) })
	return seconds[from:to]
}

// search finds the maxima of one to three paths, either detector and all chains: over
// some seconds behind the first chain, from there behind the others, and over all
// seconds those that promise most.
func (e *Evaluator) search(chains []Chain) []*solver {
	var found []*solver
	var all [][]Second
	behind := 0 // the first chain
	for i, c := range chains {
		f := newFlattener(c, e.rate, e.toneHz)
		f.index = i
		seconds := e.flat(f)
		if len(seconds) < leastSeconds {
			return nil
		}
		all = append(all, seconds)
		if i == 0 {
			found = e.first(f, middle(seconds, someSpan))
			behind = len(found)
			continue
		}
		for _, o := range found[:behind] {
			s := o.newSolver(f, spread(middle(seconds, someSpan), len(o.seconds)), o.paths)
			s.adopt(o)
			s.climb(fewSteps)
			found = append(found, e.centred(s))
		}
	}
	if len(found) == 0 {
		return nil
	}
	more := float64(len(all[0])) / float64(len(found[0].seconds))
	found = within(distinct(found), more)
	if len(found) > 0 {
		best := found[0]
		found = within(distinct(append(found, further(found)...)), more)
		if !slices.Contains(found, best) {
			// A path too many makes up for amplitudes that are in a small maximum.
			found = append(found, best)
		}
	}
	var last []*solver
	for _, f := range found {
		seconds := all[f.chain.index]
		if f.chain.moved != [2]float64{} {
			seconds = e.flat(f.chain)
		}
		last = append(last, e.centred(f.all(seconds, f.place)))
	}
	last = within(distinct(last), 1)
	if len(last) > 0 && last[0].gain < weakSecond*float64(len(last[0].seconds)) {
		best := last[0]
		last = within(distinct(append(last, best.aside(1), best.aside(-1))), 1)
	}
	return last
}

// further looks for a path more beside the best of one and of two, and for what is best of
// it behind the other chains: one that comes a cycle before another is seen in that cycle
// alone, and missed by a climb from afar.
func further(found []*solver) (all []*solver) {
	for paths := 1; paths < mostPaths; paths++ {
		i := slices.IndexFunc(found, func(s *solver) bool { return s.paths == paths })
		if i < 0 {
			continue
		}
		if found[i].again() {
			found[i].climb(2 * fewSteps)
		}
		more := distinct(found[i].extend())
		all = append(all, more...)
		if len(more) == 0 || paths > 1 || more[0].log < found[0].log {
			continue
		}
		tried := map[int]bool{found[i].chain.index: true}
		for _, o := range found {
			if !tried[o.chain.index] {
				tried[o.chain.index] = true
				s := o.newSolver(o.chain, o.seconds, paths+1)
				s.adopt(more[0])
				s.climb(fewSteps)
				all = append(all, s)
			}
		}
	}
	return all
}

// centred is s behind the chain as it is where the climb has moved its corners: taken out
// elsewhere, what they change is not in proportion. Where that was an illusion, the corners
// may move less.
func (e *Evaluator) centred(s *solver) *solver {
	for range mostMoves {
		high, low := s.corners[0], s.corners[1]
		if max(math.Abs(high), math.Abs(low)) < nearCorner || s.chain.Moved == nil {
			break
		}
		f := newFlattener(s.chain.Moved(high, low), e.rate, e.toneHz)
		f.index, f.moved = s.chain.index, [2]float64{s.chain.moved[0] + high, s.chain.moved[1] + low}
		seconds := e.flat(f)
		if len(s.seconds) < len(seconds) {
			seconds = spread(middle(seconds, someSpan), len(s.seconds))
		}
		o := s.newSolver(f, seconds, s.paths)
		o.reach = s.reach
		o.adopt(s)
		o.corners[2] = s.corners[2]
		o.refresh()
		o.climb(fewSteps / 2)
		if o.merit() > s.merit()-rivalLog {
			s = o
			continue
		}
		s.reach /= 2
		s.place = s.place.move(s.paths, &[mostShared]float64{}, s.reach)
		s.refresh()
		s.climb(fewSteps / 2)
	}
	return s
}

// merit is the logarithm of the likelihood where s is, over that of no mark.
func (s *solver) merit() float64 {
	sum := s.chain.Log - s.total(s.states, s.place)
	for k := range s.seconds {
		sum += s.nothing(k)
	}
	return sum
}

// A chain is taken out anew when a corner's logarithm has moved by nearCorner, at most
// mostMoves times.
const nearCorner, mostMoves = 0.15, 6

// all climbs over seconds from a place.
func (s *solver) all(seconds []Second, from place) *solver {
	a := s.newSolver(s.chain, seconds, s.paths)
	a.start(from)
	a.climb(mostSteps)
	if a.again() {
		a.climb(mostSteps)
	}
	return a
}

// aside climbs anew from where the earliest lag, or all in its way, is asideSigma
// of its uncertainties later: weak marks have small maxima on the way to the top.
func (s *solver) aside(sign float64) *solver {
	first := 0
	for p := range s.paths {
		if s.lags[p] < s.lags[first] {
			first = p
		}
	}
	from := s.place
	for p := range s.paths {
		from.lags[p] += sign * asideSigma * s.cov.At(p, first) / math.Sqrt(s.cov.At(first, first))
	}
	return s.all(s.seconds, from)
}

// first looks for maxima of one and two paths and either detector, and returns the
// best of each kind.
func (e *Evaluator) first(chain *flattener, seconds []Second) []*solver {
	var best []*solver
	few := spread(seconds, fewSeconds)
	var places [detectors][2][]candidate
	top := 1.0
	for i, m := range e.models {
		for p := range places[i] {
			places[i][p] = m.coarse(few, p+1)
			top = max(top, places[i][p][0].score)
		}
	}
	n := someLog / top * float64(len(few))
	some := spread(seconds, int(max(leastSome, min(n, mostSome))))
	for i, m := range e.models {
		for p, found := range places[i] {
			if found[0].score < top*leastShare {
				continue
			}
			var climbed []*solver
			switch {
			case m.detector != Diode:
				found = found[:min(linearStarts, len(found))]
			case top > weakSecond*float64(len(few)):
				found = found[:min(strongStarts, len(found))]
			}
			for _, c := range found {
				s := m.newSolver(chain, some, p+1)
				s.start(c.place)
				s.climb(fewSteps)
				climbed = append(climbed, s)
			}
			climbed = distinct(climbed)
			best = append(best, climbed[:min(bestOfKind, len(climbed))]...)
		}
	}
	for i, s := range best {
		s.climb(2 * fewSteps)
		best[i] = e.centred(s)
	}
	best = distinct(best)
	best = best[:min(mostCarried, len(best))]
	for i, s := range best {
		if best[0].log-s.log > rivalLog+otherChain*best[0].log {
			return best[:i]
		}
	}
	return best
}

// distinct weighs solvers and returns those that have a maximum, the best first, each
// once.
func distinct(all []*solver) []*solver {
	var kept []*solver
	for _, s := range all {
		if s.settle() {
			kept = append(kept, s)
		}
	}
	slices.SortFunc(kept, func(a, b *solver) int { return cmp.Compare(b.log, a.log) })
	var once []*solver
	for _, s := range kept {
		if !slices.ContainsFunc(once, func(o *solver) bool {
			return o.model == s.model && o.chain.index == s.chain.index && o.paths == s.paths && o.near(s.place, s.paths, s.alike())
		}) {
			once = append(once, s)
		}
	}
	return once
}

// alike is how near, s, another maximum is none of its own.
func (s *solver) alike() float64 {
	widest := 0.0
	for p := range s.paths {
		widest = max(widest, s.cov.At(p, p))
	}
	return max(sameLag, 4*math.Sqrt(widest))
}

// within returns those of solvers, the best first, that are worth carrying on when there
// are so many times more seconds to come.
func within(all []*solver, more float64) []*solver {
	for i, s := range all {
		if all[0].log-s.log > rivalLog/math.Sqrt(more)+rivalShare*all[0].log {
			return all[:i]
		}
	}
	return all
}

const (
	sameLag = 30e-6 // s, within which two maxima are one however sure they are
	// leastExcess is the least spacing of two paths, s: below it a receiver's filter
	// looks the same.
	leastExcess = 0.12e-3
	// A maximum is carried on unless another is more likely by exp(rivalLog), for
	// chance, and a share of what the marks tell, for what no model knows of them.
	rivalLog, rivalShare = 15, 0.01
	// Steps of a climb that show its worth, and those that end it.
	fewSteps, mostSteps = 8, 20
	// weakSecond is the log likelihood a second below which a top is looked for beside
	// the first that is found.
	asideSigma, weakSecond = 4, 20
	bestOfKind             = 3 // maxima of each kind that are climbed on from
	// mostCarried is how many maxima of all kinds are tried behind other chains. Fewer
	// places are climbed from where a second has one maximum, and of strong marks.
	mostCarried, linearStarts, strongStarts = 6, 2, 6
	// leastShare is the least score of a kind on the grid, in the best's, from which it is
	// climbed from; otherChain how much of its log likelihood another chain may change.
	leastShare, otherChain = 0.5, 0.1
)

// settle weighs the maximum that s has climbed to; false when it is none.
func (s *solver) settle() bool {
	for p := range s.paths {
		for q := range p {
			if math.Abs(s.lags[p]-s.lags[q]) < leastExcess {
				return false
			}
		}
	}
	return s.evidence() && !math.IsInf(s.log, 0) && !math.IsNaN(s.log)
}

// settleSeconds climbs some steps with the shared parameters held.
func (s *solver) settleSeconds(steps int) {
	var still [mostShared]float64
	for range steps {
		for k := range s.states {
			s.eliminate(k, &s.states[k], nil, nil)
			s.try(k, s.place, &still)
		}
		s.states, s.trials = s.trials, s.states
	}
}

// again starts each second anew and keeps what is better; it reports whether any is.
// Shapes leave a third path out.
func (s *solver) again() bool {
	if s.paths > 2 || s.detector == Product {
		return false
	}
	fresh := s.newSolver(s.chain, s.seconds, s.paths)
	fresh.start(s.place)
	fresh.width = s.width
	fresh.refresh()
	fresh.settleSeconds(4)
	any := false
	for k := range s.states {
		if fresh.states[k].cost < s.states[k].cost-enough {
			s.states[k] = fresh.states[k]
			any = true
		}
	}
	return any
}

// extend looks for a further path that the maximum of s leaves out.
func (s *solver) extend() []*solver {
	var tried []candidate
	t := s.newSolver(s.chain, s.seconds, s.paths+1)
	from := slices.Min(s.lags[:s.paths]) - mostExcess/2
	to := slices.Max(s.lags[:s.paths]) + mostExcess
	for lag := from; lag < to; lag += s.grid {
		if slices.ContainsFunc(s.lags[:s.paths], func(l float64) bool { return math.Abs(lag-l) < s.grid }) {
			continue
		}
		t.adopt(s)
		t.add(lag)
		_, gain := t.step(0)
		tried = append(tried, candidate{t.place, gain})
	}
	slices.SortFunc(tried, func(a, b candidate) int { return cmp.Compare(b.score, a.score) })
	var all []*solver
	for _, c := range tried[:min(2, len(tried))] {
		e := s.newSolver(s.chain, s.seconds, s.paths+1)
		e.adopt(s)
		e.add(c.lags[s.paths])
		e.climb(fewSteps)
		if e.again() {
			e.climb(fewSteps)
		}
		all = append(all, e)
	}
	return all
}

// adopt puts s where o is, who has the same seconds, perhaps behind another chain.
func (s *solver) adopt(o *solver) {
	s.place = o.place
	s.place.corners = [corners]float64{}
	s.width = o.width
	for k := range s.states {
		s.states[k] = state{amp: o.states[k].amp}
		if s.detector == Product && s.paths > o.paths {
			// im a₁ is the last.
			amp := &s.states[k].amp
			amp[2*s.paths-1], amp[2*o.paths-1] = amp[2*o.paths-1], 0
		}
	}
	if s.paths == o.paths {
		s.refresh()
	}
}

// add gives s a further path at lag, which is nothing yet.
func (s *solver) add(lag float64) {
	p := s.paths - 1
	s.lags[p] = lag
	s.width[p] = slices.Min(s.width[:p]) / 4
	s.refresh()
}
