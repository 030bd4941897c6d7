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
	at := m.first + reach*between - int(math.Round(lag/m.step))
	for i := range w {
		w[i] = m.value[at+i*oversample*between]
	}
	return w
}

// shapes lists the relations of one or two paths of the given waveforms. Overtones
// fold back, which for a start does not matter.
func (m *model) shapes(into []shape, paths ...[]complex128) []shape {
	into = into[:0]
	add := func(amp [mostAmplitudes]float64) {
		sh := shape{amp: amp}
		if len(into) < cap(into) {
			sh.audio = into[:len(into)+1][len(into)].audio
		}
		sh.audio = append(sh.audio[:0], m.col[0]...)
		re, im := amp[1], amp[2]
		for i, x := range paths[0] {
			cr, ci := real(x), imag(x)
			if len(paths) > 1 {
				y := paths[1][i]
				cr += re*real(y) - im*imag(y)
				ci += re*imag(y) + im*real(y)
			}
			if m.linear {
				// im a₁ is −im a₂.
				sh.audio[i] = cr + im*imag(x)
				continue
			}
			cr, ci = cr+1+re, ci+im
			sh.audio[i] = math.Sqrt(cr*cr + ci*ci)
		}
		m.level(sh.audio)
		sh.norm = math.Sqrt(dot(sh.audio, sh.audio))
		floats.Scale(1/sh.norm, sh.audio)
		into = append(into, sh)
	}
	if len(paths) == 1 {
		add([mostAmplitudes]float64{1})
		return into
	}
	for _, r := range ratios {
		for i := range turns {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / turns)
			add([mostAmplitudes]float64{1, r * cos, r * sin})
		}
	}
	return into
}

// best finds the shape that explains a second's levelled audio best, and the sum of
// squares it explains.
func best(shapes []shape, audio []float64) (amp [mostAmplitudes]float64, explained float64) {
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
		model: m, chain: chain, seconds: seconds, paths: paths,
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
		st.amp, _ = best(shapes, s.resid)
		for i := range s.amplitudes() {
			sum[pathOf(i)] += st.amp[i] * st.amp[i]
		}
	}
	for p := range s.paths {
		s.width[p] = max(sum[p], 1e-3*sum[0], 1e-3*sum[1]) / float64(len(s.states))
		if p > 0 {
			s.width[p] /= 2
		}
	}
	s.refresh()
}

// fineStep is a change of lags for which shapes are worked out anew, s.
const fineStep = 15e-6

// score is how well paths at lags explain the levelled audio of some seconds: the
// logarithm of the likelihood over that of no tick.
func (m *model) score(shapes []shape, levelled [][]float64, seconds []Second) float64 {
	n := bandShare * float64(m.points)
	sum := 0.0
	for k, audio := range levelled {
		_, explained := best(shapes, audio)
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
	starts     = 8    // places that are climbed from
	// Seconds that suffice to find places, and to choose among them.
	fewSeconds, someSeconds = 16, 60
	// someSpan is the span of the latter, s: so short that a rate hardly counts.
	someSpan = 150
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

// search finds the maxima of one to three paths and either detector.
func (e *Evaluator) search(chain *flattener, seconds []Second) []*solver {
	some := spread(middle(seconds, someSpan), someSeconds)
	more := float64(len(seconds)) / float64(len(some))
	var found []*solver
	for _, m := range e.detectors {
		for paths := 1; paths <= 2; paths++ {
			for _, c := range m.coarse(spread(some, fewSeconds), paths) {
				s := m.newSolver(chain, some, paths)
				s.start(c.place)
				s.climb(fewSteps)
				found = append(found, s)
			}
		}
	}
	found = within(distinct(found), more)
	if len(found) == 0 {
		return nil
	}
	if found[0].paths == 2 {
		found = within(distinct(append(found, found[0].extend()...)), more)
	}
	var all []*solver
	for _, f := range found {
		s := f.newSolver(chain, seconds, f.paths)
		s.start(f.place)
		s.climb(mostSteps)
		if s.again() {
			s.climb(mostSteps)
		}
		all = append(all, s)
	}
	return distinct(all)
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
			return o.model == s.model && o.paths == s.paths && o.near(s.place, s.paths, sameLag)
		}) {
			once = append(once, s)
		}
	}
	return once
}

// within returns those of distinct solvers that are worth carrying on when there are
// so many times more seconds to come.
func within(all []*solver, more float64) []*solver {
	for i, s := range all {
		if all[0].log-s.log > rivalLog/math.Sqrt(more)+rivalShare*all[0].log {
			return all[:i]
		}
	}
	return all
}

const (
	sameLag = 30e-6 // s, within which two maxima are one
	// leastExcess is the least spacing of two paths, s: below it a receiver's filter
	// looks the same.
	leastExcess = 0.12e-3
	// A maximum is carried on unless another is more likely by exp(rivalLog), for
	// chance, and a share of what the marks tell, for what no model knows of them.
	rivalLog, rivalShare = 15, 0.01
	// Steps of a climb that show its worth, and those that end it.
	fewSteps, mostSteps = 8, 20
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
	return s.evidence()
}

// again starts each second anew and keeps what is better; it reports whether any is.
// Shapes leave a third path out.
func (s *solver) again() bool {
	if s.paths > 2 {
		return false
	}
	fresh := s.newSolver(s.chain, s.seconds, s.paths)
	fresh.start(s.place)
	fresh.width = s.width
	fresh.refresh()
	var still [mostShared]float64
	for range 4 {
		for k := range fresh.states {
			fresh.eliminate(k, &fresh.states[k], nil, nil)
			fresh.try(k, s.place, &still)
		}
		fresh.states, fresh.trials = fresh.trials, fresh.states
	}
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
