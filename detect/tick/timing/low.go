package timing

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"
)

// lowBand is the mean waveform of the seconds below the tick's tone: sums of the
// audio over whole periods of the tone, in which the tone itself cancels. A tick
// that begins and ends as a sine leaves two opposite strokes in them, 1/ω of its
// amplitude each, at its begin and at its end.
type lowBand struct {
	from, width float64 // lag of the first sum after the model's and length of each, samples
	n           float64
	mean        []float64
	cov         *mat.SymDense // of the mean
}

const (
	// The sums begin and end so long after the tick is expected, s. What a
	// station with a quiet zone sends keeps off them.
	lowFrom, lowTo = -8e-3, 20e-3
	// leastLow is the number of seconds from which the low band is heard.
	leastLow = 12
)

// hear sums the low band of the snapshots along the stack's axis, each in units of
// its noise as the stack's points are, and measures their tone band.
func (st *stack) hear(snaps []*snapshot) {
	st.attend(snaps)
	cycles := max(1, math.Round(st.ToneHz*1e-3))
	b := &lowBand{width: cycles * 2 * math.Pi / st.omega}
	to := lowTo
	if st.Onset {
		to = onsetEnd
	}
	bins := int((to - lowFrom) * st.rate / b.width)
	b.from = lowFrom * st.rate
	b.mean = make([]float64, bins)
	v := make([]float64, bins)
	scatter := mat.NewSymDense(bins, nil)
	row := mat.NewVecDense(bins, v)
	var sums []float64
	for k, s := range snaps {
		at := st.axis.at(float64(s.n)) + b.from - s.audioLag
		if s.long || st.noise[k] <= 0 || at < 0 || at+float64(bins)*b.width >= float64(len(s.audio)-1) {
			continue
		}
		sums = s.integrate(sums)
		unit := s.audioUnit / math.Sqrt(st.noise[k])
		last := s.integral(sums, at)
		for i := range v {
			next := s.integral(sums, at+float64(i+1)*b.width)
			v[i] = (next - last) * unit
			last = next
			b.mean[i] += v[i]
		}
		scatter.SymRankOne(scatter, 1, row)
		b.n++
	}
	if b.n < leastLow {
		return
	}
	for i := range b.mean {
		b.mean[i] /= b.n
	}
	scatter.SymRankOne(scatter, -b.n, mat.NewVecDense(bins, b.mean))
	// The scatter of few seconds is drawn to that of white noise.
	white := mat.Trace(scatter) / b.n / float64(bins)
	prior := float64(bins)
	b.cov = mat.NewSymDense(bins, nil)
	for i := range bins {
		for j := range i + 1 {
			c := scatter.At(i, j)
			if i == j {
				c += prior * white
			}
			b.cov.SetSym(i, j, c/(b.n+prior)/b.n)
		}
	}
	st.low = b
}

// amplitudes are the mean amplitudes of the tick on each path, in units of the
// stack's noise, with the sign that goes with the fit's phase.
func (st *stack) amplitudes(f *fit) []float64 {
	m, ok := st.pooled(f.hypothesis, f.point)
	if !ok {
		return nil
	}
	z1, z2 := m.sum[0]/m.n, m.sum[1]/m.n
	if f.paths == 1 {
		return []float64{z1 / st.atProbe(f.d, f.phi)}
	}
	g := real(st.coupling(f.d, f.d+f.excess, f.phi))
	a2 := z2 / math.Sqrt(1-g*g)
	return []float64{(z1 - g*a2) / st.atProbe(f.d, f.phi), a2 / st.atProbe(f.d+f.excess, f.phi)}
}

// atProbe is what a tick of unit amplitude and phase phi at lag d gives at its own probe.
func (st *stack) atProbe(d, phi float64) float64 {
	return real(st.response(0, st.samples(d), phi) * cmplx.Rect(st.scale(d, phi), math.Pi/2-phi))
}

// lowWeigher weighs what is heard in the low band.
type lowWeigher struct {
	*lowBand
	amplitudes []float64 // of the paths
	excess     float64   // of the second
	hums       []hum
	broad      float64 // log likelihood when the band holds anything of the size of a tick's strokes
}

// hum is a kind of hum that may be in the low band, with the inverse of the mean's
// covariance under it.
type hum struct {
	share   float64
	inverse *mat.SymDense
	log     float64 // −ln det/2 of the covariance
}

// listen prepares to weigh the low band of ticks of the given amplitudes.
func (w *weigher) listen(amplitudes []float64) {
	b := w.stack.low
	low := &lowWeigher{lowBand: b, amplitudes: amplitudes, excess: w.f.excess}
	n := len(b.mean)
	size := 0.0
	for _, a := range amplitudes {
		size += math.Abs(a)
	}
	stroke := size / w.omega
	// with returns the covariance with more added to it.
	with := func(m mat.Symmetric, more func(i, j int) float64) *mat.SymDense {
		sum := mat.NewSymDense(n, nil)
		for i := range n {
			for j := range i + 1 {
				sum.SetSym(i, j, m.At(i, j)+more(i, j))
			}
		}
		return sum
	}
	white := func(v float64) func(i, j int) float64 {
		return func(i, j int) float64 {
			if i == j {
				return v
			}
			return 0
		}
	}
	// Whatever stands still has no say.
	base := with(b.cov, func(int, int) float64 { return size * size * b.width * b.width })
	loose := with(base, white(math.Pow(looseError*stroke, 2)))
	base = with(base, white((shapeError*shapeError+w.foreign*w.foreign)*stroke*stroke))
	add := func(m *mat.SymDense, share float64) {
		var chol mat.Cholesky
		inverse := mat.NewSymDense(n, nil)
		if chol.Factorize(m) && chol.InverseTo(inverse) == nil {
			low.hums = append(low.hums, hum{share, inverse, -chol.LogDet() / 2})
		}
	}
	add(base, 1-humPrior-loosePrior)
	add(loose, loosePrior)
	for _, hz := range mains {
		for _, level := range humLevels {
			m := with(base, func(i, j int) float64 {
				v := 0.0
				for k := 1.0; k <= humHarmonics; k++ {
					v += math.Cos(2 * math.Pi * hz * k / w.rate * b.width * float64(i-j))
				}
				return math.Pow(level*size*b.width, 2) * v
			})
			add(m, humPrior/float64(len(mains)*len(humLevels)))
		}
	}
	var broad sumOfLogs
	y := mat.NewVecDense(n, b.mean)
	for _, s := range broadSizes {
		// What is of the strokes' size comes with them; what is larger need not.
		near := func(i, j int) float64 {
			t := b.from + (float64(i)+0.5)*b.width - w.f.d
			if i != j || s <= 1 && (t < -1.5*b.width || t > 2*float64(w.length)) {
				return 0
			}
			return math.Pow(s*stroke, 2)
		}
		var chol mat.Cholesky
		var x mat.VecDense
		if chol.Factorize(with(base, near)) && chol.SolveVecTo(&x, y) == nil {
			broad.add(-mat.Dot(y, &x)/2-chol.LogDet()/2, 1/float64(len(broadSizes)))
		}
	}
	if len(low.hums) == 0 || len(broad.logs) == 0 {
		return
	}
	low.broad = broad.log()
	w.low = low
}

var (
	mains      = []float64{50, 60}           // Hz
	humLevels  = []float64{0.03, 0.15, 0.75} // of each harmonic, of the tick's amplitude
	broadSizes = []float64{0.3, 1, 4, 16}    // of a tick's strokes
)

const (
	humPrior     = 0.3 // share of recordings with hum that the mean shows
	humHarmonics = 3
	// shapeError is how far the low band may be from that of its chain, as a share
	// of a tick's stroke.
	shapeError = 0.07
	// looseError is the same, and loosePrior the share, of chains that none of those
	// weighed resembles.
	looseError, loosePrior = 1, 0.1
)

// lowEvidence is the low band's log likelihood for each kind of hum as a function
// of the thump's share b: −(q0 − 2·q1·b + q2·b²)/2 + log.
type lowEvidence []struct{ q0, q1, q2, log, share float64 }

// evidence of a chain behind which the earliest tick arrives at lag d, turned by
// half-cycles.
func (w *lowWeigher) evidence(c *chain, tick, rise []float64, d float64, halfCycles int) lowEvidence {
	n := len(w.mean)
	g, h := make([]float64, n), make([]float64, n)
	copy(g, w.mean)
	for i, a := range w.amplitudes {
		at := d - c.group + float64(i)*w.excess
		if halfCycles%2 != 0 {
			a = -a
		}
		w.place(g, tick, at, -a) // what is left of the mean
		w.place(h, rise, at, a)
	}
	left, thump := mat.NewVecDense(n, g), mat.NewVecDense(n, h)
	var pl, pt mat.VecDense
	e := make(lowEvidence, len(w.hums))
	for i := range w.hums {
		k := &w.hums[i]
		pl.MulVec(k.inverse, left)
		pt.MulVec(k.inverse, thump)
		e[i].q0, e[i].q1, e[i].q2 = mat.Dot(left, &pl), mat.Dot(thump, &pl), mat.Dot(thump, &pt)
		e[i].log, e[i].share = k.log, k.share
	}
	return e
}

// integrate returns the sums of the audio before each sample, and after the last, by the trapezoidal rule.
func (s *snapshot) integrate(sums []float64) []float64 {
	sums = append(sums[:0], 0)
	for i := 1; i < len(s.audio); i++ {
		sums = append(sums, sums[i-1]+(float64(s.audio[i-1])+float64(s.audio[i]))/2)
	}
	return sums
}

// integral of the audio, with straight lines between samples, from the first
// sample to point at.
func (s *snapshot) integral(sums []float64, at float64) float64 {
	i := int(at)
	r := at - float64(i)
	x, y := float64(s.audio[i]), float64(s.audio[i+1])
	return sums[i] + r*x + r*r/2*(y-x)
}
