package logsum

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/floats"
	"pgregory.net/rapid"
)

// A sum of two is as gonum's of many.
func TestAdd(t *testing.T) {
	value := rapid.OneOf(rapid.Float64Range(-100, 100), rapid.Just(math.Inf(-1)))
	rapid.Check(t, func(t *rapid.T) {
		a, b := value.Draw(t, "a"), value.Draw(t, "b")
		want := floats.LogSumExp([]float64{a, b})
		if got := Add(a, b); got != want && !(math.Abs(got-want) < 1e-12) {
			t.Fatalf("%v and %v make %v, want %v", a, b, got, want)
		}
	})
}

func TestSum(t *testing.T) {
	none := math.Inf(-1)
	for _, c := range []struct {
		all  []float64
		want float64
	}{{nil, none}, {[]float64{none, none}, none}, {[]float64{-1000, none}, -1000}, {[]float64{math.Log(2), math.Log(3), -2000, math.Log(5)}, math.Log(10)}} {
		if got := Sum(c.all); got != c.want && math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v: %g, want %g", c.all, got, c.want)
		}
	}
}
