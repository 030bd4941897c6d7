package rank

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Values by rank are those of the sorted ones (Go's standard library).
func TestAsSorted(t *testing.T) {
	value := rapid.OneOf(rapid.Float64Range(-1, 1), rapid.SampledFrom([]float64{0, 0.5, math.Inf(1)}))
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(value, 1, 60).Draw(t, "values")
		sorted := slices.Sorted(slices.Values(v))
		n := rapid.IntRange(0, len(v)-1).Draw(t, "rank")
		if got := Nth(slices.Clone(v), n); got != sorted[n] {
			t.Fatalf("value %d is %v, want %v", n, got, sorted[n])
		}
		want := (sorted[(len(v)-1)/2] + sorted[len(v)/2]) / 2
		if got := Median(slices.Clone(v)); got != want {
			t.Fatalf("median %v, want %v", got, want)
		}
		if got := Upper(slices.Clone(v)); got != sorted[len(v)/2] {
			t.Fatalf("upper median %v, want %v", got, sorted[len(v)/2])
		}
	})
}

func TestNoMedian(t *testing.T) {
	for _, v := range [][]float64{nil, {math.NaN()}, {1, math.NaN(), 2}} {
		if got := Median(v); !math.IsNaN(got) {
			t.Errorf("median of %v is %v", v, got)
		}
	}
}
