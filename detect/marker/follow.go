package marker

import (
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"timeball/detect/rank"
)

// The base is the marker's mean line on the sample clock. Its state at a second is
// x, the place, and y, the growth a second; s is by how much more than was booked the
// marker moved at its latest step, so that a step leaves the base alone. A pulse less
// what was booked, and less the beat, is x + s and jitter. The sample clock wanders:
// x by itself and y, as random walks. A Kalman filter goes forward through the
// pulses, with a variance that is raised for those far off, as Student's distribution
// of four degrees of freedom has it; the smoother goes back (Durbin and Koopman, Time
// Series Analysis by State Space Methods, 2nd ed., 4.4). So the base follows a steady
// pulse within seconds and averages one of 1 ms jitter over minutes.

const (
	wander = 5e-9 // of the sample clock in a second, s (common practice)
	// warming is by how much the sample clock's rate may change in a second: by one
	// part in a million a minute, the most that must be survived. A steady clock's
	// does by a sixteenth of that (from memory, of crystals in a room).
	warming, steady = 1e-6 / 60, warming / 16
	// Which of them, or what between, suits the pulses of the latest tuneSeconds is
	// asked every tuneEvery seconds, and tuneOften at first: the steadiest whose log
	// likelihood is at most tuneSlack below the best.
	tuneSeconds, tuneOften, tuneEvery, tuneSlack = 256, 8, 32, 2
	// tail is the degrees of freedom of the jitter's distribution.
	tail = 4
	// A step is seen from the chance of so large a departure on: once in a million
	// seconds.
	stepChance = 1e-6
	// SureStep is the size, in standard deviations of a pulse, of a step that then
	// shows with its first pulse more often than not, once the jitter is well known.
	SureStep = 6
	// An edge's scatter is learned from so many latest second differences.
	jitterMemory = 128
	// A step within the scatter is looked for over up to seekSeconds, so long that
	// one of 1.6 sigma shows; over more, a sample clock that warms up would seem to
	// step, since the base lags behind it by up to one sigma.
	seekSeconds = 16
	// refineSeconds is for how long after a step its size is refined: then the jitter
	// has been averaged to an eighth.
	refineSeconds = 64
	// A step is told from a bend over bendSeconds, by as great odds for each of the
	// places where it may be.
	bendSeconds = 64
	leastBeats  = 8 // second differences from which a beat is told
	// smoothEnough, in sigma, is the change of the base below which seconds farther
	// back are not smoothed again.
	smoothEnough, smoothFor = 1e-3, 16
)

// state is an estimate of x, y and s, in frames, with its covariances.
type state struct {
	x, y, s                float64
	xx, xy, xs, yy, ys, ss float64
}

// estimate is what the filter knows of a second.
type estimate struct {
	state              // before its pulse
	kx, ky, ks float64 // gain
	v          float64 // what the pulse was off, frames
	score      float64 // v over its variance; 0 without a pulse
	smooth     float64 // x by all pulses
}

// follower says which seconds of the log must be worked out again.
type follower struct {
	bent     int     // second at which the base was last seen to bend
	warmth   float64 // change of the sample clock's rate in a second, 1 sigma
	filtered int     // the first second that is not filtered
	smoothed int     // seconds from here on are not smoothed
	assumed  float64 // the sigma they were filtered with
}

// scatter is what is known of how pulses scatter about the base.
type scatter struct {
	// turns are the second differences of pulse positions, those of odd seconds
	// with the opposite sign. A steady rate, even that of a steadily turned
	// adjustment, leaves none; jitter leaves six times its variance; and a beat
	// always the same, four times its half.
	turns []float64
	sigma float64 // of one edge, a beat taken out, frames
	beat  float64 // by how much the pulses of even seconds come late, and of odd ones early, frames
}

// changed says that second n is not what it was.
func (t *Track) changed(n int) { t.filtered = min(t.filtered, n) }

// place is a pulse on the scale of the base: less what was booked, and the beat.
func (t *Track) place(n int) float64 {
	s := &t.log[n-t.oldest]
	return s.at - s.shift - t.beatOf(n)
}

func (t *Track) beatOf(n int) float64 {
	if n%2 != 0 {
		return -t.beat
	}
	return t.beat
}

// jitterVariance is that of a pulse, frames².
func (t *Track) jitterVariance() float64 {
	if len(t.turns) == 0 {
		return math.Pow(mostJitter*t.rate, 2)
	}
	return t.sigma * t.sigma
}

// after leads s on by dt seconds, when the sample clock's rate changes by warmth
// in each.
func (t *Track) after(s state, dt, warmth float64) state {
	q1, q2 := math.Pow(wander*t.rate, 2), math.Pow(warmth*t.rate, 2)
	s.x += dt * s.y
	s.xx += dt*(2*s.xy+dt*s.yy) + dt*q1 + dt*dt*dt/3*q2
	s.xy += dt*s.yy + dt*dt/2*q2
	s.xs += dt * s.ys
	s.yy += dt * q2
	return s
}

// see is the estimate of a second whose pulse is at place, with jitter of variance
// r, when s was foretold.
func (s state) see(place, r float64) estimate {
	e := estimate{state: s}
	e.v = place - s.x - s.s
	zx, zy, zs := s.xx+s.xs, s.xy+s.ys, s.xs+s.ss
	all := zx + zs + r
	all += r * (max(1, (tail+e.v*e.v/all)/(tail+1)) - 1)
	e.kx, e.ky, e.ks, e.score = zx/all, zy/all, zs/all, e.v/all
	if e.score == 0 {
		e.score = math.SmallestNonzeroFloat64 // it has been seen
	}
	return e
}

// posterior is the state once the pulse has been seen.
func (e *estimate) posterior() state {
	s := e.state
	if e.score == 0 {
		return s
	}
	zx, zy, zs := s.xx+s.xs, s.xy+s.ys, s.xs+s.ss
	s.x, s.y, s.s = s.x+e.kx*e.v, s.y+e.ky*e.v, s.s+e.ks*e.v
	s.xx, s.xy, s.xs = s.xx-e.kx*zx, s.xy-e.kx*zy, s.xs-e.kx*zs
	s.yy, s.ys, s.ss = s.yy-e.ky*zy, s.ys-e.ky*zs, s.ss-e.ks*zs
	return s
}

// begun is what is known of a second before any pulse.
func (t *Track) begun(place float64) state {
	return state{x: place, y: t.rate, xx: math.Pow(4*mostJitter*t.rate, 2), yy: math.Pow(maxRateError*t.rate, 2)}
}

// moved is s after a movement.
func (t *Track) moved(s state) state {
	s.s, s.xs, s.ys, s.ss = 0, 0, 0, math.Pow(4*mostJitter*t.rate, 2)
	return s
}

// filter works out the seconds that have changed.
func (t *Track) filter() {
	from := max(t.filtered, t.oldest)
	if from >= t.Seconds() {
		return
	}
	t.smoothed = min(t.smoothed, from)
	r := t.jitterVariance()
	for n := from; n < t.Seconds(); n++ {
		s := &t.log[n-t.oldest]
		foretold := s.filter.state // of the oldest second: what led up to it is forgotten
		switch {
		case n > t.oldest:
			before := &t.log[n-1-t.oldest]
			foretold = t.after(before.filter.posterior(), 1, t.warmth)
			if s.shift != before.shift {
				foretold = t.moved(foretold)
			}
		case n == 0:
			foretold = t.begun(t.place(0))
		}
		e := estimate{state: foretold}
		if s.seen {
			e = foretold.see(t.place(n), r)
		}
		e.smooth = s.filter.smooth
		s.filter = e
	}
	t.filtered = t.Seconds()
}

// likelihood is that of the pulses of the latest tuneSeconds, logarithmic, if the sample clock's rate changes by warmth.
func (t *Track) likelihood(warmth float64) (log float64) {
	from := max(t.oldest, t.Seconds()-tuneSeconds)
	for !t.log[from-t.oldest].seen {
		from++
	}
	r := t.jitterVariance()
	s := t.begun(t.place(from))
	for n := from; n < t.Seconds(); n++ {
		if n > from && t.log[n-t.oldest].shift != t.log[n-1-t.oldest].shift {
			s = t.moved(s)
		}
		if t.log[n-t.oldest].seen {
			e := s.see(t.place(n), r)
			v := s.xx + 2*s.xs + s.ss + r
			log -= 0.5 * (math.Log(v) + (tail+1)*math.Log1p(e.v*e.v/v/tail))
			s = e.posterior()
		}
		s = t.after(s, 1, warmth)
	}
	return log
}

// tune chooses how steady the sample clock is taken to be; not less so for a while
// after it was seen to bend the base.
func (t *Track) tune() {
	best := math.Inf(-1)
	var logs []float64
	for w := steady; w <= warming; w *= 4 {
		l := t.likelihood(w)
		logs, best = append(logs, l), max(best, l)
	}
	for i, l := range logs {
		if l > best-tuneSlack && (i == len(logs)-1 || t.latest > t.bent+tuneSeconds) {
			t.take(steady * math.Pow(4, float64(i)))
			return
		}
	}
}

func (t *Track) take(warmth float64) {
	if warmth != t.warmth {
		t.warmth = warmth
		t.changed(t.oldest)
	}
}

// smooth works out the base of the seconds on which the newest pulses still bear.
func (t *Track) smooth() {
	t.filter()
	if t.smoothed >= t.Seconds() {
		return
	}
	enough := smoothEnough * max(t.sigma, wander*t.rate)
	var rx, ry, rs float64
	settled := 0
	for n := t.Seconds() - 1; n >= t.oldest && settled < smoothFor; n-- {
		e := &t.log[n-t.oldest].filter
		if n+1 < t.Seconds() {
			ry += rx
			if t.log[n+1-t.oldest].shift != t.log[n-t.oldest].shift {
				rs = 0
			}
		}
		if e.score != 0 {
			k := e.kx*rx + e.ky*ry + e.ks*rs
			rx, rs = rx-k+e.score, rs-k+e.score
		}
		x := e.x + e.xx*rx + e.xy*ry + e.xs*rs
		if n < t.smoothed && math.Abs(x-e.smooth) < enough {
			settled++
		} else {
			settled = 0
		}
		e.smooth = x
	}
	t.smoothed = t.Seconds()
}

// ahead is what is foretold of second n, which is still to come.
func (t *Track) ahead(n int) state {
	t.filter()
	return t.after(t.log[len(t.log)-1].filter.posterior(), float64(n-t.Seconds()+1), t.warmth)
}

// clear is how many standard deviations a departure must be to be clear when the
// deviation is known from count second differences: two of them are worth one
// independent value (a second difference has three of white noise).
func clearOf(count int) float64 {
	return clearTable()[min(count, jitterMemory)]
}

var clearTable = sync.OnceValue(func() *[jitterMemory + 1]float64 {
	table := new([jitterMemory + 1]float64)
	for n := range table {
		table[n] = distuv.StudentsT{Sigma: 1, Nu: max(1, float64(n)/2)}.Quantile(1 - stepChance/2)
	}
	return table
})

// expect foretells the position of the next second's pulse, and how far from it
// a pulse may be without having been moved. sigma is the pulse's own noise.
func (t *Track) expect(sigma float64) (position, limit float64) {
	n := t.Seconds()
	a := t.ahead(n)
	position = a.x + a.s + t.shift + t.beatOf(n)
	if len(t.turns) < 3 {
		return position, (4*mostJitter + maxRateError*float64(n-t.latest)) * t.rate
	}
	variance := a.xx + 2*a.xs + a.ss + max(t.sigma*t.sigma, sigma*sigma)
	return position, min(clearOf(len(t.turns))*math.Sqrt(variance), 12*mostJitter*t.rate)
}

// learn updates what is known of the scatter from the latest positions. Second
// differences across a movement are left out, unless movements alternate, for a hand
// turns one way and jitter goes to and fro.
func (t *Track) learn(n int) {
	i := n - t.oldest
	if i < 2 || !t.log[i-1].seen || !t.log[i-2].seen {
		return
	}
	a, b, c := &t.log[i-2], &t.log[i-1], &t.log[i]
	first, second := b.shift-a.shift, c.shift-b.shift
	if (first != 0 || second != 0) && first*second >= 0 {
		return
	}
	turn := c.at - 2*b.at + a.at
	if n%2 != 0 {
		turn = -turn
	}
	if len(t.turns) == jitterMemory {
		t.turns = slices.Delete(t.turns, 0, 1)
	}
	t.turns = append(t.turns, turn)
	beat := t.beat
	t.beat, t.sigma = 0, spreadOf(t.turns, 0)/math.Sqrt(6)
	if len(t.turns) >= leastBeats {
		middle := median(t.turns)
		// The differences are not independent: their mean at this very period is
		// known as well as if each pulse were its own.
		s := spreadOf(t.turns, middle) / math.Sqrt(6)
		if math.Abs(middle)/4 > clearOf(len(t.turns))*s*math.Sqrt(math.Pi/2/float64(len(t.turns))) {
			t.beat, t.sigma = middle/4, s
		}
	}
	every := tuneEvery
	if len(t.turns) < jitterMemory {
		every = tuneOften
	}
	if len(t.turns) >= jitterMemory/4 && t.pulses%every == 0 {
		t.tune()
	}
	// What was filtered with quite another scatter is filtered again.
	if len(t.turns) < jitterMemory || t.sigma > 2*t.assumed || t.sigma < t.assumed/2 || (t.beat == 0) != (beat == 0) {
		t.changed(t.oldest)
		t.assumed = t.sigma
	}
}

// spreadOf is the standard deviation of normal values about a middle, by the scale of
// Student's distribution that is likeliest: it keeps nine tenths of what the root mean
// square knows, and outliers do little to it.
func spreadOf(v []float64, middle float64) float64 {
	var memory [jitterMemory]float64
	dev := memory[:len(v)]
	for i, x := range v {
		dev[i] = math.Abs(x - middle)
	}
	scale2 := math.Pow(rank.Median(dev), 2)
	for range 8 {
		if scale2 == 0 {
			break
		}
		sum := 0.0
		for _, d := range dev {
			sum += (tail + 1) * d * d / (tail + d*d/scale2)
		}
		scale2 = sum / float64(len(dev))
	}
	return normalScale * math.Sqrt(scale2)
}

// normalScale is the standard deviation of normal values over that scale: the root of
// E[5z²/(4s²+z²)] = 1 for s, inverted (computed).
const normalScale = 1.2034

// seekStep looks for a step that shows only in several of the latest pulses together.
func (t *Track) seekStep(n int) {
	if len(t.turns) < seekSeconds {
		return
	}
	t.filter()
	most, at, size := clearOf(len(t.turns)), -1, 0.0
	for k := 1; k <= seekSeconds; k *= 2 {
		f := n - k + 1
		if f <= max(t.oldest, t.move.second) || !t.log[f-t.oldest].seen {
			continue
		}
		if by, sigmas := t.movedBy(f, n); sigmas > most {
			most, at, size = sigmas, f, by
		}
	}
	if at < 0 {
		return
	}
	if t.bends(at, n) {
		t.take(warming)
		t.bent = n
		return
	}
	t.begin(at, t.log[at-t.oldest].at, size)
	for i := at - t.oldest; i < len(t.log); i++ {
		t.log[i].shift += size
	}
	t.changed(at)
}

// movedBy is by how much the pulses of seconds from f to n are off on the mean, in
// frames and in standard deviations, from what was foretold before the first of them.
func (t *Track) movedBy(f, n int) (by, sigmas float64) {
	var sum, seconds, count float64
	for k := f; k <= n; k++ {
		if t.log[k-t.oldest].seen {
			sum, seconds, count = sum+t.place(k), seconds+float64(k), count+1
		}
	}
	a := t.after(t.log[f-t.oldest].filter.state, seconds/count-float64(f), t.warmth)
	by = sum/count - a.x - a.s
	return by, math.Abs(by) / math.Sqrt(a.xx+2*a.xs+a.ss+t.jitterVariance()/count)
}

// bends reports whether the pulses up to second n look no less like a line that bends,
// as when the sample clock warms up, than like one with a step at second f.
func (t *Track) bends(f, n int) bool {
	step, bend := newSquares(3), newSquares(3)
	for k := max(t.oldest, n-bendSeconds+1); k <= n; k++ {
		if !t.log[k-t.oldest].seen {
			continue
		}
		x, y := float64(k-n)/bendSeconds, t.place(k)-t.place(n)-float64(k-n)*t.log[n-t.oldest].filter.y
		after := 0.0
		if k >= f {
			after = 1
		}
		step.add(y, 1, x, after)
		bend.add(y, 1, x, x*x)
	}
	return bend.rest()-step.rest() < -2*math.Log(stepChance/seekSeconds)*t.jitterVariance()
}

// refineMove makes the size of the latest movement what the pulses up to n show.
func (t *Track) refineMove(n int) {
	if n-t.move.second >= refineSeconds {
		return
	}
	t.filter()
	p := t.log[n-t.oldest].filter.posterior()
	t.resize(t.move.size + p.s)
	t.judge(t.move.size)
}

// squares are those of a least-squares fit.
type squares struct {
	xx *mat.SymDense
	xy *mat.VecDense
	yy float64
}

func newSquares(terms int) *squares {
	return &squares{xx: mat.NewSymDense(terms, nil), xy: mat.NewVecDense(terms, nil)}
}

// add takes y where the terms have the values x.
func (s *squares) add(y float64, x ...float64) {
	v := mat.NewVecDense(len(x), x)
	s.xx.SymRankOne(s.xx, 1, v)
	s.xy.AddScaledVec(s.xy, y, v)
	s.yy += y * y
}

// rest is what the fit leaves of the sum of squares.
func (s *squares) rest() float64 {
	var c mat.Cholesky
	var b mat.VecDense
	if !c.Factorize(s.xx) || c.SolveVecTo(&b, s.xy) != nil {
		return s.yy
	}
	return s.yy - mat.Dot(&b, s.xy)
}
