package kaiser

import (
	"math"
	"testing"
)

// Abramowitz and Stegun, table 9.8 (I0 from e^−x·I0), from memory.
func TestBesselI0(t *testing.T) {
	for _, c := range []struct{ x, want float64 }{{0, 1}, {1, 1.2660658778}, {2, 2.2795853023}, {5, 27.239871824}} {
		if got := besselI0(c.x); math.Abs(got-c.want) > 1e-9*c.want {
			t.Errorf("I0(%v) = %.10f, want %.10f", c.x, got, c.want)
		}
	}
}

func TestWindowEnds(t *testing.T) {
	if got := Window(0, 6); got != 1 {
		t.Errorf("middle %v, want 1", got)
	}
	if got, want := Window(1, 5), 1/27.239871824; math.Abs(got-want) > 1e-9 {
		t.Errorf("end %v, want 1/I0(5) = %v", got, want)
	}
	if got := Window(1.01, 5); got != 0 {
		t.Errorf("beyond the end %v, want 0", got)
	}
}
