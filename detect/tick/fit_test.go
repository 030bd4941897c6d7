package tick

import (
	"math"
	"math/rand/v2"
	"testing"

	"timeball/detect/audio"
)

// steadySecond is a time base whose second is not a whole number of samples.
const steadySecond = 8000 * (1 + 23e-6)

type steady struct{}

func (steady) Base(n int64) float64 { return float64(n) * steadySecond }
func (steady) Paced() bool          { return true }

// ticks makes white noise with bursts of tone, lag seconds after the base's
// seconds, in every second but those that a station leaves out.
type ticks struct {
	seconds      int
	lag          float64 // s
	snrDB        float64 // of the tone against noise in 3 kHz
	phase        float64 // of the tone at the start
	toneHz, long float64
	excess       float64 // s, of a second path, if amplitudes gives it any
	amplitudes   func(k int) (a, b float64)
}

func (c ticks) audio(r *rand.Rand) *audio.Stream {
	const rate = 8000.0
	x := make([]float64, int(rate)*(c.seconds+1))
	n0 := 0.5 / (3000 * math.Pow(10, c.snrDB/10))
	for i := range x {
		x[i] = math.Sqrt(n0*rate/2) * r.NormFloat64()
	}
	add := func(p, a float64) {
		for i := int(p) - smear - 1; i < int(p+c.long*rate)+smear+1; i++ {
			if i >= 0 && i < len(x) {
				s, co := bandLimited(float64(i)-p, c.long*rate, 2*math.Pi*c.toneHz/rate)
				x[i] += a * (s*math.Cos(c.phase) + co*math.Sin(c.phase))
			}
		}
	}
	for k := range c.seconds {
		if k%60 == 29 || k%60 == 59 {
			continue
		}
		a, b := 1.0, 0.0
		if c.amplitudes != nil {
			a, b = c.amplitudes(k)
		}
		at := float64(k)*steadySecond + c.lag*rate
		add(at, a)
		if b != 0 {
			add(at+c.excess*rate, b)
		}
	}
	y := make([]float32, len(x))
	for i, v := range x {
		y[i] = float32(0.05 * v)
	}
	s := audio.NewStream(rate, len(y))
	s.Process(0, y)
	return s
}

// snapshots cuts all seconds of s where the tick is expected at lag.
func snapshots(f *filter, s *audio.Stream, seconds int, lag float64) ([]*snapshot, model) {
	c := newCutter(f, s)
	var all []*snapshot
	for n := range int64(seconds) {
		snap := &snapshot{n: n, w: make([]complex64, c.points())}
		if c.cut(snap, float64(n)*steadySecond, lag*8000) {
			all = append(all, snap)
		}
	}
	return all, model{lag: lag * 8000, ref: float64(seconds) / 2}
}

// The scatter of the free fits, wide and confined, must agree with the
// covariance they state.
func TestEnvelopeStatesItsScatter(t *testing.T) {
	const runs = 60
	for _, snr := range []float64{-5, 5} {
		var wide, confined, wideU, confinedU float64
		for k := range runs {
			r := rand.New(rand.NewPCG(uint64(k), 11))
			c := ticks{seconds: 120, lag: 0.3 + 1e-3*r.Float64(), snrDB: snr, toneHz: 1000, long: 5e-3}
			f := newFilter(shape{1000, 5e-3, false}, 8000)
			snaps, m := snapshots(f, c.audio(r), c.seconds, 0.3005)
			st, local := buildStack(f, snaps, m, maxBlocks), buildStack(f.confined(), snaps, m, maxBlocks)
			one, ok := st.single()
			if !ok {
				t.Fatalf("run %d: no tick at %v dB", k, snr)
			}
			truth := c.lag*8000 - m.lag
			cov, _, ok1 := st.covariance(one.hypothesis, one.point)
			p, _ := local.maximise(one.hypothesis, one.point)
			cov2, _, ok2 := local.covariance(one.hypothesis, p)
			if !ok1 || !ok2 {
				t.Fatalf("run %d: no covariance at %v dB", k, snr)
			}
			wide += (one.d - truth) * (one.d - truth) / runs
			confined += (p.d - truth) * (p.d - truth) / runs
			wideU += cov.At(0, 0) / runs
			confinedU += cov2.At(0, 0) / runs
		}
		us := func(v float64) float64 { return 125 * math.Sqrt(v) }
		t.Logf("%v dB: wide rms %.1f µs, stated %.1f; confined %.1f, stated %.1f", snr, us(wide), us(wideU), us(confined), us(confinedU))
		for _, c := range []struct{ rms, u float64 }{{us(wide), us(wideU)}, {us(confined), us(confinedU)}} {
			if c.rms > 1.3*c.u || c.u > 2*c.rms { // the blocks' scatter may only widen it
				t.Errorf("%v dB: scatter %.1f µs, stated %.1f µs", snr, c.rms, c.u)
			}
		}
	}
}
