// Package logsum adds probabilities that are known by their natural logarithms.
package logsum

import "math"

// nothing is the difference beyond which the smaller one adds nothing that double
// precision holds: e^-60 is 1e-26.
const nothing = 60

// Add is ln(exp(a) + exp(b)).
func Add(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if b < a-nothing || math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// Sum is ln(Σ exp(all)); of none -Inf.
func Sum(all []float64) float64 {
	most, sum := math.Inf(-1), 0.0
	for _, v := range all {
		most = max(most, v)
	}
	if math.IsInf(most, -1) {
		return most
	}
	for _, v := range all {
		if v >= most-nothing {
			sum += math.Exp(v - most)
		}
	}
	return most + math.Log(sum)
}
