package marker

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
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

// feed updates a track pulse by pulse, as a pipeline would.
func feed(t *Track, pulses []Pulse) {
	for _, p := range pulses {
		t.Update(p.Position, []Pulse{p})
	}
}

// fataler is a test, by whatever package.
type fataler interface {
	Helper()
	Fatalf(format string, args ...any)
}

// baseOf and phaseOf are those of a second that the track remembers.
func baseOf(t fataler, tr *Track, n int) float64 {
	t.Helper()
	at, ok := tr.Base(n)
	if !ok || math.IsNaN(at) {
		t.Fatalf("Base(%d) is not known", n)
	}
	return at
}

func phaseOf(t fataler, tr *Track, n int) float64 {
	t.Helper()
	phase, ok := tr.Phase(n)
	if !ok {
		t.Fatalf("Phase(%d) is not known", n)
	}
	return phase
}

// checkBase compares the time base with the untouched marker, first + n*period.
func checkBase(t *testing.T, name string, tr *Track, first, period, limit float64) {
	t.Helper()
	for n := range tr.Seconds() {
		if got, want := baseOf(t, tr, n), first+float64(n)*period; !(math.Abs(got-want) <= limit) {
			t.Errorf("%s: Base(%d) is off by %v frames", name, n, got-want)
			return
		}
	}
}

func TestTrackFindsStep(t *testing.T) {
	const rate, period = 48000, 48000 * (1 + 25e-6)
	for _, by := range []float64{1e-6, -1e-6, 10e-6, -100e-6, 3e-3, -3e-3, 0.03, -0.03, 0.3, -0.3, 0.49, -0.49} {
		truth := regular(rate, 5000, 60, 25)
		for i := 30; i < 60; i++ {
			truth[i] += by * rate
		}
		tr := NewTrack(rate)
		feed(tr, pulsesAt(truth, 1e-3, 3))
		steps := tr.Steps()
		if len(steps) != 1 || steps[0].First != 30 || steps[0].Last != 30 || math.Abs(steps[0].BySeconds-by) > 50e-9 {
			t.Errorf("step by %v s: found %+v", by, steps)
			continue
		}
		checkBase(t, "step", tr, 5000, period, 6e-3)
		if got := phaseOf(t, tr, 59); math.Abs(got-by*rate) > 2e-3 || phaseOf(t, tr, 29) != 0 {
			t.Errorf("step by %v s: phase %v, before it %v", by, got, phaseOf(t, tr, 29))
		}
	}
}

// TestTrackFollowsStepAtOnce is the live display's need: within 1.2 s of the
// step the phase shows it.
func TestTrackFollowsStepAtOnce(t *testing.T) {
	const rate = 48000
	for _, by := range []float64{5e-6, -5e-6, 0.1, -0.1, 0.15, -0.3} {
		truth := regular(rate, 5000, 31, 25)
		stepped := truth[29] + 1 // the adjustment is turned just after a pulse
		truth[30] += by * rate
		tr := NewTrack(rate)
		p := pulsesAt(truth, 1e-3, 3)
		feed(tr, p[:30])
		for at := stepped; at < stepped+1.2*rate; at += 0.02 * rate {
			var now []Pulse
			if p[30].Position >= at && p[30].Position < at+0.02*rate {
				now = p[30:31]
			}
			tr.Update(at+0.02*rate, now)
		}
		if got := phaseOf(t, tr, tr.Seconds()-1); math.Abs(got/rate-by) > 0.2e-6 {
			t.Errorf("step by %v s: phase %v s", by, got/rate)
		}
	}
}

// TestTrackFollowsCrank turns the marker gradually and back again.
func TestTrackFollowsCrank(t *testing.T) {
	const rate, period = 48000, 48000 * (1 + 25e-6)
	for _, perSecond := range []float64{1e-6, -20e-6, 500e-6, -5e-3, 50e-3} {
		truth := regular(rate, 5000, 160, 25)
		at := 0.0
		for i := range truth {
			if i >= 30 && i < 50 {
				at += perSecond
			}
			if i >= 80 && i < 120 {
				at -= perSecond / 2
			}
			truth[i] += at * rate
		}
		tr := NewTrack(rate)
		feed(tr, pulsesAt(truth, 1e-3, 3))
		steps := tr.Steps()
		if len(steps) != 2 || steps[0].First != 30 || steps[0].Last != 49 ||
			math.Abs(steps[0].BySeconds-20*perSecond) > 0.2e-6 || math.Abs(steps[1].BySeconds+20*perSecond) > 0.2e-6 {
			t.Errorf("%v s a second: %+v", perSecond, steps)
		}
		checkBase(t, "crank", tr, 5000, period, 0.02)
	}
}

// TestTrackHandlesMissingAndFalse drops pulses and adds false ones.
func TestTrackHandlesMissingAndFalse(t *testing.T) {
	const rate, period = 48000, 48000 * (1 + 25e-6)
	rng := rand.New(rand.NewPCG(8, 8))
	var positions []float64
	missed, spurious := 0, 0
	for i := range 600 {
		p := 5000 + float64(i)*period
		if i > 10 && i < 595 && (rng.Float64() < 0.1 || i > 300 && i < 400) {
			missed++
		} else {
			positions = append(positions, p)
		}
		if i > 10 && i < 590 && rng.Float64() < 0.1 {
			positions = append(positions, p+(0.05+0.9*rng.Float64())*rate)
			spurious++
		}
	}
	slices.Sort(positions)
	tr := NewTrack(rate)
	feed(tr, pulsesAt(positions, 1e-3, 3))
	pulses, gotMissed, discarded := tr.Counts()
	t.Logf("%d pulses, %d missed of %d, %d discarded of %d, steps %+v", pulses, gotMissed, missed, discarded, spurious, tr.Steps())
	if len(tr.Steps()) != 0 || gotMissed != missed || discarded != spurious {
		t.Errorf("%d pulses, %d missed of %d, %d discarded of %d, steps %+v", pulses, gotMissed, missed, discarded, spurious, tr.Steps())
	}
	if tr.Seconds() != 600 {
		t.Errorf("%d seconds", tr.Seconds())
	}
	checkBase(t, "missing", tr, 5000, period, 0.05)
}

// TestJump loses frames inside the recording unknown to the file.
func TestJump(t *testing.T) {
	const rate, period = 48000, 48000 * (1 + 25e-6)
	for _, frames := range []float64{-1, -480, -1024, 1024, -9600} {
		truth := regular(rate, 5000, 60, 25)
		for i := 30; i < 60; i++ {
			truth[i] += frames
		}
		tr := NewTrack(rate)
		feed(tr, pulsesAt(truth, 1e-3, 3))
		jumps := tr.Jumps()
		if len(jumps) != 1 || !jumps[0].Whole || jumps[0].Frames != int64(frames) || jumps[0].Second != 30 ||
			math.Abs(jumps[0].AtPosition-truth[29]) > 1 {
			t.Errorf("jump of %v: %+v", frames, jumps)
			continue
		}
		checkBase(t, "as a step", tr, 5000, period, 6e-3)
		tr.ResolveJump(jumps[0].ID, true)
		if len(tr.Steps()) != 0 || math.Abs(phaseOf(t, tr, 59)) > 1e-9 || !tr.Jumps()[0].IsGap {
			t.Errorf("jump of %v resolved: steps %+v, phase %v", frames, tr.Steps(), phaseOf(t, tr, 59))
		}
		for _, n := range []int{29, 30, 59, 70} {
			want := 5000 + float64(n)*period
			if n >= 30 {
				want += frames
			}
			if got := baseOf(t, tr, n); math.Abs(got-want) > 6e-3 {
				t.Errorf("jump of %v: Base(%d) off by %v", frames, n, got-want)
			}
		}
		tr.ResolveJump(jumps[0].ID, false)
		if s := tr.Steps(); len(s) != 1 || math.Abs(s[0].BySeconds*rate-frames) > 6e-3 {
			t.Errorf("jump of %v taken back: %+v", frames, s)
		}
	}
	// A movement that no later pulse has confirmed is not yet a jump.
	once := regular(rate, 5000, 31, 25)
	once[30] += 480
	doubt := NewTrack(rate)
	feed(doubt, pulsesAt(once, 1e-3, 3))
	doubt.Update(once[30]+0.1*rate, nil)
	if len(doubt.Steps()) != 1 || len(doubt.Jumps()) != 0 {
		t.Errorf("unconfirmed: steps %+v, jumps %+v", doubt.Steps(), doubt.Jumps())
	}
	// A hand's step of no whole number of frames is no gap.
	truth := regular(rate, 5000, 60, 25)
	for i := 30; i < 60; i++ {
		truth[i] += 100.3
	}
	tr := NewTrack(rate)
	feed(tr, pulsesAt(truth, 1e-3, 3))
	if j := tr.Jumps(); len(j) != 1 || j[0].Whole {
		t.Errorf("%+v", j)
	}
}

// TestJitterIsStatedAndNotIntegrated has sources from clean to a mechanical
// clock: no step is seen in jitter, its size is found, and the base averages it.
func TestJitterIsStatedAndNotIntegrated(t *testing.T) {
	const rate, period = 48000, 48000 * (1 + 25e-6)
	for _, seconds := range []float64{5e-9, 20e-9, 1e-6, 50e-6, 1e-3, 3e-3} {
		falseSteps, sum := 0, 0.0
		const runs = 10
		for seed := range uint64(runs) {
			p := pulsesAt(regular(rate, 5000, 600, 25), seconds*rate, seed)
			for i := range p {
				p[i].SigmaFrames = 1e-4
			}
			tr := NewTrack(rate)
			feed(tr, p)
			falseSteps += len(tr.Steps())
			sum += tr.JitterSeconds() / runs
			checkBase(t, "jitter", tr, 5000, period, 6*seconds*rate+1e-6)
			if math.Abs(tr.PeriodFrames()-period) > 6*seconds*rate*math.Sqrt(12)/math.Pow(periodSeconds, 1.5) {
				t.Errorf("jitter %v s: period off by %v", seconds, tr.PeriodFrames()-period)
			}
		}
		t.Logf("jitter %v s: stated %v s, %d false steps in %d min", seconds, sum, falseSteps, 10*runs)
		if sum < 0.85*seconds || sum > 1.15*seconds {
			t.Errorf("jitter %v s is stated as %v s", seconds, sum)
		}
		if falseSteps > 0 {
			t.Errorf("jitter %v s: %d false steps", seconds, falseSteps)
		}
	}
}

// TestDetectableStep finds how small a step is found in 20 ns of jitter, the
// target's pulse.
func TestDetectableStep(t *testing.T) {
	const rate = 48000
	for _, c := range []struct{ sigmas, least float64 }{{12, 1}, {9, 0.6}} {
		hits := 0
		const runs = 40
		for seed := range uint64(runs) {
			truth := regular(rate, 5000, 60, 25)
			for i := 45; i < 60; i++ {
				truth[i] += c.sigmas * 1e-3
			}
			tr := NewTrack(rate)
			feed(tr, pulsesAt(truth, 1e-3, seed))
			if s := tr.Steps(); len(s) == 1 && math.Abs(s[0].BySeconds*rate-c.sigmas*1e-3) < 3e-3 {
				hits++
			}
		}
		t.Logf("step of %v sigma: found in %d of %d", c.sigmas, hits, runs)
		if float64(hits) < c.least*runs {
			t.Errorf("step of %v sigma: found in %d of %d", c.sigmas, hits, runs)
		}
	}
}

// TestWarmUp lets the sample clock drift by 1 ppm in ten minutes, as a sound
// card does when switched on: no step is seen.
func TestWarmUp(t *testing.T) {
	const rate = 48000
	truth := make([]float64, 1800)
	at := 5000.0
	for i := range truth {
		truth[i] = at
		at += rate * (1 + 20e-6 + 1e-6*math.Exp(-float64(i)/600))
	}
	tr := NewTrack(rate)
	feed(tr, pulsesAt(truth, 1e-3, 2))
	if s := tr.Steps(); len(s) != 0 {
		t.Errorf("%+v", s)
	}
}

// TestTrackForgets runs a track for half a day: memory is bounded, the latest two
// and a half hours are kept.
func TestTrackForgets(t *testing.T) {
	const rate, period, n = 8000, 8000 * (1 + 25e-6), 43200
	tr := NewTrack(rate)
	feed(tr, pulsesAt(regular(rate, 5000, n, 25), 1e-3, 2))
	if tr.Seconds() != n || n-tr.Oldest() < trackSeconds || cap(tr.log) > 4*trackSeconds {
		t.Errorf("%d seconds, oldest %d, room for %d", tr.Seconds(), tr.Oldest(), cap(tr.log))
	}
	for _, forgotten := range []int{-1, 0, tr.Oldest() - 1} {
		if at, ok := tr.Base(forgotten); ok {
			t.Errorf("Base(%d), which is forgotten, is %v", forgotten, at)
		}
		if phase, ok := tr.Phase(forgotten); ok {
			t.Errorf("Phase(%d), which is forgotten, is %v", forgotten, phase)
		}
	}
	if got := tr.Start(); math.Abs(got-5000) > 0.01 {
		t.Errorf("Start() is %v", got)
	}
	if got, want := baseOf(t, tr, n+100), 5000+(n+100)*period; math.Abs(got-want) > 0.02 {
		t.Errorf("extrapolated Base is off by %v", got-want)
	}
}

// TestTrackProperties checks on random histories that phase and base add up to
// the pulse, and that the steps add up to the phase.
func TestTrackProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const rate = 8000
		ppm := rapid.Float64Range(-200, 200).Draw(t, "ppm")
		truth := regular(rate, 5000, 120, ppm)
		for k := range rapid.IntRange(0, 4).Draw(t, "steps") {
			from := rapid.IntRange(30+20*k, 40+20*k).Draw(t, "at")
			by := rapid.Float64Range(-0.3, 0.3).Draw(t, "by")
			for i := from; i < len(truth); i++ {
				truth[i] += by * rate
			}
		}
		var kept []float64
		for i, p := range truth {
			if i < 24 || i%8 == 0 || rapid.IntRange(0, 9).Draw(t, "lost") > 0 {
				kept = append(kept, p)
			}
		}
		slices.Sort(kept)
		tr := NewTrack(rate)
		feed(tr, pulsesAt(kept, 1e-3, 1))
		for n := range tr.Seconds() {
			at, ok := tr.Pulse(n)
			if ok && math.Abs(baseOf(t, tr, n)+phaseOf(t, tr, n)-at) > 0.05 { // a step of 40 sigma is not told from jitter in the first seconds
				t.Fatalf("second %d: base %v and phase %v, pulse %v", n, baseOf(t, tr, n), phaseOf(t, tr, n), at)
			}
		}
		sum := 0.0
		for _, s := range tr.Steps() {
			sum += s.BySeconds * rate
		}
		if phase := phaseOf(t, tr, tr.Seconds()-1); math.Abs(sum-phase) > 1e-6 {
			t.Fatalf("steps add up to %v, phase is %v", sum, phase)
		}
	})
}
