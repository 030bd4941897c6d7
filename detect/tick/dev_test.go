package tick

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"timeball/detect/audio"
)

type fixedBase float64

func (f fixedBase) Base(n int64) float64 { return float64(n) * float64(f) }
func (f fixedBase) Paced() bool          { return true }

// synth: ticks with lag (s) after each base second at 8 kHz.
func synth(r *rand.Rand, secs int, lag, snr3k, phi float64, T float64, amp func(k int) (a1, a2 float64), excess float64) []float32 {
	fl := 8000.0
	x := make([]float32, int(fl)*secs+8000)
	A := 0.1
	n0 := A * A / 2 / (3000 * math.Pow(10, snr3k/10))
	sig := math.Sqrt(n0 * fl / 2)
	for i := range x {
		x[i] = float32(sig * r.NormFloat64())
	}
	put := func(p, a float64) {
		for i := int(p) - 14; i < int(p+T*fl)+14; i++ {
			if i < 0 || i >= len(x) {
				continue
			}
			s, c := bandLimited(float64(i)-p, T*fl, 2*math.Pi*1000/fl)
			x[i] += float32(A * a * (s*math.Cos(phi) + c*math.Sin(phi)))
		}
	}
	for k := 0; k < secs; k++ {
		if k%60 == 29 || k%60 == 59 {
			continue
		}
		a1, a2 := amp(k)
		put((float64(k)*(1+23e-6)+lag)*fl, a1)
		if a2 != 0 {
			put((float64(k)*(1+23e-6)+lag+excess)*fl, a2)
		}
	}
	return x
}

func collect(st *audio.Stream, f *filter, secs int, lag float64) []*snapshot {
	c := newCutter(f, st)
	var out []*snapshot
	for n := int64(0); n < int64(secs); n++ {
		s := &snapshot{n: n, w: make([]complex64, c.points())}
		if c.cut(s, float64(n)*8000*(1+23e-6), lag*8000) {
			out = append(out, s)
		}
	}
	return out
}

func TestDevWhite(t *testing.T) {
	f := newFilter(shape{1000, 5e-3, false}, 8000)
	for _, snr := range []float64{-5, 10, 30} {
		var e, u, ee, mb float64
		var slip, in, fail int
		N := 20
		secs := 120
		t0 := time.Now()
		for k := 0; k < N; k++ {
			r := rand.New(rand.NewPCG(uint64(k), 7))
			lag := 0.3 + r.Float64()*1e-3
			x := synth(r, secs, lag, snr, 0, 5e-3, func(int) (float64, float64) { return 1, 0 }, 0)
			st := audio.NewStream(8000, len(x))
			st.Process(0, x)
			sn := collect(st, f, secs, 0.3005)
			m := model{lag: 0.3005 * 8000, ref: float64(secs) / 2}
			stk := buildStack(f, sn, m, 16)
			ft, ok := stk.fit(buildStack(f.confined(), sn, m, 12))
			if !ok {
				fail++
				continue
			}
			mean, v := 0.0, 0.0
			for _, p := range ft.parts {
				mean += p.weight * p.d
			}
			for _, p := range ft.parts {
				v += p.weight * (p.vd + (p.d-mean)*(p.d-mean))
			}
			err := (m.lag+mean)/8000 - lag
			if math.Abs(err) > 0.3e-3 {
				slip++
				if slip < 3 {
					fmt.Println(ft.hypothesis, ft.point, ft.gain, ft.parts)
				}
				continue
			}
			e += err * err
			fe := (m.lag+ft.d)/8000 - lag
			ee += fe * fe
			mb += fe
			u += v / 64e6
			if math.Abs(err) < 1.96*math.Sqrt(v)/8000 {
				in++
			}
		}
		n := float64(N - slip - fail)
		crb := 29.04e-6 * math.Pow(10, -snr/20) / math.Sqrt(float64(secs)*58/60)
		fmt.Printf("snr %5.0f rms %.3g us (crb %.3g, ratio %.2f) u %.3g env %.3g slip %d fail %d cover %d/%v  %v bias %.3g\n", snr, 1e6*math.Sqrt(e/n), crb*1e6, math.Sqrt(e/n)/crb, 1e6*math.Sqrt(u/n), 1e6*math.Sqrt(ee/n), slip, fail, in, n, time.Since(t0)/time.Duration(N), mb/n*1e6)
	}
}
