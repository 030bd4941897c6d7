package audio

import (
	"math"
	"slices"

	"timeball/capture/lanes"
	"timeball/detect/kaiser"
)

// lowestRate is the least rate to which a stream is decimated, Hz: it keeps
// the 3 kHz of audio that carries the edges of a tick.
const lowestRate = 8000

// decimator is a linear-phase low-pass filter that keeps one sample in factor.
// Its delay is taken out: output i belongs to input position i·factor.
type decimator struct {
	factor int
	stages []*stage // none: every input is an output
	out    [][]float32
	turn   float64 // of a tuner: cycles from one output to the next
	next   int64   // index of the next output
}

// stage is a filter in polyphase form. Its input lies in as many rows as there are
// inputs to an output, each with every so-manieth of them; an output is a sum over taps,
//
//	out[i] = Σ weight·in[phase][i+shift],
//
// and the order in which an output is summed is the same wherever it lies.
type stage struct {
	outputs   [][]tap // a row each of the stage after it
	low, high int     // least and greatest shift
	in        [][]float32
	first     int64 // index of each row's first sample
	next      int64 // of the next output
	terms     []lanes.Term
}

type tap struct {
	weight       float32
	phase, shift int
}

func newStage(phases int, outputs ...[]tap) *stage {
	s := &stage{outputs: outputs, in: make([][]float32, phases), low: math.MaxInt, high: math.MinInt}
	for _, taps := range outputs {
		for _, t := range taps {
			s.low, s.high = min(s.low, t.shift), max(s.high, t.shift)
		}
	}
	return s
}

// taps are those of a filter of odd length, by input phases, for the output that belongs
// to the input late after the first of its phases.
func taps(h []float64, phases, late int) []tap {
	var all []tap
	for i, w := range h {
		if w != 0 {
			at := i - len(h)/2 + late
			phase := (at%phases + phases) % phases
			all = append(all, tap{float32(w), phase, (at - phase) / phases})
		}
	}
	return all
}

// lowPass is a filter by the Kaiser window (Kaiser 1974): pass and stop are the borders
// of its transition, cycles a sample, attenuation is in dB.
func lowPass(pass, stop, attenuation float64) []float64 {
	cut := pass + stop // in cycles of twice the sample: of half a band, a half
	half := int(math.Ceil((attenuation - 7.95) / (2.285 * 2 * math.Pi * (stop - pass)) / 2))
	h := make([]float64, 2*half+1)
	sum := 0.0
	for i := range h {
		t := float64(i - half)
		h[i] = kaiser.Sinc(cut*t) * kaiser.Window(t/float64(half), 0.1102*(attenuation-8.7))
		if math.Abs(h[i]) < 1e-12 {
			h[i] = 0 // as every other is that halves the band
		}
		sum += h[i]
	}
	for i := range h {
		h[i] /= sum
	}
	return h
}

const (
	// The pass band ends at passes and the stop band begins at stops, of the output rate,
	// so that what folds back stays above passes of it.
	passes, stops = 0.425, 0.575
	attenuation   = 60.0 // dB
	// The first of two stages is that much better, so that the second shapes the band.
	firstAttenuation = 70.0
)

// newDecimator designs the filter. An even factor is taken in two stages, of which the
// second halves the rate and has nought for every other tap: together half the work.
func newDecimator(factor int) *decimator {
	d := &decimator{factor: factor}
	low := 1 / float64(factor) // output rate, cycles a sample
	switch {
	case factor == 1:
		return d
	case factor > 2 && factor%2 == 0:
		// What the first folds back stays out of what the second lets through.
		first := lowPass(passes*low, (2-stops)*low, firstAttenuation)
		d.stages = []*stage{
			newStage(factor, taps(first, factor, 0), taps(first, factor, factor/2)),
			newStage(2, taps(lowPass(passes/2, stops/2, attenuation), 2, 0)),
		}
	default:
		d.stages = []*stage{newStage(factor, taps(lowPass(passes*low, stops*low, attenuation), factor, 0))}
	}
	d.out = make([][]float32, 1)
	d.restart(0)
	return d
}

// restart begins at the given input position, as after silence: so that there is
// an output for the first input, too.
func (d *decimator) restart(position int64) {
	d.next = (position + int64(d.factor) - 1) / int64(d.factor)
	next := d.next
	for _, s := range slices.Backward(d.stages) {
		s.next = next
		next += int64(s.low)
		s.first = next
		for p := range s.in {
			s.in[p] = s.in[p][:0]
		}
	}
	if len(d.stages) > 0 {
		s := d.stages[0]
		s.spread(s.first*int64(d.factor), make([]float32, position-s.first*int64(d.factor)))
	}
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
	// Half way between the band kept and what would fold into it.
	h := lowPass(TunedBand/rate, (2*Pitch-TunedBand)/rate, attenuation)
	inPhase, quadrature := make([]float64, len(h)), make([]float64, len(h))
	for i, v := range h {
		k := float64(len(h)/2 - i) // t − k is the frame
		sin, cos := math.Sincos(2 * math.Pi * carrierHz / rate * k)
		inPhase[i], quadrature[i] = 2*v*cos, 2*v*sin
	}
	d := &decimator{
		factor: factor, turn: (Pitch - carrierHz) / rate * float64(factor), out: make([][]float32, 2),
		stages: []*stage{newStage(factor, taps(inPhase, factor, 0), taps(quadrature, factor, 0))},
	}
	d.restart(0)
	return d
}

// atOnce is the number of outputs that are made together: what that takes stays near the
// processor.
const atOnce = 512

// process appends to dst the outputs that the input x at position completes; it comes
// after what was processed before.
func (d *decimator) process(dst []float32, position int64, x []float32) []float32 {
	if len(d.stages) == 0 {
		d.next += int64(len(x))
		return append(dst, x...)
	}
	for part := range slices.Chunk(x, atOnce*d.factor) {
		d.stages[0].spread(position, part)
		position += int64(len(part))
		for i, s := range d.stages {
			if i+1 < len(d.stages) {
				s.run(d.stages[i+1].in)
			} else {
				s.run(d.out)
			}
		}
		dst = d.take(dst)
	}
	return dst
}

// take appends to dst what has come out.
func (d *decimator) take(dst []float32) []float32 {
	if len(d.out) == 1 {
		dst = append(dst, d.out[0]...)
	} else {
		for i, v := range d.out[0] {
			_, turns := math.Modf(d.turn * float64(d.next+int64(i)))
			sin, cos := math.Sincos(2 * math.Pi * turns)
			dst = append(dst, v*float32(cos)-d.out[1][i]*float32(sin))
		}
	}
	d.next += int64(len(d.out[0]))
	for i := range d.out {
		d.out[i] = d.out[i][:0]
	}
	return dst
}

// spread puts x, whose first sample is the input's at position, into the rows.
func (s *stage) spread(position int64, x []float32) {
	phases := len(s.in)
	for p := range s.in {
		first := int((int64(p)-position)%int64(phases)+int64(phases)) % phases
		if first >= len(x) {
			continue
		}
		n := (len(x)-1-first)/phases + 1
		row := slices.Grow(s.in[p], n)
		row = row[:len(row)+n]
		s.in[p] = row
		at := first
		for i := len(row) - n; i < len(row); i++ {
			row[i] = x[at]
			at += phases
		}
	}
}

// run appends to the rows of out what the input completes, and forgets what no other
// output needs.
func (s *stage) run(out [][]float32) {
	whole := len(s.in[len(s.in)-1])
	n := int(s.first + int64(whole) - int64(s.high) - s.next)
	if n <= 0 {
		return
	}
	at := int(s.next - s.first)
	for r, taps := range s.outputs {
		row := slices.Grow(out[r], n)
		row = row[:len(row)+n]
		out[r] = row
		s.terms = s.terms[:0]
		for _, t := range taps {
			s.terms = append(s.terms, lanes.Term{Samples: s.in[t.phase][at+t.shift:], Weight: t.weight})
		}
		lanes.Sum(row[len(row)-n:], s.terms)
	}
	s.next += int64(n)
	drop := int(s.next + int64(s.low) - s.first)
	for p, row := range s.in {
		s.in[p] = row[:copy(row, row[drop:])]
	}
	s.first += int64(drop)
}

// reach is how many outputs before and after its own an input may show in.
func (d *decimator) reach() int64 {
	sum := 1
	for _, s := range d.stages {
		sum += max(-s.low, s.high)
	}
	return int64(sum)
}
