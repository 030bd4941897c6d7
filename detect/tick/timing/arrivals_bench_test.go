package timing

import (
	"math"
	"math/rand/v2"
	"testing"
)

// BenchmarkArrivals prints how well the earliest arrival is timed when a second
// one may be told apart, beside a fit of one arrival to the same ticks: RMS, µs,
// in 10 dB, three minutes, both paths fading by Rayleigh's distribution about a
// mean. A spacing of 0 is one path.
func BenchmarkArrivals(b *testing.B) {
	const runs = 40
	for b.Loop() {
		b.Log("spacing ms | one arrival | as fitted | told apart")
		for _, excess := range []float64{0, 0.2e-3, 0.3e-3, 0.5e-3, 0.7e-3, 1e-3, 2e-3, 3e-3} {
			var single, fitted float64
			apart, n := 0, 0.0
			for k := range uint64(runs) {
				r := rand.New(rand.NewPCG(k, 15))
				c := ticks{seconds: 180, lag: 0.2 + 1e-3*r.Float64(), snrDB: 10, toneHz: 1000, long: 5e-3, excess: excess,
					amplitudes: func(int) (float64, float64) {
						a, b := 0.5+0.5*r.NormFloat64(), 0.5+0.5*r.NormFloat64()
						if excess == 0 {
							b = 0
						}
						return a, b
					}}
				f := newFilter(Shape{c.toneHz, c.long, false}, 8000)
				snaps, m := snapshots(f, c.audio(r), c.seconds, c.lag+0.3e-3)
				st, local := buildStack(f, snaps, m, maxBlocks), buildStack(f.confined(), snaps, m, maxBlocks)
				two, ok1 := st.fit(local)
				one, ok2 := st.single()
				if !ok1 || !ok2 {
					continue
				}
				one.power = st.levels(one)
				one.cov, one.dof, ok1 = st.covariance(one.hypothesis, one.point)
				if !ok1 {
					continue
				}
				st.settlePhase(&one, local)
				off := func(f fit) float64 {
					var all []Alternative
					for _, p := range f.parts {
						all = append(all, Alternative{Lag: p.d, Probability: p.weight, Envelope: p.envelope})
					}
					return (m.lag+preferred(all).Lag)/8000 - c.lag
				}
				n++
				single += off(one) * off(one)
				fitted += off(two) * off(two)
				if two.paths == 2 {
					apart++
				}
			}
			b.Logf("%10.1f | %11.1f | %9.1f | %.0f %%", excess*1e3, 1e6*math.Sqrt(single/n), 1e6*math.Sqrt(fitted/n), 100*float64(apart)/n)
		}
	}
}
