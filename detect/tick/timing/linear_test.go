package timing

import (
	"math"
	"math/rand/v2"
	"testing"
)

// In complex numbers the gain of turning paths is what it is in real ones.
func TestTurningGain(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 1000 {
		n, paths := 10+1000*r.Float64(), 1+r.IntN(2)
		d := 2 * paths
		// products gives a positive definite matrix, the greater the more rows it is of.
		products := func(rows int, size float64) (a matrix) {
			for range rows {
				var x vector
				for i := range d {
					x[i] = size * r.NormFloat64()
				}
				for i := range d {
					for j := range d {
						a[i][j] += x[i] * x[j]
					}
				}
			}
			return a
		}
		gram, square := products(6, 1), products(8, math.Sqrt(n)*r.Float64()*2)
		at := func(a *matrix) func(i, j int) float64 { return func(i, j int) float64 { return a[i][j] } }
		got := turningGain(n, []int{0, 1}[:paths], at(&gram), at(&square))
		m, want := moments{n: n, d: d, prod: square}, math.Inf(-1)
		if m.whiten(&gram, true) {
			g := m.gain(true, -1, 1)
			want = g.log - g.cost
		}
		if !(math.Abs(got-want) < 1e-9*max(1, math.Abs(want))) && got != want {
			t.Fatalf("%d paths: %g, want %g", paths, got, want)
		}
	}
}
