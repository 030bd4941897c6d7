package marker

import (
	"fmt"
	"math"
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
// deviation and the mean error of one edge against the Cramer-Rao bound
// Ts*(sigma/A)/sqrt(S2).
func TestTimingMeetsBound(t *testing.T) {
	const seconds = 60
	for _, rate := range []float64{8000, 48000, 96000, 192000} {
		for _, db := range []float64{40, 60} {
			if rate > 48000 && db != 60 {
				continue
			}
			for i, s := range shapes(rate) {
				if rate > 48000 && i%3 != 0 {
					continue
				}
				t.Run(fmt.Sprintf("%.0f/%.0fdB/%s", rate, db, s.name), func(t *testing.T) {
					amplitude := 0.5
					if s.width*rate < 1 {
						amplitude /= s.width * rate // the blip that the samples see is what counts
					}
					noise := 0.5 * math.Pow(10, -db/20)
					truth := regular(rate, 0.317*rate+0.123, seconds-1, 37.7)
					got := process(NewDetector(Config{Rate: rate}), s.recording(seconds, truth, amplitude, noise, 7), 1024)
					if len(got) < seconds-3 {
						t.Fatalf("%d pulses of %d", len(got), len(truth))
					}
					sd, mean, sigma := score(got, truth)
					us := 1e6 / rate
					bound := s.bound(noise / amplitude)
					t.Logf("sd %.4f us, bound %.4f us (%.2f), claimed %.4f; mean %+.4f us, reference u %.4f us, width %.1f us",
						sd*us, bound*us, sd/bound, sigma*us, mean*us, got[9].ReferenceSigmaFrames*us, got[9].WidthSeconds*1e6)
				})
			}
		}
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
