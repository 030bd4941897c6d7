package timing

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"
)

// toeplitz inverts the covariance of a stationary process by Durbin's recursion and
// the Gohberg-Semencul formula (Golub and Van Loan, Matrix Computations, 4.7).
type toeplitz struct {
	n      int
	first  []float64 // column of the inverse
	logDet float64
	work   []float64
}

// set takes the autocovariance r of lags 0 to n−1; false unless it is positive
// definite.
func (t *toeplitz) set(r []float64) bool {
	n := len(r)
	if t.n != n {
		*t = toeplitz{n: n, first: make([]float64, n), work: make([]float64, n)}
	}
	y, back := t.first[1:], t.work // back: y from its end on
	from := slices.Clone(r)
	slices.Reverse(from)
	beta := r[0]
	t.logDet = math.Log(beta)
	for k := range n - 1 {
		// Solve the next order of the Yule-Walker equations.
		alpha := -(r[k+1] + floats.Dot(from[n-1-k:n-1], y[:k])) / beta
		for i, v := range y[:k] {
			back[k-1-i] = v
		}
		floats.AddScaled(y[:k], alpha, back[:k])
		y[k] = alpha
		beta *= 1 - alpha*alpha
		if !(beta > 0) {
			return false
		}
		t.logDet += math.Log(beta)
	}
	t.first[0] = 1 / beta
	for i := range y {
		y[i] /= beta
	}
	return true
}

// inverse fills b, row by row, with the inverse.
func (t *toeplitz) inverse(b []float64) {
	n, x := t.n, t.first
	for j, v := range x {
		b[j], b[j*n] = v, v
	}
	for i := 1; i < n; i++ {
		for j := i; j < n; j++ {
			v := b[(i-1)*n+j-1] + (x[i]*x[j]-x[n-i]*x[n-j])/x[0]
			b[i*n+j], b[j*n+i] = v, v
		}
	}
}

// trace returns that of the inverse times a symmetric matrix, by its tails. The inverse's
// diagonals are sums of x_i·x_j − x_(n−i)·x_(n−j) over x_0 from their beginning on.
func (t *toeplitz) trace(tails blas64.General) float64 {
	n, x := t.n, t.first
	ends := general(2, n) // x, and what comes from its other end
	copy(ends.Data, x)
	for i := 1; i < n; i++ {
		ends.Data[n+i] = x[n-i]
	}
	sums := matmul(ends, tails)
	return (floats.Dot(sums.Data[:n], ends.Data[:n]) - floats.Dot(sums.Data[n:], ends.Data[n:])) / x[0]
}

// tails makes each place of s, symmetric, the sum of what stands on its diagonal from
// there on; on both sides of the main one in one.
func tails(s blas64.General) blas64.General {
	n := s.Rows
	for i := n - 1; i >= 0; i-- {
		row := s.Data[i*n:][:n]
		for j := range row {
			switch {
			case j < i:
				row[j] = 0
				continue
			case j > i:
				row[j] *= 2
			}
			if j+1 < n {
				row[j] += s.Data[(i+1)*n+j+1]
			}
		}
	}
	return s
}
