// Package envelope times marks that are sent with a full carrier and one sideband, by
// fitting what the detector made of them.
//
// Of path p arrives aₚ·(1 + m(t−τₚ)), carrier and mark, where m is the analytic signal
// of the tone burst and aₚ a complex number that the ionosphere turns. A receiver's
// envelope detector gives
//
//	e(t) = | Σₚ aₚ·(1 + m(t−τₚ)) |,
//
// the mean of which noise lifts (Rice; rice.go). Where the paths'
// carriers fade against each other the tone exceeds the carrier, and e is anything but
// the mark: no sum of bursts of real weights, nor of complex ones, describes it. So e
// itself is fitted. Only the phases between paths count, so that a₁ is real and a
// second has the amplitudes a = (re a₁, re a₂, im a₂, …), of its own; the lags, the
// corners of the audio's chain and a rate at which all lags grow, θ, it shares with
// the others. A detector that follows the carrier's phase gives the part of the sum
// that is in phase with Σ aₚ, and one of a single sideband Re Σ aₚ·m(t−τₚ) with all
// aₚ complex; both are linear in the amplitudes and else alike.
//
// The chain is taken out of the audio (flatten.go), which leaves white noise and, of
// what a high-pass filter remembered from before the window, a few powers of time. With
// r the residual of a second of n samples, and its noise known beforehand as by ν
// samples, the likelihood is Student's: −ln L = (ν+n)/2·ln(1 + r²/νσ²). Gauss and
// Newton's normal equations of all seconds have the shape of an arrow: each second's
// amplitudes are eliminated by themselves (solve.go), and what remains is a handful of
// equations for θ. A narrow density of the amplitudes would draw θ to where they are
// least, so they are left free in the fit, and their density, complex Gaussian of a
// variance the seconds tell, weighs the maximum only (climb.go). The likelihood has
// many maxima: half a cycle of the tone turns a mark over. They are looked for on a
// grid of lags and of relations between two amplitudes, in a few seconds, and climbed
// from (search.go).
package envelope

import (
	"math"
	"slices"

	"timeball/detect/tick/timing/likelihood"
	"timeball/detect/tone"
)

// Window is a second's audio around the place where its mark is expected.
type Window struct {
	At    float64   // after the reference second, s
	Lag   float64   // of Audio[0] after the mark's place, samples
	Audio []float64 // in any unit
}

const (
	// A second is fitted from before to after, s, about the mark's place: so long ahead
	// that noise and chain are seen, and so long that the latest path is.
	before, after = 7e-3, 14e-3
	// The earliest path is looked for between these lags, s.
	earliest, latest = -3e-3, 2.5e-3
	// quiet is the part of a second, s, that comes before any path.
	quiet = before + earliest - 0.5e-3
	// mostSeconds are fitted of a long recording, spread evenly.
	mostSeconds  = 600
	leastSeconds = 6
)

// Evaluator evaluates the likelihood of one batch of windows.
type Evaluator struct {
	rate, toneHz float64
	windows      []Window
	models       [detectors]*model
}

// Peak is a maximum of the likelihood. Its Lag counts the chain's group delay at the
// tone.
type Peak struct {
	likelihood.Peak
	// Gain is the logarithm of the likelihood, integrated over the amplitudes, over
	// that of noise alone; LogWeight is integrated over all else too, and has the
	// chain's Log in it.
	Gain     float64
	Corners  [corners]float64 // logarithms of the receiver's, over those it was given with
	UExcess  []float64        // standard uncertainties of Excess
	Detector Detector
	Fading   float64 // share of the earliest path's power that fades
	Scatter  float64 // of the seconds' scores over what is expected, in variance; at least 1
	Seconds  int     // that were used
}

// New returns an evaluator for marks of toneHz that sound for at least longestMark in
// windows of audio at rate; seconds of other marks are left out.
func New(rate, toneHz float64, windows []Window) *Evaluator {
	e := &Evaluator{rate: rate, toneHz: toneHz}
	for _, w := range windows {
		if w.long(rate, toneHz) {
			e.windows = append(e.windows, w)
		}
	}
	e.windows = spread(e.windows, mostSeconds)
	points := int((before + after) * rate)
	for i := range e.models {
		e.models[i] = newModel(rate, toneHz, before, margin, points, Detector(i))
	}
	return e
}

// margin is by how much, s, a lag may differ from the mark's place.
const margin = 10e-3

// long reports whether the tone still sounds after a short mark would have ended, in a
// quarter of the power at least.
func (w *Window) long(rate, toneHz float64) bool {
	power := func(from, to float64) float64 {
		i, j := int(from*rate-w.Lag), int(to*rate-w.Lag)
		if i < 0 || j > len(w.Audio) {
			return 0
		}
		return tone.Power(w.Audio[i:j], toneHz/rate)
	}
	return power(13e-3, 19e-3) > power(2.5e-3, 8.5e-3)/4
}

// flat takes the chain out of all windows.
func (e *Evaluator) flat(f *flattener) []Second {
	m := e.models[0]
	var all []Second
	for _, w := range e.windows {
		s := Second{At: w.At, Audio: make([]float64, m.points)}
		if !f.flatten(s.Audio, w.Audio, -before*e.rate-w.Lag) {
			continue
		}
		n := int(quiet * e.rate)
		x := slices.Clone(s.Audio[:n])
		for _, u := range powers(n) {
			subtract(x, u)
		}
		s.Noise = dot(x, x) / float64(n-drifts) / bandShare
		if s.Noise > 0 {
			all = append(all, s)
		}
	}
	return all
}

// Peaks returns the maxima of the likelihood behind each of some chains, the best
// first. What marks and noise together leave without hope is dropped.
func (e *Evaluator) Peaks(chains []Chain) [][]Peak {
	peaks := make([][]Peak, len(chains))
	for _, s := range e.search(chains) {
		peaks[s.chain.index] = append(peaks[s.chain.index], s.peak())
	}
	return peaks
}

// peak is what s has found.
func (s *solver) peak() Peak {
	order := make([]int, s.paths)
	for p := range order {
		order[p] = p
	}
	slices.SortFunc(order, func(p, q int) int {
		if s.lags[p] < s.lags[q] {
			return -1
		}
		return 1
	})
	first, rate := order[0], s.paths+corners
	k := Peak{Gain: s.gain, Corners: s.corners, Detector: s.detector, Seconds: len(s.seconds), Scatter: s.scatter}
	for i, v := range s.chain.moved {
		k.Corners[i] += v
	}
	k.LogWeight = s.log
	k.Lag, k.Rate = s.lags[first]+s.chain.Delay(s.corners[0], s.corners[1]), s.rate
	// By how much the lag changes with the shared parameters.
	along := make([]float64, s.shared())
	along[first] = 1
	const small = 1e-3
	high, low := s.corners[0], s.corners[1]
	along[s.paths] = (s.chain.Delay(high+small, low) - s.chain.Delay(high-small, low)) / (2 * small)
	along[s.paths+1] = (s.chain.Delay(high, low+small) - s.chain.Delay(high, low-small)) / (2 * small)
	for i, x := range along {
		for j, y := range along {
			k.Cov[0][0] += x * y * s.cov.At(i, j)
		}
		k.Cov[0][1] += x * s.cov.At(i, rate)
	}
	k.Cov[1][0], k.Cov[1][1] = k.Cov[0][1], s.cov.At(rate, rate)
	noise := 0.0
	for _, sec := range s.seconds {
		noise += sec.Noise / float64(len(s.seconds))
	}
	for i, p := range order {
		if i > 0 {
			k.Excess = append(k.Excess, s.lags[p]-s.lags[first])
			k.UExcess = append(k.UExcess, math.Sqrt(s.cov.At(p, p)+s.cov.At(first, first)-2*s.cov.At(p, first)))
		}
		parts := 2.0
		if p == 0 {
			parts = 1
		}
		k.Power = append(k.Power, parts*s.width[p]/2/noise)
	}
	k.Fading = s.fading(first)
	return k
}

// fading is the share of path p's power that fades, by the scintillation index of
// Rice's fading: S₄² = 1 − (1−share)².
func (s *solver) fading(p int) float64 {
	var mean, square float64
	n := float64(len(s.states))
	for k := range s.states {
		power := 0.0
		for i := range s.amplitudes() {
			if s.pathOf(i) == p {
				power += s.states[k].amp[i] * s.states[k].amp[i]
			}
		}
		mean += power / n
		square += power * power / n
	}
	return 1 - math.Sqrt(max(0, 2-square/(mean*mean)))
}
