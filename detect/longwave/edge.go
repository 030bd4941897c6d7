package longwave

import (
	"math"
	"math/cmplx"

	"timeball/detect/kaiser"
)

// baseRate is the rate of the base band, samples a second of the flywheel. It holds
// what audio.TunedBand keeps.
const baseRate = 4000

// band is the low-pass of the base band, symmetric and without delay, as taps of the
// stream at fractions of a sample.
type band struct {
	halfHz  float64 // where it ends to pass
	edgeHz  float64 // from there to where it is shut
	rate    float64 // of the stream, Hz
	half    int     // taps on either side
	taps    [][]float32
	noiseHz float64 // width of white noise with the same power
}

const (
	phases   = 512 // an edge is off by 1/1024 sample at most, an eighth of a microsecond
	bandStop = 60  // dB
	bandBeta = 5.65326
)

func newBand(halfHz, edgeHz, rate float64) *band {
	b := &band{halfHz: halfHz, edgeHz: edgeHz, rate: rate}
	b.half = int(math.Ceil((bandStop - 7.95) / (2.285 * 2 * math.Pi * edgeHz / rate) / 2))
	for p := range phases + 1 {
		taps := make([]float32, 2*b.half)
		for i := range taps {
			taps[i] = float32(b.impulse(float64(i-b.half+1)-float64(p)/phases) / rate)
		}
		b.taps = append(b.taps, taps)
	}
	for x := -float64(b.half); x <= float64(b.half); x += 0.25 {
		h := b.impulse(x)
		b.noiseHz += h * h * 0.25 / rate
	}
	return b
}

// impulse is the response x samples after an impulse of area one second, 1/s.
func (b *band) impulse(x float64) float64 {
	cut := 2 * (b.halfHz + b.edgeHz/2) / b.rate
	return cut * kaiser.Sinc(cut*x) * kaiser.Window(x/float64(b.half), bandBeta) * b.rate
}

// pole answers a step by 1 − exp(−(1 + j·turn)·t/tau): of a resonator that is off the
// carrier's frequency, of which what is in phase counts.
type pole struct{ tau, turn float64 }

// delay is the pole's group delay, s.
func (p pole) delay() float64 { return p.tau / (1 + p.turn*p.turn) }

// edge is a step from 0 to 1, through one pole or two and the band.
type edge struct {
	from, step float64 // s
	value      []float64
	slope      []float64 // 1/s
}

// newEdge is the step at time 0 through poles.
func (b *band) newEdge(poles ...pole) *edge {
	const step = 1.0 / (64 * baseRate)
	reach := float64(b.half) / b.rate
	total := 0.0
	for _, p := range poles {
		total += p.tau
	}
	e := &edge{from: -reach, step: step}
	n := int((2*reach + 12*total) / step)
	e.value = make([]float64, n)
	sum := 0.0
	for i := range e.value {
		h := b.impulse((e.from + (float64(i)-0.5)*step) * b.rate)
		sum += h * step
		e.value[i] = sum
	}
	for i := range e.value {
		e.value[i] /= sum
	}
	for _, p := range poles {
		if p.tau == 0 {
			continue
		}
		// Exact for an input that is straight between its points.
		by := complex(step/p.tau, 0) * complex(1, p.turn)
		decay := cmplx.Exp(-by)
		rise := (1 - decay) / by
		var y complex128
		last := 0.0
		for i, x := range e.value {
			y = decay*y + (rise-decay)*complex(last, 0) + (1-rise)*complex(x, 0)
			last = x
			e.value[i] = real(y)
		}
	}
	e.slope = make([]float64, n)
	for i := 1; i < n-1; i++ {
		e.slope[i] = (e.value[i+1] - e.value[i-1]) / (2 * step)
	}
	return e
}

// at is the step's value at a time after it, and its slope.
func (e *edge) at(t float64) (value, slope float64) {
	p := (t - e.from) / e.step
	if p <= 0 {
		return 0, 0
	}
	i := int(p)
	if i >= len(e.value)-1 {
		return 1, 0
	}
	f := p - float64(i)
	return e.value[i] + f*(e.value[i+1]-e.value[i]), e.slope[i] + f*(e.slope[i+1]-e.slope[i])
}

// end is when the step is done.
func (e *edge) end() float64 { return e.from + float64(len(e.value))*e.step }

// DCF77's chips: a register of nine stages with feedback from the fifth and the
// ninth runs through its 511 states, after a zero (PTB; Wikipedia's article on
// DCF77 for the feedback). Of a chip 1 the phase is on one side, of a 0 on the other.
const (
	chipFirst  = 15500 / 77500.0 // s after the second
	chipLength = 120 / 77500.0   // s
	chipCount  = 512
)

var chipSigns = func() (signs [chipCount]float64) {
	register := 0
	for i := range signs {
		bit := register & 1
		signs[i] = 2*float64(bit) - 1
		register >>= 1
		if bit == 1 || register == 0 {
			register ^= 0x110
		}
	}
	return signs
}()

// chips is the phase code through the edge e, with its slope by time, sampled from
// sample first of the base band on, when it comes later by lag s. It is 1 for a chip
// 1, −1 for a 0, and 0 outside.
func (e *edge) chips(code, slope []float64, first int, lag float64) {
	clear(code)
	clear(slope)
	done := make([]float64, len(code)+1) // steps that are over from a sample on
	level, step := 0.0, 0.0
	reach := e.end()
	for c := 0; c <= chipCount; c++ {
		to := 0.0
		if c < chipCount {
			to = chipSigns[c]
		}
		step, level = to-level, to
		if step == 0 {
			continue
		}
		at := chipFirst + chipLength*float64(c) + lag
		lo := max(0, int(math.Ceil((at+e.from)*baseRate))-first)
		hi := min(len(code), int((at+reach)*baseRate)+1-first)
		for i := lo; i < hi; i++ {
			v, s := e.at(float64(i+first)/baseRate - at)
			code[i] += step * v
			slope[i] += step * s
		}
		done[min(max(hi, 0), len(code))] += step
	}
	level = 0
	for i := range code {
		level += done[i]
		code[i] += level
	}
}
