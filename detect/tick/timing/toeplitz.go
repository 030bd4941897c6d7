package timing

import "math"

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
	y, z := t.first[1:], t.work
	beta := r[0]
	t.logDet = math.Log(beta)
	for k := range n - 1 {
		// Solve the next order of the Yule-Walker equations.
		sum := r[k+1]
		for i := range k {
			sum += r[k-i] * y[i]
		}
		alpha := -sum / beta
		for i := range k {
			z[i] = y[i] + alpha*y[k-1-i]
		}
		copy(y, z[:k])
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

// trace returns that of the inverse times s, a symmetric matrix.
func (t *toeplitz) trace(s []float64) float64 {
	n, x := t.n, t.first
	sum := 0.0
	// Down the diagonals.
	for d := range n {
		weight := 2.0
		if d == 0 {
			weight = 1
		}
		b, part := 0.0, 0.0
		for i := 0; i+d < n; i++ {
			j := i + d
			if i == 0 {
				b = x[j]
			} else {
				b += (x[i]*x[j] - x[n-i]*x[n-j]) / x[0]
			}
			part += b * s[i*n+j]
		}
		sum += weight * part
	}
	return sum
}
