// Package kaiser holds the windowed sinc from which the filters and
// interpolators of the detectors are made.
package kaiser

import (
	"math"

	"timeball/detect/bessel"
)

// Sinc is sin(πx)/(πx).
func Sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// Window is Kaiser's window I0(β·√(1−r²))/I0(β) at r, which is −1 and 1 at its
// ends; it is 0 beyond them. β = 0.1102(A−8.7) gives a filter a stop band of
// A dB, for A above 50 (Kaiser 1974).
func Window(r, beta float64) float64 {
	if r*r > 1 {
		return 0
	}
	at, _ := bessel.I01(beta * math.Sqrt(1-r*r))
	middle, _ := bessel.I01(beta)
	return at / middle
}
