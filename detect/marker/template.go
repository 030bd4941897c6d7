package marker

import "math"

// The window of a template, in grid steps before and after its origin.
const (
	before = 12
	after  = 20
	points = before + 1 + after
)

// template is the average pulse on a grid of one step per scale frames, with
// what is needed to fit a pulse to it: amplitude, shift, and a baseline of
// level, slope and curvature, so that hum and the droop of earlier pulses do
// not pull the edge.
type template struct {
	sampler
	shape [points]float64 // signal units
	slope [points]float64 // its derivative, per frame
	n     int             // pulses averaged

	base  [nuisance][points]float64 // orthonormal baseline functions
	net   [2][points]float64        // shape and slope without their share of base
	solve [2][points]float64        // rows that give amplitude and amplitude*shift
	shift float64                   // variance of the shift for unit noise and amplitude, frames^2

	level     float64    // amplitude of the edge, signal units, positive
	reference float64    // where the on-time edge lies, frames from the origin
	refSigma  float64    // its standard uncertainty, frames
	model     pulseModel // that says so, and
	offset    float64    // what was added to its edge, frames
	halfway   bool       // the reference is the half-way point, not the model's edge
	trailing  bool       // the on-time edge ends the pulse
	width     float64    // width of the pulse as far as the window shows it, frames; +Inf when it shows only one edge
}

const nuisance = 3

// fit is how one pulse compares with a template.
type fit struct {
	origin    float64 // where the template's origin lies in the snippet, frames
	amplitude float64 // relative to the template
	sigma     float64 // standard deviation of origin from this pulse's own noise, frames
	noise     float64 // rms of the residual, signal units
	match     float64 // share of the pulse's energy that the template explains, 0 to 1
}

// prepare computes what fitting needs from shape and slope.
func (t *template) prepare() {
	for p := range t.base {
		for k := range t.base[p] {
			t.base[p][k] = math.Pow(float64(k-before)/points, float64(p))
		}
		for q := range p {
			project(&t.base[p], &t.base[q])
		}
		scale(&t.base[p], 1/math.Sqrt(dot(&t.base[p], &t.base[p])))
	}
	t.net = [2][points]float64{t.shape, t.slope}
	a, b := &t.net[0], &t.net[1]
	for p := range t.base {
		project(a, &t.base[p])
		project(b, &t.base[p])
	}
	// Two unknowns remain: y = alpha*a + beta*b.
	aa, ab, bb := dot(a, a), dot(a, b), dot(b, b)
	det := aa*bb - ab*ab
	if det <= 0 {
		t.solve, t.shift = [2][points]float64{}, 0 // a flat template fits nothing
		return
	}
	for k := range a {
		t.solve[0][k] = (bb*a[k] - ab*b[k]) / det
		t.solve[1][k] = (aa*b[k] - ab*a[k]) / det
	}
	t.shift = aa / det
}

func dot(a, b *[points]float64) (s float64) {
	for k := range a {
		s += a[k] * b[k]
	}
	return s
}

func scale(a *[points]float64, by float64) {
	for k := range a {
		a[k] *= by
	}
}

// project removes from a its component along the unit vector u.
func project(a, u *[points]float64) {
	c := dot(a, u)
	for k := range a {
		a[k] -= c * u[k]
	}
}

// at compares the snippet x with the template at origin o and returns the fit
// and the correction that a Gauss-Newton step makes to o.
func (t *template) at(x []float32, o float64) (f fit, step float64) {
	var y, dy [points]float64
	t.sample(y[:], dy[:], x, o, before)
	f, step = t.compare(y)
	f.origin = o
	return f, step
}

// compare fits the template to y, on the template's grid.
func (t *template) compare(y [points]float64) (f fit, step float64) {
	for p := range t.base {
		project(&y, &t.base[p])
	}
	total := dot(&y, &y)
	alpha, beta := dot(&y, &t.solve[0]), dot(&y, &t.solve[1])
	if !(alpha > 0) {
		return fit{}, 0
	}
	rest := 0.0
	for k := range y {
		r := y[k] - alpha*t.net[0][k] - beta*t.net[1][k]
		rest += r * r
	}
	f = fit{amplitude: alpha, noise: math.Sqrt(rest / (points - nuisance - 2)), match: 1 - rest/total}
	// The residual is low-passed noise; in band it is stronger than its rms by
	// the share of the band that was kept.
	f.sigma = f.noise / alpha * math.Sqrt(t.shift/(2*cutoff))
	return f, -beta / alpha
}

// find fits the snippet x to the template, searching for the origin within
// span frames of guess.
func (t *template) find(x []float32, guess, span float64) fit {
	lo, hi := t.bounds(len(x))
	steps := int(math.Ceil(span / float64(t.scale)))
	steps = min(steps, int((guess-lo)/float64(t.scale)), int((hi-guess)/float64(t.scale)))
	if steps < 0 {
		return fit{}
	}
	y, dy := make([]float64, points+2*steps), make([]float64, points+2*steps)
	t.sample(y, dy, x, guess, before+steps)
	best, at := -1.0, guess
	for i := 0; i <= 2*steps; i++ {
		if f, _ := t.compare([points]float64(y[i : i+points])); f.match*f.amplitude > best {
			best, at = f.match*f.amplitude, guess+float64((i-steps)*t.scale)
		}
	}
	var f fit
	for range 8 {
		var step float64
		f, step = t.at(x, at)
		limit := 0.5 * float64(t.scale)
		at = min(max(at+max(min(step, limit), -limit), lo), hi)
		if math.Abs(step) < 1e-5*float64(t.scale) {
			break
		}
	}
	f.origin = at
	return f
}

// bounds is the range of origins for which a snippet of n samples is long enough.
func (t *template) bounds(n int) (lo, hi float64) {
	return float64(before*t.scale + t.reach()), float64(n - 1 - after*t.scale - t.reach())
}

// average makes a template of the snippets, each with its own origin, aligning
// them on one another until the origins settle; they are updated in place and
// may be off by span frames at first, but for that of the first snippet.
func average(scaleFrames int, snippets [][]float32, origins []float64, span float64) *template {
	t := &template{sampler: sampler{scale: scaleFrames}, n: len(snippets)}
	var y, dy [points]float64
	for round := range 4 {
		t.shape, t.slope = [points]float64{}, [points]float64{}
		for i, x := range snippets {
			if round == 0 && i > 0 {
				break // start with the first alone
			}
			t.sample(y[:], dy[:], x, origins[i], before)
			for k := range y {
				t.shape[k] += y[k]
				t.slope[k] += dy[k]
			}
		}
		n := float64(len(snippets))
		if round == 0 {
			n = 1
		}
		scale(&t.shape, 1/n)
		scale(&t.slope, 1/n)
		t.prepare()
		if round == 3 {
			break
		}
		for i, x := range snippets {
			search := 0.0
			if round == 0 && i > 0 {
				search = span
			}
			origins[i] = t.find(x, origins[i], search).origin
		}
	}
	return t
}
