package tone

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// What a plan finds is the bin of a discrete Fourier transform (gonum's).
func TestOfIsATransformsBin(t *testing.T) {
	const n = 600
	x := make([]float64, n)
	samples, re, im := make([]float32, n), make([]float32, n), make([]float32, n)
	for i := range x {
		samples[i] = float32(0.3*math.Sin(0.41*float64(i)+1) + 0.1*math.Cos(1.7*float64(i)))
		x[i] = float64(samples[i])
		re[i], im[i] = samples[i], -samples[n-1-i]
	}
	bins := fourier.NewFFT(n).Coefficients(nil, x)
	for _, k := range []int{0, 1, 39, 162, 300} {
		plan := New(float64(k)/n, n)
		if got := plan.Of(samples); cmplx.Abs(got-bins[k]) > 1e-5*n {
			t.Errorf("bin %d: %v, want %v", k, got, bins[k])
		}
		if got := plan.From(100, samples[100:]) + plan.Of(samples[:100]); cmplx.Abs(got-bins[k]) > 1e-5*n {
			t.Errorf("bin %d in two parts: %v, want %v", k, got, bins[k])
		}
		want := plan.Of(re) + 1i*plan.Of(im)
		if got := plan.OfComplex(re, im); cmplx.Abs(got-want) > 1e-5*n {
			t.Errorf("bin %d of complex samples: %v, want %v", k, got, want)
		}
		if got, want := Power(samples, float64(k)/n), 2*real(bins[k]*cmplx.Conj(bins[k]))/(n*n); math.Abs(got-want) > 1e-7 {
			t.Errorf("bin %d: power %v, want %v", k, got, want)
		}
	}
}

// A plan that is tuned anew is like a new one.
func TestTune(t *testing.T) {
	p := New(0.1, 50)
	p.Tune(0.23, 20)
	x := []float32{1, 2, 3, 4, 5}
	if p.Cycles() != 0.23 || p.Len() != 20 || p.Of(x) != New(0.23, 20).Of(x) {
		t.Errorf("%v", p)
	}
	if d := cmplx.Abs(Turn(0.23, 7) - cmplx.Rect(1, -2*math.Pi*0.23*7)); d > 1e-12 {
		t.Errorf("a turn is off by %g", d)
	}
}
