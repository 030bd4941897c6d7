package longwave

import (
	"math"
	"math/cmplx"

	"timeball/capture/station"
)

// element is a mark of station.PhaseRamps from its start on: in its first quarter the
// phase rises from its mean to the deviation, in the next two it falls to the opposite,
// in the last it comes back. Any low-pass rounds its corners alike on either side of the
// middle, so that only delays show.
type element struct{ length, radians, delay float64 }

// phase is that at a time, and its slope by time.
func (e element) phase(t float64) (phase, slope float64) {
	quarter := e.length / 4
	x := (t - e.delay) / quarter
	switch slope = e.radians / quarter; {
	case x <= 0 || x >= 4:
		return 0, 0
	case x < 1:
		return e.radians * x, slope
	case x < 3:
		return e.radians * (2 - x), -slope
	}
	return e.radians * (x - 4), slope
}

// at is what it makes of a carrier of level 1 in quadrature, with the slope.
func (e element) at(t float64) (value, slope float64) {
	phase, s := e.phase(t)
	sin, cos := math.Sincos(phase)
	return sin, s * cos
}

// sineSquare is the mean square of the element in quadrature.
func (e element) sineSquare() float64 { return 0.5 - math.Sin(2*e.radians)/(4*e.radians) }

// share is how much of an element that starts at a time after the cut's edge there is in
// the cut, by what is in quadrature: 1 of a whole one, about 0 of none.
func (e element) share(c *cutter, from, amplitude float64) float64 {
	sum := 0.0
	lo, hi := index(from), index(from+e.length)
	for i, z := range c.z[lo:hi] {
		v, _ := e.at(float64(i) / baseRate)
		sum += imag(z) * v
	}
	return sum / (float64(hi-lo) * e.sineSquare() * amplitude)
}

// hearRamps fills in what hear does for stations that key a level: an element counts
// for the keyed level, 0, and its absence for the full one.
func (p *plan) hearRamps(c *cutter, h *heardSecond) {
	for i := range h.level {
		h.level[i] = h.amplitude * (1 - p.element.share(c, float64(i)/slotCount-1, h.amplitude))
	}
	h.step = h.amplitude * p.element.share(c, 0, h.amplitude)
}

// rampGuard is how long before an element the phase rests, s (Wikipedia, a tenth of a
// second), and a little less.
const rampGuard = 0.09

// foldRamps finds where in the second an element comes in all seconds, after a rest of
// the phase. A profile holds the carrier at foldRate, from the start of a second on for
// as long as a rest and an element after it.
func foldRamps(profiles [][]complex128, e element) (at, score, depth float64) {
	const guard = int(rampGuard * foldRate)
	length := int(math.Round(e.length * foldRate))
	shape := make([]float64, length)
	for k := range shape {
		shape[k], _ = e.at((float64(k) + 0.5) / foldRate)
	}
	n := float64(len(profiles))
	for i := range foldRate {
		var sum, square float64
		for _, p := range profiles {
			var rest complex128
			for _, z := range p[i : i+guard] {
				rest += z
			}
			size := cmplx.Abs(rest)
			if size == 0 {
				continue
			}
			share, moved := 0.0, 0.0
			for k, z := range p[i+guard : i+guard+length] {
				share += imag(z*cmplx.Conj(rest)) * shape[k]
			}
			for _, z := range p[i : i+guard] {
				moved += imag(z*cmplx.Conj(rest)) * imag(z*cmplx.Conj(rest))
			}
			// Over the mean level, and less what the phase strays in its rest.
			share /= size * size / float64(guard) * float64(length) * e.sineSquare()
			share -= math.Sqrt(moved/float64(guard)) * float64(guard) / (size * size)
			sum += share
			square += share * share
		}
		mean := sum / n
		sigma := math.Sqrt(max(square/n-mean*mean, 1e-4*mean*mean) / n)
		if mean > depth {
			at, score, depth = float64(i+guard)/foldRate, mean/sigma, mean
		}
	}
	return at, score, depth
}

// elementOf is the mark of a station of ramps.
func elementOf(s *station.Station) element {
	return element{length: s.Lengths()[0], radians: s.Phase.Radians}
}
