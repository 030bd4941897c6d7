package timing

import (
	"math"
	"math/cmplx"
)

// chain is a kind of audio chain by what it does to low frequencies: a high-pass
// filter. Being of minimum phase, what it takes from them tells how it turns the
// tone.
type chain struct {
	highPass
	hz    float64 // corner; 0: no filter
	share float64 // of all chains
	// delta is by how much the tone's phase is turned forward at the group's
	// arrival, radians: ω times what the group delay exceeds the phase delay.
	delta  float64
	spread float64 // variance of delta between this chain and its neighbours
	group  float64 // group delay at the tone, samples
	gain   float64 // at the tone
}

// chains lists the chains that are weighed for a tone of omega radians a sample.
func chains(rate, omega float64) []chain {
	tone := omega * rate / (2 * math.Pi)
	all := []chain{flatChain()}
	for _, filter := range highPasses {
		first := len(all)
		for hz := lowestCorner; hz < highestCorner*tone; hz *= cornerStep {
			c := chain{highPass: filter, hz: hz}
			c.measure(omega, tone)
			if c.delta > math.Pi/2 {
				break
			}
			all = append(all, c)
		}
		some := all[first:]
		for i := range some {
			some[i].share = highPassPrior / float64(len(highPasses)) / float64(len(some))
			width := some[min(i+1, len(some)-1)].delta - some[max(i-1, 0)].delta
			some[i].spread = width * width / 48
		}
	}
	first := len(all)
	for hz := lowestCorner; hz < gainControlCorner; hz *= cornerStep {
		all = append(all, chain{highPass: highPass{single: true}, hz: hz, gain: 1})
	}
	for i := range all[first:] {
		all[first+i].share = gainControlPrior / float64(len(all)-first)
	}
	return all
}

// flatChain leaves the phase alone.
func flatChain() chain { return chain{share: flatPrior, gain: 1} }

// flat reports whether c leaves the tone's phase alone.
func (c *chain) flat() bool { return c.delta == 0 }

const (
	lowestCorner  = 4.0  // Hz; one below hardly turns the tone
	highestCorner = 0.45 // of the tone
	cornerStep    = 1.09
	// gainControlCorner, Hz, is that of a first-order filter which takes from the
	// low frequencies what automatic gain control takes that attacks in 6 ms, while
	// it leaves the tone's phase alone (common practice: gain control is slower).
	gainControlCorner = 25.0
	// The shares of chains that are flat, control the gain within a tick, have a
	// high-pass filter, or turn the phase by any angle. From memory of
	// receivers, no more.
	flatPrior, gainControlPrior, highPassPrior, otherPrior = 0.3, 0.05, 0.5, 0.15
)

// highPass is a filter of one corner: of a single pole, if any, and pole pairs with
// the given 1/Q.
type highPass struct {
	single bool
	pairs  []float64
}

// highPasses are Butterworth filters of the orders 1 to 4, and two of the second
// order that are damped more and less.
var highPasses = []highPass{
	{single: true},
	{pairs: []float64{math.Sqrt2}},
	{pairs: []float64{2}},
	{pairs: []float64{0.9}},
	{single: true, pairs: []float64{1}},
	{pairs: []float64{2 * math.Sin(math.Pi/8), 2 * math.Sin(3*math.Pi/8)}},
}

// response of the filter at hz.
func (c *chain) response(hz float64) complex128 {
	s := complex(0, hz/c.hz)
	h := complex(1, 0)
	if c.single {
		h = s / (1 + s)
	}
	for _, d := range c.pairs {
		h *= s * s / (1 + complex(d, 0)*s + s*s)
	}
	return h
}

// measure fills in what the filter does to the tone.
func (c *chain) measure(omega, tone float64) {
	const step = 1e-3
	slope := cmplx.Phase(c.response(tone*(1+step))/c.response(tone*(1-step))) / (2 * step) // dφ/d ln ω
	h := c.response(tone)
	c.group = -slope / omega
	c.delta = math.Mod(cmplx.Phase(h)-slope+2*math.Pi, 2*math.Pi)
	c.gain = cmplx.Abs(h)
}

// lowFine is the number of steps in a sample at which waveforms are computed.
const lowFine = 8

// strokes are a tick of unit amplitude as it is sent, and the rise of the mean
// while it sounds, in steps from one sample before the arrival on, smoothed as by
// straight lines between samples.
func (f *filter) strokes(steps int) (tick, rise []float64) {
	const sub = 4 // for the mean over a step
	length := f.Seconds * f.rate
	if f.Onset {
		length = math.Inf(1)
	}
	tick, rise = make([]float64, steps), make([]float64, steps)
	for i := range tick {
		for k := range sub {
			if t := (float64(i)+(float64(k)+0.5)/sub)/lowFine - 1; t >= 0 && t < length {
				tick[i] += math.Sin(f.omega*t) / sub
				rise[i] += 1.0 / sub
			}
		}
	}
	return smoothed(smoothed(tick)), smoothed(smoothed(rise))
}

// smoothed is x averaged over the last sample.
func smoothed(x []float64) []float64 {
	y := make([]float64, len(x))
	sum := 0.0
	for i, v := range x {
		sum += v
		if i >= lowFine {
			sum -= x[i-lowFine]
		}
		y[i] = sum / lowFine
	}
	return y
}

// through returns the integral over time, in samples, to the end of each step of
// x behind the chain, its gain at the tone taken out.
func (c *chain) through(x []float64, rate float64) []float64 {
	y := append([]float64(nil), x...)
	if c.hz > 0 {
		// Bilinear transform.
		k := math.Tan(math.Pi * c.hz / (rate * lowFine))
		if c.single {
			b, a := 1/(1+k), (k-1)/(1+k)
			var in, out float64
			for i, v := range y {
				out = b*(v-in) - a*out
				in = v
				y[i] = out
			}
		}
		for _, d := range c.pairs {
			b := 1 / (1 + d*k + k*k)
			a1, a2 := 2*(k*k-1)*b, (1-d*k+k*k)*b
			var s1, s2 float64
			for i, v := range y {
				out := b*v + s1
				s1 = -2*b*v - a1*out + s2
				s2 = b*v - a2*out
				y[i] = out
			}
		}
	}
	sum := 0.0
	for i, v := range y {
		sum += v / (lowFine * c.gain)
		y[i] = sum
	}
	return y
}

// place adds to dst the low band of a waveform whose integral is given, a times
// it, that arrives at lag d.
func (b *lowBand) place(dst, integral []float64, d, a float64) {
	value := func(t float64) float64 {
		// The waveform begins a sample early, smoothing has made it late by
		// one less a step, and an entry is the value at the end of its step.
		at := t*lowFine + 2*lowFine - 2
		if at <= 0 {
			return 0
		}
		i := min(int(at), len(integral)-2)
		r := min(1, at-float64(i))
		return integral[i] + r*(integral[i+1]-integral[i])
	}
	last := value(b.from - d)
	for i := range dst {
		next := value(b.from + float64(i+1)*b.width - d)
		dst[i] += a * (next - last)
		last = next
	}
}
