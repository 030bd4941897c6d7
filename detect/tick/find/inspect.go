package find

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"

	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/tick/timing"
	"timeball/detect/tone"
)

// profile is the mean power around a candidate, bin by bin, in the tone's band
// and in all of the audio, in units of the noise of one bin.
type profile struct {
	tone []float64 // noise taken out
	wide []float64 // noise taken out
	// Standard deviation of noise in a bin of each.
	toneSigma, wideSigma float64
	samples              float64 // in a bin
	seconds              int
	spread               *spread // of the bins in which a short mark leaves quiet
}

const (
	binSeconds    = 1e-3
	profileBefore = 12  // bins before the candidate's lag
	profileAfter  = 27  // and after it, where a short mark leaves quiet
	profileOnset  = 130 // and after it where the mark may go on
	quietBins     = 8   // bins at the start that hold noise only
)

// takeProfile averages the seconds from ≤ n < to around c. What sounds at one of
// the other tones is left out.
func takeProfile(s *audio.Stream, tb Timebase, sh timing.Shape, others []float64, c candidate, from, to int64) (profile, bool) {
	fl := s.Rate()
	width := int(math.Round(binSeconds * fl))
	bins := profileBefore + profileAfter
	if sh.Onset {
		bins = profileBefore + profileOnset
	}
	buf := make([]float32, bins*width)
	plan := tone.New(sh.ToneHz/fl, len(buf))
	sum := make([]complex128, bins)
	pow := make([]float64, bins)
	wide := make([]float64, bins)
	dump := make([]complex128, bins)
	spectra := make([][]float64, 1+len(others)) // power in the windows at the tone and at the others
	for i := range spectra {
		spectra[i] = make([]float64, bins-windowBins+1)
	}
	addWindows := func(z []complex128) {
		addWindows(spectra[0], z, 0)
		for i, hz := range others {
			addWindows(spectra[1+i], z, hz-sh.ToneHz)
		}
	}
	p := profile{samples: float64(width), tone: make([]float64, bins), wide: make([]float64, bins)}
	p.spread = newSpread(profileBefore + profileAfter)
	for n := from; n < to; n++ {
		base, ok := tb.Base(n)
		if !ok {
			continue
		}
		base /= float64(s.Factor())
		drift := c.rate * float64(n-c.ref) * fl
		start := int64(math.Round(base + c.lag*fl + drift - float64(profileBefore*width)))
		if !s.Copy(buf, start) {
			continue
		}
		// The noise for a bin leaves out a quiet bin in turn, for a quiet bin
		// itself: else the quiet bins, being part of what they are divided by,
		// would come out lower than others in the same noise.
		var quiet [quietBins]float64
		all := 0.0
		for i := range quiet {
			for _, x := range buf[i*width : (i+1)*width] {
				quiet[i] += float64(x) * float64(x)
			}
			all += quiet[i]
		}
		if slices.ContainsFunc(quiet[:], func(q float64) bool { return all <= q }) {
			continue
		}
		turn := tone.Turn(plan.Cycles(), float64(start)-base-drift)
		for i := range bins {
			x := buf[i*width : (i+1)*width]
			e := 0.0
			for _, x := range x {
				e += float64(x) * float64(x)
			}
			noise := (all - quiet[i%quietBins]) / (quietBins - 1) // in a bin
			z := plan.From(i*width, x) * turn * complex(1/math.Sqrt(noise), 0)
			dump[i] = z
			sum[i] += z
			pow[i] += sqAbs(z)
			wide[i] += e / noise
		}
		if !c.coherent {
			addWindows(dump)
			p.spread.add(dump)
		}
		p.seconds++
	}
	if p.seconds < 3 {
		return p, false
	}
	k := float64(p.seconds)
	for i := range bins {
		if i < quietBins {
			p.spread.floor += pow[i] / quietBins
		}
		if c.coherent {
			p.tone[i] = sqAbs(sum[i]) / (k * k)
		} else {
			p.tone[i] = pow[i] / k
		}
		p.wide[i] = wide[i] / k
	}
	p.toneSigma = level(p.tone)
	looks := k
	if c.coherent {
		addWindows(sum)
		looks = 1
		p.spread.add(sum)
	}
	own := ownShare(spectra, looks)
	floats.Mul(p.tone, own)
	p.spread.scale(own)
	p.wideSigma = max(level(p.wide), math.Sqrt(2/(float64(width)*k)))
	return p, true
}

// windowBins is the length, in bins, of the windows that part the tones: in 5 ms
// those of WWV and WWVH, and all 200 Hz apart, are orthogonal.
const windowBins = 5

// addWindows adds to pow the power of windows of bins z at a tone offset Hz from
// that which they were mixed with.
func addWindows(pow []float64, z []complex128, offset float64) {
	var turn [windowBins]complex128
	for m := range turn {
		turn[m] = cmplx.Rect(1, -2*math.Pi*offset*binSeconds*float64(m))
	}
	for i := range pow {
		var sum complex128
		for m, t := range turn {
			sum += z[i+m] * t
		}
		pow[i] += sqAbs(sum)
	}
}

// ownShare is for each bin the share that the first of spectra has in the power
// of all, beyond the noise of so many looks, in the window about the bin where
// there is most.
func ownShare(spectra [][]float64, looks float64) []float64 {
	share := make([]float64, len(spectra[0])+windowBins-1)
	most := make([]float64, len(share))
	noise := make([]float64, len(spectra))
	for j, pow := range spectra {
		for _, v := range pow[:quietBins-windowBins+1] {
			noise[j] += v / (quietBins - windowBins + 1)
		}
	}
	for i := range spectra[0] {
		own := max(spectra[0][i]-noise[0], noise[0]/math.Sqrt(looks))
		other := 0.0
		for j, pow := range spectra[1:] {
			other += max(0, pow[i]-noise[1+j]*(1+clearOther/math.Sqrt(looks)))
		}
		for m := range windowBins {
			if own+other > most[i+m] {
				most[i+m], share[i+m] = own+other, own/(own+other)
			}
		}
	}
	return share
}

// clearOther is by how many standard deviations another tone must stand out of
// the noise to count.
const clearOther = 5

// level takes the mean of the quiet bins from all bins and returns their
// standard deviation, at least half their mean in expectation.
func level(v []float64) float64 {
	mean, dev := 0.0, 0.0
	for _, x := range v[:quietBins] {
		mean += x / quietBins
	}
	for _, x := range v[:quietBins] {
		dev += (x - mean) * (x - mean) / (quietBins - 1)
	}
	for i := range v {
		v[i] -= mean
	}
	return math.Sqrt(dev) + 1e-12
}

// share is for each bin after a mark's start the share of the minute's seconds
// in which the station's tone sounds there.
func share(s *station.Station, amplitude bool) []float64 {
	q := make([]float64, profileBefore+profileOnset)
	minute := plainMinute(s)
	for second := range 60 {
		m, ok := s.MarkAt(minute, second)
		if !ok {
			continue
		}
		for i := range q {
			q[i] += max(0, min(1, m.Length/binSeconds-float64(i))) / 60
		}
	}
	if amplitude {
		for i := range q {
			q[i] *= q[i]
		}
	}
	return q
}

// misfit is the share of the bins' power that course q, begun at the best bin
// near the candidate, leaves unexplained. It is infinite where there is no power.
func misfit(bins, q []float64) (least float64, shift int) {
	total := floats.Dot(bins, bins)
	least = math.Inf(1)
	for k := quietBins - 1 - profileBefore; k <= 6; k++ {
		a, b := 0.0, 0.0
		for i, v := range bins {
			if j := i - profileBefore - k; j >= 0 {
				a += v * q[j]
				b += q[j] * q[j]
			}
		}
		if b == 0 || a <= 0 {
			continue
		}
		if rest := total - a*a/b; rest/total < least {
			least, shift = rest/total, k
		}
	}
	return least, shift
}

// misfitPair is misfit for a course that arrives by two paths some bins apart
// with any powers, and the spacing that leaves least.
func misfitPair(bins, q []float64) (least float64, shift, apart int) {
	total := floats.Dot(bins, bins)
	least = math.Inf(1)
	for e := 2; e <= widestPair; e++ {
		for k := quietBins - 1 - profileBefore; k <= 6; k++ {
			// Least squares for the powers x and y of the two.
			var a, b, qa, qb, cross float64
			for i, v := range bins {
				first, second := 0.0, 0.0
				j := i - profileBefore - k
				if j >= 0 {
					first = q[j]
				}
				if j >= e {
					second = q[j-e]
				}
				a, b = a+v*first, b+v*second
				qa, qb, cross = qa+first*first, qb+second*second, cross+first*second
			}
			det := qa*qb - cross*cross
			x, y := (a*qb-b*cross)/det, (b*qa-a*cross)/det
			if !(x > 0 && y > 0) {
				continue
			}
			if rest := (total - x*a - y*b) / total; rest < least {
				least, shift, apart = rest, k, e
			}
		}
	}
	return least, shift, apart
}

// verdict is what a profile says of a candidate for one station.
type verdict struct {
	lag      float64 // correction to the candidate's lag, s
	misfit   float64 // residual over total power
	accepted bool
	// tick is how much more likely, logarithmically, it is a tick than something
	// struck; of a longer mark it is infinite.
	tick float64
}

// judge compares the profile with what the station sends. A tick is a burst of
// the tone and nothing else, with quiet before it and, after a short one, behind
// it; a click, a hum or a machine once a second is not.
func (p *profile) judge(s *station.Station, coherent bool) verdict {
	bins, onset := p.tone, shapeOf(s).Onset
	if !onset {
		bins = bins[:profileBefore+profileAfter]
	}
	q := share(s, coherent)
	best := verdict{}
	var shift int
	best.misfit, shift = misfit(bins, q)
	if math.IsInf(best.misfit, 1) {
		return best
	}
	apart := 0
	if !onset {
		if m, k, e := misfitPair(bins, q); m+pairPenalty < best.misfit {
			best.misfit, shift, apart = m+pairPenalty, k, e
		}
	}
	best.lag = float64(shift) * binSeconds
	total := floats.Dot(bins, bins)
	length := 0
	for length < len(q) && q[length] > 0.5*q[0] {
		length++
	}
	// Around the burst, how much of the energy in all of the audio is the
	// tone's? A tone alone gives a bin samples/2 times as much power in its own
	// band as in all of the audio, each against its noise.
	wide, tone := 0.0, 0.0
	lo := max(quietBins, profileBefore+shift-2)
	hi := min(len(bins), profileBefore+shift+length+apart+3)
	for i := lo; i < hi; i++ {
		wide += p.wide[i]
		tone += p.tone[i] * 2 / p.samples
	}
	slack := 3 * p.wideSigma * math.Sqrt(float64(hi-lo))
	unit := p.toneSigma * p.toneSigma
	noise := min(float64(len(bins))*unit/total, 0.5)
	best.accepted = total*(1-best.misfit) > leastExplained*unit &&
		best.misfit-noise < worstMisfit && tone > leastPurity*(wide-slack)
	if onset {
		best.tick = math.Inf(1)
	} else if best.accepted {
		best.tick = p.spread.tickRatherThanRing(shapeOf(s).Seconds)
	}
	return best
}

const (
	// worstMisfit is the share of a profile's power, beyond noise, that may be
	// unlike the station's mark; two paths smear an honest tick by a fifth.
	worstMisfit = 0.45
	// widestPair is the greatest spacing, in bins, of two paths that are taken for
	// one station's (ITU-R F.1487 has up to 7 ms); pairPenalty is the misfit that
	// a second path must save, so that a longer mark is not taken for two.
	widestPair  = 9
	pairPenalty = 0.1
	// leastExplained is the power, in units of a bin's noise, that the station's
	// mark must explain.
	leastExplained = 30
	// leastPurity is the least share of a burst's energy that the tone must have.
	leastPurity = 0.4
)
