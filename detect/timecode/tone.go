package timecode

import "math"

// oscillator is a complex tone, tabulated: exp(-2πi·hz·n/rate). It is retuned
// only when the pitch has moved, so that a steady one costs nothing.
type oscillator struct {
	hz, rate float64
	cos, sin []float32
}

// retuneHz is how far the pitch may drift before the table is made anew.
const retuneHz = 0.25

func (o *oscillator) tune(hz, rate float64, n int) {
	if math.Abs(hz-o.hz) < retuneHz && rate == o.rate && n <= len(o.cos) {
		return
	}
	o.hz, o.rate = hz, rate
	if cap(o.cos) < n {
		o.cos, o.sin = make([]float32, n), make([]float32, n)
	}
	o.cos, o.sin = o.cos[:n], o.sin[:n]
	for i := range o.cos {
		sin, cos := math.Sincos(2 * math.Pi * math.Mod(hz/rate*float64(i), 1))
		o.cos[i], o.sin[i] = float32(cos), float32(-sin)
	}
}

// Slots are the milliseconds of a second, counted from the onset.
const (
	firstSlot = -5
	lastSlot  = 975 // the next second's mark may come early
	slotCount = lastSlot - firstSlot
)

// slots is one second of audio reduced to a complex sample a millisecond, the
// tone mixed to zero frequency. Components up to about 450 Hz beside it remain.
type slots struct {
	osc    oscillator
	re, im [slotCount]float32
	full   [slotCount]bool // all its audio was there
}

// mix fills s from the tone hz of a second.
func (s *slots) mix(sec *Second, hz float64) {
	s.osc.tune(hz, sec.Rate, int(math.Ceil(1.1*sec.Rate)))
	next := slotStart(sec, firstSlot)
	for k := range slotCount {
		from := next
		next = slotStart(sec, firstSlot+k+1)
		s.full[k] = from >= 0 && next <= len(sec.Audio) && next <= len(s.osc.cos)
		s.re[k], s.im[k] = 0, 0
		if !s.full[k] {
			continue
		}
		audio := sec.Audio[from:next]
		cos, sin := s.osc.cos[from:next], s.osc.sin[from:next]
		var re, im float32
		for i, a := range audio {
			re += a * cos[i]
			im += a * sin[i]
		}
		s.re[k], s.im[k] = re, im
	}
}

// slotStart is the index in Audio at which a slot starts.
func slotStart(sec *Second, slot int) int {
	return int(math.Round(sec.Onset + float64(slot)*sec.Rate/1000))
}

// meter measures the energy of a cell on the tone and on flank frequencies
// beside it.
type meter struct {
	cell
	cos, sin [][]float32 // per flank, slot by slot
	gain     []float64   // per flank: undoes the slots' low-pass
}

// newMeter measures a cell against flanks at multiples of its own resolution,
// where a steady tone leaks nothing.
func newMeter(from, to int) meter {
	length := float64(to-from) / 1000
	multiples := []float64{-4, -3, -2, 2, 3, 4}
	if to-from < 20 {
		multiples = []float64{-3, -2, 2, 3} // the outer ones would lie beyond 450 Hz
	}
	m := meter{cell: cell{from, to, len(multiples)}}
	for _, k := range multiples {
		hz := k / length
		var cos, sin []float32
		for i := range to - from {
			s, c := math.Sincos(2 * math.Pi * hz * float64(i) / 1000)
			cos, sin = append(cos, float32(c)), append(sin, float32(-s))
		}
		x := math.Pi * hz / 1000
		droop := math.Sin(x) / x
		m.cos, m.sin, m.gain = append(m.cos, cos), append(m.sin, sin), append(m.gain, 1/(droop*droop))
	}
	return m
}

// measure returns the energy of the tone in the cell and the mean of that in
// its flanks; false when part of the audio is missing.
func (m *meter) measure(s *slots) (tone, noise float64, ok bool) {
	from, to := m.from-firstSlot, m.to-firstSlot
	re, im := s.re[from:to], s.im[from:to]
	var sumRe, sumIm float32
	for i, full := range s.full[from:to] {
		if !full {
			return 0, 0, false
		}
		sumRe += re[i]
		sumIm += im[i]
	}
	for f := range m.cos {
		cos, sin := m.cos[f][:len(re)], m.sin[f][:len(re)]
		var a, b float32
		for i := range re {
			a += re[i]*cos[i] - im[i]*sin[i]
			b += re[i]*sin[i] + im[i]*cos[i]
		}
		noise += m.gain[f] * (float64(a)*float64(a) + float64(b)*float64(b))
	}
	tone = float64(sumRe)*float64(sumRe) + float64(sumIm)*float64(sumIm)
	return tone, noise / float64(len(m.cos)), true
}
