package simulate

import "math"

// lowPass is the impulse response of an ideal low-pass of the given cut-off
// (cycles a sample) under a Kaiser window that ends at ±half samples,
// evaluated at x samples from its middle.
func lowPass(x, cutoff, half float64) float64 {
	r := x / half
	if r <= -1 || r >= 1 {
		return 0
	}
	return 2 * cutoff * sinc(2*cutoff*x) * kaiser(r)
}

// kaiser is the Kaiser window at r, −1 to 1.
func kaiser(r float64) float64 {
	return besselI0(kaiserBeta*math.Sqrt(1-r*r)) / kaiserPeak
}

var kaiserPeak = besselI0(kaiserBeta)

// kaiserBeta sets side lobes of about −80 dB; the transition band, in cycles a
// sample, is then 5 divided by the length.
const kaiserBeta = 7.86

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// besselI0 is the modified Bessel function of order zero, by its power series.
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-12*sum; k++ {
		term *= x / (2 * k) * (x / (2 * k))
		sum += term
	}
	return sum
}

// fractionalTaps returns coefficients that read a sequence frac of a sample
// after its element half−1, out of 2·half elements, unit gain at zero
// frequency.
func fractionalTaps(frac, cutoff float64, half int) []float64 {
	taps := make([]float64, 2*half)
	sum := 0.0
	for j := range taps {
		taps[j] = lowPass(float64(half-1-j)+frac, cutoff, float64(half))
		sum += taps[j]
	}
	for j := range taps {
		taps[j] /= sum
	}
	return taps
}

// interpolator reads a sequence between its elements, limiting its band.
type interpolator struct {
	half int
	taps [][]float64 // for frac = i/phases, i = 0 … phases
}

const phases = 128

func newInterpolator(cutoff float64, half int) *interpolator {
	p := &interpolator{half: half}
	for i := range phases + 1 {
		p.taps = append(p.taps, fractionalTaps(float64(i)/phases, cutoff, half))
	}
	return p
}

// at reads x at pos, which must lie at least half elements inside it. The
// coefficients are interpolated between tabled phases: the error is below
// −85 dB of a tone at the cut-off.
func (p *interpolator) at(x []float64, pos float64) float64 {
	whole := int(pos)
	f := (pos - float64(whole)) * phases
	i := int(f)
	f -= float64(i)
	x = x[whole-p.half+1:]
	return dot(p.taps[i], x)*(1-f) + dot(p.taps[i+1], x)*f
}

// edge is a band-limited step from 0 to 1 as a function of time in samples,
// on time at its middle. It is symmetric, as behind a linear-phase filter.
type edge struct {
	half  float64   // beyond ±half the step is 0 or 1
	table []float64 // from −half in steps of 1/edgeSteps sample
}

const edgeSteps = 256

// newEdge makes a step of the given cut-off (cycles a sample) whose impulse
// response ends at ±window samples.
func newEdge(cutoff float64, window int) *edge {
	impulse := make([]float64, 2*window*edgeSteps+1)
	for i := range impulse {
		impulse[i] = lowPass(float64(i)/edgeSteps-float64(window), cutoff, float64(window))
	}
	return &edge{half: float64(window), table: integral(impulse)}
}

// slower is the step e after it has been made to rise linearly over a time,
// in samples, before its band is limited: the mean of e over that time.
func (e *edge) slower(rise float64) *edge {
	w := int(math.Round(rise * edgeSteps / 2))
	if w == 0 {
		return e
	}
	n := len(e.table) + 2*w
	sum := make([]float64, n+2*w+1) // running sum, w points to spare on either side
	for i := range n + 2*w {
		v := 0.0
		if k := i - 2*w; k >= len(e.table) {
			v = 1
		} else if k >= 0 {
			v = e.table[k]
		}
		sum[i+1] = sum[i] + v
	}
	table := make([]float64, n)
	for i := range table {
		// Centred on the present point: the end points count half.
		table[i] = (sum[i+2*w] + sum[i+2*w+1] - sum[i] - sum[i+1]) / 2 / float64(2*w)
	}
	return &edge{half: e.half + float64(w)/edgeSteps, table: table}
}

// integral is the running integral by the trapezium rule, scaled to end at 1.
func integral(x []float64) []float64 {
	out := make([]float64, len(x))
	for i := 1; i < len(x); i++ {
		out[i] = out[i-1] + (x[i-1]+x[i])/2
	}
	total := out[len(out)-1]
	for i := range out {
		out[i] /= total
	}
	return out
}

// at is the step's value t samples after its middle.
func (e *edge) at(t float64) float64 {
	p := (t + e.half) * edgeSteps
	if p <= 0 {
		return 0
	}
	i := int(p)
	if i >= len(e.table)-1 {
		return 1
	}
	f := p - float64(i)
	return e.table[i] + f*(e.table[i+1]-e.table[i])
}
