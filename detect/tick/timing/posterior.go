package timing

import (
	"cmp"
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/mat"

	"timeball/detect/tick/timing/likelihood"
)

// peak is one maximum of the posterior: a number of paths, heard in a way, through a
// kind of chain, at a place.
type peak struct {
	likelihood.Peak
	hearing hearing
	chain   chain
	kind    chain // the one that the noise tells
	toneHz  float64
	misfit  float64 // by how many times what noise leaves it leaves more
	gain    gain
	uExcess []float64 // standard uncertainties of Excess
	guestHz float64   // tone of another station's tick that is fitted as well; 0: none
	beside  []float64 // lags of its paths, s
	shared  float64   // covariance of the first of them and Lag
	filterU float64   // of the group delay, for what the chain is not, s
}

// pitch is that of a tick which a receiver of one sideband gives, with the logarithm of the
// probability of hearing it there.
type pitch struct{ hz, prior float64 }

// hearings are the ways in which a tick sent at toneHz may be heard, with its carrier or
// without, that are not far less likely than the others; and its pitch if it turns.
func (b *bench) hearings(toneHz float64, carrier bool, p *Priors) (all []hearing, side pitch) {
	kept, own := b.at(toneHz).phases(p)
	side, turns := b.pitch(own, toneHz, p)
	if math.Abs(side.hz-toneHz) > Mistuned {
		side, turns = pitch{toneHz, math.Log(p.Tuned)}, own.log // that is another's
	}
	if !carrier {
		return []hearing{turning}, side
	}
	lead := kept - turns
	if lead > -clearLead {
		all = append(all, steady, enveloped)
	}
	if lead < clearLead {
		all = append(all, turning)
	}
	return all, side
}

// clearLead is the difference of log likelihoods from which one hearing is believed.
const clearLead = 20

// phases are the log likelihood of up to two paths that keep their phase, through a chain
// that turns it, and the likeliest place of such as turn by themselves.
func (b *bench) phases(p *Priors) (kept float64, turns place) {
	turns = b.likeliest(turning, 2, p)
	if turns.lags != nil {
		if kept = b.heard(turned, turns.lags); kept-turns.log > clearLead {
			return kept, turns
		}
	}
	return b.likeliest(turned, 2, p).log, turns
}

// heard is the log likelihood of paths at lags, which turn or are turned.
func (b *bench) heard(h hearing, lags []float64) float64 {
	g := b.tabulate(lags, []*wave{&b.tick, &b.turn})
	at, done := b.likelihood(g, nil, h == turning, len(lags))
	defer done()
	return at([]int{0, 1}[:len(lags)]...)
}

// pitch is the likeliest of a tick sent at toneHz, with the log likelihood of it; there it
// is likeliest at own.
func (b *bench) pitch(own place, toneHz float64, p *Priors) (pitch, float64) {
	at := pitch{toneHz, math.Log(p.Tuned)}
	if own.lags == nil {
		return at, own.log
	}
	best, near, most := own, toneHz, own.log
	for off := -Mistuned; off <= Mistuned; off += pitchStep {
		if log := b.at(toneHz+off).heard(turning, own.lags); log > most {
			near, most = toneHz+off, log
		}
	}
	if near != toneHz {
		if q := b.at(near).likeliest(turning, 2, p); q.lags != nil {
			best = q
		}
	}
	w := descend(func(x []float64) float64 { return -b.at(near+x[0]*pitchStep).heard(turning, best.lags) }, []float64{0}, 0.5, 0.1)
	// Integrated over the pitches about the likeliest.
	trust := p.trust(max(0, -w.f), 0)
	off := pitch{near + w.x[0]*pitchStep, math.Log((1 - p.Tuned) * pitchStep / (2 * Mistuned) * math.Sqrt(2*math.Pi/(trust*max(1, w.bends.At(0, 0)))))}
	if trust*-w.f+off.prior > trust*own.log+at.prior {
		return off, -w.f
	}
	return at, own.log
}

const (
	// Mistuned is by how much the pitch that a receiver of one sideband gives may be off,
	// Hz, alike probable (from memory: by a knob and an ear).
	Mistuned = 75.0
	// pitchStep is between the pitches at which a tick is looked for, Hz: half a step away
	// 5 ms of tone lose 1 - sinc^2 of their energy, a hundredth.
	pitchStep = 25
)

// likeliest is the likeliest place of up to most paths.
func (b *bench) likeliest(h hearing, most int, p *Priors) place {
	return first(b.search(h, most, p))
}

// posterior weighs all hypotheses by which st may be explained, as a tick sent at toneHz
// and heard with its carrier or not, alone or with others': peaks whose weights sum to one,
// the heaviest first.
func (st *stack) posterior(toneHz float64, carrier bool, most int, others []Shape, p *Priors) []peak {
	if st.count < leastCount {
		return nil
	}
	var trials, ways, joint []trial
	var hearings []hearing
	var side pitch
	all := st.learn(p)
	if st.receiver != nil && st.receiver.agrees(&all[0], p) {
		all = all[:1] // by which the noise comes; the tick comes as it did then
		all[0].known = st.receiver
		through := *p
		through.Discrepancy += st.receiver.Discrepancy
		p = &through
	}
	for i, l := range all {
		for _, linear := range []bool{false, true} {
			prior := math.Log(1 - p.Linear)
			if linear {
				prior = math.Log(p.Linear)
				if i > 0 || l.known != nil {
					continue // of the same amplitude as the likeliest
				}
			}
			l.linear = linear
			b := st.bench(l)
			if b == nil {
				continue
			}
			if hearings == nil {
				hearings, side = b.hearings(toneHz, carrier, p)
			}
			own, tuned := b.at(toneHz), b.at(side.hz)
			found := map[bool][][]place{}
			for _, h := range hearings {
				b, prior, turns := own, prior, h == turning
				if turns {
					b, prior = tuned, prior+side.prior
				}
				ways = append(ways, trial{bench: b, hearing: h, prior: prior})
				if found[turns] == nil {
					found[turns] = b.search(h, most, p)
					if i == 0 && !linear {
						for _, sh := range others {
							sh.ToneHz += b.shaper.ToneHz - toneHz
							joint = append(joint, b.invite(sh).together(h, found[turns], p)...)
						}
					}
				}
				for n, places := range found[turns] {
					for _, q := range places {
						trials = append(trials, trial{b, h, q, places[0].log - q.log, prior + math.Log(p.Paths[n])})
					}
				}
			}
			own.grids, tuned.grids = [2]*grid{}, [2]*grid{} // they are most of what they hold
		}
	}
	if len(trials) == 0 {
		return nil
	}
	top := slices.MaxFunc(trials, func(a, b trial) int { return cmp.Compare(a.log, b.log) })
	if top.log < leastGain {
		return nil
	}
	// What the model cannot know of the waveform bounds what the data can tell, alike
	// for all hypotheses; and so does what the one that fits best is seen to leave.
	best := top.about(top.hearing, top.lags).climb(1, p)
	log := max(top.log, best.gain.log)
	trust := p.trust(log, best.misfit)
	standing := sync.OnceValue(func() standings { return stoods(ways, trust, p) })
	if joint != nil {
		if peaks := joined(joint, trials, ways, standing, p); len(peaks) > 0 {
			return normalised(peaks)
		}
	}
	var still standings
	weigh := func(trust float64) (peaks []peak) {
		found := climbAll(trials, trust, p)
		for i, t := range trials {
			peaks = t.add(peaks, found[i])
		}
		return still.climb(peaks, trust, p)
	}
	peaks := weigh(trust)
	if len(peaks) == 0 {
		return nil
	}
	fit := slices.MaxFunc(peaks, func(a, b peak) int { return cmp.Compare(a.gain.log, b.gain.log) })
	heaviest := slices.MaxFunc(peaks, func(a, b peak) int { return cmp.Compare(a.LogWeight, b.LogWeight) })
	if most > 1 && (fit.misfit > 0 || len(heaviest.Power) > 1) {
		// Where one path explains all a second is so weak that the envelope's series will do.
		if still = standing(); still.best.ok && still.best.gain.log > fit.gain.log {
			fit, log = still.best.peak, max(log, still.best.gain.log)
		}
	}
	if seen := p.trust(log, fit.misfit); seen < alike*trust || trust < alike*seen || still.all != nil {
		peaks = weigh(seen)
	}
	return normalised(peaks)
}

// alike is the share of one trust in another from which it is not worth while to weigh
// anew.
const alike = 0.9

// trial is a hypothesis to be looked at closely: a place, heard in a way, by how much log
// likelihood it is behind the best heard alike with as many paths through the same chain,
// and the logarithm of its prior probability.
type trial struct {
	*bench
	hearing
	place
	behind, prior float64
}

// counts reports whether t may count when log likelihoods are lessened by trust.
func (t *trial) counts(trust float64) bool {
	if t.hearing == steady && trust < 0.5 {
		return false // of so strong a tick squares of no size cost nothing
	}
	return t.behind < farBehind || trust*t.behind < -math.Log(leastWeight)
}

// climbAll finds the maxima of those trials that count: those through one chain, whose waves
// they share, one after the other, and the chains side by side.
func climbAll(trials []trial, trust float64, p *Priors) []climbed {
	found := make([]climbed, len(trials))
	through := map[*shaper][]int{}
	for i, t := range trials {
		if t.counts(trust) {
			through[t.shaper] = append(through[t.shaper], i)
		}
	}
	var work sync.WaitGroup
	for _, all := range through {
		work.Go(func() {
			for _, i := range all {
				t := &trials[i]
				found[i] = t.about(t.hearing, t.lags, t.beside...).climb(trust, p)
			}
		})
	}
	work.Wait()
	return found
}

// climb adds t's maximum to peaks, unless it is among them.
func (t trial) climb(peaks []peak, trust float64, p *Priors) []peak {
	return t.add(peaks, t.about(t.hearing, t.lags, t.beside...).climb(trust, p))
}

// add adds what t has climbed to, unless it is among peaks.
func (t trial) add(peaks []peak, f climbed) []peak {
	if f.ok && !slices.ContainsFunc(peaks, func(k peak) bool { return k.same(f.peak) }) {
		f.LogWeight += t.prior
		peaks = append(peaks, f.peak)
	}
	return peaks
}

const (
	// leastGain is the log likelihood, over that of noise, from which there is a tick.
	leastGain = 12
	// farBehind is by how much less likely a place at first sight, heard alike through
	// the same chain, is not looked at: what is not seen then may make up for so much.
	farBehind = 300
	// leastWeight is the probability, against the heaviest's, below which a peak is dropped:
	// what else is heard of an evening would have to speak a billion to one for it.
	leastWeight = 1e-9
)

// same reports whether k and o are one maximum, found twice.
func (k *peak) same(o peak) bool {
	if k.kind != o.kind || k.guestHz != o.guestHz || len(k.Power) != len(o.Power) || len(k.beside) != len(o.beside) || k.hearing != o.hearing {
		return false
	}
	apart := math.Abs(k.Lag - o.Lag)
	for i := range k.Excess {
		apart = max(apart, math.Abs(k.Excess[i]-o.Excess[i]))
	}
	for i := range k.beside {
		apart = max(apart, math.Abs(k.beside[i]-o.beside[i]))
	}
	return apart < 20e-6
}

// normalised turns logarithms of weights into their probabilities' and drops what is
// negligible.
func normalised(peaks []peak) []peak {
	if len(peaks) == 0 {
		return nil
	}
	slices.SortFunc(peaks, func(a, b peak) int {
		if a.LogWeight > b.LogWeight {
			return -1
		}
		return 1
	})
	sum, kept := 0.0, 0
	for i, k := range peaks {
		w := math.Exp(k.LogWeight - peaks[0].LogWeight)
		if w < leastWeight {
			break
		}
		sum += w
		kept = i + 1
	}
	total := peaks[0].LogWeight + math.Log(sum)
	peaks = peaks[:kept]
	for i := range peaks {
		peaks[i].LogWeight -= total
	}
	return peaks
}

// climbed is a peak and whether there is one.
type climbed struct {
	peak
	ok bool
}

// climb finds the maximum about nr's place and integrates about it by Laplace's
// approximation.
func (nr *near) climb(trust float64, p *Priors) climbed {
	n := len(nr.lags)
	dim := n + 3
	scale := make([]float64, dim)
	for i := range scale {
		scale[i] = 0.1
	}
	take := func(x []float64) (departure, []float64) {
		e := departure{lags: make([]float64, n), drift: x[n] * scale[n], high: x[n+1] * scale[n+1], low: x[n+2] * scale[n+2]}
		var spacings []float64
		for i := range n {
			e.lags[i] = x[i] * scale[i]
			if i > 0 && i != nr.own {
				e.lags[i] += e.lags[i-1]
				spacings = append(spacings, nr.lags[i]+e.lags[i]-nr.lags[i-1]-e.lags[i-1])
			}
		}
		return e, spacings
	}
	fading := -1
	var last gain
	minus := func(x []float64) float64 {
		e, spacings := take(x)
		m, ok := nr.moments(e)
		if !ok || slices.ContainsFunc(e.lags, func(d float64) bool { return math.Abs(d) > farthest }) || max(math.Abs(e.high), math.Abs(e.low)) > 1 || math.Abs(e.drift) > farthest {
			return math.Inf(1)
		}
		last = m.gain(nr.hearing == turning, fading, trust)
		log := trust*last.log + nr.chain.departs(e.high, e.low) + p.excess(spacings, nr.stack.rate)
		if fading < 0 {
			log -= nr.cost(last, trust)
		}
		return -log
	}
	var w well
	for i := range 7 {
		w.near(make([]float64, dim))
		w.descend(minus, 2.5, 0.1, false)
		e, _ := take(w.x)
		far := 0.0
		lags := slices.Clone(nr.lags)
		for i, d := range e.lags {
			far = max(far, math.Abs(d))
			lags[i] += d
		}
		if far < recentre {
			break
		}
		if i == 6 {
			return climbed{}
		}
		nr = nr.about(nr.hearing, lags[:nr.own], lags[nr.own:]...)
	}
	minus(w.x)
	k := climbed{peak: peak{hearing: nr.hearing, chain: nr.chain.chain, kind: nr.chain.chain, toneHz: nr.shaper.ToneHz, gain: last}}
	e, _ := take(w.x)
	k.misfit = nr.misfit(e)
	fading = last.fading
	w.descend(minus, 2.5, 2e-3, true) // for a fixed number of directions
	var chol mat.Cholesky
	cov := mat.NewSymDense(dim, nil)
	if !finite(w.bends) || !chol.Factorize(w.bends) || chol.InverseTo(cov) != nil {
		return k
	}
	x, top := w.x, w.f
	e, _ = take(x)
	r := nr.stack.rate
	k.ok = true
	k.Lag = (nr.axis.lag + nr.lags[0] + e.lags[0]) / r
	k.Rate = (nr.axis.rate + e.drift/nr.span) / r
	k.Cov = [2][2]float64{
		{cov.At(0, 0) * scale[0] * scale[0] / (r * r), cov.At(0, n) * scale[0] * scale[n] / (nr.span * r * r)},
		{0, cov.At(n, n) * scale[n] * scale[n] / (nr.span * nr.span * r * r)},
	}
	k.Cov[1][0] = k.Cov[0][1]
	for i := nr.own; i < n; i++ {
		k.beside = append(k.beside, (nr.axis.lag+nr.lags[i]+e.lags[i])/r)
	}
	if n > nr.own {
		k.guestHz = nr.guest.ToneHz
		k.shared = cov.At(0, nr.own) * scale[0] * scale[nr.own] / (r * r)
	}
	for i := 1; i < nr.own; i++ {
		k.Excess = append(k.Excess, (nr.lags[i]+e.lags[i]-nr.lags[0]-e.lags[0])/r)
		k.uExcess = append(k.uExcess, math.Sqrt(cov.At(i, i))*scale[i]/r)
	}
	k.chain = k.chain.turned(e.high, e.low)
	k.filterU = p.filter(k.hearing, k.chain, k.toneHz)
	power := nr.power()
	k.Power = power[:nr.own]
	k.LogWeight = -top - nr.cost(k.gain, trust) + p.levels(k.Power) + p.guest(power[nr.own:], nr.points) + nr.chain.log + trust*nr.alone + float64(dim)/2*math.Log(2*math.Pi) - chol.LogDet()/2
	for _, s := range scale {
		k.LogWeight += math.Log(s)
	}
	return k
}

// recentre is by how many samples a departure from a place may go before its series
// are taken anew.
const recentre = 0.15

// farthest is by how many samples it may go at all.
const farthest = 0.7
