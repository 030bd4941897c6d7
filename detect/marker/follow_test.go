package marker

import (
	"math"
	"math/rand/v2"
	"testing"
)

// scattered makes the pulses of a clock with white jitter and a beat, both in
// seconds, on a sample clock whose rate goes like a sine of 2 ppm in ten minutes if it
// warms.
func scattered(rate float64, count int, jitter, beat float64, warms bool, seed uint64) []Pulse {
	rng := rand.New(rand.NewPCG(seed, 5))
	out := make([]Pulse, count)
	for n := range out {
		x := float64(n) * (1 + 20e-6)
		if warms {
			x -= 2e-6 * 600 / (2 * math.Pi) * math.Cos(2*math.Pi*float64(n)/600)
		}
		x += jitter * rng.NormFloat64()
		if n%2 != 0 {
			x += beat
		}
		out[n] = Pulse{Position: 5000 + x*rate, SigmaFrames: 1e-3, Match: 1, Amplitude: 1}
	}
	return out
}

// The base lies where the pulses lie on the mean, and no step is seen that was none.
func TestBaseIsTheMeanLine(t *testing.T) {
	const rate = 48000
	for _, c := range []struct {
		name         string
		jitter, beat float64
		warms        bool
		within       float64 // of the base about the mean line, s, after a minute
	}{
		{"quiet", 20e-9, 0, false, 60e-9},
		{"quiet, the sample clock warms", 20e-9, 0, true, 100e-9},
		{"0.3 ms", 0.3e-3, 0, false, 0.2e-3},
		{"1 ms", 1e-3, 0, false, 0.6e-3},
		{"3 ms", 3e-3, 0, false, 1.8e-3},
		{"0.1 ms, the sample clock warms", 0.1e-3, 0, true, 0.15e-3},
		{"out of beat", 20e-9, 2e-3, false, 60e-9},
		{"out of beat, 0.1 ms", 0.1e-3, -2e-3, false, 0.08e-3},
		{"out of beat, the sample clock warms", 1e-6, 2e-3, true, 3e-6},
	} {
		for seed := range uint64(2) {
			tr := NewTrack(rate)
			feed(tr, scattered(rate, 1200, c.jitter, c.beat, c.warms, seed))
			if s := tr.Steps(); len(s) != 0 {
				t.Errorf("%s: steps %+v", c.name, s)
			}
			if pulses, _, _ := tr.Counts(); pulses < 1195 { // one far off is taken for a false one
				t.Errorf("%s: %d of 1200 pulses count", c.name, pulses)
			}
			if got := tr.BeatSeconds(); math.Abs(got-c.beat) > 5*c.jitter/8+1e-9 {
				t.Errorf("%s: beat %v s", c.name, got)
			}
			if got := tr.JitterSeconds(); got < 0.6*c.jitter || got > 1.5*c.jitter {
				t.Errorf("%s: jitter %v s", c.name, got)
			}
			truth := scattered(rate, 1200, 0, c.beat, c.warms, seed)
			worst := 0.0
			for n := 60; n < 1200; n++ {
				want := truth[n].Position - c.beat/2*rate
				if n%2 == 0 {
					want = truth[n].Position + c.beat/2*rate
				}
				worst = max(worst, math.Abs(baseOf(t, tr, n)-want)/rate)
			}
			if worst > c.within {
				t.Errorf("%s: base up to %v s from the mean line", c.name, worst)
			}
			if seed == 0 {
				t.Logf("%s: base within %.2g s, jitter %.2g s, beat %.3g s, %v", c.name, worst, tr.JitterSeconds(), tr.BeatSeconds(), tr.Mean(600).Pattern)
			}
		}
	}
}

// A step within the scatter shows as soon as several pulses tell it.
func TestStepInJitter(t *testing.T) {
	const rate, jitter = 48000, 1e-3
	for _, sigmas := range []float64{5, 8, -20} {
		found := 0
		const runs = 40
		for seed := range uint64(runs) {
			p := scattered(rate, 150, jitter, 0, false, seed)
			for n := 100; n < len(p); n++ {
				p[n].Position += sigmas * jitter * rate
			}
			tr := NewTrack(rate)
			feed(tr, p)
			if s := tr.Steps(); len(s) == 1 && s[0].First >= 98 && s[0].First <= 102 && math.Abs(s[0].BySeconds-sigmas*jitter) < jitter {
				found++
			}
		}
		t.Logf("step of %v sigma: found in %d of %d", sigmas, found, runs)
		if found < runs*8/10 {
			t.Errorf("step of %v sigma: found in %d of %d", sigmas, found, runs)
		}
	}
}

// The mean line's place at the end is known as well as it says: 19 times in 20 within
// two standard deviations, whatever the pattern of the scatter.
func TestMeanHoldsTheTruth(t *testing.T) {
	const rate, count, runs = 48000, 240, 50
	for _, c := range []struct {
		name    string
		jitter  float64
		beat    float64
		slow    float64 // correlation of successive pulses
		step    float64 // s, at half time
		pattern Pattern
	}{
		{"white", 1e-3, 0, 0, 0, White},
		{"step", 1e-3, 0, 0, 20e-3, White},
		{"out of beat", 0.1e-3, 2e-3, 0, 0, Alternating},
		{"slow", 0.3e-3, 0, 0.5, 0, Slow},
	} {
		held, pattern := 0, 0
		var rms, u float64
		for seed := range uint64(runs) {
			p := scattered(rate, count, 0, c.beat, false, seed)
			rng := rand.New(rand.NewPCG(seed, 9))
			x := rng.NormFloat64()
			for n := range p {
				p[n].Position += c.jitter * rate * x
				if n >= count/2 {
					p[n].Position += c.step * rate
				}
				x = c.slow*x + math.Sqrt(1-c.slow*c.slow)*rng.NormFloat64()
			}
			tr := NewTrack(rate)
			feed(tr, p)
			m := tr.Mean(0)
			truth := 5000 + rate*((count-1)*(1+20e-6)+c.beat/2+c.step)
			// The base leads the radio's ticks through all that time: a line through
			// it is what they are compared with.
			e := baseOf(t, tr, count-1) + phaseOf(t, tr, count-1) + m.Offset - truth
			rms += e * e / runs
			u += m.VarOffset / runs
			if math.Abs(e) < 2*math.Sqrt(m.VarOffset) {
				held++
			}
			if m.Pattern == c.pattern {
				pattern++
			}
		}
		t.Logf("%s: %.2g s RMS, %.2g s stated, held %d of %d, pattern %d", c.name, math.Sqrt(rms)/rate, math.Sqrt(u)/rate, held, runs, pattern)
		// What is slow the marker alone cannot tell from the sample clock, so that the
		// base follows it in part; what it does so shows in the ticks' scatter.
		least := runs * 9 / 10 // 1.6 standard deviations of 50 below 95 %; of a u half as large 34 are held
		if c.slow > 0 {
			least = runs * 7 / 10
		}
		if held < least {
			t.Errorf("%s: held %d of %d", c.name, held, runs)
		}
		if pattern < least {
			t.Errorf("%s: called %s %d of %d times", c.name, c.pattern, pattern, runs)
		}
	}
}
