package timecode

import (
	"math"

	"timeball/detect/tone"
)

// retuneHz is how far the pitch may drift before a plan is made anew: so a steady
// one costs nothing.
const retuneHz = 0.25

// retune plans a tone of hz at a rate, both Hz, for n samples, if it must.
func retune(t *tone.Tone, hz, rate float64, n int) {
	if math.Abs(hz-t.Cycles()*rate) >= retuneHz || n > t.Len() {
		t.Tune(hz/rate, n)
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
	plan   tone.Tone
	re, im [slotCount]float32
	full   [slotCount]bool // all its audio was there
}

// mix fills s from the tone hz of a second.
func (s *slots) mix(sec *Second, hz float64) {
	retune(&s.plan, hz, sec.Rate, int(math.Ceil(1.1*sec.Rate)))
	next := slotStart(sec, firstSlot)
	for k := range slotCount {
		from := next
		next = slotStart(sec, firstSlot+k+1)
		s.full[k] = from >= 0 && next <= len(sec.Audio) && next <= s.plan.Len()
		s.re[k], s.im[k] = 0, 0
		if !s.full[k] {
			continue
		}
		z := s.plan.From(from, sec.Audio[from:next])
		s.re[k], s.im[k] = float32(real(z)), float32(imag(z))
	}
}

// slotStart is the index in Audio at which a slot starts.
func slotStart(sec *Second, slot int) int {
	return int(math.Floor(sec.Onset + float64(slot)*sec.Rate/1000 + 0.5))
}

// meter measures the energy of a cell on the tone and on flank frequencies
// beside it.
type meter struct {
	cell
	flanks []*tone.Tone // slot by slot
	gain   []float64    // per flank: undoes the slots' low-pass
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
		x := math.Pi * hz / 1000
		droop := math.Sin(x) / x
		m.flanks, m.gain = append(m.flanks, tone.New(hz/1000, to-from)), append(m.gain, 1/(droop*droop))
	}
	return m
}

// measure returns the energy of the tone in the cell and the mean of that in
// its flanks; false when part of the audio is missing.
func (m *meter) measure(s *slots) (energy, noise float64, ok bool) {
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
	for f, flank := range m.flanks {
		noise += m.gain[f] * sqAbs(flank.OfComplex(re, im))
	}
	energy = float64(sumRe)*float64(sumRe) + float64(sumIm)*float64(sumIm)
	return energy, noise / float64(len(m.flanks)), true
}
