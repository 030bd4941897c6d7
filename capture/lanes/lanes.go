// Package lanes does with many numbers at a time what is done most often, with every sample
// of a recording and in the fit of a tick: with the processor's vectors where they are known to be there, else one by
// one, and with the same results to the last digit.
package lanes

import "gonum.org/v1/gonum/blas/blas32"

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

// Dots makes each of dst the sum of the products of x with a row of so many numbers, of
// which one begins stride after another. Four lanes are added up each by itself.
func Dots(dst, x, rows []float64, stride int) {
	whole := len(x) / 4 * 4
	for j := 0; j < len(dst); j += 4 {
		var r [4][]float64
		for i := range r {
			r[i] = rows[min(j+i, len(dst)-1)*stride:][:len(x)]
		}
		var sums [16]float64
		if vectors && whole > 0 {
			dots(&sums, x[:whole], r[0], r[1], r[2], r[3])
		} else {
			laneByLane(&sums, x[:whole], r)
		}
		for i := range dst[j:min(j+4, len(dst))] {
			s := sums[4*i:][:4]
			sum := (s[0] + s[2]) + (s[1] + s[3])
			for k := whole; k < len(x); k++ {
				sum += float64(x[k] * r[i][k])
			}
			dst[j+i] = sum
		}
	}
}

// laneByLane is dots without vectors.
func laneByLane(sums *[16]float64, x []float64, rows [4][]float64) {
	for i, row := range rows {
		s := sums[4*i:][:4]
		for k := 0; k < len(x); k += 4 {
			for l := range s {
				s[l] += float64(x[k+l] * row[k+l])
			}
		}
	}
}
