package stability

import "math"

// Noise is a power law S_y(f) ~ f^alpha (IEEE Std 1139); the value is alpha.
type Noise int

const (
	WhitePM      Noise = 2
	FlickerPM    Noise = 1
	WhiteFM      Noise = 0
	FlickerFM    Noise = -1
	RandomWalkFM Noise = -2
)

func (n Noise) String() string {
	switch n {
	case WhitePM:
		return "white PM"
	case FlickerPM:
		return "flicker PM"
	case WhiteFM:
		return "white FM"
	case FlickerFM:
		return "flicker FM"
	default:
		return "random walk FM"
	}
}

// fewestForIdentify is how many decimated samples the lag-1 estimate needs
// (SP 1065, clause 5.5.3).
const fewestForIdentify = 30

// Identify names the dominant noise of phase x at averaging factor m from the
// lag-1 autocorrelation (SP 1065, clause 5.5.3). It reports false when fewer
// than 30 samples are left or the record has holes there.
func Identify(x []float64, m int) (Noise, bool) {
	alpha, ok := Alpha(x, m)
	if !ok {
		return 0, false
	}
	rounded := math.Round(alpha)
	return Noise(math.Max(-2, math.Min(2, rounded))), true
}

// Alpha estimates the exponent of the power law, unrounded.
func Alpha(x []float64, m int) (alpha float64, ok bool) {
	n := (len(x) + m - 1) / m
	if n < fewestForIdentify {
		return 0, false
	}
	z := make([]float64, 0, n)
	for i := 0; i < len(x); i += m {
		if x[i] != x[i] {
			return 0, false
		}
		z = append(z, x[i])
	}
	removeParabola(z)
	// Difference until the series is no longer persistent; twice at most, for
	// an Allan deviation sees no power law steeper than random walk FM.
	for d := 0; ; d++ {
		r1, varied := lag1(z)
		if !varied {
			return 0, false
		}
		delta := r1 / (1 + r1)
		if delta < 0.25 || d == 2 {
			return 2 - 2*(delta+float64(d)), true
		}
		for i := range len(z) - 1 {
			z[i] = z[i+1] - z[i]
		}
		z = z[:len(z)-1]
	}
}

// lag1 is the lag-1 autocorrelation of z; false when z does not vary.
func lag1(z []float64) (r1 float64, varied bool) {
	var mean float64
	for _, v := range z {
		mean += v
	}
	mean /= float64(len(z))
	var num, den float64
	for i, v := range z {
		den += (v - mean) * (v - mean)
		if i > 0 {
			num += (z[i-1] - mean) * (v - mean)
		}
	}
	if den == 0 {
		return 0, false
	}
	return num / den, true
}

// removeParabola takes the least-squares parabola out of evenly spaced z, by
// projection on the discrete orthogonal polynomials of degrees 0 to 2.
func removeParabola(z []float64) {
	n := float64(len(z))
	mid, mean2 := (n-1)/2, (n*n-1)/12 // mean of (i-mid)²
	for degree := range 3 {
		p := func(i int) float64 {
			u := float64(i) - mid
			switch degree {
			case 0:
				return 1
			case 1:
				return u
			default:
				return u*u - mean2
			}
		}
		var num, den float64
		for i, v := range z {
			num += p(i) * v
			den += p(i) * p(i)
		}
		if den == 0 {
			return
		}
		for i := range z {
			z[i] -= num / den * p(i)
		}
	}
}

// Slope is the power of tau in the Allan deviation of this noise.
func (n Noise) Slope() float64 {
	return math.Max(-1, -float64(n+1)/2)
}
