package rate

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"

	"timeball/align/stability"
)

// leastSquares solves x = A c with each row weighted by 1/u² (u nil: all
// alike), by Householder QR. Columns of A are given one after the other. It
// returns the coefficients, their covariance and the standard deviation s of
// weighted residuals; the covariance is scaled by s². There must be more rows
// than columns.
func leastSquares(columns [][]float64, x, u []float64) (c []float64, covariance [][]float64, s float64, err error) {
	rows, n := len(x), len(columns)
	if rows <= n {
		return nil, nil, 0, errors.New("fewer values than a fit needs")
	}
	weight := func(i int) float64 {
		if u == nil {
			return 1
		}
		return 1 / u[i]
	}
	a := mat.NewDense(rows, n, nil)
	scale := make([]float64, n) // columns of length 1: the condition number is then the problem's own
	for k, column := range columns {
		var sum float64
		for i, v := range column {
			sum += square(v * weight(i))
		}
		scale[k] = math.Sqrt(sum)
		for i, v := range column {
			a.Set(i, k, v*weight(i)/scale[k])
		}
	}
	b := mat.NewVecDense(rows, nil)
	for i, v := range x {
		b.SetVec(i, v*weight(i))
	}
	var qr mat.QR
	qr.Factorize(a)
	var solution, fitted mat.VecDense
	if err := qr.SolveVecTo(&solution, false, b); err != nil {
		return nil, nil, 0, errors.New("the values do not determine the fit")
	}
	fitted.MulVec(a, &solution)
	var sum float64
	for i := range rows {
		sum += square(b.AtVec(i) - fitted.AtVec(i))
	}
	s = math.Sqrt(sum / float64(rows-n))
	var r, inverse, product mat.Dense
	qr.RTo(&r)
	if err := inverse.Inverse(r.Slice(0, n, 0, n)); err != nil {
		return nil, nil, 0, errors.New("the values do not determine the fit")
	}
	product.Mul(&inverse, inverse.T())
	c, covariance = make([]float64, n), make([][]float64, n)
	for i := range n {
		c[i] = solution.AtVec(i) / scale[i]
		covariance[i] = make([]float64, n)
		for k := range n {
			covariance[i][k] = s * s * product.At(i, k) / (scale[i] * scale[k])
		}
	}
	return c, covariance, s, nil
}

// polynomial fits c[0] + c[1] t + … by leastSquares.
func polynomial(t, x, u []float64, degree int) (c []float64, covariance [][]float64, s float64, err error) {
	columns := make([][]float64, degree+1)
	for k := range columns {
		columns[k] = make([]float64, len(t))
		for i, v := range t {
			columns[k][i] = math.Pow(v, float64(k))
		}
	}
	return leastSquares(columns, x, u)
}

// Series is what an evenly spaced record of phase or frequency says, as NIST SP
// 1065, clauses 5.1 and 10, has it. Epoch of all values is the middle of the
// record.
type Series struct {
	Phase           []float64 // s; a frequency record integrated
	Interval        float64   // s
	Offset, UOffset float64   // s
	Y, UY           float64
	Ageing, UAgeing float64 // per day
	Noise           stability.Noise
	Deviations      []stability.Deviation
}

// AnalysePhase fits a parabola to phase x, s, spaced by interval, s, and
// computes all deviations.
func AnalysePhase(x []float64, interval float64) (*Series, error) {
	if len(x) < 4 {
		return nil, errors.New("a phase record needs at least four values")
	}
	c, _, scatter, err := polynomial(centred(len(x), interval), x, nil, 2)
	if err != nil {
		return nil, err
	}
	s := describeSeries(x, interval)
	s.Offset, s.UOffset = c[0], scatter // noise of frequency bends the phase: no 1/√n
	s.Y, s.Ageing = c[1], 2*c[2]*day
	return s, nil
}

// AnalyseFrequency fits a line to fractional frequency y, each value a mean
// over interval seconds, and computes all deviations. Offset is the phase at
// the middle, zero at the start.
func AnalyseFrequency(y []float64, interval float64) (*Series, error) {
	if len(y) < 3 {
		return nil, errors.New("a frequency record needs at least three values")
	}
	c, _, _, err := polynomial(centred(len(y), interval), y, nil, 1)
	if err != nil {
		return nil, err
	}
	x := stability.PhaseFromFrequency(y, interval)
	s := describeSeries(x, interval)
	middle := len(x) / 2
	s.Offset = x[middle]
	if len(x)%2 == 0 {
		s.Offset = (x[middle-1] + x[middle]) / 2
	}
	s.Y, s.Ageing = c[0], c[1]*day
	s.UOffset = s.UY * float64(len(y)) * interval / 2
	return s, nil
}

// centred are n times spaced by interval about zero.
func centred(n int, interval float64) []float64 {
	t := make([]float64, n)
	for i := range t {
		t[i] = (float64(i) - float64(n-1)/2) * interval
	}
	return t
}

// describeSeries computes the deviations and, from them, the uncertainty of
// rate and ageing.
//
// A fit's own residuals would give it only for white frequency noise. The mean
// rate over a record of length T is uncertain by the Allan deviation at T;
// that is the last overlapping one with at least five terms of freedom carried
// on to T by the slope of the noise named there. The ageing's is taken as √12/T
// of it, which is exact for white frequency noise.
func describeSeries(x []float64, interval float64) *Series {
	s := &Series{Phase: x, Interval: interval, Noise: stability.WhiteFM}
	s.Deviations = stability.Table(x, interval, stability.Kinds, stability.Factors(len(x)))
	span := float64(len(x)-1) * interval
	for _, d := range s.Deviations {
		if d.Kind != stability.OADEV {
			continue
		}
		if d.M > 1 && d.EDF < 5 {
			break
		}
		s.Noise = d.Noise
		s.UY = d.Value * math.Pow(span/d.Tau, d.Noise.Slope())
	}
	s.UAgeing = s.UY * math.Sqrt(12) / span * day
	return s
}
