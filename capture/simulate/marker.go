package simulate

import (
	"math"
	"math/rand/v2"
	"sync"
)

// Times in this file are seconds since the first frame, on UTC.

// offsetAt is the local clock minus UTC at t.
func (m *Marker) offsetAt(t float64) float64 {
	x := m.OffsetSeconds + m.RateError*t
	for _, s := range m.Steps {
		switch {
		case t < s.AtSeconds:
		case t < s.AtSeconds+s.OverSeconds:
			x -= s.BySeconds * (t - s.AtSeconds) / s.OverSeconds
		default:
			x -= s.BySeconds
		}
	}
	return x
}

// pulse is one output of the clock.
type pulse struct {
	at   float64 // middle of the leading edge
	due  bool    // a second of the local clock; else a false pulse
	sent bool
}

// pulseTrain lists a clock's pulses in order.
type pulseTrain struct {
	m        *Marker
	seed     uint64
	fraction float64 // of the UTC second at the first frame
	second   int64   // next local second, from the UTC second before the first frame
}

func newPulseTrain(m *Marker, seed uint64, fraction float64) *pulseTrain {
	// Begin early enough for whatever steps and jitter do; whole seconds of
	// offset show on the clock's hands, not in its pulses.
	return &pulseTrain{m: m, seed: seed, fraction: fraction, second: int64(math.Round(m.offsetAt(0))) - 3}
}

// next appends the pulse of the next local second and any false ones about it.
func (p *pulseTrain) next(all []pulse) []pulse {
	k := float64(p.second) - p.fraction
	rng := rand.New(rand.NewPCG(p.seed, uint64(p.second)))
	p.second++
	// Local time is UTC plus offset: solve at = k − offset(at). Where a step
	// leaves no solution, or two, either side of the step will do.
	at := k - p.m.OffsetSeconds
	for range 4 {
		at = k - p.m.offsetAt(at)
	}
	at += p.m.JitterSeconds * rng.NormFloat64()
	at += p.m.BeatSeconds * (0.5 - float64(p.second&1))
	all = append(all, pulse{at: at, due: true, sent: rng.Float64() >= p.m.MissingShare})
	if p.m.FalsePerMinute > 0 && rng.Float64() < p.m.FalsePerMinute/60 {
		all = append(all, pulse{at: at + rng.Float64(), sent: true})
	}
	return all
}

// pulseShape draws a marker's pulses.
type pulseShape struct {
	m      *Marker
	rate   float64
	edge   *edge
	train  *pulseTrain
	active []pulse // that may still show, and some to come

	coupled  bool
	coupling section
}

// sampled is a step as a linear-phase converter delivers it that is flat to
// 0.42 of its rate and closed at 0.5.
var sampled = sync.OnceValue(func() *edge { return newEdge(0.46, 32) })

func newPulseShape(m *Marker, seed uint64, fraction, rate float64) *pulseShape {
	p := &pulseShape{m: m, rate: rate, edge: sampled().slower(m.RiseSeconds * rate), train: newPulseTrain(m, seed, fraction)}
	if m.CouplingHz > 0 {
		p.coupled, p.coupling = true, coupling(m.CouplingHz, rate)
	}
	return p
}

// lookAhead is how long before a sample pulses are made, s.
const lookAhead = 1.5

// advance makes the pulses up to a little after the last of the times and
// forgets those long gone. Times must not fall from call to call.
func (p *pulseShape) advance(times []float64) {
	for len(p.active) > 0 && p.active[0].at < times[0]-2 {
		p.active = p.active[1:]
	}
	for len(p.active) == 0 || p.active[len(p.active)-1].at < times[len(times)-1]+lookAhead {
		p.active = p.train.next(p.active)
	}
}

// run fills x with the pulses as an input sees them whose samples were taken at
// times; late is the input's own delay, s.
func (p *pulseShape) run(x, times []float64, late float64) {
	clear(x)
	m := p.m
	amplitude := m.Amplitude
	if m.Inverted {
		amplitude = -amplitude
	}
	width := m.WidthSeconds * p.rate
	tail := 0.0
	if m.RingLevel > 0 {
		tail = 10 * m.RingDecay * p.rate
	}
	for _, pl := range p.active {
		if !pl.sent {
			continue
		}
		at := pl.at + late
		lo, hi := window(times, p.rate, at, -p.edge.half, width+p.edge.half+tail)
		for i := lo; i < hi; i++ {
			t := (times[i] - at) * p.rate
			v := p.edge.at(t) - p.edge.at(t-width)
			if m.RingLevel > 0 {
				v += m.ring(t/p.rate) - m.ring((t-width)/p.rate)
			}
			x[i] += amplitude * v
		}
	}
	if p.coupled {
		p.coupling.run(x)
	}
}

// ring is the ringing t after a rising edge of unit height.
func (m *Marker) ring(t float64) float64 {
	if t <= 0 {
		return 0
	}
	return m.RingLevel * math.Exp(-t/m.RingDecay) * math.Sin(2*math.Pi*m.RingHz*t)
}

// noise adds the movement's noise to x, as run does.
func (p *pulseShape) noise(x, times []float64) {
	motor := p.m.Motor
	if motor.Shape == "" {
		return
	}
	for _, pl := range p.active {
		if !pl.due {
			continue
		}
		at := pl.at + motor.DelaySeconds
		lo, hi := window(times, p.rate, at, 0, 0.2*p.rate)
		for i := lo; i < hi; i++ {
			if t := times[i] - at; t > 0 {
				x[i] += motor.Level * motor.Shape.at(t)
			}
		}
	}
}

// at is a movement's noise t after it begins, of about unit amplitude. It sets
// in within a tenth of a millisecond.
func (s MotorShape) at(t float64) float64 {
	var v float64
	switch s {
	case Click:
		v = math.Exp(-t / 0.3e-3)
	case Thump:
		v = math.Exp(-t/30e-3) * math.Sin(2*math.Pi*60*t)
	case Ring:
		v = math.Exp(-t/4e-3) * math.Sin(2*math.Pi*1000*t)
	case Buzz:
		if t < 40e-3 {
			for _, k := range [...]float64{1, 2, 3, 5} {
				v += math.Sin(2*math.Pi*400*k*t) / (2 * k)
			}
		}
	}
	return v * (1 - math.Exp(-t/0.1e-3))
}

// window is the range of indices whose times may lie between from and to
// samples after at, with some to spare for the sample clock's error.
func window(times []float64, rate, at, from, to float64) (lo, hi int) {
	const spare = 8
	first := (at - times[0]) * rate
	lo = int(max(0, min(float64(len(times)), first+from-spare)))
	hi = int(max(0, min(float64(len(times)), first+to+spare)))
	return lo, hi
}
