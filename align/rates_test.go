package align

import (
	"fmt"
	"math"
	"testing"
)

// A clock that gains or loses, by a second a day or the millisecond that its owner wants to
// see, is measured as well after half an hour in fading as one that keeps time.
func TestRates(t *testing.T) {
	for i, rate := range []float64{2e-7, 1.16e-5} {
		t.Run(fmt.Sprint(rate), func(t *testing.T) {
			t.Parallel()
			c := plain(t, uint64(300+i))
			c.Seconds, c.Paths, c.Marker.RateError = 1500, channel("mid-moderate"), rate
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
			if math.Abs(drift) > 4*f.Rate.U || f.Rate.U > 2e-8 {
				t.Errorf("the rate is off by %v, u = %v", drift, f.Rate.U)
			}
		})
	}
}
