package bessel

import (
	"math"
	"testing"
)

// Abramowitz and Stegun, table 9.8 (from e^−x·I0 and e^−x·I1), from memory.
func TestI01(t *testing.T) {
	for _, c := range []struct{ x, i0, i1 float64 }{
		{0, 1, 0}, {1, 1.2660658778, 0.5651591040}, {2, 2.2795853023, 1.5906368546}, {5, 27.239871824, 24.335642142},
	} {
		if i0, i1 := I01(c.x); math.Abs(i0-c.i0) > 1e-9*c.i0 || math.Abs(i1-c.i1) > 1e-9*c.i0 {
			t.Errorf("at %v: %.10f and %.10f, want %.10f and %.10f", c.x, i0, i1, c.i0, c.i1)
		}
	}
}
