package marker

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat"
)

const (
	// flatness is how far a template may depart from the model for reasons that
	// are not noise, relative to its peak: a good converter is flat to 0.03 dB
	// (common practice).
	flatness = 0.003
	// A misfit above badMisfit of the peak, rms, is tried as ringing, which is
	// believed when it leaves less than ringGain of a sum of squares that is twice
	// as bad over the whole template.
	badMisfit  = 0.01
	ringGain   = 0.01
	ringCycles = 0.6  // at least, while it fades to 1/e; less would pass for a slow rise
	maxWidth   = 13.0 // grid steps, widest pulse whose two edges the window shows
	maxDecay   = 2.0  // per grid step: a coupling that leaves a mere spike
)

// pulseModel is a rectangular pulse behind an AC coupling and the low-pass of
// the sampler, in grid steps: where its first edge stands, its width (+Inf: only
// one edge shows), and the coupling's decay per step. When ring is not zero,
// each edge sets off ringing as exp(-ring*t), its phase and strength free.
type pulseModel struct {
	edge, width, decay float64
	ring               complex128
}

// refer finds where the on-time edge lies within the template by fitting
// pulseModel to it. noise is the rms of one pulse's residual, rising the
// direction of the on-time edge.
func (t *template) refer(noise float64, rising bool) {
	w := t.edgeWindow()
	m, sse := w.search()
	if sse/float64(len(w.y)) > math.Pow(badMisfit*w.peak, 2) {
		full := t.fullWindow()
		_, plain := full.search()
		ringing, least := m, plain
		if plain/float64(len(full.y)) > math.Pow(2*badMisfit*w.peak, 2) {
			ringing, least = full.searchRinging(m)
		}
		if least < ringGain*plain {
			w, m, sse = full, ringing, least
		} else if w.single {
			t.referHalfway(m)
			return
		}
	}
	v := max(noise*noise/float64(t.n), sse/float64(len(w.y)-5), math.Pow(flatness*w.peak, 2))
	amplitude := w.amplitude(m)
	reference := m.edge
	t.trailing = !math.IsInf(m.width, 1) && (amplitude > 0) != rising
	if t.trailing {
		reference += m.width // the user's edge ends the pulse
	}
	sigma, widthSigma := w.uncertainty(m, v, t.trailing)
	t.width = m.width
	if !math.IsInf(m.width, 1) && m.width < 8*widthSigma {
		reference, sigma, t.width = w.unresolved(m, v, sse, t.trailing)
	}
	if math.IsInf(sigma, 1) {
		t.trailing = false
		t.referHalfway(m) // the model does not say where the edge is
		return
	}
	d := float64(t.scale)
	t.model = m
	t.offset = (reference - m.edge) * d
	t.reference = reference * d
	t.refSigma = sigma * d
	t.width *= d
	t.level = math.Abs(amplitude)
}

// referHalfway makes the reference the half-way point of the rise, for an edge
// that no model fits because its source made it slow. How far the nearest
// model's edge m lies from it is a measure of how much the choice matters.
func (t *template) referHalfway(m pulseModel) {
	d := float64(t.scale)
	t.halfway, t.model, t.width = true, m, math.Inf(1)
	t.reference, t.level = t.crossing()
	t.reference *= d
	t.refSigma = max(math.Abs(t.reference-m.edge*d), 0.1*d)
}

// crossing returns where the edge is half way from the level before it to that
// after it, the droop of the coupling carried back, in grid steps; and its height.
func (t *template) crossing() (at, height float64) {
	base := 0.0
	for _, v := range t.shape[:before-5] {
		base += v / (before - 5)
	}
	var n, c []float64
	for k := 6; k <= 16; k++ {
		n, c = append(n, float64(k)), append(c, t.shape[before+k])
	}
	top, _ := stat.LinearRegression(n, c, nil, false)
	half := (base + top) / 2
	for k := before - 5; k < before+6; k++ {
		a, b := t.shape[k]-half, t.shape[k+1]-half
		if (a > 0) == (b > 0) || (b > a) != (top > base) {
			continue
		}
		at, h := 0.5, 1.0
		for range 40 { // bisection on the cubic through both ends and their slopes
			da, db := t.slope[k]*float64(t.scale), t.slope[k+1]*float64(t.scale)
			v := a + at*(da+at*(3*(b-a)-2*da-db+at*(2*(a-b)+da+db)))
			h /= 2
			if (v > 0) == (b > 0) {
				at -= h / 2
			} else {
				at += h / 2
			}
		}
		return float64(k-before) + at, math.Abs(top - base)
	}
	return 0, math.Abs(top - base)
}

// follow takes the reference over from a template of the same pulse made of
// fewer pulses. The width of a short pulse stays as it was found, so that what
// is open about it does not move the marks already made.
func (t *template) follow(old *template) {
	if old.halfway {
		t.referHalfway(old.model)
		return
	}
	w := t.edgeWindow()
	if old.model.ring != 0 {
		w = t.fullWindow()
	}
	m := old.model
	if math.IsInf(m.width, 1) {
		m, _ = w.polish(m, w.misfitOf(m))
	} else {
		m.edge, _ = w.place(m, m.responses())
	}
	t.model, t.offset, t.refSigma = m, old.offset, old.refSigma
	t.width, t.trailing = old.width, old.trailing
	t.reference = m.edge*float64(t.scale) + t.offset
	t.level = math.Abs(w.amplitude(m))
}

// window is the part of a template that the model is fitted to.
type window struct {
	y      []float64
	k0     float64 // grid point of y[0]
	single bool    // shows one edge only
	peak   float64
}

// edgeWindow is the window about the pulse's edges. A pulse still up at the end
// of the template shows its first edge only, and then the edge alone counts.
func (t *template) edgeWindow() window {
	w := t.fullWindow()
	first, last := before-10, before+14
	if w.single {
		first, last = before-8, before+4
	}
	w.y, w.k0 = t.shape[first:last], float64(first-before)
	return w
}

// fullWindow is the whole template.
func (t *template) fullWindow() window {
	base := 0.0
	for _, v := range t.shape[:4] {
		base += v / 4
	}
	peak, tail := 0.0, 0.0
	for k, v := range t.shape {
		if math.Abs(v-base) > math.Abs(peak) {
			peak = v - base
		}
		if k >= before+8 && k < before+14 {
			tail += (v - base) / 6
		}
	}
	return window{t.shape[:], -before, tail/peak > 0.5, math.Abs(peak)}
}

// search finds the model without ringing of least squares: over a grid first,
// for the sum of squares has several minima, and then from the best point of it.
func (w window) search() (best pulseModel, sse float64) {
	widths := []float64{math.Inf(1)}
	decays := []float64{0, 0.01, 0.03}
	if !w.single {
		for x := 0.2; x < maxWidth; x *= 1.25 {
			widths = append(widths, x)
		}
		decays = append(decays, 0.1, 0.3, 1)
	}
	sse = math.Inf(1)
	for _, decay := range decays {
		r := pulseModel{decay: decay}.responses()
		for _, width := range widths {
			for edge := -3.0; edge <= 3; edge += 0.5 {
				m := pulseModel{edge: edge, width: width, decay: decay}
				if s := w.misfit(w.columns(m, r)); s < sse {
					best, sse = m, s
				}
			}
		}
	}
	return w.polish(best, sse)
}

// searchRinging is search with ringing, the width being near that of m.
func (w window) searchRinging(m pulseModel) (best pulseModel, sse float64) {
	sse = math.Inf(1)
	for _, decay := range []float64{0, 0.01, 0.1} {
		step := newResponse(complex(decay, 0))
		for _, fade := range []float64{0.02, 0.05, 0.1, 0.2, 0.4} {
			for hz := max(0.03, 1.2*fade*ringCycles); hz < 0.42; hz *= 1.25 {
				rate := complex(fade, 2*math.Pi*hz)
				ring := newResponse(rate)
				for edge := -3.0; edge <= 3; edge += 0.5 {
					c := pulseModel{edge, m.width, decay, rate}
					if s := w.misfit(w.columns(c, responses{step, ring})); s < sse {
						best, sse = c, s
					}
				}
			}
		}
	}
	return w.polish(best, sse)
}

// polish improves m from a grid by a simplex search over all it has.
func (w window) polish(m pulseModel, sse float64) (pulseModel, float64) {
	paired, rings := !math.IsInf(m.width, 1), m.ring != 0
	start := []float64{m.edge, m.decay}
	if paired {
		start = append(start, m.width)
	}
	if rings {
		start = append(start, real(m.ring), imag(m.ring))
	}
	unpack := func(x []float64) pulseModel {
		u := pulseModel{edge: x[0], width: m.width, decay: math.Abs(x[1])}
		if paired {
			u.width = math.Abs(x[2])
		}
		if rings {
			u.ring = complex(math.Abs(x[len(x)-2]), x[len(x)-1])
		}
		return u
	}
	problem := optimize.Problem{Func: func(x []float64) float64 {
		u := unpack(x)
		hz := math.Abs(imag(u.ring)) / (2 * math.Pi)
		if u.decay > maxDecay || u.width < 0.02 || paired && u.width > maxWidth || math.Abs(u.edge) > 6 ||
			hz > 0.5 || real(u.ring)*ringCycles > hz {
			return math.Inf(1)
		}
		return w.misfitOf(u) / (w.peak * w.peak)
	}}
	settings := &optimize.Settings{
		Converger:       &optimize.FunctionConverge{Absolute: 1e-10, Iterations: 20},
		FuncEvaluations: 150 * len(start),
	}
	// A search that ends by the number of evaluations is as good as another.
	if r, _ := optimize.Minimize(problem, start, settings, &optimize.NelderMead{SimplexSize: 0.1}); r != nil && r.F*w.peak*w.peak < sse {
		m = unpack(r.X)
	}
	m.edge, sse = w.place(m, m.responses())
	return m, sse
}

// columns are what a model is a linear combination of in the window: a level,
// the pulse, and the two phases of the ringing. The responses are those of m.
func (w window) columns(m pulseModel, r responses) [][]float64 {
	step, ring := r.step, r.ring
	c := [][]float64{make([]float64, len(w.y)), make([]float64, len(w.y))}
	if ring != nil {
		c = append(c, make([]float64, len(w.y)), make([]float64, len(w.y)))
	}
	for i := range w.y {
		u := w.k0 + float64(i) - m.edge
		c[0][i] = 1
		v := step.at(u)
		if !math.IsInf(m.width, 1) {
			v -= step.at(u - m.width)
		}
		c[1][i] = real(v)
		if ring != nil {
			v = ring.at(u)
			if !math.IsInf(m.width, 1) {
				v -= ring.at(u - m.width)
			}
			c[2][i], c[3][i] = real(v), imag(v)
		}
	}
	return c
}

// misfit is the sum of squares that the columns leave of the window. It spoils
// the columns.
func (w window) misfit(columns [][]float64) float64 {
	y := append([]float64(nil), w.y...)
	for i, c := range columns {
		norm := 0.0
		for _, v := range c {
			norm += v * v
		}
		if norm < 1e-12 {
			continue
		}
		for _, other := range append(columns[i+1:len(columns):len(columns)], y) {
			p := 0.0
			for k, v := range c {
				p += v * other[k]
			}
			p /= norm
			for k, v := range c {
				other[k] -= p * v
			}
		}
	}
	sse := 0.0
	for _, v := range y {
		sse += v * v
	}
	return sse
}

// responses are a model's to a step and, if it rings, of that.
type responses struct{ step, ring *response }

// responses do not depend on where the pulse's edges are.
func (m pulseModel) responses() responses {
	r := responses{step: newResponse(complex(m.decay, 0))}
	if m.ring != 0 {
		r.ring = newResponse(m.ring)
	}
	return r
}

func (w window) misfitOf(m pulseModel) float64 {
	return w.misfit(w.columns(m, m.responses()))
}

// place finds the edge of least squares near that of m, all else being known,
// by parabolas through the sum of squares; r are the responses of m.
func (w window) place(m pulseModel, r responses) (edge, sse float64) {
	at := func(e float64) float64 {
		m.edge = e
		return w.misfit(w.columns(m, r))
	}
	edge = m.edge
	for _, h := range []float64{0.1, 0.03, 0.01, 0.003, 0.003} {
		a, b, c := at(edge-h), at(edge), at(edge+h)
		if bend := a - 2*b + c; bend > 0 {
			edge += min(max(h*(a-c)/(2*bend), -2*h), 2*h)
		}
	}
	return edge, at(edge)
}

// solve returns the coefficients of the model's columns; the second is the
// amplitude of the pulse, with its sign.
func (w window) solve(m pulseModel) []float64 {
	c := w.columns(m, m.responses())
	a := mat.NewDense(len(w.y), len(c), nil)
	for j := range c {
		a.SetCol(j, c[j])
	}
	var x mat.VecDense
	if err := x.SolveVec(a, mat.NewVecDense(len(w.y), w.y)); err != nil {
		return make([]float64, len(c))
	}
	return x.RawVector().Data
}

func (w window) amplitude(m pulseModel) float64 { return w.solve(m)[1] }

// uncertainty returns the standard deviations of the on-time edge and of the
// width for points of variance v, from the model linearised at m with all its
// unknowns; +Inf when they cannot be told apart.
func (w window) uncertainty(m pulseModel, v float64, trailing bool) (edge, width float64) {
	const h = 1e-4
	coefficients := w.solve(m)
	curve := func(m pulseModel) *mat.VecDense {
		y := mat.NewVecDense(len(w.y), nil)
		for j, c := range w.columns(m, m.responses()) {
			y.AddScaledVec(y, coefficients[j], mat.NewVecDense(len(c), c))
		}
		return y
	}
	at := curve(m)
	unknowns := w.columns(m, m.responses())
	vary := func(m pulseModel) {
		y := curve(m)
		y.SubVec(y, at)
		y.ScaleVec(1/h, y)
		unknowns = append(unknowns, y.RawVector().Data)
	}
	n := len(unknowns) // index of the edge; the width follows it
	vary(pulseModel{m.edge + h, m.width, m.decay, m.ring})
	paired := !math.IsInf(m.width, 1)
	if paired {
		vary(pulseModel{m.edge, m.width + h, m.decay, m.ring})
	}
	vary(pulseModel{m.edge, m.width, m.decay + h, m.ring})
	if m.ring != 0 {
		vary(pulseModel{m.edge, m.width, m.decay, m.ring + h})
		vary(pulseModel{m.edge, m.width, m.decay, m.ring + complex(0, h)})
	}
	// Each unknown in a unit of its own, in which its column has length 1: how well two are
	// told apart must not depend on the unit of the samples.
	unit := make([]float64, len(unknowns))
	jacobian := mat.NewDense(len(w.y), len(unknowns), nil)
	for j, column := range unknowns {
		norm := floats.Norm(column, 2)
		if norm == 0 {
			return math.Inf(1), math.Inf(1)
		}
		unit[j] = 1 / norm
		floats.Scale(unit[j], column)
		jacobian.SetCol(j, column)
	}
	var normal, inverse mat.Dense
	normal.Mul(jacobian.T(), jacobian)
	if inverse.Inverse(&normal) != nil {
		return math.Inf(1), math.Inf(1)
	}
	covariance := func(i, j int) float64 { return inverse.At(i, j) * unit[i] * unit[j] }
	variance := covariance(n, n)
	if paired {
		width = math.Sqrt(v * covariance(n+1, n+1))
		if trailing {
			variance += covariance(n+1, n+1) + 2*covariance(n, n+1)
		}
	}
	return math.Sqrt(v * variance), width
}

// unresolved returns the on-time edge, its standard uncertainty and the width
// of a pulse too short for its width to be fitted: their means over all widths
// and couplings in proportion to their likelihood, every width being as likely
// beforehand.
func (w window) unresolved(m pulseModel, v, least float64, trailing bool) (reference, sigma, width float64) {
	var sum, square float64
	fitted := m
	for _, m.decay = range []float64{0, 0.01, 0.1, 1, fitted.decay} {
		centre, r := fitted.edge+fitted.width/2, m.responses()
		for x := 0.02; x < maxWidth; x += 0.04 {
			m.edge, m.width = centre-x/2, x
			e, s := w.place(m, r)
			centre = e + x/2
			p := math.Exp((least - s) / (2 * v))
			if p < 1e-4 && x > fitted.width {
				break
			}
			if trailing {
				e += x
			}
			sum += p
			reference += p * e
			square += p * e * e
			width += p * x
		}
	}
	reference /= sum
	return reference, math.Sqrt(max(square/sum-reference*reference, 0)), width / sum
}

// response is the low-passed answer to u(t)exp(-rate*t), t in grid steps: a
// step behind an AC coupling, or ringing when the rate is complex.
type response struct {
	rate  complex128
	table []complex128 // from -halfTaps to halfTaps, responseStep entries per step
}

// responseStep divides tableStep. A cubic with the derivatives at its ends errs by
// (π/responseStep)⁴/384 of what is at half the sampling rate, 2e-7.
const responseStep = 32

func newResponse(rate complex128) *response {
	h, _ := lowPass()
	const skip = tableStep / responseStep
	table := make([]complex128, 2*halfTaps*responseStep+1)
	keep, half := cmplx.Exp(-rate/responseStep), cmplx.Exp(-rate/(2*responseStep))
	const end = 1. / (6 * responseStep) // of Simpson's rule over one entry
	begin, middle := keep*end, half*(4*end)
	for i := 1; i < len(table); i++ {
		a, b, c := h[(i-1)*skip], h[i*skip-skip/2], h[i*skip]
		table[i] = table[i-1]*keep + complex(real(begin)*a+real(middle)*b+end*c, imag(begin)*a+imag(middle)*b)
	}
	return &response{rate, table}
}

// at is the response u grid steps after the beginning, |u| < halfTaps.
func (r *response) at(u float64) complex128 {
	x := (u + halfTaps) * responseStep
	i := min(max(int(x), 0), len(r.table)-2)
	f := complex(x-float64(i), 0)
	// Cubic through both ends with their derivatives, per entry.
	h, _ := lowPass()
	const skip = tableStep / responseStep
	a, b := r.table[i], r.table[i+1]
	da := (complex(h[i*skip], 0) - r.rate*a) / responseStep
	db := (complex(h[(i+1)*skip], 0) - r.rate*b) / responseStep
	return a + f*(da+f*(3*(b-a)-2*da-db+f*(2*(a-b)+da+db)))
}
