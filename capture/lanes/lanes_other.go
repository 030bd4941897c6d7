//go:build !amd64

package lanes

const vectors, multiply = false, false

func sum(dst []float32, terms []Term)                                { panic("no vectors") }
func farthest(a, b []float32) float32                                { panic("no vectors") }
func stereo16(left, right []float32, raw []byte)                     { panic("no vectors") }
func band(c, d *float64, n int, x, y, b *float64, stride, count int) { panic("no vectors") }
