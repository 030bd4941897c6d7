package timing

import (
	"math"
	"math/cmplx"

	"timeball/detect/tick/timing/envelope"
)

// sideband weighs long marks of a carrier and one sideband by fitting the detector's
// envelope: peaks as those of the linear likelihood.
func (t *Track) sideband(st *stack, p *Priors) []peak {
	var windows []envelope.Window
	for _, s := range t.snaps {
		if s.long {
			continue
		}
		w := envelope.Window{At: float64(s.n) - st.axis.ref, Lag: s.audioLag - st.axis.at(float64(s.n)), Audio: make([]float64, len(s.audio))}
		for i, v := range s.audio {
			w.Audio[i] = float64(v) * s.audioUnit
		}
		windows = append(windows, w)
	}
	kinds := st.learn(p)
	var chains []envelope.Chain
	for _, l := range kinds {
		chains = append(chains, st.flattened(l))
	}
	var peaks []peak
	for i, found := range envelope.New(t.rate, t.ToneHz(), windows).Peaks(chains) {
		l := kinds[i]
		for _, k := range found {
			q := peak{Peak: k.Peak, hearing: enveloped, chain: l.turned(k.Corners[0], k.Corners[1]), kind: l.chain, gain: gain{log: k.Gain, varying: k.Fading}, uExcess: k.UExcess}
			if k.Detector == envelope.Product {
				q.hearing = turning
			}
			q.Lag += st.axis.lag / t.rate
			q.Rate += st.axis.rate / t.rate
			q.LogWeight += math.Log(p.Paths[len(k.Power)-1]) + p.levels(k.Power)
			q.filterU = p.filter(q.hearing, q.chain, t.ToneHz())
			peaks = append(peaks, q)
		}
	}
	// The model's discrepancy bounds what they tell, as it does the linear likelihood's.
	most := 0.0
	for _, k := range peaks {
		most = max(most, k.gain.log)
	}
	trust := p.trust(most)
	for i := range peaks {
		k := &peaks[i]
		k.LogWeight -= (1 - trust) * k.gain.log
		for a := range k.Cov {
			for b := range k.Cov[a] {
				k.Cov[a][b] /= trust
			}
		}
	}
	return normalised(peaks)
}

// flattened describes a learned chain to the envelope's evaluator.
func (st *stack) flattened(l learned) envelope.Chain {
	rest := chain{low: l.low}
	tone := st.ToneHz
	const small = 1e-3
	pairs, single := l.high.poles()
	return envelope.Chain{
		Pairs: pairs, Single: single, CornerHz: l.high.hz, Log: l.log,
		Rest:     rest.response,
		RestTurn: cmplx.Log(rest.turned(0, small).response(tone)/rest.turned(0, -small).response(tone)) / (2 * small),
		Delay: func(high, low float64) float64 {
			group, _ := l.turned(high, low).delays(tone)
			return group
		},
		Sure: l.sure, Cross: l.cross,
	}
}
