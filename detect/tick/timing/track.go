// Package timing says when a tick arrives, on the flywheel's second.
//
// Each second leaves a snapshot of audio. With paths at lags d, second k's window of it
// is y = T·a + n: the columns of T are the waves that the tick, as sent, gives behind the
// audio's chain of filters on each path (wave.go), a the amplitudes, and n noise of
// covariance R, which the same chain has coloured: the quiet after a tick tells the
// chain, and so how it delays the tick (learn.go). Tᵀ·R⁻¹·y is sufficient for a; made
// white by its own covariance, z is Gaussian with the mean μ and the covariance Σ of the
// fading amplitudes, both unknown. At the most likely of them, against noise alone,
//
//	Λ = K/2·( |μ|² + Σ f(λ) ),  f(λ) = λ − 1 − ln λ,
//
// over the eigenvalues λ > 1 of Σ (linear.go): steady paths add coherently, fading ones
// add power, and those that fade apart are told apart. T has the burst itself and, behind
// an envelope detector |C + Σ aₚ·m(t−dₚ)| whose carrier C is out of phase with the paths,
// the next term of its series, (m(t−dᵢ) − m(t−dⱼ))² for each two, and m² where noise
// fills the carrier's troughs; or the burst and its quadrature, turning every second,
// where there is no carrier. A carrier with one sideband turns each path by itself, and
// the envelope is fitted instead (sideband.go). Where another station's ticks, of another
// tone, are heard on the carrier, its paths are further columns of T (beside.go).
//
// The hypotheses are one, two or three paths, each kind of chain, each way of hearing and
// each maximum over lags, a cycle of the tone or half of one apart; each is climbed over
// lags, rate and the chain's corners, integrated by Laplace's approximation and weighed by
// the priors (priors.go). No waveform is known exactly: all log likelihoods are lessened
// alike, so that what repeats every second does not average out (Priors.Discrepancy). What
// comes out is a mixture of normal distributions (posterior.go).
package timing

import (
	"math"
	"sync"

	"timeball/capture/station"
	"timeball/detect/audio"
)

// Tracker makes tracks of ticks in one stream.
type Tracker struct {
	stream   *audio.Stream
	base     func(n int64) (at float64, ok bool)
	receiver Receiver
}

// NewTracker returns a tracker in stream. The flywheel's second n is at position
// base(n), samples of the stream, if that is known.
func NewTracker(stream *audio.Stream, r Receiver, base func(n int64) (at float64, ok bool)) *Tracker {
	return &Tracker{stream: stream, base: base, receiver: r}
}

// Line is where a tick is expected: Lag seconds after the flywheel's second Ref,
// in seconds of the stream's nominal rate, and Rate more with each second.
type Line struct{ Lag, Rate, Ref float64 }

// At is the lag at second n.
func (l Line) At(n float64) float64 { return l.Lag + l.Rate*(n-l.Ref) }

// Track follows one tick: it keeps a snapshot of each second and times the tick
// by them.
type Track struct {
	*cutter
	base     func(n int64) (at float64, ok bool)
	snaps    []*snapshot // in order, at most maxSnapshots
	spare    *snapshot   // for the next
	model    model
	strength float64
	gain     float64
	weak     bool
	benches  map[view]*bench // of the latest stacks, through a usual chain
	receiver Receiver
}

// Track returns a track of the tick of shape sh expected along l.
func (r *Tracker) Track(sh Shape, l Line) *Track {
	rate := r.stream.Rate()
	return &Track{
		cutter: newCutter(newFilter(sh, rate), r.stream), base: r.base,
		model:    model{lag: l.Lag * rate, rate: l.Rate * rate, ref: l.Ref},
		receiver: r.receiver,
	}
}

// Shape is that of the tick.
func (t *Track) Shape() Shape { return t.filter.Shape }

// ToneHz is the pitch of the tick as received.
func (t *Track) ToneHz() float64 { return t.filter.ToneHz }

// Line is where the tick is expected.
func (t *Track) Line() Line { return Line{t.model.lag / t.rate, t.model.rate / t.rate, t.model.ref} }

// Onset is where second n's tick is expected, samples after the second.
func (t *Track) Onset(n int64) float64 { return t.model.at(float64(n)) }

// Len is the number of seconds kept.
func (t *Track) Len() int { return len(t.snaps) }

// Latest is the newest second kept, or -1.
func (t *Track) Latest() int64 {
	if len(t.snaps) == 0 {
		return -1
	}
	return t.snaps[len(t.snaps)-1].n
}

// Forget drops the seconds kept.
func (t *Track) Forget() { t.snaps = nil }

// Gain is the log likelihood of the latest fit of one arrival over that of noise.
func (t *Track) Gain() float64 { return t.gain }

// Weak reports whether at the latest fit the tick was found by the phase that it keeps
// alone: its power from second to second told nothing.
func (t *Track) Weak() bool { return t.weak }

// Strength is the power of a sample of the tick in units of the noise's, at the
// latest fit.
func (t *Track) Strength() float64 { return t.strength }

// Take adds second n, if its audio is there, and reports whether it is.
func (t *Track) Take(n int64) bool {
	if t.spare == nil {
		t.spare = &snapshot{}
	}
	base, ok := t.base(n)
	if !ok || !t.cut(t.spare, base, t.model.at(float64(n))) {
		return false
	}
	t.spare.n = n
	t.snaps, t.spare = append(t.snaps, t.spare), nil
	if len(t.snaps) > maxSnapshots {
		// The oldest's memory is used for the next.
		t.spare = t.snaps[0]
		t.snaps = t.snaps[:copy(t.snaps, t.snaps[1:])]
	}
	return true
}

// Evidence says how much there is for a tick at the line.
type Evidence struct {
	Gain     float64 // log likelihood of one or two arrivals over that of noise
	Coherent bool    // the tone keeps its phase from second to second
	Lead     float64 // of Coherent's log likelihood over its contrary's
}

// Evidence weighs what the latest kept seconds say for a tick, of one or two arrivals
// lest fading is taken for a turning phase. It is false when there is none.
func (t *Track) Evidence() (Evidence, bool) {
	t.refer()
	snaps := t.recent()
	st := buildStack(t.filter, snaps, t.line(snaps), 1)
	if st.count < leastCount {
		return Evidence{}, false
	}
	b := t.usual(st)
	kept, turns := b.phases(&priors)
	e := Evidence{Gain: max(kept, turns.log), Coherent: kept > turns.log, Lead: math.Abs(kept - turns.log)}
	return e, e.Gain > leastGain
}

// leastCount is the number of seconds from which there may be evidence.
const leastCount = 3

// manyCount is the number of seconds from which a tick may be followed that is too weak
// to be heard in their powers: its phase alone tells little of its pitch, so that two
// minutes of it are asked for (from memory).
const manyCount = 120

// recent are the latest seconds, which suffice to follow a tick.
func (t *Track) recent() []*snapshot { return t.snaps[max(0, len(t.snaps)-FollowSeconds):] }

// FollowSeconds are the latest seconds by which a tick is followed. Whoever follows it no
// less often than that has looked at each.
const FollowSeconds = 300

// Follow moves the line to where the tick now is, and reports whether there is one. Its
// rate is from ≤ rate ≤ to, s/s.
func (t *Track) Follow(from, to float64) bool {
	t.gain, t.strength = 0, 0
	t.refer()
	snaps := t.recent()
	m := t.line(snaps)
	if len(snaps) < 2 {
		return false
	}
	whole, last := t.halves(snaps, m, 3)
	tilt, gain := t.tilt(whole, last, from*t.rate, to*t.rate)
	whole.add(last)
	both, alone, _ := t.paths(whole)
	if gain > leastGain {
		// A clock is steady, a path is not: what two paths that stay where they are explain
		// as well, by fading, is no drift.
		moved := m
		moved.rate += tilt
		st := buildStack(whole.filter, snaps, moved, 3)
		if two, one, rate := t.paths(st); two.log > both.log+leastGain/priors.trust(max(0, both.log), 0) {
			m, whole, both, alone = moved, st, two, one
			m.rate = rate
		}
	}
	st := whole.within(t.filter)
	one, weak := t.single(st)
	t.weak = weak
	if one.log < leastGain {
		return false
	}
	m.lag += one.lags[0]
	// An earlier path that is too far away to be seen when the tick is timed.
	if len(both.lags) > 1 && one.lags[0]-both.lags[0] > closely.reach*t.rate/2 && both.log-alone.log > max(leastGain, leastEarlier*alone.log) {
		m.lag += both.lags[0] - one.lags[0]
	}
	t.model, t.gain = m, one.log
	t.strength = t.usual(st).about(turning, one.lags).power()[0] / (st.heardSeconds() * t.rate)
	return true
}

// straightened is the line along which all kept seconds' ticks stay where they are: its
// rate is that of the latest, and of twice as many by turns.
func (t *Track) straightened() model {
	m := t.line(t.snaps)
	for n := 2 * FollowSeconds; n < 2*len(t.snaps); n *= 2 {
		snaps := t.snaps[max(0, len(t.snaps)-n):]
		m = m.amid(snaps)
		last := 0.0
		for range mostTilts {
			first, second := t.halves(snaps, m, 1)
			tilt, gain := t.tilt(first, second, math.Inf(-1), math.Inf(1))
			if gain < leastGain {
				break
			}
			if tilt*last < 0 {
				m.rate += tilt / 2 // it is between the two
				break
			}
			m.rate += tilt
			last = tilt
		}
	}
	return m
}

// mostTilts is how often a line is tilted for so many seconds: the first may find it as far
// off as a survey is wide, the others what that had smeared. It bounds the work alone.
const mostTilts = 4

// halves are stacks of the first and the second half of snaps along m, which is referred
// to their middle, in so many powers of time.
func (t *Track) halves(snaps []*snapshot, m model, powers int) (first, last *stack) {
	wide := *t.filter
	wide.view = widely
	sideBySide(
		func() { first = buildStack(&wide, snaps[:len(snaps)/2], m, powers) },
		func() { last = buildStack(&wide, snaps[len(snaps)/2:], m, powers) },
	)
	return first, last
}

// sideBySide does two pieces of work side by side.
func sideBySide(a, b func()) {
	var work sync.WaitGroup
	work.Go(a)
	b()
	work.Wait()
}

// tilt is by how much more than the axis's, samples a second, the rate most likely is, from
// ≤ rate ≤ to, by where the last half's paths come, and by how much likelier than none.
func (t *Track) tilt(first, last *stack, from, to float64) (tilt, gain float64) {
	if min(first.count, last.count) < leastCount {
		return 0, 0
	}
	lag := widely.step / first.span // in a second, from half to half
	var one, other survey
	a, b := t.usual(first), t.usual(last)
	sideBySide(func() { one = a.survey() }, func() { other = b.survey() })
	by, gain := one.drift(&other, (from-first.axis.rate)/lag, (to-first.axis.rate)/lag)
	return float64(by) * lag, gain
}

// leastEarlier is how strong, against the strongest, a path must be that moves the line:
// 10 dB down is more than what chains unlike the usual one leave (seen of simulated ones).
const leastEarlier = 0.1

// Pitch is that at which a receiver of one sideband most likely gives the tick of s, by the
// latest kept seconds. Beyond what such receivers are mistuned by it is another's tick.
func (t *Track) Pitch(s *station.Station) float64 {
	t.refer()
	snaps := t.recent()
	b := t.usual(buildStack(t.filter, snaps, t.line(snaps), 1))
	side, _ := b.pitch(b.at(s.ToneHz).likeliest(turning, 2, &priors), s.ToneHz, &priors)
	return side.hz
}

// usual is a stack of the track's seen through a usual chain, for which the waves are
// tabulated once. Noise is taken to be as strong in all the band as at the tone: of what a
// chain lets pass that is thought to stop it, waves that nearly cancel, as those of paths
// close to each other, are made up of nothing else.
func (t *Track) usual(st *stack) *bench {
	known := t.benches[st.view]
	if known == nil {
		p := &priors
		known = st.behind(learned{chain: chain{high: corner{kind{2, 0}, p.HighHz}, low: corner{kind{2, 0}, p.LowHz}}, sure: [2]float64{1, 1}, scale: 1}, chain{})
		known.grid(turning)
		for col := range columns {
			known.tick.column(col)
			known.turn.column(col)
		}
		if t.benches == nil {
			t.benches = map[view]*bench{}
		}
		t.benches[st.view] = known
	}
	b := *known
	b.stack = st
	return &b
}

// refer counts the lags of what is kept from where its seconds are now known to lie:
// later pulses still move them a little.
func (t *Track) refer() {
	for _, s := range t.snaps {
		if base, ok := t.base(s.n); ok {
			by := s.base - base
			s.base, s.audioLag, s.origin = base, s.audioLag+by, s.origin+by
		}
	}
}

// survey is that of one path or two, whatever their phase.
func (b *bench) survey() survey {
	g := b.grid(turning)
	at, done := b.likelihood(g, nil, true, 2)
	defer done()
	return g.survey(at, b, 2, &priors)
}

// paths are the likeliest place of one or two, and that of one, with the rate of the former,
// samples a second.
func (t *Track) paths(st *stack) (both, alone place, rate float64) {
	rate = st.axis.rate
	if st.count < leastCount {
		return place{log: math.Inf(-1)}, place{log: math.Inf(-1)}, rate
	}
	b := t.usual(st)
	s := b.survey()
	ones := heaviest(s.one())
	both, alone = first([][]place{ones, heaviest(s.two())}), first([][]place{ones})
	if len(both.lags) > 0 {
		if k := b.about(turning, both.lags).climb(1, &priors); k.ok {
			both.log, rate = k.gain.log-k.gain.cost, k.Rate*t.rate
		}
	}
	return both, alone, rate
}

// single is the likeliest place of a single arrival, whatever its phase, through a
// usual chain; where that tells nothing, as of weak ticks, by the phase that it keeps.
func (t *Track) single(st *stack) (one place, weak bool) {
	one.log = math.Inf(-1)
	if st.count >= leastCount {
		b := t.usual(st)
		one = b.likeliest(turning, 1, &priors)
		weak = one.log < leastGain && st.count >= manyCount
		if weak {
			if kept := b.likeliest(turned, 1, &priors); kept.log >= leastGain {
				one = kept
			}
		}
	}
	if one.lags == nil {
		one.lags = []float64{0}
	}
	return one, weak
}

// line is the track's model, referred to the snapshots' middle.
func (t *Track) line(snaps []*snapshot) model { return t.model.amid(snaps) }

// amid is m, referred to the snapshots' middle.
func (m model) amid(snaps []*snapshot) model {
	if len(snaps) > 0 {
		mid := float64(snaps[0].n+snaps[len(snaps)-1].n) / 2
		m.lag, m.ref = m.at(mid), mid
	}
	return m
}

const mostEvidence = 8

// Moved weighs whether the ticks of seconds from ≤ n < to arrive by shift
// samples later than expected (positive result) or as expected (negative), as
// the difference of log likelihoods of unknown phase. No second counts for more
// than mostEvidence: a discharge of lightning must not decide.
func (t *Track) Moved(from, to int64, shift float64) float64 {
	sum := 0.0
	s := &snapshot{}
	point := int(snapBefore * t.rate) // that lies where the tick is expected
	for n := from; n < to; n++ {
		expected := t.model.at(float64(n))
		base, ok := t.base(n)
		// The likelihood of a tick at lag, with its amplitude unknown.
		at := func(lag float64) float64 {
			if !ok || !t.cut(s, base, lag) || s.noise <= 0 {
				return 0
			}
			return sqAbs(complex128(t.opened.w[point])) / (s.noise * float64(t.length))
		}
		sum += max(-mostEvidence, min(at(expected+shift)-at(expected), mostEvidence))
	}
	return sum
}

// Present weighs whether the tick comes in second n where it is expected, as strong
// as it was at the latest fit and fading (positive result), or nothing but noise
// does, as the difference of log likelihoods: powers are exponentially distributed
// about the mean of either.
func (t *Track) Present(n int64) float64 {
	s := &snapshot{}
	base, ok := t.base(n)
	if !ok || !t.cut(s, base, t.model.at(float64(n))) || s.noise <= 0 {
		return 0
	}
	power := sqAbs(complex128(t.opened.w[int(snapBefore*t.rate)])) / (s.noise * float64(t.length))
	mean := t.strength * float64(t.length) / 2 // strength is of the part in phase, which has half the noise
	return min(power*mean/(1+mean)-math.Log1p(mean), mostEvidence)
}

// Power is how strongly the tick of second n shows where it is expected: the
// matched filter's output power in units of the noise, which alone would give
// 1 on average, exponentially distributed. It is false when the second is not
// among those kept.
func (t *Track) Power(n int64) (power float64, ok bool) {
	for i := len(t.snaps) - 1; i >= 0 && t.snaps[i].n >= n; i-- {
		s := t.snaps[i]
		at := int(t.model.at(float64(n)) - s.origin + 0.5)
		if s.n != n || s.noise <= 0 {
			continue
		}
		w := t.output(s).w
		if at < 0 || at >= len(w) {
			continue
		}
		return sqAbs(complex128(w[at])) / (s.noise * float64(t.length)), true
	}
	return 0, false
}

// PowerSNR is the ratio of the tone in a burst against the noise in 3 kHz, not
// in decibels, that gives an output power of 2: tick and noise alike.
func (t *Track) PowerSNR() float64 { return t.rate / (3000 * float64(t.length)) }
