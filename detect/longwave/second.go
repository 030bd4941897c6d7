package longwave

import (
	"math"
	"math/cmplx"

	"timeball/capture/station"
	"timeball/detect/logsum"
	"timeball/detect/longwave/pulsecode"
	"timeball/detect/tone"
)

// A cut holds the base band from before a second's start to after it, in seconds of
// the flywheel: all of the second before, and the edge.
const (
	cutBefore = 1.02
	cutAfter  = 0.21
	cutFirst  = -int(cutBefore * baseRate)
	cutLength = int((cutBefore + cutAfter) * baseRate)
)

// cutter takes the base band of one carrier from a stream.
type cutter struct {
	*band
	raw   []float32
	mixed [2][]float32
	z     []complex128
}

// index is the place in a cut of a time after the second's start, s.
func index(t float64) int { return int(math.Round(t*baseRate)) - cutFirst }

// cut fills z with the second that starts at a place of the stream, each lasting
// period samples, hz being where the carrier is. The phase of z at the second's start
// is that of the carrier. It reports false when the stream does not hold it.
func (c *cutter) cut(s stream, start, period, hz float64) bool {
	first := int64(math.Floor(start-cutBefore*period)) - int64(c.half)
	n := int((cutBefore+cutAfter)*period) + 2*c.half + 4
	if len(c.raw) != n {
		c.raw = make([]float32, n)
		c.mixed = [2][]float32{make([]float32, n), make([]float32, n)}
		c.z = make([]complex128, cutLength)
	}
	if first < 0 || !s.Copy(c.raw, first) {
		return false
	}
	for i, turn := range tone.Rotating(hz/c.rate, 2*tone.Turn(hz/c.rate, float64(first)-start), n) {
		x := c.raw[i]
		c.mixed[0][i], c.mixed[1][i] = x*float32(real(turn)), x*float32(imag(turn))
	}
	step := period / baseRate
	for j := range c.z {
		at := start + float64(j+cutFirst)*step - float64(first)
		whole := int(at)
		f := (at - float64(whole)) * phases
		taps := c.taps[int(f+0.5)]
		from := whole - c.half + 1
		c.z[j] = complex(float64(dot(taps, c.mixed[0][from:])), float64(dot(taps, c.mixed[1][from:])))
	}
	return true
}

func dot(a, b []float32) float32 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float32
	i := 0
	for ; i+4 <= len(a); i += 4 {
		s0 += a[i] * b[i]
		s1 += a[i+1] * b[i+1]
		s2 += a[i+2] * b[i+2]
		s3 += a[i+3] * b[i+3]
	}
	for ; i < len(a); i++ {
		s0 += a[i] * b[i]
	}
	return s0 + s1 + s2 + s3
}

// mean is that of z over a span of times, s.
func (c *cutter) mean(from, to float64) complex128 {
	var sum complex128
	lo, hi := index(from), index(to)
	for _, z := range c.z[lo:hi] {
		sum += z
	}
	return sum / complex(float64(hi-lo), 0)
}

// plan is how a station's seconds are looked at. Times are in seconds after the
// second's start.
type plan struct {
	*station.Station
	symbols []pulsecode.Symbol
	// full is when the carrier is at its full level, whatever is sent, next to the
	// edge; the phase is taken there.
	fullFrom, fullTo float64
	// edgeFrom to edgeTo hold the edge and nothing else.
	edgeFrom, edgeTo float64
	slots            [][slotCount]bool // whether each symbol is keyed in each tenth of a second
	keyed            keyed             // the level then, over the full one
	slotSeconds      float64           // of the full level, whose noise a slot has
	telling          []int             // slots that hold nothing else
	element          element           // of a station of ramps
}

// ramps reports whether marks are in the phase.
func (p *plan) ramps() bool { return p.Keying == station.PhaseRamps }

// WWVB's phase turns over while the level is low (Wikipedia, Lowe 2012): a step of
// level, in phase. It is looked at in the second before the cut's edge, from turnFrom to
// turnTo, where no mark has an edge; and whether it turned is told by the full level
// that the second before that ends with, from endedFrom to endedTo.
const (
	turnAt             = 0.1 - 1
	turnFrom, turnTo   = turnAt - 0.06, turnAt + 0.06
	endedFrom, endedTo = -1.018, -1.003
)

const (
	slotCount = 10
	slotGuard = 0.012 // s at a slot's start that its edges may fill
)

func newPlan(s *station.Station) *plan {
	p := &plan{Station: s, symbols: pulsecode.Symbols(s.Code.Kind), edgeFrom: -0.09, edgeTo: 0.09, slotSeconds: 0.098 - slotGuard}
	for i := range slotCount {
		p.telling = append(p.telling, i)
	}
	longest := 0.0
	for _, l := range s.Lengths() {
		longest = max(longest, l)
	}
	p.fullFrom, p.fullTo = longest-1+0.02, -0.004
	if s.Keying == station.CarrierRaised {
		shortest := s.Lengths()[0]
		p.fullFrom, p.fullTo = 0.012, shortest-0.004
	}
	if s.Phase.Kind == "dcf77" {
		// The whole of a phase code has no mean.
		p.fullFrom, p.fullTo = chipFirst-1, chipFirst-1+chipCount*chipLength
		p.edgeFrom = -0.006
	}
	if p.ramps() {
		p.element = elementOf(s)
		p.fullFrom, p.fullTo = -rampGuard, -0.004
		p.edgeFrom, p.edgeTo = 0.004, p.element.length-0.004
		p.slotSeconds = p.element.length * p.element.sineSquare()
		p.telling = []int{0, 1, slotCount - 1} // between them go other data
	}
	p.keyed = keyed{1 - s.Depth, depthU * depthU}
	for _, symbol := range p.symbols {
		var slot [slotCount]bool
		for i := range slot {
			slot[i] = p.level(symbol, float64(i)/slotCount+0.05) < 1
		}
		p.slots = append(p.slots, slot)
	}
	return p
}

// level is that of a symbol at a time, the full one being 1.
func (p *plan) level(s pulsecode.Symbol, t float64) float64 {
	keyed := false
	for _, at := range s {
		if t > at {
			keyed = !keyed
		}
	}
	if keyed == (p.Keying == station.CarrierRaised) {
		return 1
	}
	return 1 - p.Depth
}

// Slots stray from their levels by this share of the full level, beside noise: by
// filters, fading within a second and what is known of the depth. No slot counts for
// more than slotCap units of log-likelihood: a discharge of lightning must not decide.
const (
	slotStray = 0.05
	slotCap   = 12
)

// keyed is what is known of a level, over the full one: its mean and variance.
type keyed struct{ mean, variance float64 }

// depthU is how well the table's depth of a station is what is heard of it, of the full
// level (common practice: the operators give it to a tenth or so, and a receiver's gain
// moves it); anyKeyed is the level of whatever else is keyed.
const depthU = 0.1

var anyKeyed = keyed{0.2, 0.3 * 0.3}

// learn takes the level in a slot that is keyed unless its mark is left out, which then is
// the full one. Thus what a depth tells for a station or against it counts once and not in
// every second.
func (k *keyed) learn(x, noise float64) {
	if math.Abs(x-1) < math.Abs(x-k.mean) {
		return
	}
	const share = 0.05 // it may change within some tens of seconds
	gain := k.variance / (k.variance + slotStray*slotStray + noise)
	k.variance *= 1 - gain
	k.mean += max(gain, share) * (x - k.mean)
}

// fit is the log-likelihood of a slot's level, if it is keyed and if it is not.
func (k keyed) fit(x, noise float64) (on, off float64) {
	v := slotStray*slotStray + noise
	log := func(d, v float64) float64 { return -min(slotCap, d*d/(2*v)) }
	return log(x-k.mean, v+k.variance) - math.Log1p(k.variance/v)/2, log(x-1, v)
}

// weigh returns the log-likelihood of each symbol for the second before the cut's
// edge, from the levels of its slots over the full one.
func (p *plan) weigh(level [slotCount]float64, noise float64) []float64 {
	symbols := make([]float64, len(p.slots))
	for _, k := range p.telling {
		on, off := p.keyed.fit(level[k], noise)
		for i, slot := range p.slots {
			if slot[k] {
				symbols[i] += on
			} else {
				symbols[i] += off
			}
		}
	}
	return symbols
}

// anything is the log-likelihood of slots at any of the two levels.
func (p *plan) anything(level [slotCount]float64, noise float64, any keyed) (sum float64) {
	for _, k := range p.telling {
		on, off := any.fit(level[k], noise)
		sum += logsum.Add(on, off) - math.Ln2
	}
	return sum
}

// keyedSlot is one that is keyed in every second with a mark; fullSlot is the level of one
// that is not.
func (p *plan) keyedSlot() int {
	if p.Keying == station.CarrierRaised {
		return slotCount - 1
	}
	return 0
}

func (p *plan) fullSlot(h heardSecond) float64 {
	if p.ramps() {
		return h.amplitude
	}
	return h.level[slotCount-1-p.keyedSlot()]
}

// heardSecond is what one cut says.
type heardSecond struct {
	phase, amplitude float64            // of the full carrier at the second's start
	drift            float64            // Hz, from the phase's turn across the full level
	noise            float64            // variance of a sample of one component
	level            [slotCount]float64 // of the carrier in each tenth of the second before
	step             float64            // by how much its level changes at the second's start, as a mark would
}

// hear looks at a cut; off is by how much the carrier is off, Hz, as known so far.
func (p *plan) hear(c *cutter, off float64) heardSecond {
	var h heardSecond
	// Turned by off about the second's start.
	for j := range c.z {
		c.z[j] *= cmplx.Rect(1, -2*math.Pi*off*float64(j+cutFirst)/baseRate)
	}
	full := c.mean(p.fullFrom, p.fullTo)
	h.amplitude, h.phase = cmplx.Abs(full), cmplx.Phase(full)
	middle := (p.fullFrom + p.fullTo) / 2
	first, second := c.mean(p.fullFrom, middle), c.mean(middle, p.fullTo)
	h.drift = cmplx.Phase(second*cmplx.Conj(first)) / (2 * math.Pi * (p.fullTo - p.fullFrom) / 2)
	back := cmplx.Rect(1, -h.phase)
	for j := range c.z {
		c.z[j] *= back
	}
	lo, hi := index(p.edgeFrom), index(p.edgeTo)
	if p.ramps() {
		lo, hi = index(p.fullFrom), index(p.fullTo)
	}
	var sum, square float64
	for _, z := range c.z[lo:hi] {
		sum += imag(z)
		square += imag(z) * imag(z)
	}
	n := float64(hi - lo)
	h.noise = square/n - sum*sum/(n*n)
	if p.ramps() {
		p.hearRamps(c, &h)
		return h
	}
	for i := range h.level {
		from := float64(i)/slotCount - 1
		h.level[i] = cmplx.Abs(c.mean(from+slotGuard, from+0.098))
	}
	h.step = cmplx.Abs(c.mean(0.015, p.edgeTo)) - cmplx.Abs(c.mean(max(p.edgeFrom, -0.08), -0.002))
	if p.Keying == station.CarrierReduced {
		h.step = -h.step
	}
	return h
}
