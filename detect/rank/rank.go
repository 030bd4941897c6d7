// Package rank finds values by their rank, without sorting the others.
package rank

import (
	"math"
	"slices"
)

// Nth is the value that would stand at n, from 0, were v sorted; it rearranges v
// (Hoare 1961, Communications of the ACM 4, Algorithm 65: Find).
func Nth[F float32 | float64](v []F, n int) F {
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot, i, j := v[n], lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for pivot < v[j] {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		if j < n {
			lo = i
		}
		if n < i {
			hi = j
		}
	}
	return v[n]
}

// Upper is the median of v, the greater of the middle two of an even number; it
// rearranges v, which holds one value at least.
func Upper[F float32 | float64](v []F) F { return Nth(v, len(v)/2) }

// Median is the median of v, the mean of the middle two of an even number; NaN of
// none, or when one is NaN. It rearranges v.
func Median(v []float64) float64 {
	if len(v) == 0 || slices.ContainsFunc(v, math.IsNaN) {
		return math.NaN()
	}
	upper := Upper(v)
	if len(v)%2 != 0 {
		return upper
	}
	return (slices.Max(v[:len(v)/2]) + upper) / 2
}
