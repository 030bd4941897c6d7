package kaiser

import (
	"math"
	"testing"
)

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
