package marker

import (
	"math"
	"math/rand/v2"
	"testing"
)

// pulsesAt makes pulses at the given positions with white jitter, in frames.
func pulsesAt(positions []float64, jitter float64, seed uint64) []Pulse {
	rng := rand.New(rand.NewPCG(seed, 2))
	out := make([]Pulse, len(positions))
	for i, p := range positions {
		out[i] = Pulse{Position: p + jitter*rng.NormFloat64(), SigmaFrames: jitter, Match: 1, Amplitude: 1}
	}
	return out
}

// feed updates a track second by second, as a pipeline would.
func feed(t *Track, pulses []Pulse) {
	for _, p := range pulses {
		t.Update(p.Position+0.02*t.rate, []Pulse{p})
	}
}

func TestTrackFindsStep(t *testing.T) {
	const rate = 48000
	for _, by := range []float64{1e-6, -1e-6, 100e-6, -100e-6, 3e-3, -3e-3, 0.03, -0.03, 0.3, -0.3, 0.49, -0.49} {
		truth := regular(rate, 5000, 60, 25)
		for i := 30; i < 60; i++ {
			truth[i] += by * rate
		}
		tr := NewTrack(rate)
		feed(tr, pulsesAt(truth, 1e-3, 3))
		steps := tr.Steps()
		if len(steps) != 1 || steps[0].First != 30 || math.Abs(steps[0].BySeconds-by) > 50e-9 {
			t.Errorf("step by %v s: found %+v", by, steps)
			continue
		}
		for n := range 60 {
			want := 5000 + float64(n)*rate*(1+25e-6)
			if got := tr.Base(n); math.Abs(got-want) > 6e-3 {
				t.Errorf("step by %v s: Base(%d) off by %v frames", by, n, got-want)
			}
		}
	}
}
