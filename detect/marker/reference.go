package marker

import "math"

// refer finds where the on-time edge lies within the template: it fits the
// template with a rectangular pulse of unknown width, behind an AC coupling of
// unknown time constant and the low-pass of the sampler, and averages the edge
// over all widths and time constants in proportion to their likelihood. What
// the samples cannot tell about the width thus shows in refSigma. noise is the
// rms of one pulse's residual, rising the direction of the on-time edge.
func (t *template) refer(noise float64, rising bool) {
	d := float64(t.scale)
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
	// A pulse that is still up at the end of the window shows its first edge
	// only; then look at that edge alone, because what follows is the source's
	// ringing and no model of ours.
	single := tail/peak > 0.5
	first, last := before-10, before+13
	widths := []float64{math.Inf(1)}
	decays := []float64{0, 0.002, 0.01, 0.03}
	if single {
		first, last = before-8, before+4
	} else {
		widths = widths[:0]
		for w := 0.1; w < 13; w += 0.1 {
			widths = append(widths, w)
		}
		widths = append(widths, math.Inf(1)) // a step that the coupling turns into a spike
		decays = append(decays, 0.1, 0.3, 1)
	}

	type candidate struct{ edge, variance, sse, width, amplitude float64 }
	var all []candidate
	best := math.Inf(1)
	for _, decay := range decays {
		step := newStep(decay)
		start := -0.5
		for _, w := range widths {
			if math.IsInf(w, 1) {
				start = 0
			}
			edge, amplitude, variance, sse := step.fit(t.shape[first:last], float64(first-before), start, w)
			start = edge
			all = append(all, candidate{edge, variance, sse, w, amplitude})
			best = min(best, sse)
		}
	}
	// The error of a template point: noise, or the misfit of the model, or the
	// departure of a good converter from flatness (0.03 dB, common practice).
	dof := float64(last - first - 5)
	v := max(noise*noise/float64(t.n), best/dof, math.Pow(0.003*peak, 2))
	var sum, mean, square, width, level float64
	for _, c := range all {
		p := math.Exp((best - c.sse) / (2 * v))
		edge := c.edge
		if !single && !math.IsInf(c.width, 1) && (c.amplitude > 0) != rising {
			edge += c.width // the user's edge ends the pulse
		}
		sum += p
		mean += p * edge
		square += p * (edge*edge + c.variance*v)
		level += p * math.Abs(c.amplitude)
		if !math.IsInf(c.width, 1) {
			width += p * c.width
		}
	}
	mean /= sum
	t.reference = mean * d
	t.refSigma = math.Sqrt(max(square/sum-mean*mean, 0)) * d
	t.level = level / sum
	t.width = math.Inf(1)
	if width/sum > 0.05 {
		t.width = width / sum * d
	}
}

// stepResponse is the low-passed answer of an AC coupling to a unit step, on
// the scale of the grid: u(t)exp(-decay*t) convolved with the low-pass.
type stepResponse struct {
	decay float64
	table []float64 // from -halfTaps, tableStep entries per step
}

func newStep(decay float64) stepResponse {
	h, _ := lowPass()
	table := make([]float64, len(h)+24*tableStep)
	keep := math.Exp(-decay / tableStep)
	for i := 1; i < len(table); i++ {
		in := 0.0
		if i < len(h) {
			in = (h[i] + h[i-1]) / 2 / tableStep
		}
		table[i] = table[i-1]*keep + in
	}
	return stepResponse{decay, table}
}

// at is the response at u after the step, and its derivative.
func (s stepResponse) at(u float64) (v, dv float64) {
	x := (u + halfTaps) * tableStep
	if x <= 0 {
		return 0, 0
	}
	i := min(int(x), len(s.table)-2)
	v = s.table[i] + (x-float64(i))*(s.table[i+1]-s.table[i])
	h, _ := lowPass()
	return v, lookup(h, u) - s.decay*v
}

// fit places a pulse of width w in y, whose first value stands at grid point k0:
// Gauss-Newton on the edge with amplitude and level, from start. variance is
// that of the edge for unit noise.
func (s stepResponse) fit(y []float64, k0, start, w float64) (edge, amplitude, variance, sse float64) {
	edge = start
	model := make([]float64, len(y))
	slope := make([]float64, len(y))
	for range 30 {
		var m1, m2 float64
		for i := range y {
			u := k0 + float64(i) - edge
			v, dv := s.at(u)
			if !math.IsInf(w, 1) {
				v2, dv2 := s.at(u - w)
				v, dv = v-v2, dv-dv2
			}
			model[i], slope[i] = v, dv
			m1 += v
			m2 += dv
		}
		n := float64(len(y))
		mean := 0.0
		for _, v := range y {
			mean += v / n
		}
		var aa, ab, bb, ay, by, yy float64
		for i := range y {
			a, b, c := model[i]-m1/n, slope[i]-m2/n, y[i]-mean
			aa += a * a
			ab += a * b
			bb += b * b
			ay += a * c
			by += b * c
			yy += c * c
		}
		det := aa*bb - ab*ab
		alpha := (bb*ay - ab*by) / det
		beta := (aa*by - ab*ay) / det
		amplitude = ay / aa
		sse = max(yy-ay*ay/aa, 0)
		variance = aa / det / (alpha * alpha)
		step := min(max(-beta/alpha, -0.5), 0.5)
		edge = min(max(edge+step, -4), 4)
		if math.Abs(step) < 1e-7 {
			break
		}
	}
	return edge, amplitude, variance, sse
}
