package align

import (
	"math"
	"testing"

	"timeball/capture/station"
	"timeball/detect/longwave"
)

// A loop of Q 100 at 77.5 kHz that is a tenth of a per cent off its tune delays by 16 us
// less than the 411 us on tune, by the theory of a resonator worked out by hand.
func TestDetunedLoop(t *testing.T) {
	dcf77, _ := station.Find("dcf77")
	q := 100.0
	if u := (&Settings{LoopQ: &q}).loopFor(dcf77).delayU(77.5e3); math.Abs(1.96*u-16e-6) > 0.5e-6 {
		t.Errorf("1.96·u = %.2f us, want 16", 1.96*u*1e6)
	}
	wwv, _ := station.Find("wwv")
	for _, l := range []TunedLoop{(&Settings{}).loopFor(dcf77), (&Settings{LoopQ: &q}).loopFor(wwv)} {
		if u := l.delayU(77.5e3); u != 0 || l.Known != nil {
			t.Errorf("%g s without a loop", u)
		}
	}
}

// Of a loop of Q 30 at 77.5 kHz, whose delay is 123 us by the theory of a resonator, one of Q
// 60 differs by as much; noise that shows it to 1 us contradicts that, and noise that shows
// it to 40 us does not.
func TestLoopAgainstNoise(t *testing.T) {
	dcf77, _ := station.Find("dcf77")
	const delay = 123e-6
	for _, tt := range []struct{ q, noiseU, least, most float64 }{
		{60, 1e-6, 0.7 * delay, 0.75 * delay}, {0, 1e-6, 0.7 * delay, 0.75 * delay}, {60, 40e-6, 0, 6e-6}, {30, 1e-6, 0, 3e-6},
	} {
		noise := TunedLoop{Loop: longwave.Loop{Q: 30, TunedHz: 77.5e3, DelayU: tt.noiseU}, Known: LoopInNoise{}}
		told := (&Settings{LoopQ: &tt.q}).loopFor(dcf77).beside(noise, 77.5e3)
		if u := told.delayU(77.5e3); u < tt.least || u > tt.most || (told.Against != nil) != (tt.least > 0) {
			t.Errorf("Q %g against noise to %g us: u = %g us, contradicted %v", tt.q, tt.noiseU*1e6, u*1e6, told.Against)
		}
	}
}
