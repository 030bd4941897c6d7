package timing

import (
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/blas/blas64"

	"timeball/capture/lanes"
	"timeball/detect/kaiser"
)

// stack is what a batch of snapshots says about the tick: the audio around the
// place where the flywheel's model puts it, divided by the noise and summed, with
// its products, into moments over time. It is sufficient for every estimate that
// treats the amplitudes of the paths as Gaussian and the lags as a line.
type stack struct {
	*filter
	axis   model   // of the lags
	points int     // samples in a window
	before float64 // lag of its first sample before the axis
	count  float64 // seconds
	span   float64 // from the mean time to the farthest second, s
	noise  []float64
	// Sums over the seconds of tᵏ, tᵏ·y and tᵏ·y·yᵀ, where t is the time since the axis's
	// reference in spans and y the window in units of its noise; for k = 0 alone when only
	// the place of the tick is asked for.
	time   [3]float64
	mean   [3][]float64
	square [3][]float64
	quiet  quiet
	depth  float64 // of the marks' modulation behind an envelope detector; 0: not known
	// receiver is what was calibrated of the receiver; nil: nothing.
	receiver *Response
}

// quiet is the covariance of windows in which only noise is heard. What is the same each
// second, a tick's ringing or the hum of the mains, tells nothing of the noise.
type quiet struct {
	tails blas64.General // of the covariance's diagonals
	count float64        // of its degrees of freedom
	// repeats are the tails of the square of what is the same, times the seconds: in the
	// window's later half, by when a usual filter's ringing has died away.
	repeats blas64.General
}

// model is the line on which the tick is expected: lag in low-rate samples at
// second ref, and its growth a second.
type model struct {
	lag, rate float64
	ref       float64
}

func (m model) at(n float64) float64 { return m.lag + m.rate*(n-m.ref) }

// view is how much about its axis a stack holds, s.
type view struct {
	// A window spans this much about the axis; the end is so much after a short mark's, or
	// onsetEnd of a long one's begin.
	windowBefore, windowAfter float64
	reach                     float64 // paths are looked for within it of the axis,
	longest                   float64 // and a pair of them so far apart at most
	step                      float64 // samples between lags that are tried
}

var (
	// A tick is timed by what is near its earliest path,
	closely = view{7e-3, 5.5e-3, 4.5e-3, 4e-3, 0.5}
	// and followed by all paths there may be, 7 ms apart (Rec. ITU-R F.1487), by their
	// envelope, which is broad.
	widely = view{10e-3, 9e-3, 7.5e-3, 7.5e-3, 1}
)

const (
	// Noise is heard from quietAfter a mark's end on, for quietSeconds, where the
	// station is silent; else for a shorter while that ends quietBefore ahead of the axis.
	quietSeconds, quietAfter = 14e-3, 7e-3
	shortQuiet, quietBefore  = 7e-3, 2e-3
	taps                     = 32 // of the interpolator between samples
)

// buildStack sums the snapshots along m, in so many powers of time.
func buildStack(f *filter, snaps []*snapshot, m model, powers int) *stack {
	before, n := f.window()
	st := &stack{filter: f, axis: m, points: n, before: before}
	p := newPile(n, powers, f.pool)
	defer p.pool.back(p.windows, p.weighted, p.products)
	if len(snaps) > 0 {
		st.noise = smoothNoise(snaps)
		st.span = max(1, m.ref-float64(snaps[0].n), float64(snaps[len(snaps)-1].n)-m.ref)
	}
	y, room := make([]float32, n), make([]float32, n+taps)
	for k, s := range snaps {
		if s.long || !(st.noise[k] > 0) || !s.window(y, room, m.at(float64(s.n))-before) {
			continue
		}
		st.count++
		p.add(y, s.audioUnit/math.Sqrt(st.noise[k]), (float64(s.n)-m.ref)/st.span)
	}
	st.time, st.mean, st.square = p.sums()
	return st
}

// window is how long before the axis a stack's windows begin and how long they are, samples.
func (f *filter) window() (before float64, points int) {
	end := f.Seconds + f.view.windowAfter
	if f.Onset {
		end = onsetEnd
	}
	before = math.Round(f.view.windowBefore * f.rate)
	return before, int(before) + int(end*f.rate)
}

// add adds to st what o, of other seconds with the same axis and span, says.
func (st *stack) add(o *stack) {
	st.noise = slices.Concat(st.noise, o.noise)
	st.count += o.count
	for k := range st.mean {
		st.time[k] += o.time[k]
		addTo(st.mean[k], 1, o.mean[k])
		addTo(st.square[k], 1, o.square[k])
	}
}

// within is what a stack along the same axis says in the narrower view of f.
func (st *stack) within(f *filter) *stack {
	part := *st
	part.filter = f
	part.before, part.points = f.window()
	n, from := part.points, int(st.before-part.before)
	for k := range st.mean {
		if st.mean[k] == nil {
			break
		}
		part.mean[k], part.square[k] = st.mean[k][from:from+n], make([]float64, n*n)
		for i := range n {
			copy(part.square[k][i*n:][:n], st.square[k][(from+i)*st.points+from:])
		}
	}
	return &part
}

// pile sums windows and their products, with powers of time: so many together as stay
// near the processor.
type pile struct {
	pool              *pool
	powers            int
	windows, weighted blas64.General // those on the pile, a column each, and by powers of their times
	products          blas64.General // of so many rows
	at                []float64      // their times
	time              [3]float64
	mean, square      [3][]float64 // of square, what is not below the diagonal
}

// piled is how many are summed together: a multiple of four, as vectors are long, and of no
// great power of two, lest rows so long drive each other out of the processor's memory.
const piled = 60

func newPile(points, powers int, r *pool) *pile {
	const together = 32
	p := &pile{pool: r, powers: powers, windows: r.general(points, piled), weighted: r.general(points, piled), products: r.general(together, points)}
	for k := range powers {
		p.mean[k], p.square[k] = make([]float64, points), make([]float64, points*points)
	}
	return p
}

// add adds the window w·y at a time.
func (p *pile) add(y []float32, w, at float64) {
	for i, v := range y {
		p.windows.Data[i*piled+len(p.at)] = w * float64(v)
	}
	p.at = append(p.at, at)
	if len(p.at) == piled {
		p.flush()
	}
}

// flush takes what is on the pile off it, into the sums.
func (p *pile) flush() {
	n, count := p.windows.Rows, len(p.at)
	x, y := p.windows, p.weighted
	x.Cols, y.Cols = count, count
	copy(y.Data, x.Data)
	for k := range p.powers {
		for _, t := range p.at {
			p.time[k] += math.Pow(t, float64(k))
		}
		for from := 0; from < n; from += p.products.Rows {
			to := min(from+p.products.Rows, n)
			part := rows(p.products, 0, to-from)
			part.Cols = n - from
			lanes.Products(part, rows(x, from, to), rows(y, from, n))
			for i := from; i < to; i++ {
				addTo(p.square[k][i*n+i:][:n-i], 1, part.Data[(i-from)*n+i-from:][:n-i])
			}
		}
		for i := range n {
			for j, v := range y.Data[i*piled:][:count] {
				p.mean[k][i] += v
				y.Data[i*piled+j] *= p.at[j] // for the next power
			}
		}
	}
	p.at = p.at[:0]
}

// sums are those of tᵏ, tᵏ·y and tᵏ·y·yᵀ over all windows y at times t.
func (p *pile) sums() (time [3]float64, mean, square [3][]float64) {
	p.flush()
	n := p.windows.Rows
	for k := range p.powers {
		for i := range n {
			for j := range i {
				p.square[k][i*n+j] = p.square[k][j*n+i]
			}
		}
	}
	return p.time, p.mean, p.square
}

// addTo adds w·x to y.
func addTo(y []float64, w float64, x []float64) {
	blas64.Axpy(w, blas64.Vector{N: len(x), Inc: 1, Data: x}, blas64.Vector{N: len(x), Inc: 1, Data: y})
}

// window fills y with the audio from a lag after the second on, interpolated, in
// audioUnit; false where it is not held. The room is for taps more than y has.
func (s *snapshot) window(y, room []float32, lag float64) bool {
	at := lag - s.audioLag
	i0 := int(math.Floor(at))
	lo := i0 - taps/2 + 1
	room = room[:len(y)+taps]
	if lo < 0 || lo+len(room) > len(s.audio) {
		return false
	}
	var coef [taps]float64
	interpolator(&coef, at-float64(i0))
	for i, v := range s.audio[lo : lo+len(room)] {
		room[i] = float32(v)
	}
	var terms [taps]lanes.Term
	for i, c := range coef {
		terms[i] = lanes.Term{Samples: room[i:], Weight: float32(c)}
	}
	lanes.Sum(y, terms[:])
	return true
}

// interpolator fills coef with a Kaiser-windowed sinc that gives the value
// frac of the way from the tap taps/2−1 to the next.
func interpolator(coef *[taps]float64, frac float64) {
	at := frac * interpolatorPhases
	i := min(int(at), interpolatorPhases-1)
	r := at - float64(i)
	a, b := &interpolators()[i], &interpolators()[i+1]
	for k := range coef {
		coef[k] = a[k] + r*(b[k]-a[k])
	}
}

// interpolatorPhases is fine enough for 100 dB: straight lines between phases err by
// (π/phases)²/8.
const interpolatorPhases = 1024

// interpolators holds the windowed sinc (Kaiser, β = 9) for each phase.
var interpolators = sync.OnceValue(func() *[interpolatorPhases + 1][taps]float64 {
	table := new([interpolatorPhases + 1][taps]float64)
	for i := range table {
		for k := range taps {
			x := float64(k-taps/2+1) - float64(i)/interpolatorPhases
			if r := x / (taps / 2); r*r < 1 {
				table[i][k] = kaiser.Sinc(x) * kaiser.Window(r, 9)
			}
		}
	}
	return table
})

// listen sums the windows in which only noise is heard; the station leaves silence
// seconds quiet from a mark's begin on. What is louder than noise
// can be there is speech or another station's, and is left out.
func (st *stack) listen(snaps []*snapshot, silence float64) {
	length, start := quietSeconds, st.Seconds+quietAfter
	if start+length > silence || st.Onset {
		length, start = shortQuiet, -shortQuiet-quietBefore
	}
	n := int(length * st.rate)
	type piece struct {
		x     []int16
		unit  float64 // of x, in noise
		power float64
	}
	var pieces []piece
	var powers []float64
	for k, s := range snaps {
		if s.long || !(st.noise[k] > 0) {
			continue
		}
		i := int(math.Round(st.axis.at(float64(s.n)) - s.audioLag + start*st.rate))
		if i < 0 || i+n > len(s.audio) {
			continue
		}
		p := piece{x: s.audio[i : i+n], unit: s.audioUnit / math.Sqrt(st.noise[k])}
		mean := 0.0
		for _, v := range p.x {
			mean += float64(v) / float64(n)
		}
		for _, v := range p.x {
			p.power += (float64(v) - mean) * (float64(v) - mean)
		}
		p.power *= p.unit * p.unit
		pieces, powers = append(pieces, p), append(powers, p.power)
	}
	if len(pieces) == 0 {
		return
	}
	slices.Sort(powers)
	// A quarter of the pieces may be loud; the power of the others scatters little.
	most := loudest * powers[len(powers)/4]
	x := make([]float32, n)
	all := newPile(n, 1, st.pool)
	defer all.pool.back(all.windows, all.weighted, all.products)
	for _, p := range pieces {
		if p.power > most {
			continue
		}
		for i, v := range p.x {
			x[i] = float32(v)
		}
		all.add(x, p.unit, 0)
		st.quiet.count++
	}
	_, mean, square := all.sums()
	from := n - n/2
	repeats := general(n-from, n-from)
	for i := range n {
		for j := range n {
			v := mean[0][i] * mean[0][j] / max(1, st.quiet.count)
			square[0][i*n+j] -= v
			if min(i, j) >= from {
				repeats.Data[(i-from)*repeats.Stride+j-from] = v
			}
		}
	}
	st.quiet.count = max(0, st.quiet.count-1)
	st.quiet.repeats = tails(repeats)
	st.quiet.tails = tails(blas64.General{Rows: n, Cols: n, Stride: n, Data: square[0]})
}

// loudest is the power, over the lower quartile's, up to which a quiet window is
// taken for noise: more than noise of the narrowest chain gives in one of a thousand.
const loudest = 2.2

// smoothNoise returns the noise of each snapshot, told by itself and its
// neighbours: one second's flank alone would scatter by a third. A burst much
// above them (lightning) is believed at once.
func smoothNoise(snaps []*snapshot) []float64 {
	const half, burst = 6, 4
	noise := make([]float64, len(snaps))
	var near [2*half + 1]float64
	for k, s := range snaps {
		v := near[:0]
		for _, o := range snaps[max(0, k-half):min(len(snaps), k+half+1)] {
			v = append(v, o.noise)
		}
		slices.Sort(v)
		// The mean of the lower three quarters, made unbiased for the gamma
		// distribution of a flank's power (eight degrees of freedom).
		v = v[:(3*len(v)+3)/4]
		sum := 0.0
		for _, x := range v {
			sum += x
		}
		noise[k] = lowerMean * sum / float64(len(v))
		if s.noise > burst*noise[k] {
			noise[k] = s.noise
		}
	}
	return noise
}

// lowerMean is the mean of the flank's power over that of its lower three
// quarters; TestNoiseIsUnbiased holds it.
const lowerMean = 1.19
