package align

import (
	"math"
	"testing"

	"timeball/capture/station"
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
