// Package tone measures tones in sound. A Tone is a plan like those of gonum's
// transforms: made once for a frequency and a length, it correlates any stretch of
// sound with the frequency.
package tone

import (
	"iter"
	"math"
	"math/cmplx"
)

// Tone tabulates exp(-2πi·f·n) for a frequency f of so many cycles a sample.
type Tone struct {
	cycles   float64
	cos, sin []float32
}

// New plans a tone of n samples.
func New(cycles float64, n int) *Tone {
	t := &Tone{}
	t.Tune(cycles, n)
	return t
}

// Windowed plans a tone weighted by a window, sample by sample: Of is then the sum of
// w[i]·x[i]·exp(-2πi·f·i).
func Windowed(cycles float64, w []float64) *Tone {
	t := New(cycles, len(w))
	for i, v := range w {
		t.cos[i], t.sin[i] = float32(v*float64(t.cos[i])), float32(v*float64(t.sin[i]))
	}
	return t
}

// Tune plans t anew. Room that it has is used again.
func (t *Tone) Tune(cycles float64, n int) {
	t.cycles = cycles
	if cap(t.cos) < n {
		t.cos, t.sin = make([]float32, n), make([]float32, n)
	}
	t.cos, t.sin = t.cos[:n], t.sin[:n]
	for i := range t.cos {
		sin, cos := math.Sincos(2 * math.Pi * math.Mod(cycles*float64(i), 1))
		t.cos[i], t.sin[i] = float32(cos), float32(-sin)
	}
}

// Cycles is the frequency, cycles a sample.
func (t *Tone) Cycles() float64 { return t.cycles }

// Len is the number of samples it was planned for.
func (t *Tone) Len() int { return len(t.cos) }

// chunk is how many products are summed in single precision before they are added
// up in double: its rounding stays that of a sample.
const chunk = 64

// Of is the sum of x[i]·exp(-2πi·f·i): twice that over the number of samples is the
// amplitude of a tone with its phase at the first. x is no longer than t.
func (t *Tone) Of(x []float32) complex128 { return t.From(0, x) }

// From is the same with the phase counted from so many samples before x.
func (t *Tone) From(first int, x []float32) complex128 {
	cos, sin := t.cos[first:first+len(x)], t.sin[first:first+len(x)]
	var re, im float64
	for len(x) > 0 {
		n := min(len(x), chunk)
		c, s := cos[:n], sin[:n]
		var a, b float32
		for i, v := range x[:n] {
			a += v * c[i]
			b += v * s[i]
		}
		re, im = re+float64(a), im+float64(b)
		x, cos, sin = x[n:], cos[n:], sin[n:]
	}
	return complex(re, im)
}

// OfComplex is Of for complex samples.
func (t *Tone) OfComplex(re, im []float32) complex128 {
	c, s := t.cos[:len(re)], t.sin[:len(re)]
	im = im[:len(re)]
	var a, b float32
	for i := range re {
		a += re[i]*c[i] - im[i]*s[i]
		b += re[i]*s[i] + im[i]*c[i]
	}
	return complex(float64(a), float64(b))
}

// Power is the mean square of the component of x at a frequency that is not worth a
// plan, cycles a sample (Goertzel's algorithm).
func Power[S float32 | float64](x []S, cycles float64) float64 {
	c := 2 * math.Cos(2*math.Pi*cycles)
	var s1, s2 float64
	for _, v := range x {
		s1, s2 = float64(v)+c*s1-s2, s1
	}
	n := float64(len(x))
	return 2 * (s1*s1 + s2*s2 - c*s1*s2) / (n * n)
}

// Turn is exp(-2πi·f·n): how a tone's phase has moved after n samples.
func Turn(cycles, n float64) complex128 {
	return cmplx.Rect(1, -2*math.Pi*math.Mod(cycles*n, 1))
}

// Rotating are n values of phase·exp(-2πi·f·i), with which sound is mixed down: by a product
// each, and anew now and then, lest roundings add up.
func Rotating(cycles float64, phase complex128, n int) iter.Seq2[int, complex128] {
	return func(yield func(int, complex128) bool) {
		turn, now := Turn(cycles, 1), phase
		for i := range n {
			if i%512 == 0 {
				now = phase * Turn(cycles, float64(i))
			}
			if !yield(i, now) {
				return
			}
			now *= turn
		}
	}
}

// Sums are running sums of sound times a tone: what a stretch of it correlates with
// the tone is a difference of two.
type Sums struct{ re, im []float64 }

// Take begins anew with x, which is no longer than t. Room that s has is used again.
func (s *Sums) Take(t *Tone, x []float32) {
	if cap(s.re) <= len(x) {
		s.re, s.im = make([]float64, len(x)+1), make([]float64, len(x)+1)
	}
	s.re, s.im = s.re[:len(x)+1], s.im[:len(x)+1]
	cos, sin := t.cos[:len(x)], t.sin[:len(x)]
	var re, im float64
	for i, v := range x {
		re += float64(v * cos[i])
		im += float64(v * sin[i])
		s.re[i+1], s.im[i+1] = re, im
	}
}

// Between is the sum of x[i]·exp(-2πi·f·i) for i in [from, to).
func (s *Sums) Between(from, to int) complex128 {
	return complex(s.re[to]-s.re[from], s.im[to]-s.im[from])
}
