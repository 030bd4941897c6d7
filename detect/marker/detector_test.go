package marker

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// shapes are the pulses the timing must survive.
func shapes(rate float64) []shape {
	return []shape{
		{name: "wide", rate: rate, width: 0.1, couple: 5},
		{name: "wide inverted", rate: rate, width: 0.1, couple: 5, inverted: true},
		{name: "long", rate: rate, width: 0.3, couple: 20},
		{name: "narrow 20 us", rate: rate, width: 20e-6, couple: 5},
		{name: "narrow inverted", rate: rate, width: 20e-6, couple: 5, inverted: true},
		{name: "100 us", rate: rate, width: 100e-6, couple: 5},
		{name: "1 ms", rate: rate, width: 1e-3, couple: 5},
		{name: "ringing", rate: rate, width: 0.02, couple: 5, ring: 0.4, ringHz: rate / 6, ringTau: 8 / rate},
		{name: "soft coupling", rate: rate, width: 0.01, couple: 200},
	}
}

// TestTimingMeetsBound prints, for each shape, rate and SNR, the standard
// deviation and the mean error of one edge against the Cramér-Rao bound
// Ts*(sigma/A)/sqrt(S2), and asserts the target of 1.5 times that; 30 ns RMS at
// 48 kHz and 60 dB with the mean error included.
func TestTimingMeetsBound(t *testing.T) {
	for _, rate := range []float64{8000, 22050, 48000, 96000, 192000} {
		seconds := 60.0
		if rate > 48000 {
			seconds = 30 // a deviation of 29 pulses is good to 13 %
		}
		truth := regular(rate, 0.317*rate+0.123, int(seconds)-1, 37.7)
		noises := shape{rate: rate}.noise(seconds, 1, 7)
		for i, s := range shapes(rate) {
			if (rate > 48000 || rate == 22050) && i%3 != 0 {
				continue
			}
			amplitude := 0.5
			if s.width*rate < 1 {
				amplitude /= s.width * rate // the height that the samples see is what counts
			}
			clean := s.recording(seconds, truth, amplitude, 0, 7)
			for _, db := range []float64{40, 60} {
				if rate > 48000 && db != 60 {
					continue
				}
				t.Run(fmt.Sprintf("%.0f/%.0fdB/%s", rate, db, s.name), func(t *testing.T) {
					noise := 0.5 * math.Pow(10, -db/20)
					x := slices.Clone(clean)
					for i, v := range noises {
						x[i] += float32(noise) * v
					}
					got := process(NewDetector(Config{Rate: rate}), x, 1024)
					if len(got) != len(truth) {
						t.Fatalf("%d pulses of %d", len(got), len(truth))
					}
					sd, mean, sigma := score(got, truth)
					us := 1e6 / rate
					bound := s.bound(noise / amplitude)
					t.Logf("sd %.4f us, bound %.4f us (%.2f), claimed %.4f; mean %+.4f us, reference u %.4f us, width %.1f us",
						sd*us, bound*us, sd/bound, sigma*us, mean*us, got[9].ReferenceSigmaFrames*us, got[9].WidthSeconds*1e6)
					if sd > 1.5*bound {
						t.Errorf("sd %v us is more than 1.5 times the bound %v us", sd*us, bound*us)
					}
					if sigma < sd/1.4 || sigma > sd*1.4 {
						t.Errorf("claims %v us, has %v us", sigma*us, sd*us)
					}
					if rms := math.Hypot(sd, mean); rate == 48000 && db == 60 && rms*us > 0.030 {
						t.Errorf("%.4f us RMS", rms*us)
					}
					if u := got[9].ReferenceSigmaFrames; math.Abs(mean) > 3*u {
						t.Errorf("reference is off by %v us with u %v us", mean*us, u*us)
					}
				})
			}
		}
	}
}

// TestSamplingPhaseBias moves a noise-free pulse through a sample's length: the
// error must not depend on where between two samples the edge falls.
func TestSamplingPhaseBias(t *testing.T) {
	const rate = 48000
	for _, s := range shapes(rate) {
		// 21 steps of 1/21 frame in as many seconds: what a converter's band limits changes slowly
		// with the phase.
		truth := regular(rate, 4000.01, 22, 1e6/21/rate)
		got := process(NewDetector(Config{Rate: rate}), s.recording(24, truth, 0.5, 1e-6, 1), 1024)
		lo, hi := math.Inf(1), math.Inf(-1)
		for i, p := range got {
			e := p.Position - truth[len(truth)-len(got)+i]
			lo, hi = min(lo, e), max(hi, e)
		}
		t.Logf("%s: %.2f ns peak to peak over the sampling phase", s.name, (hi-lo)/rate*1e9)
		if len(got) < 21 || (hi-lo)/rate > 3e-9 {
			t.Errorf("%s: %d pulses, %v ns", s.name, len(got), (hi-lo)/rate*1e9)
		}
	}
}

// TestBlockSplitDoesNotMatter feeds the same recording, with a loss in it, in
// blocks of any length.
func TestBlockSplitDoesNotMatter(t *testing.T) {
	const rate = 8000
	s := shape{rate: rate, width: 0.1, couple: 5}
	x := s.recording(16, regular(rate, 3000.3, 15, 40), 0.5, 5e-3, 3)
	lossAt, loss := 9*rate+777, 1234
	run := func(next func() int) []Pulse {
		d := NewDetector(Config{Rate: rate})
		var out []Pulse
		for i := 0; i < len(x); {
			end := min(i+next(), len(x))
			if i < lossAt {
				end = min(end, lossAt)
			}
			out = append(out, d.Process(int64(i), x[i:end])...)
			if i = end; i == lossAt {
				i += loss
			}
		}
		return append(out, d.Flush()...)
	}
	want := run(func() int { return 1024 })
	if len(want) < 13 {
		t.Fatalf("%d pulses", len(want))
	}
	for _, most := range []int{1, 7, 100, 5000, 100000} {
		for seed := range uint64(4) {
			rng := rand.New(rand.NewPCG(seed, 0))
			if got := run(func() int { return 1 + rng.IntN(most) }); !slices.Equal(got, want) {
				t.Fatalf("in blocks of up to %d, seed %d: %d pulses %v, want %d %v", most, seed, len(got), got, len(want), want)
			}
		}
	}
}

// TestLossMovesNothing drops frames at a known position: positions afterwards
// are still right.
func TestLossMovesNothing(t *testing.T) {
	const rate = 48000
	s := shape{rate: rate, width: 0.1, couple: 5}
	truth := regular(rate, 3000.3, 19, 40)
	x := s.recording(20, truth, 0.5, 0.5e-3, 3)
	for _, at := range []int{9*rate + 20000, int(truth[9]) - 100, int(truth[9]), int(truth[9]) + 30, 2 * rate} {
		d := NewDetector(Config{Rate: rate})
		got := d.Process(0, x[:at])
		got = append(got, d.Process(int64(at+500), x[at+500:])...)
		got = append(got, d.Flush()...)
		if len(got) < 18 {
			t.Errorf("loss at %d: %d pulses", at, len(got))
			continue
		}
		if sd, mean, _ := score(got, truth); math.Hypot(sd, mean) > 2e-3 {
			t.Errorf("loss at %d: error %v, sd %v frames", at, mean, sd)
		}
	}
}

// TestChangedMarkerIsLearnedAgain turns the level down to a tenth and inverts
// the pulse half way.
func TestChangedMarkerIsLearnedAgain(t *testing.T) {
	const rate = 48000
	s := shape{rate: rate, width: 0.1, couple: 5}
	first, second := regular(rate, 3000.3, 20, 40), regular(rate, 3000.3+20*rate, 30, 40)
	x := s.recording(51, first, 0.5, 0.2e-3, 3)
	s.inverted = true
	r := s.respond()
	for _, p := range second {
		s.add(r, x, p, 0.05)
	}
	got := process(NewDetector(Config{Rate: rate}), x, 1024)
	late := 0
	for _, p := range got {
		if p.Position > 20*rate {
			late++
			if p.Rising {
				t.Errorf("rising at %v", p.Position)
			}
		}
	}
	if late < 18 {
		t.Errorf("%d pulses, %d of the changed marker", len(got), late)
	}
	if sd, mean, _ := score(got, append(first, second...)); math.Hypot(sd, mean) > 10e-3 {
		t.Errorf("error %v, sd %v frames", mean, sd)
	}
}

// TestTwoMarkersByWire compares two markers of 60 dB for 100 s: their
// difference is good to 10 ns.
func TestTwoMarkersByWire(t *testing.T) {
	const rate, pulses, runs = 48000, 100, 3
	square := 0.0
	for seed := range uint64(runs) {
		a := shape{rate: rate, width: 0.1, couple: 5}
		b := shape{rate: rate, width: 0.01, couple: 20, inverted: true}
		apart := 321.0 + float64(seed)/7
		mean := 0.0
		pa := process(NewDetector(Config{Rate: rate}), a.recording(pulses+1, regular(rate, 3000.3, pulses, 40), 0.5, 0.5e-3, 2*seed), 1024)
		pb := process(NewDetector(Config{Rate: rate}), b.recording(pulses+1, regular(rate, 3000.3+apart, pulses, 40), 0.5, 0.5e-3, 2*seed+1), 1024)
		if len(pa) != pulses || len(pb) != pulses {
			t.Fatalf("%d and %d pulses", len(pa), len(pb))
		}
		for i := range pa {
			mean += (pb[i].Position - pa[i].Position - apart) / rate / pulses
		}
		square += mean * mean / runs
	}
	rms := math.Sqrt(square)
	t.Logf("mean of %d seconds: %.2f ns RMS", pulses, rms*1e9)
	if rms > 10e-9 {
		t.Errorf("%.2f ns RMS", rms*1e9)
	}
}

// TestWeakMarker finds a marker of 24 dB and times it within the target.
func TestWeakMarker(t *testing.T) {
	const rate, seconds = 48000, 30
	noise := 0.1 * math.Pow(10, -24.0/20)
	for _, s := range shapes(rate)[:6] {
		amplitude := 0.1
		if s.width*rate < 1 {
			amplitude /= s.width * rate
		}
		truth := regular(rate, 3000.3, seconds-1, 40)
		got := process(NewDetector(Config{Rate: rate}), s.recording(seconds, truth, amplitude, noise, 3), 1024)
		sd, _, _ := score(got, truth)
		bound := s.bound(noise / amplitude)
		t.Logf("%s: %d of %d pulses, sd %.2f us, bound %.2f us (%.2f)", s.name, len(got), len(truth), sd/rate*1e6, bound/rate*1e6, sd/bound)
		if len(got) < len(truth)-3 || sd > 1.5*bound {
			t.Errorf("%s: %d of %d pulses, sd %v frames, bound %v", s.name, len(got), len(truth), sd, bound)
		}
	}
}

// TestSlowEdge times edges that take much longer than a sample, such as an
// optical pick-off's; on time is the middle of the rise.
func TestSlowEdge(t *testing.T) {
	const rate, seconds = 48000, 20
	for _, rise := range []float64{20e-6, 100e-6, 300e-6, 1e-3} {
		s := shape{rate: rate, width: 0.01, couple: 40, rise: rise}
		truth := regular(rate, 3000.3, seconds-1, 40)
		got := process(NewDetector(Config{Rate: rate}), s.recording(seconds, truth, 0.5, 0.5e-3, 3), 1024)
		sd, mean, sigma := score(got, truth)
		// The bound of a straight rise of n samples: slope 1/n in each.
		bound := max(1e-3*math.Sqrt(rise*rate), 1e-3/math.Sqrt2)
		t.Logf("%v us: %d pulses, sd %.0f ns, bound %.0f ns, claimed %.0f ns, mean %+.0f ns, reference u %.0f ns",
			rise*1e6, len(got), sd/rate*1e9, bound/rate*1e9, sigma/rate*1e9, mean/rate*1e9, got[0].ReferenceSigmaFrames/rate*1e9)
		if len(got) != len(truth) || sd > 1.5*bound || math.Abs(mean) > 3*got[0].ReferenceSigmaFrames {
			t.Errorf("rise %v s: %d pulses, sd %v, mean %v frames", rise, len(got), sd, mean)
		}
	}
}

// TestOtherEdges has ten times as many impulses of another shape, mains hum and
// a small pulse: none is taken for the marker, and the marker is not disturbed.
func TestOtherEdges(t *testing.T) {
	const rate = 48000
	s := shape{rate: rate, width: 0.1, couple: 5}
	truth := regular(rate, 3000.3, 39, 40)
	x := s.recording(40, truth, 0.05, 0.05e-3, 3)
	rng := rand.New(rand.NewPCG(4, 4))
	blip := shape{rate: rate, width: 30e-6, couple: 5}
	r := blip.respond()
	for range 400 {
		blip.add(r, x, rng.Float64()*40*rate, 0.1*rng.NormFloat64())
	}
	for i := range x {
		x[i] += float32(0.02 * math.Sin(2*math.Pi*50*float64(i)/rate))
	}
	d := NewDetector(Config{Rate: rate})
	tr := NewTrack(rate)
	for i := 0; i+1024 <= len(x); i += 1024 {
		tr.Update(float64(i)-0.02*rate, d.Process(int64(i), x[i:i+1024]))
	}
	pulses, missed, discarded := tr.Counts()
	t.Logf("%d pulses, %d missed, %d discarded, jitter %.1f ns", pulses, missed, discarded, tr.JitterSeconds()*1e9)
	if pulses < 36 || len(tr.Steps()) > 0 {
		t.Errorf("%d pulses, steps %+v; %+v", pulses, tr.Steps(), d.Assess())
	}
}

// score compares pulses with the nearest truth: standard deviation and mean of
// the error, and the mean sigma claimed, in frames.
func score(got []Pulse, truth []float64) (sd, mean, sigma float64) {
	var errs []float64
	for _, p := range got {
		best := math.Inf(1)
		for _, q := range truth {
			if math.Abs(p.Position-q) < math.Abs(best) {
				best = p.Position - q
			}
		}
		errs = append(errs, best)
		mean += best / float64(len(got))
		sigma += p.SigmaFrames / float64(len(got))
	}
	for _, e := range errs {
		sd += (e - mean) * (e - mean) / float64(len(got)-1)
	}
	return math.Sqrt(sd), mean, sigma
}
