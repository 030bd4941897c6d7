package align

import (
	"fmt"
	"math"
	"testing"
)

// A clock that gains or loses, by the millisecond a day that its owner wants to see, by a
// second, or by half a minute as a pendulum not yet regulated, is measured as well in fading
// as one that keeps time.
func TestRates(t *testing.T) {
	for i, tt := range []struct{ rate, seconds float64 }{{2e-7, 1500}, {1.16e-5, 1500}, {6e-5, 300}, {-4e-4, 300}} {
		t.Run(fmt.Sprint(tt.rate), func(t *testing.T) {
			t.Parallel()
			rate := tt.rate
			c := plain(t, uint64(300+i))
			c.Seconds, c.Paths, c.Marker.RateError = tt.seconds, channel("mid-moderate"), rate
			truth := truthOf(t, c)
			f := measured(t, c, unaided(truth), 0)
			if f.Verdict != Found || f.Rate == nil {
				t.Fatalf("%s (%+v)", f.Verdict, f.Why)
			}
			e, drift := wrap(*f.Offset-truth.Marker.Offset), f.Rate.Y-rate
			t.Logf("off by %.1f µs, u %.1f µs; rate off by %.1e, u %.1e", e*1e6, *f.U*1e6, drift, f.Rate.U)
			if math.Abs(e) > 4**f.U || *f.U > 20e-6 {
				t.Errorf("off by %v s, u = %v s", e, *f.U)
			}
			if math.Abs(drift) > 4*f.Rate.U || f.Rate.U > 30e-6/tt.seconds {
				t.Errorf("the rate is off by %v, u = %v", drift, f.Rate.U)
			}
		})
	}
}
