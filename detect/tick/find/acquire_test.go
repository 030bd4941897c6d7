package find

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestNth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-2, 2), 1, 40).Draw(t, "values")
		n := rapid.IntRange(0, len(v)-1).Draw(t, "n")
		want := slices.Sorted(slices.Values(v))[n]
		if got := nth(v, n); got != want {
			t.Errorf("%g, want %g", got, want)
		}
	})
}
