package timing

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/mat"
)

// The parameters of two paths that stand still.
const (
	byLag     = iota // of the first after the axis, samples
	bySpacing        // of the second after it, samples
	byRatio          // logarithm of the second's amplitude over the first's
	byTurn           // phase between their carriers, radians
	byFill           // logarithm of the variance of the noise in the troughs, in the first's carrier
	byHighs          // logarithms of the corners
	byLows
	byDrift // how much later a span after the reference, samples
	standingDim
)

// stand is where two paths that stand still are thought to be.
type stand [standingDim]float64

// standing is the likelihood of two paths that stand still while they are heard, behind an
// envelope detector. Of such the audio is the same each second,
//
//	e(t) = s·√( |1 + ρ + d·m(t) + d·ρ·m(t−τ)|² + v ),
//
// with ρ the ratio of their carriers, d the depth of modulation and v the variance of the noise
// that fills the troughs. Where a mark that sounds as deep as d = 1 meets a carrier that
// the paths have weakened, no series in the marks gets near it: it is fitted as it is, by Gauss and
// Newton's method to the mean second.
type standing struct {
	*bench
	depth  float64
	fft    *fourier.FFT
	fine   *fourier.FFT // of correlations, half a sample apart
	coarse *fourier.FFT // of what is sampled
	// Memory for an envelope, its derivatives and what comes of a transform.
	waves    [5][]float64
	spectra  [5][]complex128
	received []float64
}

// standingFine are places a sample at which an envelope is worked out: what its cusps have
// beyond folds back 50 dB down.
const standingFine = 4

func (b *bench) standing(depth float64) *standing {
	s := &standing{bench: b, depth: depth, fft: fourier.NewFFT(waveSamples * standingFine), coarse: fourier.NewFFT(waveSamples), fine: fourier.NewFFT(2 * waveSamples)}
	for k := range s.waves {
		s.waves[k], s.spectra[k] = make([]float64, s.fft.Len()), make([]complex128, s.fft.Len()/2+1)
	}
	s.received = make([]float64, waveSamples)
	return s
}

// envelopes are the waveform and its derivatives by spacing, ratio, turn and fill ahead of
// the chain, as spectra, of a first carrier of one; until they are asked for again.
func (s *standing) envelopes(x *stand, derivatives bool) *[5][]complex128 {
	v := math.Exp(x[byFill])
	n := waveSamples * standingFine
	e, count := &s.waves, 1
	if derivatives {
		count = len(e)
	}
	for k := range count {
		clear(e[k])
	}
	rho := cmplx.Rect(math.Exp(x[byRatio]), x[byTurn])
	still := 1 + rho
	rest := math.Sqrt(sqAbs(still) + v)
	long := s.shaper.burst() * s.stack.rate
	w := s.shaper.omega
	for i := range min(n, int((x[bySpacing]+long)*standingFine)+1) {
		t := float64(i) / standingFine
		var a, b, slope float64
		if t < long {
			a = s.depth * math.Sin(w*t)
		}
		if u := t - x[bySpacing]; u >= 0 && u < long {
			sin, cos := math.Sincos(w * u)
			b, slope = s.depth*sin, s.depth*w*cos
		}
		sum := still + complex(a, 0) + rho*complex(b, 0)
		r := math.Sqrt(sqAbs(sum) + v)
		e[0][i] = (r - rest) / float64(n)
		if !derivatives {
			continue
		}
		by := func(d, d0 complex128) float64 {
			return ((real(sum)*real(d)+imag(sum)*imag(d))/r - (real(still)*real(d0)+imag(still)*imag(d0))/rest) / float64(n)
		}
		e[1][i] = by(-rho*complex(slope, 0), 0)
		e[2][i] = by(rho*complex(1+b, 0), rho)
		e[3][i] = by(1i*rho*complex(1+b, 0), 1i*rho)
		e[4][i] = v * (1/(2*r) - 1/(2*rest)) / float64(n)
	}
	for k := range count {
		s.fft.Coefficients(s.spectra[k], e[k])
	}
	return &s.spectra
}

// at are the waveform's derivatives by the parameters, in byDrift's place its second by the lag,
// and last the waveform, a row each.
func (s *standing) at(x *stand) blas64.General {
	all := general(standingDim+1, s.points)
	spectra := s.envelopes(x, true)
	start := -s.before - x[byLag]
	var sums [standingDim + 1][waveSamples/2 + 1]complex128
	for i, h := range s.plain {
		shift := cmplx.Rect(1, 2*math.Pi*float64(i)*start/waveSamples)
		h *= shift
		turn := complex(0, -2*math.Pi*float64(i)/waveSamples)
		v := spectra[0][i]
		// The corners move the chain that is linearised about its own.
		h += shift * (complex(x[byHighs], 0)*s.byHigh[i] + complex(x[byLows], 0)*s.byLow[i])
		for k, z := range [standingDim + 1]complex128{
			byLag: v * turn * h, bySpacing: spectra[1][i] * h, byRatio: spectra[2][i] * h, byTurn: spectra[3][i] * h,
			byFill: spectra[4][i] * h, byHighs: v * s.byHigh[i] * shift, byLows: v * s.byLow[i] * shift, byDrift: v * turn * turn * h,
			standingDim: v * h,
		} {
			switch {
			case i < waveSamples/2:
				sums[k][i] += z
			case i == waveSamples/2:
				sums[k][i] += 2 * z
			default:
				sums[k][waveSamples-i] += cmplx.Conj(z)
			}
		}
	}
	for k := range standingDim + 1 {
		copy(all.Data[k*s.points:][:s.points], s.coarse.Sequence(s.received, sums[k][:]))
	}
	return all
}

// stoodAt is what the seconds say of a place.
type stoodAt struct {
	gain
	slope   stand
	bends   [standingDim]stand // the negative of log's second derivatives, as Gauss and Newton have them
	carrier float64            // of the first path, in noise
	misfit  float64
	energy  float64 // of the mean second
}

// fit weighs x. The seconds' amplitudes are one distribution's, as a single basis's: of z = aᵀ·y
// with the mean μ and the variance λ a second's is thought to be h = μ/λ + (1 − 1/λ)·z, and
// the seconds summed by it, D = Σ h·y, give the slope of the likelihood.
func (s *standing) fit(x *stand, trust float64) (f stoodAt) {
	all := s.at(x)
	filters := matmul(all, s.inverse)
	g := matmul(filters, all)
	const v, bend = standingDim, byDrift
	gram := func(i, j int) float64 { return g.Data[i*g.Stride+j] }
	root := math.Sqrt(gram(v, v))
	a := general(1, s.points)
	for i, w := range filters.Data[v*s.points:][:s.points] {
		a.Data[i] = w / root
	}
	outputs := matmul(a, s.matrix(s.square[0])).Data // Σ z·y
	m := moments{n: s.count, d: 1}
	m.mean[0], m.prod[0][0] = dot(a, 0, s.mean[0]), dot(a, 0, outputs)
	mu, second := m.mean[0]/m.n, m.prod[0][0]/m.n
	f.gain = m.gain(false, -1, trust)
	kept := 0.0 // 1 − 1/λ
	if f.gain.fading > 0 {
		kept = max(0, 1-1/(second-mu*mu))
	}
	var seen [3][standingDim + 1]float64
	for p := range seen {
		if s.mean[p] == nil {
			continue
		}
		zy := outputs
		if p > 0 {
			zy = matmul(a, s.matrix(s.square[p])).Data
		}
		for k := range seen[p] {
			seen[p][k] = mu*(1-kept)*dot(filters, k, s.mean[p]) + kept*dot(filters, k, zy)
		}
	}
	strength := seen[0][v] / root / m.n // Σ h·z over the seconds
	if !(strength > 0) {
		f.log = math.Inf(-1)
		return f
	}
	// The scale at which the summed seconds are the waveform's.
	scale := math.Sqrt(strength) / root
	f.carrier, f.energy = scale, strength
	d, t := x[byDrift], s.time
	for i := range byDrift {
		f.slope[i] = scale*seen[0][i]/math.Sqrt(strength) - scale*scale*(t[0]*gram(i, v)+d*t[1]*gram(i, byLag))
		for j := range byDrift {
			f.bends[i][j] = scale * scale * t[0] * (gram(i, j) - gram(i, v)*gram(j, v)/gram(v, v))
		}
		f.bends[i][byDrift] = scale * scale * t[1] * gram(i, byLag)
		f.bends[byDrift][i] = f.bends[i][byDrift]
	}
	f.slope[byDrift] = scale*(seen[1][byLag]+d*seen[2][bend])/math.Sqrt(strength) - scale*scale*(t[1]*gram(v, byLag)+d*t[2]*(gram(byLag, byLag)+gram(v, bend)))
	f.bends[byDrift][byDrift] = scale * scale * t[2] * gram(byLag, byLag)
	// The drift's part of the likelihood.
	f.log += scale*(d*seen[1][byLag]+d*d/2*seen[2][bend])/math.Sqrt(strength) - scale*scale*(2*d*t[1]*gram(v, byLag)+d*d*t[2]*(gram(byLag, byLag)+gram(v, bend)))/2
	// What is left beside it, as near's misfit has it.
	left := general(1, s.points)
	for i := range left.Data {
		left.Data[i] = outputs[i] - m.prod[0][0]*all.Data[v*s.points+i]/root
	}
	freedom := float64(s.points - 1)
	f.misfit = (dot(matmul(left, s.inverse), 0, left.Data)/m.prod[0][0] - freedom - 2*math.Sqrt(2*freedom)) / (s.heardSeconds() * s.stack.rate)
	return f
}

const (
	// fillSpread is the standard deviation of the logarithm of the noise in the carrier's
	// troughs about the usual: bands of 6 to 10 kHz (common practice).
	fillSpread = 0.3
)

// prior is the logarithm of x's density, with its gradient; x's own precision goes to
// add.
func (s *standing) prior(x *stand, carrier float64, p *Priors) (log float64, slope stand, sure [standingDim]stand) {
	spread := p.ratioSpread()
	filled := x[byFill] - s.usualFill(carrier)
	log = logNormal(x[byRatio], spread) + logNormal(filled, fillSpread) + s.chain.departs(x[byHighs], x[byLows]) +
		p.excess([]float64{x[bySpacing]}, s.stack.rate) - math.Log(math.Pi)
	slope[byRatio], sure[byRatio][byRatio] = -x[byRatio]/(spread*spread), 1/(spread*spread)
	slope[byFill], sure[byFill][byFill] = -filled/(fillSpread*fillSpread), 1/(fillSpread*fillSpread)
	slope[bySpacing] = -1 / (p.MeanExcess * s.stack.rate)
	l := &s.chain
	slope[byHighs] = l.slope[0] - l.sure[0]*x[byHighs] - l.cross*x[byLows]
	slope[byLows] = l.slope[1] - l.sure[1]*x[byLows] - l.cross*x[byHighs]
	sure[byHighs][byHighs], sure[byLows][byLows] = l.sure[0], l.sure[1]
	sure[byHighs][byLows], sure[byLows][byHighs] = l.cross, l.cross
	sure[byTurn][byTurn] = 12 / (math.Pi * math.Pi)
	return log, slope, sure
}

// usualFill is the logarithm of the usual variance of the noise in the troughs of a carrier, in
// the carrier's power.
func (s *standing) usualFill(carrier float64) float64 {
	return math.Log(usualBand / (s.stack.rate / 2) * s.chain.scale / (carrier * carrier))
}

// ratioSpread is the standard deviation of the logarithm of two paths' amplitudes' ratio.
func (p *Priors) ratioSpread() float64 { return math.Sqrt2 * p.LevelDB * math.Ln10 / 20 }

// climb finds the maximum about x; none where it would not be as likely as enough, a log
// likelihood.
func (s *standing) climb(x stand, trust, enough float64, p *Priors) (climbed, stand) {
	least := (1 + 1e-9) * p.LeastExcess * s.stack.rate
	most := stand{byLag: 1, bySpacing: 1, byRatio: 0.5, byTurn: 0.5, byFill: 0.5, byHighs: 0.3, byLows: 0.3, byDrift: 0.3}
	weigh := func(x *stand) (f stoodAt, total float64) {
		f = s.fit(x, trust)
		prior, slope, sure := s.prior(x, f.carrier, p)
		for i := range standingDim {
			f.slope[i] = trust*f.slope[i] + slope[i]
			for j := range standingDim {
				f.bends[i][j] = trust*f.bends[i][j] + sure[i][j]
			}
		}
		return f, trust*f.log - f.cost + prior
	}
	symmetric := func(f *stoodAt, damp float64) *mat.SymDense {
		h := mat.NewSymDense(standingDim, nil)
		for i := range standingDim {
			for j := i; j < standingDim; j++ {
				h.SetSym(i, j, f.bends[i][j])
			}
			h.SetSym(i, i, f.bends[i][i]*(1+damp))
		}
		return h
	}
	f, total := weigh(&x)
	damp := 1e-3
	var chol mat.Cholesky
	for range mostSteps {
		if math.IsInf(total, 0) || math.IsNaN(total) {
			return climbed{}, x
		}
		var move mat.VecDense
		if !chol.Factorize(symmetric(&f, damp)) || chol.SolveVecTo(&move, mat.NewVecDense(standingDim, f.slope[:])) != nil {
			return climbed{}, x
		}
		share, gain := 1.0, 0.0
		for i := range standingDim {
			share = min(share, most[i]/math.Abs(move.AtVec(i)))
			gain += move.AtVec(i) * f.slope[i]
		}
		y := x
		for i := range standingDim {
			y[i] += share * move.AtVec(i)
		}
		y[bySpacing] = max(y[bySpacing], least)
		if f.log+promised*gain/trust < enough {
			return climbed{}, x
		}
		if next, t := weigh(&y); t > total {
			better := t - total
			x, f, total = y, next, t
			damp /= 4
			if better < 1e-3 {
				break
			}
			continue
		}
		if gain < 1e-3 || damp > 1e6 {
			break
		}
		damp *= 5
	}
	if math.Abs(x[byDrift]) > farthest || x[bySpacing] <= least || max(math.Abs(x[byHighs]), math.Abs(x[byLows])) > 1 {
		return climbed{}, x // on a bound, no maximum: one path looks the same
	}
	cov := mat.NewSymDense(standingDim, nil)
	if !chol.Factorize(symmetric(&f, 0)) || chol.InverseTo(cov) != nil {
		return climbed{}, x
	}
	r := s.stack.rate
	k := peak{hearing: stands, chain: s.chain.chain.turned(x[byHighs], x[byLows]), kind: s.chain.chain, toneHz: s.shaper.ToneHz, gain: f.gain, misfit: f.misfit}
	k.Lag = (s.axis.lag + x[byLag]) / r
	k.Rate = (s.axis.rate + x[byDrift]/s.span) / r
	k.Cov = [2][2]float64{
		{cov.At(byLag, byLag) / (r * r), cov.At(byLag, byDrift) / (s.span * r * r)},
		{cov.At(byLag, byDrift) / (s.span * r * r), cov.At(byDrift, byDrift) / (s.span * s.span * r * r)},
	}
	k.Excess = []float64{x[bySpacing] / r}
	k.uExcess = []float64{math.Sqrt(cov.At(bySpacing, bySpacing)) / r}
	k.filterU = p.filter(k.hearing, k.chain, k.toneHz)
	second := math.Exp(2 * x[byRatio])
	k.Power = []float64{f.energy / (1 + second), f.energy * second / (1 + second)}
	k.LogWeight = total + s.chain.log + trust*s.alone + standingDim/2.*math.Log(2*math.Pi) - chol.LogDet()/2
	return climbed{k, true}, x
}

// repeats reports whether most of what is heard is the same each second.
func (b *bench) repeats() bool {
	mean := general(1, b.points)
	copy(mean.Data, b.mean[0])
	a := matmul(mean, b.inverse)
	square := dot(a, 0, mean.Data) // μ², unscaled
	second := dot(matmul(a, b.matrix(b.square[0])), 0, a.Data) / square
	mu := square / (b.count * b.count)
	return mu > second/b.count-mu
}

// promised is how many times what a step promises all steps from there may gain: the
// next ones promise less, where it is damped more (judgement: more costs time and finds nothing else).
const promised = 10

// places are where two paths that stand still may be.
func (s *standing) places(p *Priors) []stand {
	type found struct {
		stand
		log float64
	}
	n := s.points
	mean := general(1, n)
	copy(mean.Data, s.mean[0])
	w := matmul(mean, s.inverse).Data
	padded := make([]float64, 2*waveSamples)
	// At half samples: the spectrum of w at twice the length of a table.
	seen := make([]complex128, waveBins)
	copy(padded[:waveSamples], w)
	coef := s.coarse.Coefficients(nil, padded[:waveSamples])
	for i := range seen {
		if i <= waveSamples/2 {
			seen[i] = cmplx.Conj(coef[i])
		} else {
			seen[i] = coef[waveSamples-i]
		}
		// Sample j is at j − before.
		seen[i] *= cmplx.Rect(1, -2*math.Pi*float64(i)*s.before/waveSamples) * s.plain[i]
	}
	reach := int(2 * s.stack.view.reach * s.stack.rate)
	apart := func(s *standing, spacing float64) (all []found) {
		row := general(1, n)
		spec, c := make([]complex128, waveSamples+1), make([]float64, 2*waveSamples)
		for _, db := range []float64{-10, -5, 0, 5, 10} {
			for turn := range 6 {
				x := stand{bySpacing: spacing, byRatio: db * math.Ln10 / 20, byTurn: math.Pi * (float64(turn) + 0.5) / 6}
				rho := cmplx.Rect(math.Exp(x[byRatio]), x[byTurn])
				x[byFill] = math.Log(s.troughs * sqAbs(1+rho))
				e := s.envelopes(&x, false)[0]
				clear(spec)
				for i := range seen {
					spec[i] = e[i] * seen[i]
				}
				s.fine.Sequence(c, spec)
				// The energy where the first path is on the axis.
				var folded [waveSamples/2 + 1]complex128
				for i, h := range s.plain {
					z := e[i] * h * cmplx.Rect(1, -2*math.Pi*float64(i)*s.before/waveSamples)
					switch {
					case i < waveSamples/2:
						folded[i] += z
					case i == waveSamples/2:
						folded[i] += 2 * z
					default:
						folded[waveSamples-i] += cmplx.Conj(z)
					}
				}
				copy(row.Data, s.coarse.Sequence(s.received, folded[:]))
				energy := dot(matmul(row, s.inverse), 0, row.Data)
				at := func(m int) float64 { return c[(2*2*waveSamples-m)%(2*waveSamples)] }
				for m := -reach; m <= reach; m++ {
					v := math.Abs(at(m))
					if v > math.Abs(at(m-1)) && v >= math.Abs(at(m+1)) {
						f := found{x, v * v / (2 * s.count * energy)}
						f.stand[byLag] = float64(m) / 2
						all = append(all, f)
					}
				}
			}
		}
		return all
	}
	var all, odd []found
	least, most := int(math.Ceil(p.LeastExcess*s.stack.rate)), int(s.stack.view.longest*s.stack.rate)
	sideBySide(func() {
		for spacing := least; spacing <= most; spacing += 2 {
			all = append(all, apart(s, float64(spacing))...)
		}
	}, func() {
		o := s.bench.standing(s.depth)
		for spacing := least + 1; spacing <= most; spacing += 2 {
			odd = append(odd, apart(o, float64(spacing))...)
		}
	})
	all = append(all, odd...)
	slices.SortFunc(all, func(a, b found) int { return cmp.Compare(b.log, a.log) })
	var places []stand
	for _, f := range all {
		if f.log < all[0].log/2 || len(places) == mostStanding {
			break
		}
		if !slices.ContainsFunc(places, func(o stand) bool {
			return math.Abs(o[byLag]-f.stand[byLag]) < 1.1 && math.Abs(o[bySpacing]-f.stand[bySpacing]) < 1.1
		}) {
			places = append(places, f.stand)
		}
	}
	return places
}

const mostStanding = 12

// stood are the hypotheses of two paths that stand still, heard through one chain.
type stood struct {
	*standing
	prior  float64
	starts []stand
}

// standings are these through each chain in which the tick may be heard with its carrier, and
// the likeliest of them.
type standings struct {
	all  []stood
	best climbed
}

// stoods returns them; none where what is heard does not stand still.
func stoods(ways []trial, trust float64, p *Priors) (s standings) {
	for _, w := range ways {
		if w.hearing != enveloped || w.stack.depth == 0 {
			continue
		}
		if s.all == nil && !w.repeats() {
			return s
		}
		s.all = append(s.all, stood{standing: w.standing(w.stack.depth), prior: w.prior + math.Log(p.Paths[1]*p.Still)})
	}
	if s.all == nil {
		return s
	}
	type top struct {
		climbed
		at stand
	}
	var tops []top
	most := math.Inf(-1)
	for _, from := range s.all[0].places(p) {
		f, x := s.all[0].climb(from, 1, most+math.Log(leastWeight)/trust, p)
		most = max(most, f.gain.log)
		if f.ok && !slices.ContainsFunc(tops, func(o top) bool { return o.same(f.peak) }) {
			tops = append(tops, top{f, x})
		}
	}
	slices.SortFunc(tops, func(a, b top) int { return cmp.Compare(b.gain.log, a.gain.log) })
	for _, t := range tops {
		s.all[0].starts = append(s.all[0].starts, t.at)
	}
	if tops != nil {
		s.best = tops[0].climbed
	}
	return s
}

// climb adds the maxima to peaks, but for those that are too far behind.
func (s *standings) climb(peaks []peak, trust float64, p *Priors) []peak {
	if s.all == nil {
		return peaks
	}
	starts := s.all[0].starts
	for i, t := range s.all {
		var kept []stand
		least := math.Inf(-1)
		for _, k := range peaks {
			if k.kind == t.chain.chain {
				least = max(least, k.LogWeight-t.prior+math.Log(leastWeight))
			}
		}
		for _, from := range starts {
			f, x := t.climb(from, trust, math.Inf(-1), p)
			least = max(least, f.LogWeight+math.Log(leastWeight))
			if f.ok && f.LogWeight > least && !slices.ContainsFunc(peaks, func(k peak) bool { return k.same(f.peak) }) {
				f.LogWeight += t.prior
				peaks, kept = append(peaks, f.peak), append(kept, x)
			}
		}
		if i == 0 {
			starts = kept
		}
	}
	return peaks
}
