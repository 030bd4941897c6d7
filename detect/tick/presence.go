package tick

// Power is how strongly the tick of second n shows where it is expected: the
// matched filter's output power in units of the noise, which alone would give
// 1 on average, exponentially distributed. It is false when the second is not
// among those kept.
func (h Heard) Power(n int64) (power float64, ok bool) {
	snaps := h.t.snaps
	for i := len(snaps) - 1; i >= 0 && snaps[i].n >= n; i-- {
		s := snaps[i]
		at := int(h.t.model.at(float64(n)) - s.origin + 0.5)
		if s.n != n || s.noise <= 0 {
			continue
		}
		w := h.t.output(s).w
		if at < 0 || at >= len(w) {
			continue
		}
		z := w[at]
		return float64(real(z)*real(z)+imag(z)*imag(z)) / (s.noise * float64(h.t.length)), true
	}
	return 0, false
}

// Latest is the newest second of which there is a power, or -1.
func (h Heard) Latest() int64 {
	if len(h.t.snaps) == 0 {
		return -1
	}
	return h.t.snaps[len(h.t.snaps)-1].n
}

// PowerSNR is the ratio of the tone in a burst against the noise in 3 kHz, not
// in decibels, that gives an output power of 2: tick and noise alike.
func (h Heard) PowerSNR() float64 {
	return h.t.rate / (3000 * float64(h.t.length))
}
