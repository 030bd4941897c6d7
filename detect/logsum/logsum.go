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
