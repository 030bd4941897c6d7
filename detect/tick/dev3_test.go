package tick

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"timeball/detect/audio"
)

func TestDevEnv(t *testing.T) {
	for _, c := range []struct {
		sh shape
		T  float64
	}{{shape{1000, 5e-3, false}, 5e-3}, {shape{1000, 10e-3, false}, 10e-3}, {shape{1000, 10e-3, true}, 0.3}} {
		for _, snr := range []float64{10, 30} {
			f := newFilter(c.sh, 8000)
			for k := 0; k < 4; k++ {
				r := rand.New(rand.NewPCG(uint64(k), 7))
				lag := 0.3 + r.Float64()*1e-3
				x := synth(r, 120, lag, snr, 0, c.T, func(int) (float64, float64) { return 1, 0 }, 0)
				st := audio.NewStream(8000, len(x))
				st.Process(0, x)
				sn := collect(st, f, 120, 0.3005)
				m := model{lag: 0.3005 * 8000, ref: 60}
				stk := buildStack(f, sn, m, 12)
				loc := buildStack(f.confined(), sn, m, 12)
				one, ok := stk.single()
				p, _ := loc.maximise(one.hypothesis, one.point)
				d0 := (lag - 0.3005) * 8000
				cov, _, ok2 := loc.covariance(one.hypothesis, p)
				s := 0.0
				if ok2 {
					s = cov.At(0, 0)
				}
				fmt.Printf("%v snr %v ok %v: wide %.2f us phi %.3f; local %.2f us phi %.3f var %.3g\n", c.sh, snr, ok, (one.d-d0)*125, one.phi, (p.d-d0)*125, p.phi, s)
			}
		}
	}
}
