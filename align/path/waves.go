package path

import (
	"math"
	"math/cmplx"
	"slices"

	"timeball/detect/kaiser"
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
// Levels of the first hop, its phases at the beginning and their speeds are laid out over
// what is thought possible before. About each of these places all is taken for linear and
// normal and followed by an extended Kalman filter: the phase, its speed, the level and
// the excess; the ground wave's lag and its rate; the second hop's amplitude; and what the
// receiver's slope of level over frequency turns across. What the places make of the
// recording weighs them (sums of normal distributions: Alspach and Sorenson, IEEE
// Transactions on Automatic Control 17, 1972, 439).

// The unknowns, in microseconds, microseconds a second, radians, radians in half a
// minute, and logarithms.
const (
	ofGround   = iota // the ground wave's lag after the line, at the second asked for
	ofRate            // and by how much that grows
	ofTilt            // what the receiver turns across
	ofGain            // the ground wave's level
	ofSecond          // the second hop's amplitude over the ground wave's, real
	ofSecondIm        // and imaginary
	ofPhase           // of the first hop, against the ground wave
	ofSpeed           // of that phase
	ofLevel           // of the first hop over the place's
	ofExcess          // of the first hop over the expected one
	unknowns
)

const (
	// The places: of the phase, of its speed, and dB.
	phaseStep          = 2 * math.Pi / 24
	speedStep, speeds  = 0.25, 10 // to either side, where the unrest is greater than a step
	levelStep, levelUs = 3, 2.6   // and standard deviations to either side
	// turning is by how much the speed changes in half a minute, and quiver what the phase
	// strays from it then, as parts of the unrest (common practice).
	turning, quiver = 0.5, 0.1
	// secondStrays is what the second hop's phase strays from the first's, as much faster as
	// it turns, in half a minute, likewise.
	secondStrays = 0.5
	// A layer is no mirror, and shifts are taken for of first order in the excess D: through
	// a pole of τ what is of second order is D/2τ of them, 0.18 over 500 km by night, most of
	// which goes into the time constant that is fitted. By these parts of the sky wave's
	// shift the marks stray from what these waves make of them, from stretch to stretch and
	// in all of them alike (what is left as simulated, with two hops; TestWaves notices
	// when either doubles). They are the same in all places: noise that grew with the sky wave
	// would favour the weak ones wherever little strays.
	inexact, inexactMean = 0.05, 0.08
	// behind is the log-likelihood by which a place is behind the best when it is given up.
	behind = 14
	// gainStray is how far the gain of an antenna's input strays, logarithm: half a
	// decibel (common practice).
	gainStray = 0.06
	// anyLag and anyGain are standard deviations of what nothing is known of.
	anyLag, anyGain = 1000, 10
)

// unrests are standard deviations of the speed of the first hop's phase: from a layer at
// rest, over a wavelength in an hour or two, to one that turns the phase by as much in some
// minutes (common practice). They are far apart and as likely, so that whoever knows
// nothing of the speed learns nothing of the level from its being small.
var unrests = []float64{3e-5, 1.5e-4, 8e-4, 4e-3, 0.02, 0.1, 0.5}

// clocks are standard deviations of a rate and their probabilities: of local clocks, as
// align weighs them.
var clocks = []clock{{1e-8, 0.6}, {3e-7, 0.25}, {1e-5, 0.15}}

type clock struct{ u, probability float64 }

// supposition is a place, with what is thought of the unknowns about it.
type supposition struct {
	log   float64
	db    float64    // of the first hop over the ground wave
	r     [2]float64 // amplitudes of one hop and of two, likewise
	faint bool       // their shift is below a microsecond, whatever the phase
	mean  [unknowns]float64
	cov   [unknowns][unknowns]float64
}

// receiving is what all suppositions have in common.
type receiving struct {
	d       [2]float64 // excess of one hop and of two, us
	steeper float64    // by how much faster the second hop's phase turns than the first's
	unrest  float64
	stray   float64 // what is inexact, us
	noise   float64 // by what its standard deviation is greater than told
}

// WithWaves takes in what the marks of a long-wave station tell of ground and sky wave.
// The delay is then that of the line on which they lie, at second at, without what noise
// leaves in it there. tiltU is the standard uncertainty of what the receiver turns across.
// Of stretches without a level nothing is taken in: a sky wave of r times the ground wave
// and one of 1/r of it shift the marks alike but for the mean, which nobody knows.
func (p Prediction) WithWaves(w *timing.Waves, at, tiltU float64) Prediction {
	if p.long == nil || w == nil || len(w.Stretches) == 0 || w.Stretches[0].Level == 0 {
		return p
	}
	rates, noises := clocks, []float64{1}
	if w.RateU > 0 {
		rates = []clock{{w.RateU, 1}}
	}
	if w.Scatter > 1 {
		noises = append(noises, w.Scatter)
	}
	best := make([]float64, len(w.Stretches))
	for i := range best {
		best[i] = math.Inf(-1)
	}
	var all []supposition
	for _, rate := range rates {
		for _, noise := range noises {
			for _, u := range unrests {
				c := &receiving{unrest: u, noise: noise}
				list := p.long.suppose(c, math.Log(rate.probability)-math.Log(float64(len(noises))), rate.u*1e6, tiltU*1e6)
				all = append(all, c.follow(list, w.Stretches, at, best)...)
			}
		}
	}
	return p.toldBy(all, best[len(best)-1], w.NoiseU*1e6)
}

// suppose lays out the places.
func (l *longOver) suppose(c *receiving, log, rateU, tiltU float64) (all []supposition) {
	const us = 1e6
	d1, grow := l.sky.excess(l.sky.fewest, l.distanceM)
	d2, grow2 := l.sky.excess(l.sky.fewest+1, l.distanceM)
	c.steeper = grow2 / grow
	c.d = [2]float64{d1 * us, d2 * us}
	const step = levelStep * math.Ln10 / 20
	square := func(x float64) float64 { return x * x }
	c.stray = inexact * l.sky.most() * c.d[0]
	for db := -levelUs * l.sky.levelU; db <= levelUs*l.sky.levelU; db += levelStep {
		s := supposition{log: log - square(db/l.sky.levelU)/2, db: l.sky.levelDB[0] + db}
		for i := range s.r {
			s.r[i] = math.Pow(10, (l.sky.levelDB[i]+db)/20)
		}
		for i, v := range [unknowns]float64{
			ofGround: square(anyLag), ofRate: square(rateU), ofTilt: square(tiltU), ofGain: square(anyGain),
			ofSecond: square(s.r[1]) / 2, ofSecondIm: square(s.r[1]) / 2,
			ofPhase: square(phaseStep) / 12, ofSpeed: square(c.unrest), ofLevel: square(step) / 12,
			ofExcess: square(grow * l.sky.heightU / d1),
		} {
			s.cov[i][i] = v
		}
		if s.r[0]*c.d[0] < 1 {
			s.faint = true
			s.cov[ofTilt][ofTilt] += 0.5
			all = append(all, s)
			continue
		}
		total := 0.0
		from := len(all)
		for phase := phaseStep / 2; phase < 2*math.Pi; phase += phaseStep {
			s.mean[ofPhase] = phase
			if c.unrest < speedStep {
				total++
				all = append(all, s)
				continue
			}
			for i := -speeds; i <= speeds; i++ {
				one := s
				one.mean[ofSpeed], one.cov[ofSpeed][ofSpeed] = speedStep*float64(i), square(speedStep)/12
				weight := math.Exp(-square(one.mean[ofSpeed]/c.unrest) / 2)
				one.log += math.Log(weight)
				total += weight
				all = append(all, one)
			}
		}
		for i := range all[from:] {
			all[from+i].log -= math.Log(total)
		}
	}
	return all
}

// told is what several stretches tell together, in which the layer hardly moves: means at
// a second, and the slope of the lateness, with variances; 0: not told. Lateness is in us.
type told struct {
	second                                                     float64
	late, lateV, slope, slopeV, across, acrossV, level, levelV float64
	log                                                        float64 // likelihood of how the stretches stray from that
	last                                                       int     // stretch
}

// still is by how much the phase turns, rad, while stretches are taken together. About
// another place each all of them would be taken for linear otherwise, and what the places
// differ by for something that was heard: where two waves nearly cancel, that leaves out
// half of what may be.
const still = 0.1

// together takes stretches together.
func (c *receiving) together(stretches []timing.Stretch) (all []told) {
	const us = 1e6
	each := max(1, min(len(stretches), int(still/c.unrest)))
	for i := 0; i < len(stretches); i += each {
		part := stretches[i:min(len(stretches), i+each)]
		t := told{last: i + len(part) - 1}
		mean := func(of func(b timing.Stretch) (y, u float64)) (y, v float64) {
			var w, sum, square, logs float64
			for _, b := range part {
				if y, u := of(b); u > 0 {
					w, sum, square, logs = w+1/(u*u), sum+y/(u*u), square+y*y/(u*u), logs+math.Log(u*u)
				}
			}
			if w == 0 {
				return 0, 0
			}
			t.log -= (square - sum*sum/w + logs + math.Log(w)) / 2
			return sum / w, 1 / w
		}
		lateU := func(b timing.Stretch) float64 { return math.Hypot(b.U*us*c.noise, c.stray) }
		t.late, t.lateV = mean(func(b timing.Stretch) (float64, float64) { return b.Late * us, lateU(b) })
		t.across, t.acrossV = mean(func(b timing.Stretch) (float64, float64) {
			if b.AcrossU == 0 {
				return 0, 0
			}
			return b.Across * us, math.Hypot(b.AcrossU*us*c.noise, c.stray)
		})
		t.level, t.levelV = mean(func(b timing.Stretch) (float64, float64) {
			if b.Level == 0 {
				return 0, 0
			}
			return math.Log(b.Level), gainStray
		})
		for _, b := range part {
			t.second += b.Second * t.lateV / (lateU(b) * lateU(b))
		}
		var steep, sum float64
		for _, b := range part {
			w, d := 1/(lateU(b)*lateU(b)), b.Second-t.second
			steep, sum = steep+w*d*d, sum+w*d*b.Late*us
		}
		if len(part) > 1 {
			t.slope, t.slopeV = sum/steep, 1/steep
			t.log += sum*sum/steep/2 + math.Log(t.slopeV)/2
		}
		all = append(all, t)
	}
	return all
}

// follow takes the suppositions through all stretches and returns those that are left.
// best are the greatest logarithms after each, of these and of others before.
func (c *receiving) follow(all []supposition, stretches []timing.Stretch, at float64, best []float64) []supposition {
	parts := c.together(stretches)
	for k, b := range parts {
		for i := range all {
			if k > 0 {
				c.pass(&all[i], (b.second-parts[k-1].second)/30)
			}
			c.hear(&all[i], b, b.second-at)
			best[b.last] = max(best[b.last], all[i].log)
		}
		all = slices.DeleteFunc(all, func(s supposition) bool { return !(s.log > best[b.last]-behind) })
	}
	return all
}

// pass lets some half minutes pass.
func (c *receiving) pass(s *supposition, n float64) {
	s.mean[ofPhase] += n * s.mean[ofSpeed]
	for i := range unknowns {
		s.cov[ofPhase][i] += n * s.cov[ofSpeed][i]
	}
	for i := range unknowns {
		s.cov[i][ofPhase] += n * s.cov[i][ofSpeed]
	}
	q := turning * turning * c.unrest * c.unrest * n
	s.cov[ofSpeed][ofSpeed] += q
	s.cov[ofSpeed][ofPhase] += q * n / 2
	s.cov[ofPhase][ofSpeed] += q * n / 2
	s.cov[ofPhase][ofPhase] += q*n*n/3 + quiver*quiver*c.unrest*c.unrest*n
	kept := math.Exp(-secondStrays * secondStrays * c.unrest * c.unrest * n / 2)
	sin, cos := math.Sincos(c.steeper * n * s.mean[ofSpeed])
	sin, cos = kept*sin, kept*cos
	a, b := s.mean[ofSecond], s.mean[ofSecondIm]
	s.mean[ofSecond], s.mean[ofSecondIm] = cos*a-sin*b, sin*a+cos*b
	for i := range unknowns {
		a, b = s.cov[ofSecond][i], s.cov[ofSecondIm][i]
		s.cov[ofSecond][i], s.cov[ofSecondIm][i] = cos*a-sin*b, sin*a+cos*b
	}
	for i := range unknowns {
		a, b = s.cov[i][ofSecond], s.cov[i][ofSecondIm]
		s.cov[i][ofSecond], s.cov[i][ofSecondIm] = cos*a-sin*b, sin*a+cos*b
	}
	fresh := s.r[1] * s.r[1] / 2 * (1 - kept*kept)
	s.cov[ofSecond][ofSecond] += fresh
	s.cov[ofSecondIm][ofSecondIm] += fresh
}

// hear takes in a stretch, some seconds after the one asked for. What it tells is taken for
// linear where it itself puts the unknowns, which is found in some steps: about where they
// were before, a place on a circle would be mended by a smaller one.
func (c *receiving) hear(s *supposition, b told, after float64) {
	const steps, near = 4, 0.02
	before := *s
	before.log += b.log
	for range steps {
		about := s.mean
		*s = before
		c.hearAbout(s, &about, b, after)
		if math.Abs(s.mean[ofPhase]-about[ofPhase]) < near || s.faint {
			break
		}
	}
}

// hearAbout takes in a stretch as linear about some values of the unknowns.
func (c *receiving) hearAbout(s *supposition, about *[unknowns]float64, b told, after float64) {
	// While the phase turns in a stretch its mean is the smaller.
	turn, turn2 := kaiser.Sinc(about[ofSpeed]/(2*math.Pi)), kaiser.Sinc(c.steeper*about[ofSpeed]/(2*math.Pi))
	r := s.r[0] * math.Exp(about[ofLevel])
	if s.faint {
		r = 0
	}
	d := complex(c.d[0]*(1+about[ofExcess]), 0)
	first := cmplx.Rect(r*turn, about[ofPhase])
	second, d2 := complex(turn2*about[ofSecond], turn2*about[ofSecondIm]), complex(c.d[1], 0)
	rest := 1 + second
	// Means over the stretch by the power of the sum, and how they grow.
	power := real(rest*cmplx.Conj(rest)) + r*r + 2*real(cmplx.Conj(rest)*first)
	p := complex(power, 0)
	moment := d*(first*cmplx.Conj(rest)+complex(r*r, 0)) + d2*second*cmplx.Conj(rest+first)
	shift := moment / p
	turned := 1i * first
	powerByPhase, powerByLevel := 2*real(cmplx.Conj(rest)*turned), 2*r*r+2*real(cmplx.Conj(rest)*first)
	byPhase := (d*turned*cmplx.Conj(rest) + d2*second*cmplx.Conj(turned) - shift*complex(powerByPhase, 0)) / p
	byLevel := (d*(first*cmplx.Conj(rest)+complex(2*r*r, 0)) + d2*second*cmplx.Conj(first) - shift*complex(powerByLevel, 0)) / p
	byExcess := d * (first*cmplx.Conj(rest) + complex(r*r, 0)) / p
	inPhase := complex(turn2, 0) * cmplx.Conj(rest+first) / p
	bySecond := (d2 - shift) * inPhase
	row := [unknowns]float64{
		ofGround: 1, ofRate: after, ofSecond: real(bySecond), ofSecondIm: real(1i * bySecond),
		ofPhase: real(byPhase), ofLevel: real(byLevel), ofExcess: real(byExcess),
	}
	s.condition(&row, about, b.late-real(shift), b.lateV)
	if b.slopeV > 0 {
		s.condition(&[unknowns]float64{ofRate: 1}, about, b.slope, b.slopeV)
	}
	if b.acrossV > 0 {
		row = [unknowns]float64{
			ofTilt: 1, ofSecond: imag(bySecond), ofSecondIm: imag(1i * bySecond),
			ofPhase: imag(byPhase), ofLevel: imag(byLevel), ofExcess: imag(byExcess),
		}
		s.condition(&row, about, b.across-imag(shift), b.acrossV)
	}
	if b.levelV > 0 {
		row = [unknowns]float64{
			ofGain: 1, ofSecond: real(inPhase), ofSecondIm: real(1i * inPhase),
			ofPhase: powerByPhase / (2 * power), ofLevel: powerByLevel / (2 * power),
		}
		s.condition(&row, about, b.level-math.Log(power)/2, b.levelV)
	}
}

// condition takes in that y was measured with a variance above what is expected where the
// unknowns from ofSecond on are as about says; row is by how much it grows with each.
func (s *supposition) condition(row, about *[unknowns]float64, y, variance float64) {
	var gain [unknowns]float64
	total := variance
	for i, x := range row {
		if x == 0 {
			continue
		}
		if i >= ofSecond {
			y -= x * (s.mean[i] - about[i])
		} else {
			y -= x * s.mean[i]
		}
		for j := range unknowns {
			gain[j] += s.cov[j][i] * x
		}
	}
	for i, x := range row {
		total += x * gain[i]
	}
	for i := range unknowns {
		g := gain[i] / total
		s.mean[i] += g * y
		for j := range unknowns {
			s.cov[i][j] -= g * gain[j]
		}
	}
	s.log -= 0.5*math.Log(total) + y*y/(2*total)
}

// toldBy is the prediction with what suppositions are left, the best having the logarithm
// best.
func (p Prediction) toldBy(all []supposition, best, noiseU float64) Prediction {
	const us = 1e6
	excess, _ := p.long.sky.excess(p.long.sky.fewest, p.DistanceM)
	inexactU := inexactMean * p.long.sky.most() * excess
	var readings []reading
	var total, level, square, height, stronger float64
	for _, s := range all {
		weight := math.Exp(s.log - best)
		late := -s.mean[ofGround] // of the line after the ground wave
		v := max(0, s.cov[ofGround][ofGround]-noiseU*noiseU) / (us * us)
		one := possibility{weight: weight, mean: p.long.ground.seconds + late/us, u: math.Sqrt(v + p.long.ground.u*p.long.ground.u + inexactU*inexactU)}
		db := s.db + s.mean[ofLevel]*20/math.Ln10
		if db > 0 {
			one.first.d = uint8(p.long.sky.fewest)
			stronger += weight
		}
		readings = append(readings, reading{one, nil})
		total += weight
		level += weight * db
		square += weight * (db*db + s.cov[ofLevel][ofLevel]*(20/math.Ln10)*(20/math.Ln10))
		height += weight * late * late * s.cov[ofExcess][ofExcess] / (us * us)
	}
	for i := range readings {
		readings[i].weight /= total
	}
	level, stronger = level/total, stronger/total
	p.state(gathered(readings, max(siteU, p.long.ground.u/2), 10*negligible), math.Hypot(inexactU, math.Sqrt(height/total)), p.long.ground.u)
	p.Sky = &Sky{LevelDB: level, UDB: math.Sqrt(max(0, square/total-level*level)), Late: p.Delay.Mean() - p.long.ground.seconds}
	p.Modes = slices.Clone(p.Modes)
	for i := range p.Modes {
		switch p.Modes[i].Hops {
		case 0:
			p.Modes[i].First = 1 - stronger
		case p.long.sky.fewest:
			p.Modes[i].First = stronger
		}
	}
	return p
}

// most is the part of its excess by which a sky wave of one hop is likely to make marks
// later, at most.
func (s longSky) most() float64 { return math.Pow(10, min(0, s.levelDB[0]+s.levelU)/20) }

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
