package timing

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"timeball/detect/audio"
)

// steadySecond is a time base whose second is not a whole number of samples.
const steadySecond = 8000 * (1 + 23e-6)

// ticks makes white noise with bursts of tone, lag seconds after the base's
// seconds, in every second but those that a station leaves out.
type ticks struct {
	seconds      int
	lag          float64 // s
	snrDB        float64 // of the tone against noise in 3 kHz
	phase        float64 // by which the chain turns the audio forward
	toneHz, long float64
	chain        func(hz float64) complex128  // response of the audio chain; nil: flat
	hum          func(second float64) float64 // against the tick; nil: none
	excess       float64                      // s, of a second path, if amplitudes gives it any
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
				x[i] += a * bandLimited(float64(i)-p, c.long*rate, 2*math.Pi*c.toneHz/rate)
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
	switch {
	case c.chain != nil:
		pass(x, c.chain)
	case c.phase != 0:
		pass(x, func(float64) complex128 { return cmplx.Rect(1, c.phase) })
	}
	if c.hum != nil {
		for i := range x {
			x[i] += c.hum(float64(i) / steadySecond)
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

// pass sends x, at 8 kHz, through a chain of the given response.
func pass(x []float64, response func(hz float64) complex128) {
	fft := fourier.NewFFT(len(x))
	spectrum := fft.Coefficients(nil, x)
	for i := range spectrum {
		spectrum[i] *= response(8000 * fft.Freq(i))
	}
	fft.Sequence(x, spectrum)
	for i := range x {
		x[i] /= float64(len(x))
	}
}

// snapshots cuts all seconds of s where the tick is expected at lag.
func snapshots(f *filter, s *audio.Stream, seconds int, lag float64) ([]*snapshot, model) {
	c := newCutter(f, s)
	var all []*snapshot
	for n := range int64(seconds) {
		snap := &snapshot{n: n}
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
			f := newFilter(Shape{1000, 5e-3, false}, 8000)
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

// measure fits c's ticks and returns the fit with the error of each part's lag.
func (c ticks) measure(t *testing.T, r *rand.Rand) (fit, []float64) {
	t.Helper()
	f := newFilter(Shape{c.toneHz, c.long, false}, 8000)
	snaps, m := snapshots(f, c.audio(r), c.seconds, c.lag+0.3e-3)
	st := buildStack(f, snaps, m, maxBlocks)
	st.hear(snaps)
	got, ok := st.fit(buildStack(f.confined(), snaps, m, maxBlocks))
	if !ok {
		t.Fatalf("no tick found in %+v", c)
	}
	var errors []float64
	for _, p := range got.parts {
		errors = append(errors, (m.lag+p.d)/8000-c.lag)
	}
	return got, errors
}

// In white noise and a flat chain a cycle must time the tick to the coherent
// Cramér–Rao bound σ = 1/(2πf0·√(6000·T·SNR·N)), SNR in 3 kHz (theory).
func TestCyclesReachTheBound(t *testing.T) {
	const runs = 30
	for _, snr := range []float64{5, 20} {
		sum, n := 0.0, 0
		for k := range runs {
			r := rand.New(rand.NewPCG(uint64(k), 12))
			c := ticks{seconds: 60, lag: 0.2 + 1e-3*r.Float64(), snrDB: snr, toneHz: 1000, long: 5e-3}
			got, errors := c.measure(t, r)
			if got.paths != 1 || !got.coherent {
				t.Errorf("%v dB: %d paths, coherent %v", snr, got.paths, got.coherent)
			}
			stated, weight := -1, leastFlat
			for i, p := range got.parts {
				if p.flat && p.weight >= weight {
					stated, weight = i, p.weight
				}
			}
			if stated >= 0 {
				sum += errors[stated] * errors[stated]
				n++
			}
		}
		if n < runs*9/10 {
			t.Errorf("%v dB: stated by a cycle in %d of %d", snr, n, runs)
		}
		bound := 1 / (2 * math.Pi * 1000 * math.Sqrt(6000*5e-3*math.Pow(10, snr/10)*58))
		rms := math.Sqrt(sum / float64(n))
		t.Logf("%v dB: rms %.2f µs, bound %.2f", snr, rms*1e6, bound*1e6)
		// 1.3 is the target; 30 runs scatter by a tenth or two.
		if rms > 1.6*bound {
			t.Errorf("%v dB: rms %.2f µs, bound %.2f µs", snr, rms*1e6, bound*1e6)
		}
	}
}

// A chain that turns the tone's phase must not be timed by a cycle.
func TestTurnedPhaseLeavesTheEnvelope(t *testing.T) {
	for k := range 5 {
		r := rand.New(rand.NewPCG(uint64(k), 13))
		c := ticks{seconds: 120, lag: 0.2 + 1e-3*r.Float64(), snrDB: 20, phase: 1, toneHz: 1000, long: 5e-3}
		got, errors := c.measure(t, r)
		best := 0
		for i, p := range got.parts {
			if p.weight > got.parts[best].weight {
				best = i
			}
		}
		if p := got.parts[best]; !p.envelope || math.Abs(errors[best]) > 4*math.Sqrt(p.vd)/8000 {
			t.Errorf("run %d: envelope %v, off by %.1f µs, u %.1f", k, p.envelope, errors[best]*1e6, 125*math.Sqrt(p.vd))
		}
	}
}

// Two paths that fade apart are told apart, and the earlier one is timed.
func TestTwoPathsAreToldApart(t *testing.T) {
	for k, excess := range []float64{0.7e-3, 1e-3, 2e-3} {
		r := rand.New(rand.NewPCG(uint64(k), 14))
		c := ticks{seconds: 180, lag: 0.2 + 1e-3*r.Float64(), snrDB: 10, toneHz: 1000, long: 5e-3, excess: excess,
			amplitudes: func(int) (float64, float64) { return 0.5 + 0.5*r.NormFloat64(), 0.4 + 0.5*r.NormFloat64() }}
		got, errors := c.measure(t, r)
		if got.paths != 2 || math.Abs(got.excess/8000-excess) > 60e-6 || math.Abs(errors[0]) > 50e-6 {
			t.Errorf("excess %.1f ms: %d paths, excess %.3f ms, off by %.1f µs", excess*1e3, got.paths, got.excess/8, errors[0]*1e6)
		}
	}
}

// The table must agree with the sum it stands for; a turned tone is that of
// the analytic signal.
func TestResponseIsTheFiltersOutput(t *testing.T) {
	for _, s := range []Shape{{1000, 5e-3, false}, {1200, 5e-3, false}, {1800, 5e-3, false}, {1000, 10e-3, true}} {
		f := newFilter(s, 8000)
		burst := s.Seconds * 8000
		if s.Onset {
			burst = 0.3 * 8000
		}
		for _, delta := range []float64{-20.25, -4.75, 0, 0.5, 7.25} {
			for _, phi := range []float64{0, 0.7, 2} {
				const before = 2000
				x := make([]float64, 8000)
				for i := range x {
					x[i] = bandLimited(float64(i-before)+delta, burst, f.omega)
				}
				pass(x, func(float64) complex128 { return cmplx.Rect(1, phi) })
				n := f.length - 8
				var want complex128
				for m := range n + 1 {
					v := complex(x[before+m], 0) * cmplx.Rect(1, -f.omega*(delta+float64(m)))
					if m == 0 || m == n {
						v /= 2
					}
					want += v
				}
				// Half a percent of a whole mark's output: linear interpolation.
				if got := f.response(delta, float64(n), phi); cmplx.Abs(got-want) > 0.005*float64(n)/2 {
					t.Errorf("%v: response(%v, %d, %v) = %.3f, want %.3f", s, delta, n, phi, got, want)
				}
			}
		}
	}
}
