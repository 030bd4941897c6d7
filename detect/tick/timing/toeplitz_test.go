package timing

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The inverse, its trace with a matrix and the determinant are those of a general
// factorization.
func TestToeplitz(t *testing.T) {
	const n = 30
	r, s := make([]float64, n), mat.NewSymDense(n, nil)
	rnd := rand.New(rand.NewPCG(1, 2))
	for i := range n {
		r[i] = math.Exp(-float64(i)/4) * math.Cos(float64(i)) // of a resonance
		for j := range i + 1 {
			s.SetSym(i, j, rnd.NormFloat64())
		}
	}
	cov := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			cov.SetSym(i, j, r[i-j])
		}
	}
	var chol mat.Cholesky
	want, product := mat.NewSymDense(n, nil), mat.NewDense(n, n, nil)
	if !chol.Factorize(cov) || chol.InverseTo(want) != nil {
		t.Fatal("not positive definite")
	}
	product.Mul(want, s)
	var toe toeplitz
	if !toe.set(r) {
		t.Fatal("not positive definite")
	}
	got := mat.NewDense(n, n, nil)
	toe.inverse(got.RawMatrix().Data)
	if !mat.EqualApprox(got, want, 1e-9) {
		t.Error("another inverse")
	}
	if d := toe.logDet - chol.LogDet(); math.Abs(d) > 1e-9 {
		t.Errorf("the determinant's logarithm is %g off", d)
	}
	upper := general(n, n)
	for i := range n {
		for j := i; j < n; j++ {
			upper.Data[i*n+j] = s.At(i, j)
		}
	}
	if got, want := toe.trace(tails(upper)), mat.Trace(product); math.Abs(got-want) > 1e-9 {
		t.Errorf("trace %g, want %g", got, want)
	}
}
