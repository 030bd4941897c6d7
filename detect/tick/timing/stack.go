package timing

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"

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
	// receiver is what was calibrated of the receiver; nil: nothing.
	receiver *Response
}

// quiet is the second moment of windows in which only noise is heard.
type quiet struct {
	tails   blas64.General // of the second moment's diagonals
	count   float64
	samples int // in a window
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
	batches                  = 16 // in which the moments' powers of time are taken
)

// buildStack sums the snapshots along m, in so many powers of time.
func buildStack(f *filter, snaps []*snapshot, m model, powers int) *stack {
	before, n := f.window()
	st := &stack{filter: f, axis: m, points: n, before: before}
	for k := range powers {
		st.mean[k], st.square[k] = make([]float64, n), make([]float64, n*n)
	}
	if len(snaps) == 0 {
		return st
	}
	st.noise = smoothNoise(snaps)
	st.span = max(1, m.ref-float64(snaps[0].n), float64(snaps[len(snaps)-1].n)-m.ref)
	y, room := make([]float64, n), make([]float64, n+taps)
	sum, square := make([]float64, n), blas64.Symmetric{N: n, Stride: n, Uplo: 'U', Data: make([]float64, n*n)}
	var count, time float64
	flush := func() {
		if count == 0 {
			return
		}
		t := time / count / st.span
		for k := range powers {
			w := math.Pow(t, float64(k))
			st.time[k] += w * count
			addTo(st.mean[k], w, sum)
			addTo(st.square[k], w, square.Data)
		}
		st.count += count
		clear(sum)
		clear(square.Data)
		count, time = 0, 0
	}
	first, whole := snaps[0].n, snaps[len(snaps)-1].n-snaps[0].n+1
	batch := int64(0)
	for k, s := range snaps {
		if b := (s.n - first) * batches / whole; b != batch {
			flush()
			batch = b
		}
		if s.long || !(st.noise[k] > 0) || !s.window(y, room, m.at(float64(s.n))-before, st.noise[k]) {
			continue
		}
		count++
		time += float64(s.n) - m.ref
		addTo(sum, 1, y)
		addSquare(square, y)
	}
	flush()
	for k := range powers {
		for i := range n {
			for j := range i {
				st.square[k][i*n+j] = st.square[k][j*n+i]
			}
		}
	}
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

// and adds to st what o, of other seconds with the same axis and span, says.
func (st *stack) and(o *stack) *stack {
	sum := *st
	sum.noise = slices.Concat(st.noise, o.noise)
	sum.count += o.count
	add := func(a, b []float64) []float64 {
		if a == nil {
			return nil
		}
		c := slices.Clone(a)
		addTo(c, 1, b)
		return c
	}
	for k := range sum.mean {
		sum.time[k] += o.time[k]
		sum.mean[k], sum.square[k] = add(st.mean[k], o.mean[k]), add(st.square[k], o.square[k])
	}
	return &sum
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

// addSquare adds x·xᵀ to a, row by row: twice as fast as blas64.Syr, which has no vectors.
func addSquare(a blas64.Symmetric, x []float64) {
	for i, v := range x {
		addTo(a.Data[i*a.Stride+i:][:len(x)-i], v, x[i:])
	}
}

// addTo adds w·x to y.
func addTo(y []float64, w float64, x []float64) {
	blas64.Axpy(w, blas64.Vector{N: len(x), Inc: 1, Data: x}, blas64.Vector{N: len(x), Inc: 1, Data: y})
}

// window fills y with the audio from a lag after the second on, interpolated, in
// units of the noise; false where it is not held. The room is for taps more than y has.
func (s *snapshot) window(y, room []float64, lag, noise float64) bool {
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
		room[i] = float64(v)
	}
	clear(y)
	for i, c := range coef {
		addTo(y, c, room[i:i+len(y)])
	}
	blas64.Scal(s.audioUnit/math.Sqrt(noise), blas64.Vector{N: len(y), Inc: 1, Data: y})
	return true
}

// interpolator fills coef with a Kaiser-windowed sinc that gives the value
// frac of the way from the tap taps/2−1 to the next.
func interpolator(coef *[taps]float64, frac float64) {
	at := frac * interpolatorPhases
	i := min(int(at), interpolatorPhases-1)
	r := at - float64(i)
	a, b := &interpolators[i], &interpolators[i+1]
	for k := range coef {
		coef[k] = a[k] + r*(b[k]-a[k])
	}
}

// interpolatorPhases is fine enough for 100 dB: straight lines between phases err by
// (π/phases)²/8.
const interpolatorPhases = 1024

// interpolators holds the windowed sinc (Kaiser, β = 9) for each phase.
var interpolators = func() (table [interpolatorPhases + 1][taps]float64) {
	for i := range table {
		for k := range taps {
			x := float64(k-taps/2+1) - float64(i)/interpolatorPhases
			if r := x / (taps / 2); r*r < 1 {
				table[i][k] = kaiser.Sinc(x) * kaiser.Window(r, 9)
			}
		}
	}
	return table
}()

// listen sums the windows in which only noise is heard; the station leaves silence
// seconds quiet from a mark's begin on. What is louder than noise
// can be there is speech or another station's, and is left out.
func (st *stack) listen(snaps []*snapshot, silence float64) {
	length, start := quietSeconds, st.Seconds+quietAfter
	if start+length > silence || st.Onset {
		length, start = shortQuiet, -shortQuiet-quietBefore
	}
	n := int(length * st.rate)
	st.quiet.samples = n
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
	x := make([]float64, n)
	square := general(n, n)
	sym := blas64.Symmetric{N: n, Stride: n, Uplo: 'U', Data: square.Data}
	for _, p := range pieces {
		if p.power > most {
			continue
		}
		for i, v := range p.x {
			x[i] = float64(v) * p.unit
		}
		addSquare(sym, x)
		st.quiet.count++
	}
	st.quiet.tails = tails(square)
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
