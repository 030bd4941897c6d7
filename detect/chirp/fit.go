package chirp

import (
	"math"
	"math/cmplx"
	"slices"

	"github.com/mjibson/go-dsp/fft"
	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/mat"

	"timeball/detect/rank"
)

const (
	perSecond = 100e3         // of delays
	gridStep  = 1 / perSecond // s
	coarse    = 5             // steps by which a further path is first searched
	// Paths nearer than this, in steps, are not told apart: half of what the band resolves.
	nearest = 15
	most    = 4 // paths
	// A path more is believed when the evidence grows by this, the logarithm of what
	// its delay and power were free to be: a hundred delays and a few powers, and a
	// factor of fifty beside (judgement).
	worth = 10.0
	// And when it is no weaker than this, dB below the strongest: what a receiver's
	// filter does to a chirp looks like weak late paths (judgement).
	weakest = 15.0
	// What excesses are out by beside noise, s: a Doppler shift of one path against
	// another moves chirps up and chirps down against each other (judgement).
	leastU = 8e-6
	// imperfect is how far the model of a chirp is out, in power: of the window's ends
	// and the noise's spectrum (judgement).
	imperfect = 0.03
	// In so many shapes a path's amplitude may change during a chirp, by fading and by
	// what ripple a receiver's filter has: with three, one path at 20 dB through a filter
	// of 300 to 2400 Hz was taken for two in 2 of 16 recordings, with five in none.
	shapes = 5
)

// spreads are the widths 2σ of a path's Doppler spectrum that are tried, Hz: from
// quiet to disturbed (Rec. ITU-R F.1487, annex 3).
var spreads = []float64{0.03, 0.2, 0.5, 1, 2}

// channel is what the chirps let see of it: their spectrum over the band, in units
// of the noise, less their own.
type channel struct {
	rate  float64
	grid  int       // delays
	zero  int       // that of the strongest sample
	hz    []float64 // points of the spectra, independent of each other
	data  [chirps][]complex128
	total float64 // power received
	// filter is what takes the phase of the receiver's filter out of the spectra, if
	// it is that which goes with its amplitude.
	filter []complex128
	level  []float32
	delays *fourier.CmplxFFT // over which the spectrum's points turn once from each other
	first  []complex128      // how the first of them turns from delay to delay
}

// turned is the sum over the spectrum of x, turned to each delay of the grid after
// its beginning.
func (c *channel) turned(x []complex128) []complex128 {
	n := c.delays.Len()
	out := make([]complex128, c.grid)
	copy(out, x)
	c.delays.Sequence(out[:n], out[:n])
	for g := n; g < c.grid; g++ {
		out[g] = out[g-n]
	}
	for g, v := range c.first {
		out[g] *= v
	}
	return out
}

// newChannel takes the audio about chirps the first of which begins at sample at;
// those down come apart samples late. nil: not all of them are in it.
func newChannel(audio []float32, rate, top float64, at, apart int) *channel {
	const n = 1 << 14 // samples of a chirp and what is about it
	const margin = 60e-3
	lead := int(margin * rate)
	density := spectrumOf(audio, rate, at)
	if density == nil {
		return nil
	}
	noise := func(hz float64) float64 { return between(density, hz/rate*silence) }
	filters := [2][]complex128{template(n, rate, top, false), template(n, rate, top, true)}
	steps := 1 / (before + after) // Hz between what is independent of each other
	low, top := band(noise, top)
	var hz []float64
	for f := low + steps; f < top-steps; f += steps {
		hz = append(hz, f)
	}
	if len(hz) < 10 {
		return nil
	}
	const delays = (before + after) * perSecond
	c := &channel{rate: rate, grid: delays + 1, zero: before * perSecond, hz: hz, delays: fourier.NewCmplxFFT(delays), first: make([]complex128, delays+1)}
	for g := range c.first {
		c.first[g] = cmplx.Rect(1, 2*math.Pi*hz[0]*gridStep*float64(g))
	}
	power, outside := 0.0, 0
	c.level = make([]float32, int((before+after)*rate))
	for k := range chirps {
		falls := 0
		begin := at + int(math.Round(float64(k)*every*rate))
		if k >= each {
			falls, begin = 1, begin+apart
		}
		x := make([]complex128, n)
		for i := range lead + int((length+margin)*rate) {
			if j := begin - lead + i; j >= 0 && j < len(audio) {
				x[i] = complex(float64(audio[j]), 0)
			}
		}
		x = fft.FFT(x)
		for i, t := range filters[falls] {
			if f := float64(i) * rate / n; t != 0 && f >= low && f <= top {
				x[i] *= cmplx.Conj(t) / complex(math.Sqrt(noise(f)), 0)
			} else {
				x[i] = 0
			}
		}
		x = fft.IFFT(x)
		// x[lead+i] is the filter's output i samples late.
		window := func(from float64) []complex128 {
			out := make([]complex128, len(hz))
			first := lead + int(math.Round(from*rate))
			for i := range int((before + after) * rate) {
				late := float64(first+i-lead) / rate
				for j, f := range hz {
					out[j] += x[first+i] * cmplx.Rect(1, -2*math.Pi*f*late)
				}
			}
			return out
		}
		c.data[k] = window(-before)
		for i := range c.level {
			v := x[lead-int(before*rate)+i]
			c.level[i] += float32(real(v)*real(v)+imag(v)*imag(v)) / chirps
		}
		for _, from := range []float64{-before - 45e-3, -before - 28e-3, 28e-3, 42e-3} {
			for _, v := range window(from) {
				power += real(v)*real(v) + imag(v)*imag(v)
				outside++
			}
		}
	}
	received := 0.0
	for k := range c.data {
		for _, v := range c.data[k] {
			received += real(v)*real(v) + imag(v)*imag(v)
		}
	}
	// What the model is out by counts as noise.
	unit := math.Sqrt(power/float64(outside) + imperfect*received/float64(chirps*len(hz)))
	for k := range c.data {
		for j, v := range c.data[k] {
			v /= complex(unit, 0)
			c.data[k][j] = v
			c.total += real(v)*real(v) + imag(v)*imag(v)
		}
	}
	phase := leastPhase(density)
	for _, f := range hz {
		c.filter = append(c.filter, cmplx.Rect(1, -between(phase, f/rate*silence)))
	}
	// The noise's power in the filter, sample by sample, from that of the window.
	inWindow := power / float64(outside) / (float64(int((before + after) * rate)))
	for i := range c.level {
		c.level[i] = float32(10 * math.Log10(float64(c.level[i])/inWindow*rate/(top-low)))
	}
	return c
}

const silence = 512 // samples of a piece of it

// spectrumOf is the noise's power density in the silence before and after the chirps
// about a sample, for each of the frequencies of a piece; nil without enough of it.
func spectrumOf(audio []float32, rate float64, at int) []float64 {
	const n = silence
	var all [n/2 + 1][]float64
	for _, span := range [][2]float64{{-2.35, -1.45}, {chirps*every + 0.05, chirps*every + 1.9}} {
		from, to := at+int(span[0]*rate), at+int(span[1]*rate)
		for i := max(from, 0); i+n < min(to, len(audio)); i += n / 2 {
			x := make([]float64, n)
			for j := range x {
				x[j] = float64(audio[i+j]) * (1 - math.Cos(2*math.Pi*(float64(j)+0.5)/n))
			}
			s := fft.FFTReal(x)
			for j := range all {
				all[j] = append(all[j], real(s[j])*real(s[j])+imag(s[j])*imag(s[j]))
			}
		}
	}
	if len(all[0]) < 10 {
		return nil
	}
	power := make([]float64, len(all))
	for j := range all {
		power[j] = rank.Upper(all[j]) // ticks are in some
	}
	smooth := make([]float64, len(all))
	largest := 0.0
	for j := range smooth {
		near := power[max(0, j-4):min(len(power), j+5)]
		for _, v := range near {
			smooth[j] += v / float64(len(near))
		}
		largest = max(largest, smooth[j])
	}
	for j := range smooth {
		smooth[j] = max(smooth[j], 1e-4*largest, math.SmallestNonzeroFloat32) // less is none of the receiver's noise
	}
	return smooth
}

// leastPhase is the phase of the filter of the least delay that makes white noise
// into noise of a density (its logarithm's Hilbert transform, by the cepstrum:
// Oppenheim and Schafer, Discrete-Time Signal Processing).
func leastPhase(density []float64) []float64 {
	n := 2 * (len(density) - 1)
	x := make([]complex128, n)
	for i := range x {
		x[i] = complex(math.Log(density[min(i, n-i)])/2, 0)
	}
	x = fft.IFFT(x)
	for i := 1; i < n/2; i++ {
		x[i] *= 2
		x[n-i] = 0
	}
	x = fft.FFT(x)
	phase := make([]float64, len(density))
	for i := range phase {
		phase[i] = imag(x[i])
	}
	return phase
}

// between reads a table at a place between its entries.
func between(table []float64, at float64) float64 {
	i := min(max(int(at), 0), len(table)-2)
	return table[i] + (at-float64(i))*(table[i+1]-table[i])
}

// band is where the receiver's noise, and so the signal, comes through.
func band(noise func(hz float64) float64, most float64) (low, top float64) {
	const step, least = 20.0, 0.05 // Hz; 13 dB below the median
	var all []float64
	for f := lowHz; f < most; f += step {
		all = append(all, noise(f))
	}
	middle := rank.Upper(all)
	enough := func(hz float64) bool { return noise(hz) > least*middle }
	low, top = 1200, 1200
	for low-step >= lowHz && enough(low-step) {
		low -= step
	}
	for top+step <= most && enough(top+step) {
		top += step
	}
	return low, top
}

// fading is the channel seen by paths whose amplitude changes during a chirp as a
// Doppler spectrum lets it: in a few shapes, independent of each other.
type fading struct {
	*channel
	filtered bool
	shape    [shapes][]float64            // over the spectrum
	power    [shapes]float64              // of a shape, of a path of power 1
	match    [shapes][chirps][]complex128 // how a delay and shape go with what was received
	like     [shapes][shapes][]complex128 // and with each other, by difference of delay
}

// fading takes the paths to be as wide as given, and may take the phase of the
// receiver's filter out.
func (c *channel) fading(spreadHz float64, filtered bool) *fading {
	f := &fading{channel: c, filtered: filtered}
	n := len(c.hz)
	// A chirp is at hz at a time; over it the amplitude's correlation is a Gaussian's.
	cov := mat.NewSymDense(n, nil)
	sigma := 2 * math.Pi * spreadHz / 2
	for i := range n {
		for j := range i + 1 {
			d := sigma * (c.hz[i] - c.hz[j]) / rise
			cov.SetSym(i, j, math.Exp(-d*d/2))
		}
	}
	var eigen mat.EigenSym
	eigen.Factorize(cov, true)
	values := eigen.Values(nil)
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	x := make([]complex128, n)
	for s := range shapes {
		f.power[s] = max(values[n-1-s], 0)
		f.shape[s] = mat.Col(nil, n-1-s, &vectors)
		for r := range s + 1 {
			for j := range x {
				x[j] = complex(f.shape[s][j]*f.shape[r][j], 0)
			}
			f.like[s][r] = c.turned(x)
			f.like[r][s] = f.like[s][r]
		}
	}
	f.receive()
	return f
}

// receive matches what was received with each delay and shape.
func (f *fading) receive() {
	x := make([]complex128, len(f.hz))
	for k := range chirps {
		for s := range shapes {
			for j, hz := range f.hz {
				x[j] = f.data[k][j] * cmplx.Rect(f.shape[s][j], -2*math.Pi*hz*before)
				if f.filtered {
					x[j] *= f.filter[j]
				}
			}
			f.match[s][k] = f.turned(x)
		}
	}
}

// paths are delays, grid steps, in order, their powers over the noise's, dB, and by
// how much chirps down come late.
type paths struct {
	at    []int
	level []float64
	apart int
}

func (p paths) clone() paths { return paths{slices.Clone(p.at), slices.Clone(p.level), p.apart} }

// far reports whether the delays lie far enough apart.
func (p paths) far() bool {
	for i := 1; i < len(p.at); i++ {
		if p.at[i]-p.at[i-1] < nearest {
			return false
		}
	}
	return true
}

// with is p with a path more; false if it lies too near to another.
func (p paths) with(at int, level float64) (paths, bool) {
	i, _ := slices.BinarySearch(p.at, at)
	q := paths{slices.Insert(slices.Clone(p.at), i, at), slices.Insert(slices.Clone(p.level), i, level), p.apart}
	return q, q.far()
}

const widest = most * shapes

// mixed is what makes amplitudes of what was received: the paths' shapes by the
// powers they may have, and their products with each other.
type mixed struct {
	n     int
	scale [widest]float64
	root  [widest][widest]complex128 // Cholesky's, of the products and 1
}

func (f *fading) mixed(p paths) (m mixed, evidence float64) {
	m.n = len(p.at) * shapes
	for i, level := range p.level {
		f.strong(m.scale[i*shapes:][:shapes], level)
	}
	return m, m.factor(func(i, j int) complex128 {
		return f.alike(i%shapes, j%shapes, p.at[i/shapes]-p.at[j/shapes])
	})
}

// strong fills scale with the amplitudes of the shapes of a path of a level, dB.
func (f *fading) strong(scale []float64, level float64) {
	power := math.Pow(10, level/10)
	for s := range scale {
		scale[s] = math.Sqrt(power * f.power[s])
	}
}

// alike is how shape a goes with b, of a path that comes d grid steps earlier.
func (f *fading) alike(a, b, d int) complex128 {
	if d >= 0 {
		return f.like[a][b][d]
	}
	return cmplx.Conj(f.like[a][b][-d])
}

// factor takes the products of the shapes apart.
func (m *mixed) factor(products func(i, j int) complex128) (evidence float64) {
	r := &m.root
	for i := range m.n {
		for j := range i + 1 {
			sum := products(i, j) * complex(m.scale[i]*m.scale[j], 0)
			if i == j {
				sum++
			}
			for k := range j {
				sum -= r[i][k] * cmplx.Conj(r[j][k])
			}
			if i == j {
				v := math.Sqrt(max(real(sum), 1e-9))
				r[i][i] = complex(v, 0)
				evidence -= 2 * chirps * math.Log(v)
			} else {
				r[i][j] = over(sum, real(r[j][j]))
			}
		}
	}
	return evidence
}

// solved is half solved what came of each shape, and its power.
func (m *mixed) solved(received func(i int) complex128) (b [widest]complex128, power float64) {
	for i := range m.n {
		v := received(i) * complex(m.scale[i], 0)
		for j := range i {
			v -= m.root[i][j] * b[j]
		}
		b[i] = over(v, real(m.root[i][i]))
		power += sqAbs(b[i])
	}
	return b, power
}

func sqAbs(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// over is z over a real number: complex division costs several times as much.
func over(z complex128, by float64) complex128 { return complex(real(z)/by, imag(z)/by) }

// late is where of the grid a path comes in chirp k; false off it.
func (f *fading) late(at, apart, k int) (int, bool) {
	if k >= each {
		at += apart
	}
	return at, at >= 0 && at < f.grid
}

// received is what chirp k brought of the paths, half solved, and its power; false off
// the grid.
func (f *fading) received(m *mixed, p paths, k int) (b [widest]complex128, power float64, ok bool) {
	for _, at := range p.at {
		if _, ok := f.late(at, p.apart, k); !ok {
			return b, 0, false
		}
	}
	b, power = m.solved(func(i int) complex128 {
		at, _ := f.late(p.at[i/shapes], p.apart, k)
		return f.match[i%shapes][k][at]
	})
	return b, power, true
}

// evidence is the logarithm of the likelihood of what was received by paths, over
// that of noise alone; explained is the part of the power that they take in.
// Amplitudes are complex normal.
func (f *fading) evidence(p paths) (evidence, explained float64) {
	m, evidence := f.mixed(p)
	for k := range chirps {
		_, power, ok := f.received(&m, p, k)
		if !ok {
			return math.Inf(-1), 0
		}
		explained += power
	}
	return evidence + explained, explained
}

// fillIn puts what the paths should have brought where something else was received:
// a tick, or the silence about one, takes a piece out of a chirp. Where it is more
// than a piece it is left. It reports whether anything was changed.
func (f *fading) fillIn(p paths) bool {
	const outlying, least, share = 8, 12, 0.15 // over the median's power, over the noise's, of a chirp (judgement)
	m, _ := f.mixed(p)
	changed := false
	for k := range chirps {
		b, _, ok := f.received(&m, p, k)
		if !ok {
			return false
		}
		for i := m.n - 1; i >= 0; i-- {
			for j := i + 1; j < m.n; j++ {
				b[i] -= cmplx.Conj(m.root[j][i]) * b[j]
			}
			b[i] = over(b[i], real(m.root[i][i]))
		}
		expected, power := make([]complex128, len(f.hz)), make([]float64, len(f.hz))
		for j, hz := range f.hz {
			for i := range m.n {
				at, _ := f.late(p.at[i/shapes], p.apart, k)
				late := float64(at)*gridStep - before
				expected[j] += b[i] * complex(m.scale[i]*f.shape[i%shapes][j], 0) * cmplx.Rect(1, -2*math.Pi*hz*late)
			}
			if f.filtered {
				expected[j] /= f.filter[j]
			}
			d := f.data[k][j] - expected[j]
			power[j] = real(d)*real(d) + imag(d)*imag(d)
		}
		sorted := slices.Clone(power)
		slices.Sort(sorted)
		limit := max(least, outlying*sorted[len(sorted)/2])
		out, _ := slices.BinarySearch(sorted, limit)
		if out = len(sorted) - out; out == 0 || float64(out) > share*float64(len(sorted)) {
			continue
		}
		for j := range power {
			if power[j] > limit {
				old := f.data[k][j]
				f.data[k][j] = expected[j]
				f.total += real(expected[j])*real(expected[j]) + imag(expected[j])*imag(expected[j]) - real(old)*real(old) - imag(old)*imag(old)
				changed = true
			}
		}
	}
	return changed
}

// refined moves paths, one at a time, and their powers, to where the evidence is
// greatest.
func (f *fading) refined(p paths) (paths, float64) {
	best, _ := f.evidence(p)
	n := len(p.at)
	for step := 8; step > 0; {
		better := false
		for i := range 2*n + 1 {
			for _, d := range [2]int{-step, step} {
				x := p.clone()
				switch {
				case i < n:
					x.at[i] += d
				case i < 2*n:
					x.level[i-n] += float64(d)
				default:
					x.apart += d
				}
				if !x.far() {
					continue
				}
				if q, _ := f.evidence(x); q > best {
					p, best, better = x, q, true
				}
			}
		}
		if !better {
			step /= 2
		}
	}
	return p, best
}

// besides is what a further path's delay and level tell, beside paths that stay.
type besides struct {
	*fading
	paths
	mixed
	log  float64                    // their own evidence
	b    [chirps][widest]complex128 // what they brought, half solved
	own  [shapes][shapes]complex128 // products of the further one's shapes that they do not explain,
	left [chirps][shapes]complex128 // and what came of them
	ok   bool                       // the further one is on the grid
	more mixed
}

// with begins with p; nil where it is off the grid.
func (f *fading) with(p paths) *besides {
	w := &besides{fading: f, paths: p}
	w.mixed, w.log = f.mixed(p)
	for k := range chirps {
		b, power, ok := f.received(&w.mixed, p, k)
		if !ok {
			return nil
		}
		w.b[k] = b
		w.log += power
	}
	return w
}

// beside puts the further path at a delay.
func (w *besides) beside(at int) {
	var l [shapes][widest]complex128 // further rows of the root, at a level of 0 dB
	for s := range shapes {
		for j := range w.n {
			sum := w.alike(s, j%shapes, at-w.at[j/shapes]) * complex(w.scale[j], 0)
			for k := range j {
				sum -= l[s][k] * cmplx.Conj(w.root[j][k])
			}
			l[s][j] = over(sum, real(w.root[j][j]))
		}
		for r := range s + 1 {
			w.own[s][r] = w.like[s][r][0]
			for j := range w.n {
				w.own[s][r] -= l[s][j] * cmplx.Conj(l[r][j])
			}
		}
	}
	w.ok = true
	for k := range chirps {
		g, ok := w.late(at, w.apart, k)
		if w.ok = w.ok && ok; !w.ok {
			return
		}
		for s := range shapes {
			w.left[k][s] = w.match[s][k][g]
			for j := range w.n {
				w.left[k][s] -= l[s][j] * w.b[k][j]
			}
		}
	}
}

// evidence is that of all paths, the further one of a level.
func (w *besides) evidence(level float64) float64 {
	if !w.ok {
		return math.Inf(-1)
	}
	w.more.n = shapes
	w.strong(w.more.scale[:shapes], level)
	log := w.log + w.more.factor(func(i, j int) complex128 { return w.own[i][j] })
	for k := range chirps {
		_, power := w.more.solved(func(i int) complex128 { return w.left[k][i] })
		log += power
	}
	return log
}

// more is the best with one path more.
func (f *fading) more(p paths) (best paths, evidence float64) {
	evidence = math.Inf(-1)
	top := 0.0
	if len(p.at) > 0 {
		top = slices.Max(p.level)
	} else {
		top = 10 * math.Log10(f.total/float64(chirps*len(f.hz)))
	}
	keep := func(x paths, q float64) {
		if q > evidence {
			best, evidence = x, q
		}
	}
	others := f.with(p)
	for g := 0; g < f.grid; g += coarse {
		if x, far := p.with(g, top); far && others != nil {
			others.beside(g)
			i := slices.Index(x.at, g)
			for below := 0.0; below <= weakest; below += 5 {
				x.level[i] = top - below
				keep(x.clone(), others.evidence(top-below))
			}
		}
	}
	// A path may have stood for two about it.
	for i, at := range p.at {
		for d := nearest / 2; d <= 2*nearest; d += 4 {
			for _, share := range []int{-1, 0, 1} {
				x := p.clone()
				x.at[i] -= d + share*d/2
				if x, far := x.with(at+d-share*d/2, p.level[i]); far {
					q, _ := f.evidence(x)
					keep(x, q)
				}
			}
		}
	}
	if len(best.at) == 0 {
		return p, math.Inf(-1)
	}
	return f.refined(best)
}

// fit is as many paths as there is reason for. Chirps up may have been held against
// those down by two different paths, and each path then stands for two: so what their
// delays differ by is tried as well for how late chirps down come.
func (f *fading) fit() (paths, float64) {
	p, reason := f.grown(0)
	for better := true; better; {
		better = false
		from := p
		for _, a := range from.at {
			for _, b := range from.at {
				if a == b {
					continue
				}
				if x, v := f.grown(from.apart + a - b); v > reason {
					p, reason, better = x, v, true
				}
			}
		}
	}
	return p, reason
}

// grown is as many paths as there is reason for when chirps down come late by about
// apart; reason is the evidence less what each path must be worth.
func (f *fading) grown(apart int) (p paths, reason float64) {
	p, reason = paths{apart: apart}, math.Inf(-1)
	for len(p.at) < most {
		next, evidence := f.more(p)
		v := evidence - worth*float64(len(next.at))
		if v < reason || slices.Min(next.level) < slices.Max(next.level)-weakest {
			break
		}
		p, reason = next, v
	}
	return p, reason
}

// filled fits paths, fills in what does not belong to the chirps, and fits again. What
// too few paths leave over does not belong to them either: so as many are fitted as
// there is reason for, and each time what was received is filled in anew.
func (c *channel) filled(filtered bool) (p paths, reason float64) {
	const usual = 0.5 // Hz of Doppler spread
	received, total := c.data, c.total
	f := c.fading(usual, filtered)
	p, reason = f.fit()
	for range 3 {
		for k := range chirps {
			c.data[k] = slices.Clone(received[k])
		}
		c.total = total
		if !f.fillIn(p) {
			break
		}
		f.receive()
		p, reason = f.grown(p.apart)
	}
	return p, reason
}

// measure states the paths that explain most of what c lets see: filled in and fitted
// with and without the receiver's filter, and as the better of them with each Doppler
// spread.
func (c *channel) measure() Sounding {
	received, filtered := c, false
	var p paths
	var most float64
	for _, with := range []bool{false, true} {
		trial := *received
		if at, reason := trial.filled(with); !with || reason > most {
			c, filtered, p, most = &trial, with, at, reason
		}
	}
	var f *fading
	for _, spread := range spreads {
		g := c.fading(spread, filtered)
		if at, reason := g.grown(p.apart); f == nil || reason > most {
			f, p, most = g, at, reason
		}
	}
	strongest := slices.Max(p.level)
	s := Sounding{
		Begin: float64(p.at[slices.Index(p.level, strongest)]-c.zero) * gridStep, // after the strongest sample
		SNRdB: strongest + 10*math.Log10(float64(len(c.hz))),
	}
	u := f.scatter(p)
	for i, at := range p.at {
		x := Arrival{Excess: float64(at-p.at[0]) / perSecond, LevelDB: p.level[i] - strongest}
		if i > 0 {
			x.U = math.Hypot(leastU, u[i])
		}
		s.Arrivals = append(s.Arrivals, x)
	}
	s.Step = 1 / c.rate
	s.First = -before - float64(p.at[0]-c.zero)*gridStep
	s.Level = c.level
	return s
}

// scatter is the standard uncertainty of each path's delay after the first, s, by
// the curvature of the evidence, and as much more as is left over.
func (f *fading) scatter(p paths) []float64 {
	l := len(p.at)
	n := l + 1
	const h = 2 // grid steps
	q, explained := f.evidence(p)
	moved := func(i, j, di, dj int) float64 {
		x := p.clone()
		for _, m := range [2][2]int{{i, di}, {j, dj}} {
			if m[0] < l {
				x.at[m[0]] += m[1]
			} else {
				x.apart += m[1]
			}
		}
		v, _ := f.evidence(x)
		return v
	}
	curve := make([][]float64, n)
	for i := range n {
		curve[i] = make([]float64, n)
		for j := range n {
			if i == j {
				curve[i][i] = -(moved(i, i, h, 0) - 2*q + moved(i, i, -h, 0)) / (h * h)
			} else {
				curve[i][j] = -(moved(i, j, h, h) - moved(i, j, h, -h) - moved(i, j, -h, h) + moved(i, j, -h, -h)) / (4 * h * h)
			}
		}
	}
	left := max(1, (f.total-explained)/float64(chirps*len(f.hz)))
	u := make([]float64, l)
	for i := 1; i < l; i++ {
		// Variance of delay i less the first: solve curve·x = e_i − e_0.
		e := make([]float64, n)
		e[i], e[0] = 1, -1
		x, ok := solve(curve, e)
		v := x[i] - x[0]
		if !ok || !(v > 0) {
			v = nearest * nearest
		}
		u[i] = math.Sqrt(v*left) * gridStep
	}
	return u
}

// solve is Gauss's elimination.
func solve(a [][]float64, b []float64) ([]float64, bool) {
	n := len(b)
	m := make([][]float64, n)
	for i := range m {
		m[i] = append(slices.Clone(a[i]), b[i])
	}
	for i := range n {
		top := i
		for j := i; j < n; j++ {
			if math.Abs(m[j][i]) > math.Abs(m[top][i]) {
				top = j
			}
		}
		m[i], m[top] = m[top], m[i]
		if m[i][i] == 0 {
			return make([]float64, n), false
		}
		for j := i + 1; j < n; j++ {
			f := m[j][i] / m[i][i]
			for k := i; k <= n; k++ {
				m[j][k] -= f * m[i][k]
			}
		}
	}
	x := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		x[i] = m[i][n]
		for j := i + 1; j < n; j++ {
			x[i] -= m[i][j] * x[j]
		}
		x[i] /= m[i][i]
	}
	return x, true
}
