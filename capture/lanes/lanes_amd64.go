package lanes

import "golang.org/x/sys/cpu"

// vectors: of eight samples, as processors have had since 2013.
var vectors = cpu.X86.HasAVX2

// multiply: vectors that are multiplied and added up at once.
var multiply = vectors && cpu.X86.HasFMA

// Their lengths are multiples of atOnce, but that of dst, which is no less.

//go:noescape
func sum(dst []float32, terms []Term)

//go:noescape
func farthest(a, b []float32) float32

//go:noescape
func stereo16(left, right []float32, raw []byte)

// tile makes sums the products of x and y, n numbers each, a multiple of four, with a, b, c
// and d: those of x first.
//
//go:noescape
func tile(sums *[8]float64, n int, x, y, a, b, c, d *float64)
