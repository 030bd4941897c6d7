package longwave

import (
	"math"
	"testing"

	"timeball/capture/simulate"
)

// A receiver's filter without delay, of 200 Hz about the pitch, makes an edge of another form
// than the poles that are fitted, and so moves it: no farther than is stated. One that leaves
// its form alone makes nothing.
func TestFilterMovesEdges(t *testing.T) {
	t.Parallel()
	for _, narrow := range []bool{false, true} {
		c := config(t, "msf", 65, false)
		if narrow {
			c.Receiver.Filter = simulate.Filter{HighPassHz: 1400, LowPassHz: 1600}
		}
		heard := hear(t, c, "msf").Heard()
		if len(heard) != 1 {
			t.Errorf("narrow %v: %d heard", narrow, len(heard))
			continue
		}
		a := heard[0].Arrival()
		if moved := math.Abs(a.Lag - delay); narrow != (moved > 100e-6) || moved > 1.96*a.FilterU+5e-6 || a.FilterU > moved {
			t.Errorf("narrow %v: %.1f us late, of which the filter's part is %.1f us", narrow, (a.Lag-delay)*1e6, a.FilterU*1e6)
		}
	}
}
