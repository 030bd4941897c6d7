// Package lanes does with many numbers at a time what is done most often, with every sample
// of a recording and in the fit of a tick: with the processor's vectors where they are known to be there, else one by
// one. What is done with samples has the same results to the last digit.
package lanes

import (
	"gonum.org/v1/gonum/blas/blas32"
	"gonum.org/v1/gonum/blas/blas64"
)

// Term is a part of a sum: samples, as many as the sum's or more, times Weight.
type Term struct {
	Samples []float32
	Weight  float32
}

// atOnce is the least number of samples that the vectors are worth.
const atOnce = 32

// Sum makes each of dst the sum of the terms there, added up in their order.
func Sum(dst []float32, terms []Term) {
	if !vectors || len(dst) < atOnce {
		addUp(dst, terms)
		return
	}
	for _, t := range terms {
		_ = t.Samples[:len(dst)] // they are as many
	}
	sum(dst, terms)
}

// addUp is Sum without vectors of its own.
func addUp(dst []float32, terms []Term) {
	clear(dst)
	n := len(dst)
	for _, t := range terms {
		blas32.Axpy(t.Weight, blas32.Vector{N: n, Inc: 1, Data: t.Samples}, blas32.Vector{N: n, Inc: 1, Data: dst})
	}
}

// Farthest is the greatest |b-a| of samples at the same place. b is no shorter than a.
func Farthest(a, b []float32) float32 {
	b = b[:len(a)]
	var most float32
	if whole := len(a) / atOnce * atOnce; vectors && whole > 0 {
		most = farthest(a[:whole], b)
		a, b = a[whole:], b[whole:]
	}
	return max(most, widest(a, b))
}

// widest is Farthest without vectors.
func widest(a, b []float32) float32 {
	var hi, lo float32
	for i, v := range a {
		x := b[i] - v
		if x > hi {
			hi = x
		}
		if x < lo {
			lo = x
		}
	}
	return max(hi, -lo)
}

// Stereo16 parts pairs of 16-bit integers, the lower byte first, of which full scale
// is 1.
func Stereo16(left, right []float32, raw []byte) {
	right, raw = right[:len(left)], raw[:4*len(left)]
	if whole := len(left) / atOnce * atOnce; vectors && whole > 0 {
		stereo16(left[:whole], right, raw)
		left, right, raw = left[whole:], right[whole:], raw[4*whole:]
	}
	part(left, right, raw)
}

// part is Stereo16 without vectors.
func part(left, right []float32, raw []byte) {
	const unit = 1.0 / (1 << 15)
	for i := range left {
		p := raw[4*i : 4*i+4]
		left[i] = float32(int16(uint16(p[0])|uint16(p[1])<<8)) * unit
		right[i] = float32(int16(uint16(p[2])|uint16(p[3])<<8)) * unit
	}
}

// Products makes c a·bᵀ: rows are what lies together in memory, and those of b may overlap. Sums are added up in
// another order with vectors than without, and differ by what rounding makes of that.
func Products(c, a, b blas64.General) {
	if !multiply || b.Rows < 4 || a.Rows == 0 || a.Cols == 0 {
		oneByOne(c, a, b)
		return
	}
	// So many rows of b at a time as stay near the processor.
	const near = 32
	for from := 0; from < b.Rows; from += near {
		from := min(from, b.Rows-4)
		to := min(from+near, b.Rows)
		row(b, to-1) // it is there
		for i := 0; i < a.Rows; i += 2 {
			// An odd row is the last but one's partner, or its own.
			i, j := max(0, min(i, a.Rows-2)), min(i+1, a.Rows-1)
			x, y := row(a, i), row(a, j)
			p, q := c.Data[i*c.Stride:][from:to], c.Data[j*c.Stride:][from:to]
			band(&p[0], &q[0], a.Cols, &x[0], &y[0], &b.Data[from*b.Stride], b.Stride, to-from)
		}
	}
}

// oneByOne is Products without vectors of its own.
func oneByOne(c, a, b blas64.General) {
	for i := range a.Rows {
		for j := range b.Rows {
			c.Data[i*c.Stride+j] = blas64.Dot(blas64.Vector{N: a.Cols, Inc: 1, Data: row(a, i)}, blas64.Vector{N: a.Cols, Inc: 1, Data: row(b, j)})
		}
	}
}

// row is the i-th of a.
func row(a blas64.General, i int) []float64 { return a.Data[i*a.Stride:][:a.Cols] }
