package marker

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// shape is a pulse as a source and a sound card's linear-phase converter make
// it. Everything is computed from the continuous-time response, so the on-time
// edge is known exactly.
type shape struct {
	name     string
	rate     float64 // Hz
	width    float64 // s
	inverted bool
	couple   float64 // corner of the AC coupling, Hz
	ring     float64 // ringing after each edge: relative amplitude,
	ringHz   float64 // frequency,
	ringTau  float64 // decay, s
	rise     float64 // of an edge that rises in a straight line, s
	band     float64 // -6 dB point of the converter, cycles per sample; 0.5 when zero
}

// respond is the answer to a step at u = 0, sampled at u samples after it.
type respond struct {
	tables  []complexTable
	samples int     // beyond which it is zero
	rise    float64 // samples
	far     float64 // by which a slow edge is more than a sharp one, long after it
}

type complexTable struct {
	weight complex128
	decay  complex128 // per sample
	table  []complex128
	// Beyond the table: what is left at u, and what a sample leaves of it.
	u          float64
	rest, keep complex128
}

const (
	convTaps = 64  // half length of the converter's decimator, samples
	convStep = 512 // table entries per sample
)

// converter is a linear-phase decimator: a sinc with a Hann window.
func (s shape) converter(u float64) float64 {
	band := s.band
	if band == 0 {
		band = 0.5
	}
	if math.Abs(u) >= convTaps {
		return 0
	}
	w := 0.5 + 0.5*math.Cos(math.Pi*u/convTaps)
	x := 2 * band * u
	if x == 0 {
		return w * 2 * band
	}
	return w * 2 * band * math.Sin(math.Pi*x) / (math.Pi * x)
}

func (s shape) respond() *respond {
	r := &respond{rise: s.rise * s.rate}
	add := func(weight, decay complex128) {
		t := complexTable{weight: weight, decay: decay, table: make([]complex128, 2*convTaps*convStep+1), keep: cmplx.Exp(-decay)}
		keep := cmplx.Exp(-decay / convStep)
		half := cmplx.Exp(-decay / (2 * convStep))
		for i := 1; i < len(t.table); i++ {
			u := (float64(i)-0.5)/convStep - convTaps
			t.table[i] = t.table[i-1]*keep + complex(s.converter(u)/convStep, 0)*half
		}
		r.tables = append(r.tables, t)
	}
	lambda := 2 * math.Pi * s.couple / s.rate
	add(1, complex(lambda, 0))
	if s.ring != 0 {
		// ring*exp(-t/tau)*sin(2 pi f t)
		add(complex(0, s.ring), complex(1/(s.ringTau*s.rate), 2*math.Pi*s.ringHz/s.rate))
	}
	r.samples = convTaps + int(min(20/max(lambda, 1e-3), s.rate)+r.rise)
	if x := lambda * r.rise / 2; x > 0 { // the mean of an exponential over the rise; what rises slowly does not ring
		r.far = math.Sinh(x) / x
	}
	return r
}

// at has its middle at u = 0.
func (r *respond) at(u float64) float64 {
	if r.rise == 0 {
		return r.step(u)
	}
	if u < -r.rise-convTaps {
		return 0
	}
	if u > r.rise/2+convTaps {
		return r.far * r.step(u)
	}
	const parts = 50
	v := 0.0
	for k := range parts {
		v += r.step(u-r.rise*((float64(k)+0.5)/parts-0.5)) / parts
	}
	return v
}

func (r *respond) step(u float64) float64 {
	x := (u + convTaps) * convStep
	if x <= 0 {
		return 0
	}
	v := complex(0, 0)
	for k := range r.tables {
		t := &r.tables[k]
		i := int(x)
		if i >= len(t.table)-1 {
			if u == t.u+1 { // as it mostly is
				t.rest *= t.keep
			} else {
				last := len(t.table) - 1
				t.rest = t.table[last] * cmplx.Exp(-t.decay*complex((x-float64(last))/convStep, 0))
			}
			t.u = u
			v += t.weight * t.rest
			continue
		}
		f := complex(x-float64(i), 0)
		v += t.weight * (t.table[i] + f*(t.table[i+1]-t.table[i]))
	}
	return real(v)
}

// bound is the Cramér-Rao bound of the leading edge, in frames, for unit
// amplitude and the given noise: sigma/sqrt(sum of squared slopes). The trailing
// edge counts when it is so near that the template's window shows it.
func (s shape) bound(noise float64) float64 {
	r := s.respond()
	const dt = 1e-3
	sum := 0.0
	for k := -60; k <= 60; k++ {
		u := float64(k) + 0.3
		f := func(u float64) float64 {
			v := r.at(u)
			if s.width*s.rate < after {
				v -= r.at(u - s.width*s.rate)
			}
			return v
		}
		g := (f(u+dt) - f(u-dt)) / (2 * dt)
		sum += g * g
	}
	return noise / math.Sqrt(sum)
}

// add puts a pulse of the given amplitude with its leading edge at position
// (frames from the start of x) into x.
func (s shape) add(r *respond, x []float32, position, amplitude float64) {
	if s.inverted {
		amplitude = -amplitude
	}
	for _, e := range []struct{ at, sign float64 }{{position, 1}, {position + s.width*s.rate, -1}} {
		from := max(0, int(e.at-r.rise)-convTaps)
		to := min(len(x), int(e.at)+r.samples)
		for n := from; n < to; n++ {
			x[n] += float32(e.sign * amplitude * r.at(float64(n)-e.at))
		}
	}
}

// recording is a channel with pulses at the given positions in white noise.
func (s shape) recording(seconds float64, positions []float64, amplitude, noise float64, seed uint64) []float32 {
	x := s.noise(seconds, noise, seed)
	r := s.respond()
	for _, p := range positions {
		s.add(r, x, p, amplitude)
	}
	return x
}

// regular are positions once a second from first, with a sample clock that is
// out by ppm.
func regular(rate, first float64, n int, ppm float64) []float64 {
	p := make([]float64, n)
	for i := range p {
		p[i] = first + float64(i)*rate*(1+ppm*1e-6)
	}
	return p
}

// process runs a detector over x in blocks of the given length.
func process(d *Detector, x []float32, block int) []Pulse {
	var out []Pulse
	for i := 0; i < len(x); i += block {
		out = append(out, d.Process(int64(i), x[i:min(i+block, len(x))])...)
	}
	return append(out, d.Flush()...)
}

// noise is a channel of white noise.
func (s shape) noise(seconds, rms float64, seed uint64) []float32 {
	x := make([]float32, int(seconds*s.rate))
	if rms == 0 {
		return x
	}
	rng := rand.New(rand.NewPCG(seed, 1))
	for i := range x {
		x[i] = float32(rms * rng.NormFloat64())
	}
	return x
}
