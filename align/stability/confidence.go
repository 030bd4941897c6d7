package stability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is the two-sided interval of level p (0.95) for a deviation with edf
// equivalent degrees of freedom: edf s²/sigma² is taken as chi-squared.
func Interval(deviation, edf, p float64) (lo, hi float64) {
	chi2 := distuv.ChiSquared{K: edf}
	lo = deviation * math.Sqrt(edf/chi2.Quantile((1+p)/2))
	hi = deviation * math.Sqrt(edf/chi2.Quantile((1-p)/2))
	return lo, hi
}

// EDF is the equivalent degrees of freedom of a deviation of n phase samples
// without holes at averaging factor m, at least 1.
//
// OADEV: SP 1065, table 5. TOTDEV: SP 1065, table 7, and OADEV's value for the
// two phase noises, which that table does not list; it is the smaller one. All
// others: C. A. Greenhall and W. J. Riley, "Uncertainty of stability variances
// based on finite differences", PTTI 2003, in full, without its short cuts.
func EDF(kind Kind, noise Noise, n, m int) float64 {
	var edf float64
	switch kind {
	case OADEV:
		edf = overlappingAllanEDF(noise, n, m)
	case TOTDEV:
		ratio := float64(n-1) / float64(m)
		switch noise {
		case WhiteFM:
			edf = 1.50 * ratio
		case FlickerFM:
			edf = 1.17*ratio - 0.22
		case RandomWalkFM:
			edf = 0.93*ratio - 0.36
		default:
			edf = overlappingAllanEDF(noise, n, m)
		}
	case ADEV:
		edf = finiteDifferenceEDF(noise, n, m, 2, 1, false)
	case MDEV, TDEV:
		edf = finiteDifferenceEDF(noise, n, m, 2, m, m > 1) // at m = 1 nothing is averaged
	case HDEV:
		edf = finiteDifferenceEDF(noise, n, m, 3, 1, false)
	case OHDEV:
		edf = finiteDifferenceEDF(noise, n, m, 3, m, false)
	default:
		panic("stability: unknown kind " + string(kind))
	}
	if !(edf >= 1) { // also NaN, where a formula has run out of samples
		return 1
	}
	return edf
}

// overlappingAllanEDF is SP 1065, table 5.
func overlappingAllanEDF(noise Noise, samples, factor int) float64 {
	n, m := float64(samples), float64(factor)
	switch noise {
	case WhitePM:
		return (n + 1) * (n - 2*m) / (2 * (n - m))
	case FlickerPM:
		return math.Exp(math.Sqrt(math.Log((n-1)/(2*m)) * math.Log((2*m+1)*(n-1)/4)))
	case WhiteFM:
		return (3*(n-1)/(2*m) - 2*(n-2)/n) * 4 * m * m / (4*m*m + 5)
	case FlickerFM:
		if factor == 1 {
			return 2 * (n - 2) * (n - 2) / (2.3*n - 4.9)
		}
		return 5 * n * n / (4 * m * (n + 3*m))
	default:
		return (n - 2) / m * ((n-1)*(n-1) - 3*m*(n-1) + 4*m*m) / ((n - 3) * (n - 3))
	}
}

// finiteDifferenceEDF is the full procedure of Greenhall and Riley: difference
// order d (2 Allan, 3 Hadamard), stride factor s (1: terms m apart; m: terms 1
// apart), modified or not.
//
// Their filter factor F stands for phase that was averaged over each sampling
// interval. Ours is not: an edge is timed at an instant. For the frequency
// noises the limit F -> infinity is therefore taken; phase noise has no power
// at all without a bandwidth, and keeps F = m.
func finiteDifferenceEDF(noise Noise, n, m, d, s int, modified bool) float64 {
	f := float64(m)
	span := 1 + m*d // samples that one term covers
	switch {
	case modified:
		f, span = 1, m*(d+1)
	case noise <= WhiteFM:
		f = math.Inf(1)
	}
	if n < span {
		return 0
	}
	terms := 1 + s*(n-span)/m
	lags := min(terms, (d+1)*s)
	z0 := differenced(0, f, noise, d)
	sum := z0 * z0
	for j := 1; j <= lags; j++ {
		z := differenced(float64(j)/float64(s), f, noise, d)
		w := 2 * (1 - float64(j)/float64(terms))
		if j == lags {
			w /= 2
		}
		sum += w * z * z
	}
	return float64(terms) * z0 * z0 / sum
}

// integrated is the generalised autocovariance of the integral of phase with
// this noise (Greenhall and Riley's s_w), up to a constant.
func integrated(t float64, alpha int) float64 {
	t = math.Abs(t)
	if t == 0 {
		return 0
	}
	switch alpha {
	case 2:
		return -t
	case 1:
		return t * t * math.Log(t)
	case 0:
		return t * t * t
	case -1:
		return -t * t * t * t * math.Log(t)
	default:
		return -t * t * t * t * t
	}
}

// phaseCovariance is s_x: that of phase averaged over 1/f.
func phaseCovariance(t, f float64, noise Noise) float64 {
	if math.IsInf(f, 1) {
		return integrated(t, int(noise)+2)
	}
	a := int(noise)
	return f * f * (2*integrated(t, a) - integrated(t-1/f, a) - integrated(t+1/f, a))
}

// differenced is s_z: that of the d-th difference of phase.
func differenced(t, f float64, noise Noise, d int) float64 {
	// Coefficients of (1-B)^d against its own mirror image.
	allan, hadamard := []float64{6, -4, 1}, []float64{20, -15, 6, -1}
	c := allan
	if d == 3 {
		c = hadamard
	}
	sum := c[0] * phaseCovariance(t, f, noise)
	for k := 1; k < len(c); k++ {
		sum += c[k] * (phaseCovariance(t-float64(k), f, noise) + phaseCovariance(t+float64(k), f, noise))
	}
	return sum
}
