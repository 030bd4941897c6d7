package lanes

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/blas/blas64"
)

// With vectors and without all results are the same, at every length and place.
func TestVectorsChangeNothing(t *testing.T) {
	if !vectors {
		t.Skip("this processor has none")
	}
	r := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, 1000)
	raw := make([]byte, 4*len(x))
	for i := range x {
		x[i] = float32(r.NormFloat64())
	}
	for i := range raw {
		raw[i] = byte(r.Uint32())
	}
	for n := range 300 {
		var terms []Term
		for range n % 7 {
			terms = append(terms, Term{x[r.IntN(500):], float32(r.NormFloat64())})
		}
		got, want := make([]float32, n+2), make([]float32, n+2)
		got[n+1], want[n+1] = 5, 5
		Sum(got[:n+1], terms)
		addUp(want[:n+1], terms)
		if !slices.Equal(got, want) {
			t.Fatalf("sums of %d terms, %d samples: %v, want %v", len(terms), n+1, got, want)
		}
		a, b := x[r.IntN(100):][:n], x[200+r.IntN(100):]
		if got, want := Farthest(a, b), widest(a, b); got != want {
			t.Fatalf("farthest of %d is %g, want %g", n, got, want)
		}
		bytes := raw[r.IntN(100):][:4*n]
		left, right, l, r := make([]float32, n), make([]float32, n), make([]float32, n), make([]float32, n)
		Stereo16(left, right, bytes)
		part(l, r, bytes)
		if !slices.Equal(left, l) || !slices.Equal(right, r) {
			t.Fatalf("%d frames are %v and %v, want %v and %v", n, left, right, l, r)
		}
	}
}

// Products are those of rows, of any number and length, and nothing beside them is written.
func TestProducts(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	numbers := make([]float64, 2000)
	for i := range numbers {
		numbers[i] = r.NormFloat64()
	}
	for i := range 80 {
		n, products := 1+i/2, []func(c, a, b blas64.General){Products, oneByOne}[i%2]
		a := blas64.General{Rows: 1 + n%5, Cols: n, Stride: n + n%3, Data: numbers}
		b := blas64.General{Rows: 1 + n%7 + n/10*11, Cols: n, Stride: n%4 + 1, Data: numbers[1000:]} // rows that overlap
		c := blas64.General{Rows: a.Rows, Cols: b.Rows, Stride: b.Rows + 1, Data: slices.Repeat([]float64{7}, a.Rows*(b.Rows+1))}
		products(c, a, b)
		for i := range c.Rows {
			for j := range c.Stride {
				want := 7.0
				if j < c.Cols {
					want = 0
					for k := range n {
						want += a.Data[i*a.Stride+k] * b.Data[j*b.Stride+k]
					}
				}
				if got := c.Data[i*c.Stride+j]; math.Abs(got-want) > 1e-13 {
					t.Fatalf("product %d, %d of %d numbers is %g, want %g", i, j, n, got, want)
				}
			}
		}
	}
}

// What full scale, its least step and silence are.
func TestStereo16(t *testing.T) {
	left, right := make([]float32, 2), make([]float32, 2)
	Stereo16(left, right, []byte{0, 0x80, 0xff, 0x7f, 1, 0, 0xff, 0xff})
	if !slices.Equal(left, []float32{-1, 1. / 32768}) || !slices.Equal(right, []float32{32767. / 32768, -1. / 32768}) {
		t.Errorf("%v and %v", left, right)
	}
}

func TestSum(t *testing.T) {
	x := []float32{1, 2, 3, 4}
	dst := make([]float32, 2)
	Sum(dst, []Term{{x, 10}, {x[2:], -1}})
	if !slices.Equal(dst, []float32{7, 16}) {
		t.Errorf("%v", dst)
	}
}

func TestFarthest(t *testing.T) {
	if got := Farthest([]float32{1, 2, 3}, []float32{1.5, -1, 4}); got != 3 {
		t.Errorf("%g", got)
	}
}

// What a block of 16384 frames takes.
func BenchmarkLanes(b *testing.B) {
	const n = 1 << 14
	left, right, raw := make([]float32, n), make([]float32, n), make([]byte, 4*n)
	b.Run("stereo", func(b *testing.B) {
		for b.Loop() {
			Stereo16(left, right, raw)
		}
	})
	b.Run("farthest", func(b *testing.B) {
		for b.Loop() {
			Farthest(left, right)
		}
	})
	b.Run("sum of 80", func(b *testing.B) {
		terms := make([]Term, 80)
		for i := range terms {
			terms[i] = Term{left[i:], 0.1}
		}
		for b.Loop() {
			Sum(right[:512], terms)
		}
	})
	b.Run("products of 50 and 50 with 300", func(b *testing.B) {
		x, y := blas64.General{Rows: 50, Cols: 300, Stride: 300, Data: make([]float64, 50*300)}, blas64.General{Rows: 50, Cols: 50, Stride: 50, Data: make([]float64, 2500)}
		for b.Loop() {
			Products(y, x, x)
		}
	})
}
