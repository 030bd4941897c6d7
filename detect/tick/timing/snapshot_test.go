package timing

import (
	"math"
	"math/rand/v2"
	"testing"

	"timeball/detect/audio"
)

// White noise of known variance must come out as that variance, whatever the
// low rate.
func TestNoiseIsUnbiased(t *testing.T) {
	for _, rate := range []float64{8000, 11025} {
		for _, tone := range []float64{1000, 1200, 1800} {
			r := rand.New(rand.NewPCG(3, uint64(tone)))
			x := make([]float32, int(rate)*400)
			for i := range x {
				x[i] = float32(0.2 * r.NormFloat64())
			}
			s := audio.NewStream(rate, len(x))
			s.Process(0, x)
			c := newCutter(newFilter(Shape{tone, 5e-3, false}, rate), s)
			var snaps []*snapshot
			for n := range int64(398) {
				snap := &snapshot{n: n}
				if c.cut(snap, float64(n)*rate, 0.5*rate) {
					snaps = append(snaps, snap)
				}
			}
			sum := 0.0
			for _, v := range smoothNoise(snaps) {
				sum += 0.04 / v // what scaled noise will have as variance
			}
			if got := sum / float64(len(snaps)); math.Abs(got-1) > 0.03 {
				t.Errorf("rate %v, tone %v: noise is scaled to variance %.3f, want 1", rate, tone, got)
			}
		}
	}
}
