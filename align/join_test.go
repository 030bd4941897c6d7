package align

import (
	"math"
	"testing"

	"timeball/detect/mixture"
	"timeball/detect/tick/timing"
)

// The mean of two alike has the variance of JCGM 100:2008, 5.2.2, equation 16: half of
// what is each one's own, all of what is common, and the covariance of both.
func TestJoin(t *testing.T) {
	const own, filter, emission, jitter = 10e-6, 30e-6, 4e-6, 6e-6
	for _, cov := range []float64{0, 0.6 * own * own, -0.3 * own * own, 9 * own * own} {
		ua := math.Hypot(own, jitter)
		s := stationOffset{measured: mixture.Normal(0, ua), ua: ua, filter: filter, ub: math.Hypot(filter, emission)}
		a, b := s, s
		a.fix.ToneHz, b.fix.ToneHz = 1000, 1200
		a.beside = []timing.Beside{{ToneHz: 1200, Cov: cov}}
		joint, left, together, _ := join([]stationOffset{a, b}, []float64{0.5, 0.5}, jitter)
		u := joint.Widen(left).U()
		shared := min(cov, ua*ua) // no more than both vary
		want := math.Sqrt((own*own+emission*emission)/2 + jitter*jitter + filter*filter + max(shared, -jitter*jitter)/2)
		if math.Abs(u-want) > 1e-3*want || math.Abs(together-filter) > 1e-9 {
			t.Errorf("covariance %.2g s²: u %.4g and %.4g of the filter, want %.4g and %.4g", cov, u, together, want, filter)
		}
	}
}
