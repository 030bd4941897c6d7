package marker

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

const (
	// flatness is how far a template may depart from the model for reasons that
	// are not noise, relative to its peak: a good converter is flat to 0.03 dB
	// (common practice).
	flatness = 0.003
	maxWidth = 13.0 // grid steps, widest pulse whose two edges the window shows
	maxDecay = 2.0  // per grid step: a coupling that leaves a mere spike
)

// pulseModel is a rectangular pulse behind an AC coupling and the low-pass of
// the sampler, in grid steps: where its first edge stands, its width (+Inf: only
// one edge shows), and the coupling's decay per step.
type pulseModel struct{ edge, width, decay float64 }

// refer finds where the on-time edge lies within the template by fitting
// pulseModel to it. noise is the rms of one pulse's residual, rising the
// direction of the on-time edge.
func (t *template) refer(noise float64, rising bool) {
	w := t.windowOf()
	m, sse := w.search()
	v := w.variance(noise, t.n, sse)
	reference, sigma := m.edge, 0.0
	trailing := !math.IsInf(m.width, 1) && (w.amplitude(m) > 0) != rising
	if trailing {
		reference += m.width // the user's edge ends the pulse
	}
	widthSigma := 0.0
	sigma, widthSigma = w.uncertainty(m, v, trailing)
	if !math.IsInf(m.width, 1) && m.width < 4*widthSigma {
		reference, sigma, t.width = w.unresolved(m, v, sse, trailing)
	} else {
		t.width = m.width
	}
	d := float64(t.scale)
	t.model = m
	t.offset = (reference - m.edge) * d
	t.reference = reference * d
	t.refSigma = sigma * d
	t.width *= d
	t.level = math.Abs(w.amplitude(m))
}

// follow takes the reference over from a template of the same pulse made of
// fewer pulses: only the place of the model is fitted again, not its form, so
// that what is open about the form does not move the marks already made.
func (t *template) follow(old *template) {
	w := t.windowOf()
	m := old.model
	m.edge, _ = w.place(newStep(m.decay), m.edge, m.width)
	d := float64(t.scale)
	t.model, t.offset, t.refSigma, t.width = m, old.offset, old.refSigma, old.width
	t.reference = m.edge*d + t.offset
	t.level = math.Abs(w.amplitude(m))
}

// window is the part of a template that the model is fitted to.
type window struct {
	y      []float64
	k0     float64 // grid point of y[0]
	single bool    // shows one edge only
	peak   float64
}

func (t *template) windowOf() window {
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
	// A pulse still up at the end shows its first edge only; then the edge
	// alone counts, since what follows may be the source's ringing.
	first, last := before-10, before+14
	single := tail/peak > 0.5
	if single {
		first, last = before-8, before+4
	}
	return window{t.shape[first:last], float64(first - before), single, math.Abs(peak)}
}

// variance is that of a template point against the model.
func (w window) variance(noise float64, pulses int, sse float64) float64 {
	return max(noise*noise/float64(pulses), sse/float64(len(w.y)-5), math.Pow(flatness*w.peak, 2))
}

// search finds the model of least squares: over a grid first, for the sum of
// squares has several minima, and then from the best point of the grid.
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
		step := newStep(decay)
		for _, width := range widths {
			for edge := -3.0; edge <= 3; edge += 0.5 {
				if _, s := w.compare(step, edge, width, nil); s < sse {
					best, sse = pulseModel{edge, width, decay}, s
				}
			}
		}
	}
	paired := !math.IsInf(best.width, 1)
	unpack := func(x []float64) pulseModel {
		m := pulseModel{x[0], best.width, math.Abs(x[1])}
		if paired {
			m.width = math.Abs(x[2])
		}
		return m
	}
	start := []float64{best.edge, best.decay}
	if paired {
		start = append(start, best.width)
	}
	problem := optimize.Problem{Func: func(x []float64) float64 {
		m := unpack(x)
		if m.decay > maxDecay || m.width < 0.02 || paired && m.width > maxWidth || math.Abs(m.edge) > 6 {
			return math.Inf(1)
		}
		_, s := w.compare(newStep(m.decay), m.edge, m.width, nil)
		return s / (w.peak * w.peak)
	}}
	settings := &optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-9, Iterations: 20}, FuncEvaluations: 400}
	if r, err := optimize.Minimize(problem, start, settings, &optimize.NelderMead{SimplexSize: 0.1}); err == nil || r != nil {
		if s := r.F * w.peak * w.peak; s < sse {
			best, sse = unpack(r.X), s
		}
	}
	best.edge, sse = w.place(newStep(best.decay), best.edge, best.width)
	return best, sse
}

// compare fits amplitude and level of a model to the window and returns the
// amplitude and the sum of squares left. When columns is not nil it receives the
// model's shape and its derivative with respect to the edge.
func (w window) compare(s stepResponse, edge, width float64, columns *[2][]float64) (amplitude, sse float64) {
	var sm, sy, mm, my, yy float64
	for i, y := range w.y {
		u := w.k0 + float64(i) - edge
		m, dm := s.at(u)
		if !math.IsInf(width, 1) {
			m2, dm2 := s.at(u - width)
			m, dm = m-m2, dm-dm2
		}
		if columns != nil {
			columns[0] = append(columns[0], m)
			columns[1] = append(columns[1], -dm)
		}
		y -= w.y[0]
		sm += m
		sy += y
		mm += m * m
		my += m * y
		yy += y * y
	}
	n := float64(len(w.y))
	mm -= sm * sm / n
	my -= sm * sy / n
	yy -= sy * sy / n
	if mm <= 1e-12 {
		return 0, yy
	}
	return my / mm, max(yy-my*my/mm, 0)
}

// amplitude is the height of the model's edge, with its sign.
func (w window) amplitude(m pulseModel) float64 {
	a, _ := w.compare(newStep(m.decay), m.edge, m.width, nil)
	return a
}

// place finds the edge of least squares near the given one, the width and the
// coupling being known.
func (w window) place(s stepResponse, edge, width float64) (place, sse float64) {
	n := float64(len(w.y))
	for range 20 {
		var c [2][]float64
		a, _ := w.compare(s, edge, width, &c)
		var m1, m2, y1 float64
		for i, y := range w.y {
			m1 += c[0][i] / n
			m2 += c[1][i] / n
			y1 += y / n
		}
		var aa, ab, bb, ay, by float64
		for i, y := range w.y {
			p, q := c[0][i]-m1, c[1][i]-m2
			aa += p * p
			ab += p * q
			bb += q * q
			ay += p * (y - y1)
			by += q * (y - y1)
		}
		step := (aa*by - ab*ay) / (aa*bb - ab*ab) / a
		if math.IsNaN(step) {
			break
		}
		edge += min(max(step, -0.25), 0.25)
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	_, sse = w.compare(s, edge, width, nil)
	return edge, sse
}

// uncertainty returns the standard deviations of the on-time edge and of the
// width for points of variance v, from the model linearised at m.
func (w window) uncertainty(m pulseModel, v float64, trailing bool) (edge, width float64) {
	var c [2][]float64
	step := newStep(m.decay)
	a, _ := w.compare(step, m.edge, m.width, &c)
	const dd = 1e-3
	var other [2][]float64
	w.compare(newStep(m.decay+dd), m.edge, m.width, &other)
	paired := !math.IsInf(m.width, 1)
	p := 4
	if paired {
		p = 5
	}
	j := mat.NewDense(len(w.y), p, nil)
	for i := range w.y {
		j.Set(i, 0, a*c[1][i])
		j.Set(i, 1, 1)
		j.Set(i, 2, c[0][i])
		j.Set(i, 3, a*(other[0][i]-c[0][i])/dd)
		if paired {
			_, dm := step.at(w.k0 + float64(i) - m.edge - m.width)
			j.Set(i, 4, a*dm)
		}
	}
	var normal, inverse mat.Dense
	normal.Mul(j.T(), j)
	if inverse.Inverse(&normal) != nil {
		return math.Inf(1), math.Inf(1)
	}
	ee := inverse.At(0, 0)
	if !paired {
		return math.Sqrt(v * ee), 0
	}
	ww, ew := inverse.At(4, 4), inverse.At(0, 4)
	if trailing {
		ee += ww + 2*ew
	}
	return math.Sqrt(v * ee), math.Sqrt(v * ww)
}

// unresolved returns the on-time edge, its standard uncertainty and the width
// of a pulse too short for its width to be fitted: their means over all widths
// in proportion to their likelihood, every width being as likely beforehand.
func (w window) unresolved(m pulseModel, v, least float64, trailing bool) (reference, sigma, width float64) {
	step := newStep(m.decay)
	var sum, square float64
	edge := m.edge + m.width/2
	for x := 0.02; x < maxWidth; x += 0.02 {
		e, s := w.place(step, edge-x/2, x)
		edge = e + x/2
		p := math.Exp((least - s) / (2 * v))
		if p < 1e-4 && x > m.width {
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
	reference /= sum
	return reference, math.Sqrt(max(square/sum-reference*reference, 0)), width / sum
}

// stepResponse is the low-passed answer of an AC coupling to a unit step, in
// grid steps: u(t)exp(-decay*t) convolved with the low-pass.
type stepResponse struct {
	decay float64
	table []float64 // from -halfTaps, responseStep entries per step
}

const (
	responseStep = 64 // divides tableStep
	responseEnd  = 24 // grid steps after the low-pass has ended
)

func newStep(decay float64) stepResponse {
	h, _ := lowPass()
	const skip = tableStep / responseStep
	table := make([]float64, (2*halfTaps+responseEnd)*responseStep)
	keep, half := math.Exp(-decay/responseStep), math.Exp(-decay/(2*responseStep))
	for i := 1; i < len(table); i++ {
		table[i] = table[i-1] * keep
		if i*skip < len(h) {
			// Simpson's rule over the entry.
			table[i] += (h[(i-1)*skip]*keep + 4*h[i*skip-skip/2]*half + h[i*skip]) / (6 * responseStep)
		}
	}
	return stepResponse{decay, table}
}

// at is the response at u after the step, and its derivative.
func (s stepResponse) at(u float64) (v, dv float64) {
	x := (u + halfTaps) * responseStep
	if x <= 0 {
		return 0, 0
	}
	h, _ := lowPass()
	i := min(int(x), len(s.table)-2)
	f := x - float64(i)
	// Cubic through both ends with their derivatives, per entry.
	a, b := s.table[i], s.table[i+1]
	left := float64(i)/responseStep - halfTaps
	da := (lookup(h, left) - s.decay*a) / responseStep
	db := (lookup(h, left+1.0/responseStep) - s.decay*b) / responseStep
	v = a + f*(da+f*(3*(b-a)-2*da-db+f*(2*(a-b)+da+db)))
	return v, lookup(h, u) - s.decay*v
}
