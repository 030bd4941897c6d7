package tick

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// resistors is a chain of first-order high-passes of the given corners, Hz, and
// resonant second-order ones of corner and Q, as an analogue circuit has them.
type circuit struct {
	corners []float64
	pairs   [][2]float64
}

func (c circuit) response(hz float64) complex128 {
	h := complex(1, 0)
	for _, f := range c.corners {
		s := complex(0, hz/f)
		h *= s / (1 + s)
	}
	for _, p := range c.pairs {
		s := complex(0, hz/p[0])
		h *= s * s / (s*s + s/complex(p[1], 0) + 1)
	}
	return h
}

// group is the group delay, s.
func (c circuit) group(hz float64) float64 {
	return -cmplx.Phase(c.response(hz+1)/c.response(hz-1)) / (4 * math.Pi)
}

func TestProbeShape(t *testing.T) {
	for _, cc := range []circuit{{}, {corners: []float64{50}}, {corners: []float64{150}}, {pairs: [][2]float64{{100, 0.7071}}}, {pairs: [][2]float64{{300, 0.7071}}}, {pairs: [][2]float64{{150, 0.7071}}, corners: []float64{20}}, {corners: []float64{30, 80}}, {pairs: [][2]float64{{120, 1.1}}}} {
		for _, snr := range []float64{30, 15, 6} {
			for k := range 4 {
				r := rand.New(rand.NewPCG(uint64(k), 21))
				c := ticks{seconds: 180, lag: 0.2 + 1e-3*r.Float64(), snrDB: snr, toneHz: 1000, long: 5e-3, chain: cc.response}
				got, errors := c.measure(t, r)
				g := cc.group(1000)
				t.Logf("%v %v dB", cc, snr)
				for i, p := range got.parts {
					t.Logf("    %.3f  %.2f ± %.2f us %v", p.weight, (errors[i]-g)*1e6, math.Sqrt(p.vd)*125, p.envelope)
				}
			}
		}
	}
}
