package timing

import (
	"math"
	"math/cmplx"
	"slices"

	"timeball/detect/kaiser"
)

// stack is what a batch of snapshots says about the tick: the snapshots, moved
// to where the flywheel's model puts the tick and divided by their noise, summed
// with their products into blocks of consecutive seconds. It is sufficient for
// every estimate that treats the amplitudes of the paths as Gaussian.
type stack struct {
	*filter
	axis   model // of the lags
	blocks []block
	points int
	before float64 // lag of point 0 before the model's, samples
	end    float64 // lag of the end of an onset's sums after the model's, samples
	count  float64
	noise  []float64 // of each snapshot it was made of
	low    *lowBand  // nil: not heard
	tone   *toneBand // nil: not heard
}

// block sums consecutive seconds. The outputs are scaled so that noise has a
// real part of unit variance.
type block struct {
	t    float64 // mean time of its seconds against the batch's reference, s
	n    float64
	mean []complex128 // Σ w
	herm []complex128 // Σ w·w*, row by row
	sym  []complex128 // Σ w·wᵀ, row by row
}

// model is the line on which the tick is expected: lag in low-rate samples at
// second ref, and its growth a second.
type model struct {
	lag, rate float64
	ref       float64
}

func (m model) at(n float64) float64 { return m.lag + m.rate*(n-m.ref) }

const (
	stackBefore = 5.2e-3 // s; the strongest path may come longestExcess after the earliest
	stackAfter  = 5.3e-3
	taps        = 14 // of the interpolator between points
)

// buildStack sums the snapshots along m into at most blocks blocks.
func buildStack(f *filter, snaps []*snapshot, m model, blocks int) *stack {
	after := stackAfter
	if f.Onset {
		after = onsetEnd - 2.5e-3
	}
	half := int(stackBefore * f.rate)
	points := half + int(after*f.rate)
	st := &stack{filter: f, axis: m, points: points, before: float64(half), end: onsetEnd * f.rate}
	if len(snaps) == 0 {
		return st
	}
	blocks = max(1, min(blocks, len(snaps)/3))
	w := make([]complex128, points)
	st.noise = smoothNoise(snaps)
	first, last := snaps[0].n, snaps[len(snaps)-1].n
	span := last - first + 1
	var b *block
	var o output
	current := int64(-1)
	for k, s := range snaps {
		if i := (s.n - first) * int64(blocks) / span; i != current {
			current = i
			st.blocks = append(st.blocks, block{
				mean: make([]complex128, points),
				herm: make([]complex128, points*points),
				sym:  make([]complex128, points*points),
			})
			b = &st.blocks[len(st.blocks)-1]
		}
		if s.long {
			continue
		}
		f.open(&o, s)
		if !st.align(w, &o, m, st.noise[k]) {
			continue
		}
		b.n++
		b.t += float64(s.n) - m.ref
		for i, wi := range w {
			b.mean[i] += wi
			herm, sym := b.herm[i*points:(i+1)*points], b.sym[i*points:(i+1)*points]
			for j := i; j < points; j++ {
				wj := w[j]
				sym[j] += wi * wj
				herm[j] += wi * complex(real(wj), -imag(wj))
			}
		}
	}
	st.blocks = slices.DeleteFunc(st.blocks, func(b block) bool { return b.n == 0 })
	for k := range st.blocks {
		b := &st.blocks[k]
		b.t /= b.n
		st.count += b.n
		for i := range points {
			for j := range i {
				b.sym[i*points+j] = b.sym[j*points+i]
				b.herm[i*points+j] = cmplx.Conj(b.herm[j*points+i])
			}
		}
	}
	return st
}

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

// align interpolates s to the stack's points along m, turned by the tone's
// phase over the model's drift so that a tick on the model keeps its phase.
func (st *stack) align(w []complex128, s *output, m model, noise float64) bool {
	centre := m.at(float64(s.n))
	at := (centre - st.before - s.origin)
	i0 := int(math.Floor(at))
	var coef [taps]float64
	interpolator(&coef, at-float64(i0))
	lo := i0 - taps/2 + 1
	if lo < 0 || lo+st.points+taps > len(s.w) || noise <= 0 {
		return false
	}
	turn := cmplx.Rect(1/math.Sqrt(noise), st.omega*centre)
	var end complex128
	if st.Onset {
		// Let the sums end at the same lag after the model's for all.
		at := centre + st.end - s.origin
		if at+taps/2+1 >= float64(len(s.w)) {
			return false
		}
		end = s.value(at)
	}
	if st.local != nil {
		half := len(st.local) / 2
		if lo-half < 0 || lo+half+st.points+taps > len(s.w) {
			return false
		}
		// Interpolation and smoothing commute: smooth the interpolated points.
		wide := make([]complex128, st.points+2*half)
		for j := range wide {
			wide[j] = weigh(&coef, s.w[lo-half+j:]) - end
		}
		for j := range w {
			var sum complex128
			for k, c := range st.local {
				sum += complex(c, 0) * wide[j+k]
			}
			w[j] = sum * turn
		}
		return true
	}
	for j := range w {
		w[j] = (weigh(&coef, s.w[lo+j:]) - end) * turn
	}
	return true
}

// holds reports whether the output can be interpolated at point at.
func (o *output) holds(at float64) bool {
	i := int(math.Floor(at)) - taps/2 + 1
	return i >= 0 && i+taps <= len(o.w)
}

// value interpolates the output at point at.
func (o *output) value(at float64) complex128 {
	i := int(math.Floor(at))
	var coef [taps]float64
	interpolator(&coef, at-float64(i))
	return weigh(&coef, o.w[i-taps/2+1:])
}

func weigh(coef *[taps]float64, w []complex64) complex128 {
	var re, im float64
	for k, c := range coef {
		re += c * float64(real(w[k]))
		im += c * float64(imag(w[k]))
	}
	return complex(re, im)
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

// interpolatorPhases is fine enough that the likelihood of a strong signal, of
// the order of a million, stays smooth between phases.
const interpolatorPhases = 4096

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

// samples is the number of samples summed at lag d after the model's.
func (st *stack) samples(d float64) float64 {
	if st.Onset {
		return max(1, st.end-d)
	}
	return float64(st.length)
}

// scale is the factor that makes noise at lag d have a real part of unit
// variance when the output is turned to phase phi. An onset's sum does not
// cover whole cycles, so its noise depends on the phase.
func (st *stack) scale(d, phi float64) float64 {
	n := st.samples(d)
	energy := n / 2
	if st.Onset && st.local == nil {
		energy -= (math.Sin(2*(st.omega*n+phi)) - math.Sin(2*phi)) / (4 * st.omega)
	}
	return 1 / math.Sqrt(energy*st.noiseGain)
}

// probe is the linear functional of the stack's points that gives the matched
// filter's output at one lag, turned so that the tick's amplitude is real and
// positive when its tone starts at phase phi.
type probe struct {
	first int
	coef  [taps]complex128
}

func (st *stack) probe(d, phi float64) (probe, bool) {
	at := (d + st.before)
	i0 := int(math.Floor(at))
	p := probe{first: i0 - taps/2 + 1}
	if p.first < 0 || p.first+taps > st.points {
		return p, false
	}
	var c [taps]float64
	interpolator(&c, at-float64(i0))
	turn := st.turn(d, phi)
	for k := range c {
		p.coef[k] = complex(c[k], 0) * turn
	}
	return p, true
}

// turn is the factor that makes the output at d real and positive for a tick
// there, and its noise's real part of unit variance: a unit tick at d gives
// exp(−jωd)·response(0), and response(0) ≈ −j·e^{jφ}·n/2.
func (st *stack) turn(d, phi float64) complex128 {
	return cmplx.Rect(st.scale(d, phi), st.omega*d+math.Pi/2-phi)
}

// overlap is what a probe at d1 sees of a tick at d2 that has unit amplitude
// at its own probe.
func (st *stack) overlap(d1, d2, phi float64) complex128 {
	a := st.response(d1-d2, st.samples(d1), phi) * cmplx.Rect(st.scale(d1, phi), st.omega*(d1-d2)+math.Pi/2-phi)
	b := st.response(0, st.samples(d2), phi) * cmplx.Rect(st.scale(d2, phi), math.Pi/2-phi)
	return a / complex(real(b), 0)
}

func (b *block) linear(p *probe) complex128 {
	var sum complex128
	for k, c := range p.coef {
		sum += c * b.mean[p.first+k]
	}
	return sum
}

// products returns Σ y1·y2 and Σ y1·y2* of two probes' outputs y.
func (b *block) products(p, q *probe, points int) (sym, herm complex128) {
	for i, c := range p.coef {
		row := (p.first+i)*points + q.first
		var s, h complex128
		sr, hr := b.sym[row:row+taps], b.herm[row:row+taps]
		for j, d := range q.coef {
			s += d * sr[j]
			h += complex(real(d), -imag(d)) * hr[j]
		}
		sym += c * s
		herm += c * h
	}
	return sym, herm
}
