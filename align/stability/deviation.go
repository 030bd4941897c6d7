// Package stability describes a clock's noise: the Allan family of deviations
// of IEEE Std 1139 with confidence intervals, and the power law behind it.
//
// Everything here works on phase: x, the offset in seconds, one sample each
// tau0 seconds. A missing sample is NaN; terms that would need it are left out,
// nothing is interpolated.
//
// Formulas and edf models: W. J. Riley, Handbook of Frequency Stability
// Analysis, NIST Special Publication 1065 (2008), clauses 5.2 to 5.5.
package stability

import (
	"fmt"
	"math"
)

// Kind names a deviation as in NIST SP 1065.
type Kind string

const (
	ADEV   Kind = "adev"   // Allan, every m-th sample
	OADEV  Kind = "oadev"  // overlapping Allan
	MDEV   Kind = "mdev"   // modified Allan
	TDEV   Kind = "tdev"   // time deviation, seconds
	HDEV   Kind = "hdev"   // Hadamard, every m-th sample: blind to ageing
	OHDEV  Kind = "ohdev"  // overlapping Hadamard
	TOTDEV Kind = "totdev" // total Allan, the record reflected about both ends
)

// Kinds lists all deviations in the order in which they are printed.
var Kinds = []Kind{ADEV, OADEV, MDEV, TDEV, HDEV, OHDEV, TOTDEV}

// Deviation is one point of a deviation plot.
type Deviation struct {
	Kind  Kind
	M     int        // averaging factor
	Tau   float64    // averaging time, M*tau0, s
	Value float64    // dimensionless; seconds for TDEV
	Terms int        // differences that went into it
	Noise Noise      // power law assumed for the interval
	EDF   float64    // equivalent degrees of freedom
	CI95  [2]float64 // two-sided 95 % interval
}

// Estimate computes one deviation of phase x (s) with averaging factor m, and
// the number of terms behind it: zero when the record is too short or too
// holed. TOTDEV needs a record without holes and returns no terms otherwise.
// It panics on a factor below 1, a spacing that is not positive or an unknown
// kind.
func Estimate(kind Kind, x []float64, tau0 float64, m int) (value float64, terms int) {
	if m < 1 || !(tau0 > 0) {
		panic(fmt.Sprintf("stability: averaging factor %d at spacing %g s", m, tau0))
	}
	tau := float64(m) * tau0
	var sum float64
	switch kind {
	case ADEV:
		sum, terms = secondDifferences(x, m, m)
		sum /= 2 * tau * tau
	case OADEV:
		sum, terms = secondDifferences(x, m, 1)
		sum /= 2 * tau * tau
	case MDEV:
		sum, terms = averagedDifferences(x, m)
		sum /= 2 * tau * tau
	case TDEV:
		sum, terms = averagedDifferences(x, m)
		sum /= 6
	case HDEV:
		sum, terms = thirdDifferences(x, m, m)
		sum /= 6 * tau * tau
	case OHDEV:
		sum, terms = thirdDifferences(x, m, 1)
		sum /= 6 * tau * tau
	case TOTDEV:
		sum, terms = totalDifferences(x, m)
		sum /= 2 * tau * tau
	default:
		panic("stability: unknown kind " + string(kind))
	}
	if terms == 0 {
		return 0, 0
	}
	return math.Sqrt(sum / float64(terms)), terms
}

// secondDifferences sums (x[i+2m]-2x[i+m]+x[i])² for i = 0, step, 2 step…
func secondDifferences(x []float64, m, step int) (sum float64, terms int) {
	for i := 0; i+2*m < len(x); i += step {
		d := x[i+2*m] - 2*x[i+m] + x[i]
		if d != d {
			continue
		}
		sum += d * d
		terms++
	}
	return sum, terms
}

// thirdDifferences sums (x[i+3m]-3x[i+2m]+3x[i+m]-x[i])².
func thirdDifferences(x []float64, m, step int) (sum float64, terms int) {
	for i := 0; i+3*m < len(x); i += step {
		d := x[i+3*m] - 3*x[i+2*m] + 3*x[i+m] - x[i]
		if d != d {
			continue
		}
		sum += d * d
		terms++
	}
	return sum, terms
}

// averagedDifferences sums the squared second differences of means over m
// adjacent samples. In a record with holes a mean is taken over the samples
// there are, if they are at least half of m; its centre then moves by up to a
// quarter of m, which matters only while a rate is left in x.
func averagedDifferences(x []float64, m int) (sum float64, terms int) {
	n := len(x) - m + 1
	if n <= 2*m {
		return 0, 0
	}
	means := make([]float64, n)
	var run compensated // x may be large and its second differences tiny
	held := 0
	for i, v := range x {
		if v == v {
			run.add(v)
			held++
		}
		if old := i - m; old >= 0 && x[old] == x[old] {
			run.add(-x[old])
			held--
		}
		if i < m-1 {
			continue
		}
		if 2*held < m || held == 0 {
			means[i-m+1] = math.NaN()
			continue
		}
		means[i-m+1] = run.value() / float64(held)
	}
	return secondDifferences(means, m, 1)
}

// compensated is a running sum after Neumaier.
type compensated struct{ sum, lost float64 }

func (c *compensated) add(v float64) {
	t := c.sum + v
	if math.Abs(c.sum) >= math.Abs(v) {
		c.lost += (c.sum - t) + v
	} else {
		c.lost += (v - t) + c.sum
	}
	c.sum = t
}

func (c *compensated) value() float64 { return c.sum + c.lost }

// totalDifferences sums the squared second differences about the inner points
// of x, x being continued at both ends by its own image turned through the end
// point.
func totalDifferences(x []float64, m int) (sum float64, terms int) {
	n := len(x)
	if n < 3 || m > n-1 {
		return 0, 0
	}
	at := func(i int) float64 {
		switch {
		case i < 0:
			return 2*x[0] - x[-i]
		case i >= n:
			return 2*x[n-1] - x[2*(n-1)-i]
		default:
			return x[i]
		}
	}
	for i := 1; i < n-1; i++ {
		d := at(i-m) - 2*x[i] + at(i+m)
		if d != d {
			return 0, 0
		}
		sum += d * d
	}
	return sum, n - 2
}

// PhaseFromFrequency integrates fractional frequency y, each value the mean
// over tau0 seconds, into len(y)+1 phase samples that start at zero.
func PhaseFromFrequency(y []float64, tau0 float64) []float64 {
	x := make([]float64, len(y)+1)
	var sum compensated
	for i, v := range y {
		sum.add(v * tau0)
		x[i+1] = sum.value()
	}
	return x
}

// Factors lists the averaging factors 1, 2, 5, 10, 20, 50… that leave at least
// one term of a second difference in n phase samples.
func Factors(n int) []int {
	var factors []int
	for decade := 1; ; decade *= 10 {
		for _, f := range []int{1, 2, 5} {
			if 2*f*decade >= n {
				return factors
			}
			factors = append(factors, f*decade)
		}
	}
}

// Table computes the given kinds of deviation at the given averaging factors,
// with 95 % intervals. Points for which the record is too short are left out.
// The noise is named at each factor where enough samples are left and carried
// on from the last such factor to the longer ones.
func Table(x []float64, tau0 float64, kinds []Kind, factors []int) []Deviation {
	noises := make([]Noise, len(factors))
	noise := WhiteFM
	for i, m := range factors {
		if n, ok := Identify(x, m); ok {
			noise = n
		}
		noises[i] = noise
	}
	return TableOf(x, tau0, kinds, factors, noises)
}

// TableOf is Table with the noise at each factor given.
func TableOf(x []float64, tau0 float64, kinds []Kind, factors []int, noises []Noise) []Deviation {
	var table []Deviation
	for _, kind := range kinds {
		for i, m := range factors {
			value, terms := Estimate(kind, x, tau0, m)
			if terms == 0 {
				continue
			}
			edf := EDF(kind, noises[i], len(x), m)
			if full := fullTerms(kind, len(x), m); terms < full {
				edf = math.Max(edf*float64(terms)/float64(full), 1)
			}
			lo, hi := Interval(value, edf, 0.95)
			table = append(table, Deviation{
				Kind: kind, M: m, Tau: float64(m) * tau0, Value: value, Terms: terms,
				Noise: noises[i], EDF: edf, CI95: [2]float64{lo, hi},
			})
		}
	}
	return table
}

// fullTerms is the number of terms a record of n samples without holes gives.
func fullTerms(kind Kind, n, m int) int {
	switch kind {
	case ADEV:
		return (n-1-2*m)/m + 1
	case OADEV:
		return n - 2*m
	case MDEV, TDEV:
		return n - 3*m + 1
	case HDEV:
		return (n-1-3*m)/m + 1
	case OHDEV:
		return n - 3*m
	default:
		return n - 2
	}
}
