package audio

import (
	"math"

	"gonum.org/v1/gonum/blas/blas32"

	"timeball/detect/kaiser"
)

// lowestRate is the least rate to which a stream is decimated, Hz: it keeps
// the 3 kHz of audio that carries the edges of a tick.
const lowestRate = 8000

// decimator is a linear-phase low-pass filter that keeps one sample in factor.
// Its delay is taken out: output i belongs to input position i·factor.
type decimator struct {
	factor int
	taps   []float32 // odd length, symmetric
	quad   []float32 // of a tuner, odd length, antisymmetric
	turn   float64   // of a tuner: cycles from one output to the next
	buf    []float32 // input not yet used up, oldest first
	first  int64     // input position of buf[0]
	next   int64     // index of the next output
}

// newDecimator designs the filter by the Kaiser window (Kaiser 1974): pass band
// to 0.425 and 60 dB stop band from 0.575 of the output rate, so that what
// folds back stays above 0.425 of it.
func newDecimator(factor int) *decimator {
	const (
		attenuation = 60.0
		beta        = 5.65326 // 0.1102(A−8.7)
	)
	if factor == 1 {
		return &decimator{factor: 1, taps: []float32{1}}
	}
	transition := 2 * math.Pi * 0.15 / float64(factor)
	half := int(math.Ceil((attenuation - 7.95) / (2.285 * transition) / 2))
	taps := make([]float32, 2*half+1)
	sum := 0.0
	h := make([]float64, len(taps))
	for i := range h {
		t := float64(i - half)
		h[i] = kaiser.Sinc(t/float64(factor)) * kaiser.Window(t/float64(half), beta)
		sum += h[i]
	}
	for i := range h {
		taps[i] = float32(h[i] / sum)
	}
	d := &decimator{factor: factor, taps: taps}
	d.restart(0)
	return d
}

// restart begins at the given input position, as after silence: so that there is
// an output for the first input, too.
func (d *decimator) restart(position int64) {
	d.next = (position + int64(d.factor) - 1) / int64(d.factor)
	silence := (int64(d.half()) + lane - 1) / lane * lane
	d.first = position - silence
	d.buf = append(d.buf[:0], make([]float32, silence)...)
}

// Pitch is where a tuner puts its carrier, Hz, and TunedBand how far to either side
// of it is kept.
const (
	Pitch     = 2000.0
	TunedBand = 1600.0
)

// newTuner is a decimator that takes what lies about carrierHz down to Pitch, as a
// single-sideband receiver does. With h the low-pass and t the time of an output,
//
//	y(t) = 2·Σ x(t−k)·h(k)·cos(2π·((Pitch − carrier)·t + carrier·k)).
func newTuner(rate float64, factor int, carrierHz float64) *decimator {
	const (
		attenuation = 60.0
		beta        = 5.65326
	)
	low := rate / float64(factor)
	// Half way between the band kept and what would fold into it.
	cut := 2 * Pitch / rate
	transition := 2 * math.Pi * 2 * (Pitch - TunedBand) / rate
	half := int(math.Ceil((attenuation - 7.95) / (2.285 * transition) / 2))
	d := &decimator{factor: factor, taps: make([]float32, 2*half+1), quad: make([]float32, 2*half+1)}
	for i := range d.taps {
		k := float64(half - i) // t − k is the frame
		h := 2 * cut * kaiser.Sinc(cut*k) * kaiser.Window(k/float64(half), beta)
		sin, cos := math.Sincos(2 * math.Pi * carrierHz / rate * k)
		d.taps[i], d.quad[i] = float32(h*cos), float32(h*sin)
	}
	d.turn = (Pitch - carrierHz) / low
	silence := (half + lane - 1) / lane * lane
	d.buf, d.first = make([]float32, silence), int64(-silence)
	return d
}

// lane is the number of samples in whose multiples buf is moved on. The order in
// which a dot product is summed depends on where its data lie in memory, and
// the last digit on that; so it depends on the output alone.
const lane = 8

// process appends the outputs that x completes to dst.
func (d *decimator) process(dst, x []float32) []float32 {
	if d.factor == 1 {
		d.next += int64(len(x))
		return append(dst, x...)
	}
	d.buf = append(d.buf, x...)
	n := len(d.taps)
	half := int64(n / 2)
	at := int(d.next*int64(d.factor) - half - d.first)
	taps := blas32.Vector{N: n, Inc: 1, Data: d.taps}
	for ; at+n <= len(d.buf); at += d.factor {
		x := blas32.Vector{N: n, Inc: 1, Data: d.buf[at : at+n]}
		y := blas32.Dot(taps, x)
		if d.quad != nil {
			_, turns := math.Modf(d.turn * float64(d.next))
			sin, cos := math.Sincos(2 * math.Pi * turns)
			y = y*float32(cos) - blas32.Dot(blas32.Vector{N: n, Inc: 1, Data: d.quad}, x)*float32(sin)
		}
		dst = append(dst, y)
		d.next++
	}
	drop := min(at, len(d.buf)) / lane * lane
	kept := copy(d.buf, d.buf[drop:])
	d.buf = d.buf[:kept]
	d.first += int64(drop)
	return dst
}

// half is the number of taps on either side of the middle one.
func (d *decimator) half() int { return len(d.taps) / 2 }

// complete is the number of outputs that the first n inputs give.
func (d *decimator) complete(n int64) int64 {
	return max(0, (n-1-int64(d.half()))/int64(d.factor)+1)
}
