// Package bessel has the modified Bessel functions that windows and fading need.
package bessel

// I01 are the modified Bessel functions of order 0 and 1, by their power series
// (Abramowitz and Stegun 9.6.10). It takes about |x| terms.
func I01(x float64) (i0, i1 float64) {
	t := 1.0
	for k := 1.0; t > 1e-17*i0; k++ {
		i0 += t
		i1 += t * x / 2 / k
		t *= x * x / 4 / (k * k)
	}
	return i0, i1
}
