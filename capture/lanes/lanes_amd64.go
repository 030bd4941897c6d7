package lanes

import "golang.org/x/sys/cpu"

// vectors: of eight samples, as processors have had since 2013.
var vectors = cpu.X86.HasAVX2

// Their lengths are multiples of atOnce, but that of dst, which is no less.

//go:noescape
func sum(dst []float32, terms []Term)

//go:noescape
func farthest(a, b []float32) float32

//go:noescape
func stereo16(left, right []float32, raw []byte)

//go:noescape
func dots(sums *[16]float64, x, a, b, c, d []float64)
