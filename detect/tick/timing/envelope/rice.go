package envelope

import (
	"math"

	"timeball/detect/bessel"
)

// lifts holds by how much, in units of σ², noise of variance σ² in phase lifts the
// square of an envelope's mean above that of its noiseless value c (Rice 1945), and how
// that changes with x = c²/σ²: entries at x = 0, 1/liftsPerUnit, …
var lifts = func() (table [liftsTo*liftsPerUnit + 2][2]float64) {
	for i := range table {
		x := float64(i) / liftsPerUnit
		// The mean is σ·√(π/2)·e^(−x/4)·((1+x/2)·I₀(x/4) + x/2·I₁(x/4)).
		i0, i1 := bessel.I01(x / 4)
		mean := math.Sqrt(math.Pi/2) * math.Exp(-x/4) * ((1+x/2)*i0 + x/2*i1)
		table[i][0] = mean*mean - x
	}
	for i := range len(table) - 1 {
		table[i][1] = (table[i+1][0] - table[i][0]) * liftsPerUnit
	}
	return table
}()

const liftsTo, liftsPerUnit = 32, 16

// lift looks the lift and its slope up; of strong signals it is 1 + 1/2x.
func lift(x float64) (lift, slope float64) {
	if !(x < liftsTo) {
		return 1 + 1/(2*x), -1 / (2 * x * x)
	}
	u := x * liftsPerUnit
	i := int(u)
	e := &lifts[i]
	return e[0] + e[1]*(u-float64(i))/liftsPerUnit, e[1]
}
