package timing

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"timeball/detect/tick/timing/envelope"
)

// sideband weighs the hypotheses by which the marks of st may be explained that are sent
// with a full carrier and one sideband, as posterior does: what the detector does to
// both is part of each. The marks, of snaps, are heard at toneHz.
func (t *Track) sideband(st *stack, snaps []*snapshot, toneHz float64, p *Priors) []peak {
	var windows []envelope.Window
	for _, s := range snaps {
		w := envelope.Window{At: float64(s.n) - st.axis.ref, Lag: s.audioLag - st.axis.at(float64(s.n)), Audio: make([]float64, len(s.audio))}
		for i, v := range s.audio {
			w.Audio[i] = float64(v) * s.audioUnit
		}
		windows = append(windows, w)
	}
	var kinds []learned
	var chains []envelope.Chain
	add := func(l learned, prior float64) {
		kinds, chains = append(kinds, l), append(chains, st.flattened(l, toneHz, prior, p))
	}
	left := st.learn(p)
	if len(left) > 0 {
		l := left[0] // the others are of the same amplitude
		l.linear = true
		// Places are looked for behind the first, best behind one that leaves the low
		// frequencies alone: what takes out a filter that is not there buries the marks.
		slices.SortStableFunc(left, func(a, b learned) int { return cmp.Compare(a.high.reach(), b.high.reach()) })
		for _, l := range left {
			add(l, 1-p.Linear)
		}
		add(l, p.Linear)
	}
	var peaks []peak
	most := 0.0
	for i, found := range envelope.New(t.rate, toneHz, windows).Peaks(chains) {
		for _, k := range found {
			q := peak{
				Peak: k.Peak, hearing: heard[k.Detector], chain: kinds[i].turned(k.Corners[0], k.Corners[1]), kind: kinds[i].chain, toneHz: toneHz,
				gain: gain{log: k.Gain, varying: k.Fading}, uExcess: k.UExcess,
			}
			q.filterU = p.filter(q.hearing, q.chain, toneHz)
			q.Lag, q.Rate = q.Lag+st.axis.lag/t.rate, q.Rate+st.axis.rate/t.rate
			spacings := slices.Clone(k.Excess)
			for i := len(spacings) - 1; i > 0; i-- {
				spacings[i] -= spacings[i-1]
			}
			q.LogWeight += math.Log(p.Paths[len(spacings)]) + p.excess(spacings, 1) + p.levels(k.Power)
			for i := range q.Power {
				q.Power[i] *= st.heardSeconds() * t.rate // of the window's energy
			}
			peaks = append(peaks, q)
			most = max(most, k.Gain)
		}
	}
	// What no model knows of the waveform bounds how clearly the marks choose. How well
	// they tell a lag is seen in the scatter of the seconds' own scores.
	trust := p.trust(most, 0)
	for i := range peaks {
		peaks[i].LogWeight -= (1 - trust) * peaks[i].gain.log
	}
	return normalised(peaks)
}

// heard tells how each detector lets the paths be heard.
var heard = [...]hearing{envelope.Diode: enveloped, envelope.Synchronous: steady, envelope.Product: turning}

// flattened describes l to the envelope's fit. The low frequencies of a filter of linear
// phase are left as they are: what takes them away reaches farther than a window.
func (st *stack) flattened(l learned, toneHz, prior float64, p *Priors) envelope.Chain {
	rest := chain{low: l.low, edge: l.edge, linear: l.linear}
	const small = 1e-3
	c := envelope.Chain{
		CornerHz: l.high.hz, Log: math.Log(prior) + l.log,
		Rest:     rest.response,
		RestTurn: cmplx.Log(rest.turned(0, small).response(toneHz)/rest.turned(0, -small).response(toneHz)) / (2 * small),
		Delay: func(high, low float64) float64 {
			group, _ := l.turned(high, low).delays(toneHz)
			return group
		},
		Slope: l.slope, Sure: l.sure, Cross: l.cross,
		Moved: func(high, low float64) envelope.Chain {
			m := st.moved(l, high, low, p)
			return st.flattened(m, toneHz, prior, p)
		},
	}
	if !l.linear {
		c.Pairs, c.Single = l.high.poles()
	}
	return c
}
