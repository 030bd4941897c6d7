package stability

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestFloor against simulated white phase noise, and MDEV's and TDEV's against
// the definition TDEV = tau MDEV/√3 (SP 1065, clause 5.2.6).
func TestFloor(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 4))
	x := make([]float64, 20000)
	for i := range x {
		x[i] = 1e-4 * rng.NormFloat64()
	}
	for _, kind := range Kinds {
		for _, m := range []int{1, 4} {
			got, _ := Estimate(kind, x, 3600, m)
			if want := Floor(kind, 1e-4, 3600, m); math.Abs(got/want-1) > .05 {
				t.Errorf("%s m=%d: %g, floor %g", kind, m, got, want)
			}
		}
	}
	near(t, "TDEV", Floor(TDEV, 1e-4, 10, 3), 30*Floor(MDEV, 1e-4, 10, 3)/math.Sqrt(3), 1e-12)
}
