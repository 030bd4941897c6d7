package find

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"timeball/capture/lanes"
	"timeball/detect/audio"
	"timeball/detect/rank"
	"timeball/detect/tick/timing"
	"timeball/detect/tone"
)

// Acquisition folds the held audio at the flywheel's second and asks at which
// lag, and at which rate against the flywheel, there is more of the tone than
// chance allows. Two folds are kept: of the complex envelope, which gains most
// while the tone keeps its phase from second to second (AM), and of its power,
// which does not mind the phase (SSB). Each second is first divided by its own
// noise, and no second counts for more than clip allows, so that neither
// lightning nor speech can build a peak alone.

const (
	// falseAlarm is the chance that one search of one shape finds a peak in
	// noise. Many searches are made in a long recording without a station.
	falseAlarm = 1e-8
	// clip bounds the power one second may contribute, in units of its noise.
	clip = 16
	// rateBound bounds a clock's rate against UTC, s/s: sample clocks are off by up to
	// 100e-6, and pendulums not yet regulated by ten seconds a day (common practice).
	rateBound = 120e-6
	// blockSeconds are added up as if the rate were the likeliest: at
	// rateBound a tone of 1 kHz turns by a quarter of a cycle, which costs less than a decibel.
	blockSeconds = 2
	// maxCandidates bounds the peaks taken from one search.
	maxCandidates = 6
)

// Timebase tells where the seconds of the flywheel lie on the sample clock.
type Timebase interface {
	// Base is the position of second n, frames. It is false for a second that is
	// not known, as one long past.
	Base(n int64) (frames float64, ok bool)
}

// candidate is a peak of a fold.
type candidate struct {
	lag      float64 // s after the flywheel's second, at second ref
	rate     float64 // change of lag, s/s
	ref      int64
	coherent bool
	odds     float64 // −ln of the chance of such a peak in noise
}

// fold is the result of folding one span of seconds for one shape.
type fold struct {
	step   float64 // lag between bins, s
	used   int
	ref    int64
	blocks []block
	centre []float64 // time of each block against ref, s
	weight []float64
	rates  []float64   // of the power fold, from the likeliest of about, like all trials
	prior  []float64   // the logarithms of their probabilities
	power  [][]float64 // [rate][bin]
	width  int         // bins in the matched filter
	tone   float64
	about  rates
}

// block is the sum of some seconds, its real and imaginary parts in noise at each bin,
// twice after one another: from any bin on it is a second.
type block struct{ re, im []float32 }

// rates are those against the flywheel at which a tick is looked for.
type rates struct{ from, likeliest, to float64 }

// clocks are the rates that ticks may have against a flywheel whose second is longer by
// pace than the sample clock says, s/s: either of the two keeps UTC to rateBound.
func clocks(pace float64) rates {
	return rates{min(0, -pace) - rateBound, 0, max(0, -pace) + rateBound}
}

// usualRate is what most clocks are not off by, s/s (from memory of those with quartz).
const usualRate = 1e-6

// trials are the rates that are tried, in steps from the likeliest, with the logarithms of
// their probabilities beforehand: alike for each order of magnitude from usualRate on.
func (r rates) trials(step float64) (all, log []float64) {
	sum := 0.0
	for k := math.Ceil((r.from - r.likeliest) / step); k <= math.Floor((r.to-r.likeliest)/step); k++ {
		p := 1 / (usualRate + math.Abs(k*step))
		sum += p
		all, log = append(all, k*step), append(log, math.Log(p))
	}
	for i := range log {
		log[i] -= math.Log(sum)
	}
	return all, log
}

// foldSpan folds seconds from ≤ n < to.
func foldSpan(s *audio.Stream, tb Timebase, sh timing.Shape, about rates, from, to int64) *fold {
	fl := s.Rate()
	step := int(fl / 1000)
	bins := int(fl) / step
	width := max(1, int(math.Round(sh.Seconds*fl/float64(step))))
	pre := 0
	if sh.Onset {
		pre = width // an onset is judged against the time before it
	}
	length := float64(to - from)
	f := &fold{step: float64(step) / fl, ref: (from + to) / 2, width: width, tone: sh.ToneHz, about: about}
	f.rates, f.prior = about.trials(3e-3 / length)
	for range f.rates {
		f.power = append(f.power, make([]float64, bins))
	}
	count := (bins + width + pre) * step
	buf := make([]float32, count)
	dumped := make([]complex128, bins+width+pre)
	env := make([]complex128, bins)
	pow := make([]float64, bins)
	sorted := make([]float64, bins)
	plan := tone.New(sh.ToneHz/fl, count)
	for b := from; b < to; b += blockSeconds {
		sum := block{make([]float32, 2*bins), make([]float32, 2*bins)}
		n := 0
		end := min(b+blockSeconds, to)
		for sec := b; sec < end; sec++ {
			base, ok := tb.Base(sec)
			if !ok {
				continue
			}
			t := float64(sec - f.ref)
			base = base/float64(s.Factor()) + about.likeliest*t*fl
			start := int64(math.Round(base)) - int64(pre*step)
			if !s.Copy(buf, start) {
				continue
			}
			// The lag's origin is the second itself, not the sample next to it.
			turn := tone.Turn(plan.Cycles(), float64(start)-base)
			for i := range dumped {
				dumped[i] = plan.From(i*step, buf[i*step:(i+1)*step]) * turn
			}
			for i := range env {
				var after, before complex128
				for _, d := range dumped[i+pre : i+pre+width] {
					after += d
				}
				env[i] = after
				pow[i] = sqAbs(after)
				if pre > 0 {
					for _, d := range dumped[i : i+pre] {
						before += d
					}
					// What was there before the onset is not the onset's.
					if p := sqAbs(before); p < pow[i] {
						share := 1 - p/pow[i]
						env[i] *= complex(share, 0)
						pow[i] *= share * share
					} else {
						env[i], pow[i] = 0, 0
					}
				}
			}
			// Every fourth bin tells the noise well enough.
			some := sorted[:0]
			for i := 0; i < bins; i += 4 {
				some = append(some, pow[i])
			}
			at := len(some) / 2
			if pre > 0 {
				at = len(some) * 3 / 4
			}
			noise := rank.Nth(some, at) / math.Ln2
			if noise <= 0 {
				continue
			}
			n++
			scale := 1 / math.Sqrt(noise)
			for i, e := range env {
				p := pow[i] / noise
				g := scale
				if p > clip {
					g *= math.Sqrt(clip / p)
					pow[i] = clip
				} else {
					pow[i] = p
				}
				sum.re[i] += float32(real(e) * g)
				sum.im[i] += float32(imag(e) * g)
			}
			for r, rate := range f.rates {
				shift := int(math.Round(rate * t / f.step))
				addShifted(f.power[r], pow, shift)
			}
		}
		if n > 0 {
			f.used += n
			copy(sum.re[bins:], sum.re)
			copy(sum.im[bins:], sum.im)
			f.blocks = append(f.blocks, sum)
			f.centre = append(f.centre, float64(b+end-1)/2-float64(f.ref))
			f.weight = append(f.weight, float64(n))
		}
	}
	return f
}

// addShifted adds src to dst so that src[i+shift] meets dst[i], around the end.
func addShifted(dst, src []float64, shift int) {
	n := len(dst)
	shift = ((shift % n) + n) % n
	for i, v := range src[shift:] {
		dst[i] += v
	}
	for i, v := range src[:shift] {
		dst[n-shift+i] += v
	}
}

// search returns the peaks of the fold that chance does not explain, the
// least likely by chance first.
func (f *fold) search() []candidate {
	if f.used < 3 {
		return nil
	}
	found := append(f.searchCoherent(), f.searchPower()...)
	slices.SortFunc(found, func(a, b candidate) int { return cmp.Compare(b.odds, a.odds) })
	var kept []candidate
	for _, c := range found {
		near := func(k candidate) bool {
			return math.Abs(wrap(k.lag-c.lag)) < (float64(f.width)+2)*f.step
		}
		if !slices.ContainsFunc(kept, near) && len(kept) < maxCandidates {
			kept = append(kept, c)
		}
	}
	return kept
}

// slanted is the power, at each lag, of the blocks' sum when they are slanted by a rate; until
// it is asked for again.
func (f *fold) slanted() func(rate float64) []float64 {
	bins := len(f.blocks[0].re) / 2
	re, im := make([]float32, bins), make([]float32, bins)
	toRe, toIm := make([]lanes.Term, 2*len(f.blocks)), make([]lanes.Term, 2*len(f.blocks))
	pow := make([]float64, bins)
	return func(rate float64) []float64 {
		for b, block := range f.blocks {
			shift := rate * f.centre[b]
			bin := int(math.Round(shift / f.step))
			sin, cos := math.Sincos(2 * math.Pi * f.tone * shift)
			late := ((bin % bins) + bins) % bins
			x, y := block.re[late:], block.im[late:]
			toRe[2*b], toRe[2*b+1] = lanes.Term{Samples: x, Weight: float32(cos)}, lanes.Term{Samples: y, Weight: float32(-sin)}
			toIm[2*b], toIm[2*b+1] = lanes.Term{Samples: y, Weight: float32(cos)}, lanes.Term{Samples: x, Weight: float32(sin)}
		}
		lanes.Sum(re, toRe)
		lanes.Sum(im, toIm)
		for i, v := range re {
			pow[i] = float64(v*v + im[i]*im[i])
		}
		return pow
	}
}

// searchCoherent slants the blocks by each trial rate and adds their envelopes.
// In noise the power of the sum is exponential.
func (f *fold) searchCoherent() []candidate {
	bins := len(f.blocks[0].re) / 2
	length := f.centre[len(f.centre)-1] - f.centre[0] + 1
	step := 0.38 / f.tone / length // half a decibel at most between trials
	trials, prior := f.about.trials(step)
	best := make([]float64, bins)
	for i := range best {
		best[i] = math.Inf(-1)
	}
	bestRate := make([]float64, bins)
	slanted := f.slanted()
	for k, rate := range trials {
		pow := slanted(rate)
		// Normalised by the noise each second was divided by, or by what is
		// really there if that is more (a steady tone folds at every lag).
		mean := max(float64(f.used), rank.Upper(slices.Clone(pow))/math.Ln2)
		each := prior[k] - math.Log(float64(bins))
		for i, p := range pow {
			if odds := p/mean + each; odds > best[i] {
				best[i], bestRate[i] = odds, rate
			}
		}
	}
	var found []candidate
	for i, odds := range best {
		if odds > -math.Log(falseAlarm) && isPeak(best, i, f.width) {
			found = append(found, candidate{lag: f.peakLag(best, i), rate: f.about.likeliest + bestRate[i], ref: f.ref, coherent: true, odds: odds})
		}
	}
	return found
}

// searchPower looks for peaks of the folded power, whose lags in noise follow
// a gamma distribution; its shape is taken from the lags themselves.
func (f *fold) searchPower() []candidate {
	var found []candidate
	for r, pow := range f.power {
		mid := rank.Upper(slices.Clone(pow))
		dev := make([]float64, len(pow))
		for i, p := range pow {
			dev[i] = math.Abs(p - mid)
		}
		sigma := max(1.4826*rank.Upper(dev), math.Sqrt(float64(f.used)))
		k := mid * mid / (sigma * sigma)
		gamma := distuv.Gamma{Alpha: k, Beta: mid / (sigma * sigma)}
		for i, p := range pow {
			if p < mid+5*sigma || !isPeak(pow, i, f.width) {
				continue
			}
			odds := -logSurvival(gamma, p) + f.prior[r] - math.Log(float64(len(pow)))
			if odds > -math.Log(falseAlarm) {
				found = append(found, candidate{lag: f.peakLag(pow, i), rate: f.about.likeliest + f.rates[r], ref: f.ref, odds: odds})
			}
		}
	}
	return found
}

// logSurvival is the logarithm of the chance that g exceeds x, also where the
// chance itself is too small for a float64: there by the leading terms of its
// asymptotic series (NIST DLMF 8.11.2).
func logSurvival(g distuv.Gamma, x float64) float64 {
	if p := g.Survival(x); p > 1e-280 {
		return math.Log(p)
	}
	y, k := g.Beta*x, g.Alpha
	gamma, _ := math.Lgamma(k)
	return (k-1)*math.Log(y) - y - gamma - math.Log1p(-(k-1)/y)
}

// peakLag refines the lag of a peak at bin i by its neighbours' weight.
func (f *fold) peakLag(v []float64, i int) float64 {
	n := len(v)
	a, b, c := v[(i+n-1)%n], v[i], v[(i+1)%n]
	d := 0.0
	if q := a - 2*b + c; q < 0 {
		d = 0.5 * (a - c) / q
	}
	return (float64(i) + d) * f.step
}

// isPeak reports whether v[i] is the greatest within width around it.
func isPeak(v []float64, i, width int) bool {
	n := len(v)
	for d := 1; d <= width; d++ {
		if v[(i+d)%n] > v[i] || v[(i-d+n)%n] >= v[i] {
			return false
		}
	}
	return true
}

func sqAbs(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// wrap brings a lag in seconds into (−0.5, 0.5].
func wrap(lag float64) float64 { return lag - math.Ceil(lag-0.5) }
