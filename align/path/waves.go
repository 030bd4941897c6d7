package path

import (
	"math"
	"math/cmplx"
	"slices"

	"timeball/detect/mixture"
	"timeball/detect/tick/timing"
)

// What a recording tells of ground and sky wave. In a stretch of some tens of seconds a
// mark is later than the ground wave's by the real part of the sky waves' share of the
// sum, times their excess, and turned across the carrier's phase by the imaginary part
// (see longSky). While the layer rises and sinks both go round a circle, whose middle
// and radius tell the level of the sky wave, and so how much later than the ground wave
// the mean is; while it rests, the part across leaves two of all phases.
//
// The first hop's phase is a Markov chain over longBins places of a cycle, for each of a
// number of levels and of speeds. In each place all else is linear and normal: the
// ground wave's lag and its rate, the second hop's amplitude, and what the receiver's
// slope of level over frequency turns marks across. The chain is filtered with one normal
// distribution a place (interacting multiple models; Blom and Bar-Shalom, 1988).

const (
	longBins = 24
	restBins = 12 // of the second hop's phase, while the layer rests
	// levelStep is the spacing, dB, of the levels of the sky wave that are weighed.
	levelStep = 1.5
	// behind is the log-likelihood by which a hypothesis is behind the best when it is
	// given up.
	behind = 18
	// unlikely is the share below which a place is left empty.
	unlikely = 1e-9
	// gainStray is how far the gain of an antenna's input strays, logarithm: half a
	// decibel (common practice).
	gainStray = 0.06
)

// wanders are the standard deviations, radians in half a minute, by which the sky wave's
// phase wanders while the layer moves, up to a wavelength in some minutes as at twilight
// and in disturbed nights (common practice); all, and that it rests, are as likely.
var wanders = []float64{0.1, 0.5, 2}

// clocks are standard deviations of a rate and their probabilities: of local clocks, as
// align weighs them.
var clocks = []clock{{1e-8, 0.6}, {3e-7, 0.25}, {1e-5, 0.15}}

type clock struct{ u, probability float64 }

// The unknowns of a place, in microseconds, microseconds a second, and amplitudes over the
// ground wave's.
const (
	ofGround   = iota // the ground wave's lag after the line, at the second asked for
	ofRate            // and by how much that grows
	ofTilt            // what the receiver turns across
	ofGain            // logarithm of the ground wave's level
	ofSecond          // the second hop's amplitude, real
	ofSecondIm        // and imaginary
	unknowns
)

// belief is a normal distribution of the unknowns, with the weight of its place.
type belief struct {
	weight float64
	mean   [unknowns]float64
	cov    [unknowns][unknowns]float64
}

// hypothesis is a level and a speed of the sky wave, a clock and a scale of noise.
type hypothesis struct {
	log            float64
	r              [2]float64 // amplitudes of one hop and of two over the ground wave
	wander, rateU  float64
	noise          float64
	levelDB        float64
	d              [2]float64 // excess delays, us
	places, before [longBins]belief
	ways           [longBins]longWay
}

// longWay is what the first hop does to a mark in a place of its phase.
type longWay struct {
	shift    complex128 // of a mark, us: late, and across
	second   complex128 // a unit of the second hop's amplitude, likewise
	stray    float64    // variance from block to block of what is taken for steady, us²
	resting  float64    // standard deviation of what is the same in all blocks by the place's width, us
	strength float64    // power of the sum, over the ground wave's
	inPhase  complex128 // what a unit of the second hop's amplitude adds to the sum's logarithm
}

// WithWaves takes in what the marks of a long-wave station tell of ground and sky wave.
// The delay is then that of the line on which they lie, at second at, without what noise
// leaves in it there. tiltU is the standard uncertainty of what the receiver turns across.
func (p Prediction) WithWaves(w *timing.Waves, at, tiltU float64) Prediction {
	if p.long == nil || w == nil || len(w.Stretches) == 0 {
		return p
	}
	const us = 1e6
	all := p.long.hypotheses(w, tiltU)
	for k, b := range w.Stretches {
		after := 0.0
		if k > 0 {
			after = b.Second - w.Stretches[k-1].Second
		}
		best := math.Inf(-1)
		for _, h := range all {
			h.step(after)
			h.hear(b, b.Second-at)
			best = max(best, h.log)
		}
		left := all[:0]
		for _, h := range all {
			if h.log > best-behind {
				left = append(left, h)
			}
		}
		all = left
	}
	// How well the excess is known, as a share, is the same in all blocks.
	excess, grow := p.long.sky.excess(1, p.DistanceM)
	share := math.Hypot(grow*p.long.sky.heightU/excess, levelStep*math.Ln10/20/math.Sqrt(12))
	best := math.Inf(-1)
	for _, h := range all {
		best = max(best, h.log)
	}
	var readings []reading
	total := 0.0
	var level, square, height float64
	for _, h := range all {
		for i := range h.places {
			b := &h.places[i]
			weight := b.weight * math.Exp(h.log-best)
			if weight < negligible {
				continue
			}
			late := -b.mean[ofGround] // of the line after the ground wave
			u := math.Hypot(share*late, p.long.ground.u*us)
			v := max(0, b.cov[ofGround][ofGround]-w.NoiseU*w.NoiseU*us*us) + h.ways[i].resting*h.ways[i].resting
			one := possibility{weight: weight, mean: p.long.ground.seconds + late/us, u: math.Sqrt(v+u*u) / us}
			if h.r[0] > 1 {
				one.first.d = 1
			}
			readings = append(readings, reading{one, nil})
			total += weight
			level += weight * h.levelDB
			square += weight * h.levelDB * h.levelDB
			height += weight * share * share * late * late / (us * us)
		}
	}
	stronger := 0.0
	for i := range readings {
		readings[i].weight /= total
		if readings[i].first.d > 0 {
			stronger += readings[i].weight
		}
	}
	heightU := math.Sqrt(height / total)
	p.state(gathered(readings, max(siteU, math.Hypot(heightU, p.long.ground.u)/2)), heightU, p.long.ground.u)
	level /= total
	p.Sky = &Sky{LevelDB: level, UDB: math.Hypot(math.Sqrt(max(0, square/total-level*level)), levelStep/math.Sqrt(12)), Late: p.Delay.Mean() - p.long.ground.seconds}
	p.Modes = slices.Clone(p.Modes)
	for i := range p.Modes {
		switch p.Modes[i].Hops {
		case 0:
			p.Modes[i].First = 1 - stronger
		case 1:
			p.Modes[i].First = stronger
		}
	}
	return p
}

// hypotheses are all that are weighed, before anything is heard.
func (l *longOver) hypotheses(w *timing.Waves, tiltU float64) []*hypothesis {
	d1, _ := l.sky.excess(1, l.distanceM)
	d2, _ := l.sky.excess(2, l.distanceM)
	rates := clocks
	if w.RateU > 0 {
		rates = []clock{{w.RateU, 1}}
	}
	noises := []float64{1}
	if w.Scatter > 1 {
		noises = append(noises, w.Scatter)
	}
	const reach = 2.6 // standard deviations of the level
	var all []*hypothesis
	for db := -reach * l.sky.levelU; db <= reach*l.sky.levelU; db += levelStep {
		z := db / l.sky.levelU
		h := hypothesis{levelDB: l.sky.levelDB[0] + db, d: [2]float64{1e6 * d1, 1e6 * d2}}
		for i := range h.r {
			h.r[i] = math.Pow(10, (l.sky.levelDB[i]+db)/20)
		}
		add := func(wander, log float64, second complex128) {
			for _, rate := range rates {
				for _, noise := range noises {
					one := h
					one.wander, one.rateU, one.noise = wander, rate.u, noise
					one.log = log - z*z/2 + math.Log(rate.probability) - math.Log(float64(len(noises)))
					one.begin(l, tiltU, second)
					all = append(all, &one)
				}
			}
		}
		for _, wander := range wanders {
			add(wander, 0, 0)
		}
		// Of a layer at rest the second hop rests, too, in a phase of its own.
		for i := range restBins {
			add(0, -math.Log(restBins), cmplx.Rect(h.r[1], 2*math.Pi*(float64(i)+0.5)/restBins))
		}
	}
	return all
}

// anyLag is the standard deviation of a lag of which nothing is known, us.
const anyLag = 1000

// begin lays out the places. second is the second hop's amplitude when it is taken for
// known; 0: it is found.
func (h *hypothesis) begin(l *longOver, tiltU float64, second complex128) {
	_, grow := l.sky.excess(1, l.distanceM)
	unsteady := grow * l.sky.heightU * 1e6 / h.d[0]
	// Within a stretch the phase strays from that in the middle by a quarter of what it
	// wanders in its time (variance), and its mean turn is the smaller.
	turn := math.Exp(-h.wander * h.wander / 8)
	r := h.r[0]
	const bin, step = 2 * math.Pi / longBins, levelStep * math.Ln10 / 20
	for i := range h.places {
		// Means over a stretch, by the power of the sum.
		first := cmplx.Rect(r*turn, bin*(float64(i)+0.5))
		rest := 1 + second
		power := real(rest*cmplx.Conj(rest)) + r*r + 2*real(cmplx.Conj(rest)*first)
		moment := complex(h.d[0], 0)*(first*cmplx.Conj(rest)+complex(r*r, 0)) + complex(h.d[1], 0)*second*cmplx.Conj(rest+first)
		way := &h.ways[i]
		way.strength = power
		way.shift = moment / complex(power, 0)
		way.inPhase = cmplx.Conj(rest+first) / complex(power+h.r[1]*h.r[1], 0)
		way.second = (complex(h.d[1], 0) - way.shift) * way.inPhase
		// By a radian of the first hop's phase, or of the second's, the shift moves so far.
		size := cmplx.Abs(complex(h.d[0], 0)-way.shift) * r / math.Sqrt(power)
		size2 := cmplx.Abs(complex(h.d[1], 0)-way.shift) * cmplx.Abs(second) / math.Sqrt(power)
		// Where in its place the phase is, varies as far as it wanders from stretch to
		// stretch; all else is the same in all of them, and no lag of the ground wave's can
		// be told from it.
		varies := bin * bin / 12 * min(1, h.wander*h.wander/(bin*bin))
		const bin2 = 2 * math.Pi / restBins
		resting := size*size*(bin*bin/12-varies) + size2*size2*bin2*bin2/12
		way.stray = size * size * (varies + (1-turn*turn)/2)
		way.resting = math.Sqrt(resting)
		b := belief{weight: 1.0 / longBins}
		b.cov[ofGain][ofGain] = 100
		b.cov[ofGround][ofGround] = anyLag * anyLag
		b.cov[ofRate][ofRate] = h.rateU * h.rateU * 1e12
		b.cov[ofTilt][ofTilt] = tiltU*tiltU*1e12 + resting + size*size*(varies+step*step/12+unsteady*unsteady)
		if second == 0 {
			b.cov[ofSecond][ofSecond] = h.r[1] * h.r[1] / 2
			b.cov[ofSecondIm][ofSecondIm] = h.r[1] * h.r[1] / 2
		}
		h.places[i] = b
	}
}

// step lets some seconds pass: the phase wanders from place to place, and the second
// hop's twice as far.
func (h *hypothesis) step(seconds float64) {
	if seconds <= 0 || h.wander == 0 {
		return
	}
	v := h.wander * h.wander * seconds / 30
	var kernel [longBins]float64
	sum := 0.0
	for i := range kernel {
		for turn := -2; turn <= 2; turn++ {
			x := 2 * math.Pi * (float64(i)/longBins + float64(turn))
			kernel[i] += math.Exp(-x * x / (2 * v))
		}
		sum += kernel[i]
	}
	h.before = h.places
	// Moments about nought of all that comes to a place.
	for i := range h.before {
		b := &h.before[i]
		for j := range unknowns {
			for k := 0; k <= j; k++ {
				b.cov[j][k] += b.mean[j] * b.mean[k]
			}
		}
	}
	kept := math.Exp(-2 * v) // of the second hop's amplitude
	fresh := h.r[1] * h.r[1] / 2 * (1 - kept*kept)
	for i := range h.places {
		to := belief{}
		for j := range h.before {
			b := &h.before[j]
			w := kernel[(i-j+longBins)%longBins] / sum * b.weight
			if w < 1e-6*b.weight || w == 0 {
				continue
			}
			to.weight += w
			for k := range unknowns {
				to.mean[k] += w * b.mean[k]
				for m := 0; m <= k; m++ {
					to.cov[k][m] += w * b.cov[k][m]
				}
			}
		}
		if to.weight == 0 {
			h.places[i] = to
			continue
		}
		for k := range unknowns {
			to.mean[k] /= to.weight
		}
		for k := range unknowns {
			for m := 0; m <= k; m++ {
				to.cov[k][m] = to.cov[k][m]/to.weight - to.mean[k]*to.mean[m]
				if k >= ofSecond {
					to.cov[k][m] *= kept
				}
				if m >= ofSecond {
					to.cov[k][m] *= kept
				}
				to.cov[m][k] = to.cov[k][m]
			}
		}
		for k := ofSecond; k < unknowns; k++ {
			to.mean[k] *= kept
			to.cov[k][k] += fresh
		}
		h.places[i] = to
	}
}

// hear conditions all places on a block, some seconds after the one asked for.
func (h *hypothesis) hear(b timing.Stretch, after float64) {
	var logs [longBins]float64
	top := math.Inf(-1)
	for i := range h.places {
		p, way := &h.places[i], &h.ways[i]
		if p.weight == 0 {
			logs[i] = math.Inf(-1)
			continue
		}
		second := way.second
		row := [unknowns]float64{ofGround: 1, ofRate: after, ofSecond: real(second), ofSecondIm: -imag(second)}
		u := b.U * 1e6 * h.noise
		logs[i] = math.Log(p.weight) + p.condition(row, b.Late*1e6-real(way.shift), u*u+way.stray)
		if b.AcrossU > 0 {
			row = [unknowns]float64{ofTilt: 1, ofSecond: imag(second), ofSecondIm: real(second)}
			u = b.AcrossU * 1e6 * h.noise
			logs[i] += p.condition(row, b.Across*1e6-imag(way.shift), u*u+way.stray)
		}
		if b.Level > 0 {
			row = [unknowns]float64{ofGain: 1, ofSecond: real(way.inPhase), ofSecondIm: -imag(way.inPhase)}
			logs[i] += p.condition(row, math.Log(b.Level)-math.Log(way.strength)/2, gainStray*gainStray)
		}
		top = max(top, logs[i])
	}
	total := 0.0
	for i, l := range logs {
		h.places[i].weight = math.Exp(l - top)
		total += h.places[i].weight
	}
	h.log += top + math.Log(total)
	for i := range h.places {
		h.places[i].weight /= total
		if h.places[i].weight < unlikely {
			h.places[i].weight = 0
		}
	}
}

// condition takes in that row times the unknowns was measured as y with a variance, and
// returns the logarithm of how likely that was.
func (b *belief) condition(row [unknowns]float64, y, variance float64) float64 {
	var gain [unknowns]float64
	total := variance
	for i := range unknowns {
		y -= row[i] * b.mean[i]
		for j := range unknowns {
			gain[i] += b.cov[i][j] * row[j]
		}
	}
	for i := range unknowns {
		total += row[i] * gain[i]
	}
	for i := range unknowns {
		b.mean[i] += gain[i] / total * y
		for j := range unknowns {
			b.cov[i][j] -= gain[i] * gain[j] / total
		}
	}
	return -0.5*math.Log(total) - y*y/(2*total)
}

// Sky is the sky wave as a recording shows it.
type Sky struct {
	LevelDB, UDB float64 // of one hop, over the ground wave
	Late         float64 // of the marks, after the ground wave, s
}

// state puts a delay into a prediction for long wave.
func (p *Prediction) state(delay mixture.Mixture, heightU, groundU float64) {
	p.Delay = delay
	hull := delay.Hull(0.95)
	p.DelaySeconds, p.CI95 = delay.Median(), [2]float64{hull.Low, hull.High}
	p.USeconds = (hull.High - hull.Low) / 2 / mixture.Coverage(math.Inf(1))
	p.Causes = longCauses(p.USeconds, heightU, groundU)
}
