package align

import (
	"math"
	"math/rand/v2"
	"testing"

	"timeball/detect/marker"
)

// A mechanical clock's pulses scatter, or come by turns early and late; a sample
// clock's rate goes to and fro. The offset is that of the mean line, its interval holds
// the truth, and no step is seen that was none.
func TestScatteringMarker(t *testing.T) {
	for i, c := range []struct {
		name         string
		jitter, beat float64 // s
		warms        float64 // ppm
		pattern      marker.Pattern
		within       float64 // of the offset, s: four standard deviations of a line's end through 180 pulses
	}{
		{"0.3 ms", 0.3e-3, 0, 0, marker.White, 0.2e-3},
		{"1 ms", 1e-3, 0, 0, marker.White, 0.6e-3},
		{"3 ms", 3e-3, 0, 0, marker.White, 1.8e-3},
		{"out of beat", 10e-6, 2e-3, 0, marker.Alternating, 50e-6},
		{"the sample clock warms", 0, 0, 2, marker.White, 50e-6},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			set := plain(t, uint64(500+i))
			set.Seconds = 180
			set.Marker.JitterSeconds, set.Marker.BeatSeconds = c.jitter, c.beat
			set.Marker.OffsetSeconds = rand.New(rand.NewPCG(uint64(i), 3)).Float64() - 0.5
			set.SoundCard.WanderPPM, set.SoundCard.WanderSeconds = c.warms, 600
			truth := truthOf(t, set)
			f := measured(t, set, unaided(truth), 0)
			if f.Offset == nil {
				t.Fatalf("%s: %v", f.Verdict, f.Why)
			}
			e := wrap(*f.Offset - truth.Marker.Offset)
			t.Logf("off by %.1f µs, u %.1f µs, rate %.2g ± %.2g, %+v", e*1e6, *f.U*1e6, f.Rate.Y, f.Rate.U, *f.Marker)
			if math.Abs(e) > c.within || math.Abs(e) > 3**f.U {
				t.Errorf("off by %v s, u = %v s", e, *f.U)
			}
			if math.Abs(f.Rate.Y) > 3*f.Rate.U {
				t.Errorf("rate %v ± %v, it has none", f.Rate.Y, f.Rate.U)
			}
			m := f.Marker
			if len(m.Steps) > 0 || m.Missed > 0 || m.Scatter != c.pattern || math.Abs(m.Beat-c.beat) > 0.1e-3 && c.beat > 0 {
				t.Errorf("marker %+v", m)
			}
			if c.jitter > 0 && (m.Jitter < 0.7*c.jitter || m.Jitter > 1.3*c.jitter) {
				t.Errorf("jitter %v s, it is %v s", m.Jitter, c.jitter)
			}
			jittery, beating := false, false
			for _, n := range f.Notices {
				switch n := n.(type) {
				case Jittery:
					jittery = n.StepSeconds > 3*c.jitter
				case OutOfBeat:
					beating = true
				}
			}
			if jittery != (c.jitter >= 20e-6) && c.beat == 0 || beating != (c.beat > 0) {
				t.Errorf("notices %v", f.Notices)
			}
		})
	}
}
