package timing

import (
	"math/bits"
	"sync"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/dsp/fourier"
)

// pool is memory that is used again and again: matrices, and what goes with transforms, by
// the power of two that holds them.
type pool struct{ matrices, transforms [64]sync.Pool }

// general is a matrix in which anything may stand, until it is given back.
func (p *pool) general(rows, cols int) blas64.General {
	n := rows * cols
	size := bits.Len(uint(n))
	x, ok := p.matrices[size].Get().(*[]float64)
	if !ok {
		all := make([]float64, 1<<size)
		x = &all
	}
	return blas64.General{Rows: rows, Cols: cols, Stride: cols, Data: (*x)[:n]}
}

func (p *pool) back(all ...blas64.General) {
	for _, a := range all {
		x := a.Data[:cap(a.Data)]
		p.matrices[bits.Len(uint(a.Rows*a.Stride))].Put(&x)
	}
}

// transform is a Fourier transform of n numbers, until it is given back.
func (p *pool) transform(n int) *fourier.FFT {
	if t, ok := p.transforms[bits.Len(uint(n))].Get().(*fourier.FFT); ok && t.Len() == n {
		return t
	}
	return fourier.NewFFT(n)
}

func (p *pool) backTransform(t *fourier.FFT) { p.transforms[bits.Len(uint(t.Len()))].Put(t) }
