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
	if u, _ := (&Settings{LoopQ: 100}).detunedU(dcf77); math.Abs(1.96*u-16e-6) > 0.5e-6 {
		t.Errorf("1.96·u = %.2f us, want 16", 1.96*u*1e6)
	}
	wwv, _ := station.Find("wwv")
	other, _ := (&Settings{}).detunedU(dcf77)
	if u, _ := (&Settings{LoopQ: 100}).detunedU(wwv); u+other != 0 {
		t.Errorf("%g s without a loop", u)
	}
}
