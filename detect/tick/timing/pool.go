package timing

import (
	"sync"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/dsp/fourier"
)

// pool is memory that is used again and again: a sync.Pool each for numbers and for Fourier
// transforms of a length.
type pool struct{ numbers, transforms sync.Map }

func ofLength(m *sync.Map, n int) *sync.Pool {
	p, ok := m.Load(n)
	if !ok {
		p, _ = m.LoadOrStore(n, &sync.Pool{})
	}
	return p.(*sync.Pool)
}

// general is a matrix in which anything may stand, until it is given back.
func (p *pool) general(rows, cols int) blas64.General {
	x, ok := ofLength(&p.numbers, rows*cols).Get().(*[]float64)
	if !ok {
		all := make([]float64, rows*cols)
		x = &all
	}
	return blas64.General{Rows: rows, Cols: cols, Stride: cols, Data: *x}
}

func (p *pool) back(all ...blas64.General) {
	for _, a := range all {
		ofLength(&p.numbers, len(a.Data)).Put(&a.Data)
	}
}

// transform is a Fourier transform of n numbers, until it is given back.
func (p *pool) transform(n int) *fourier.FFT {
	if t, ok := ofLength(&p.transforms, n).Get().(*fourier.FFT); ok {
		return t
	}
	return fourier.NewFFT(n)
}

func (p *pool) backTransform(t *fourier.FFT) { ofLength(&p.transforms, t.Len()).Put(t) }
