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

// band makes c the products of x, n numbers, with each of count rows of b, four or more, which
// begin stride apart, and d those of y.
//
//go:noescape
func band(c, d *float64, n int, x, y, b *float64, stride, count int)
