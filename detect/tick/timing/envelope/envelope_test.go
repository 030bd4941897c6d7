package envelope

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// windows are those of a's audio.
func (a *air) windows() ([]Window, float64) {
	raw, delay := a.raw()
	var all []Window
	for s, x := range raw {
		all = append(all, Window{At: float64(s) - float64(a.seconds-1)/2, Lag: -12e-3 * 8000, Audio: x})
	}
	return all, delay
}

// peak is the best maximum of a's likelihood behind a chain whose corner is thought to
// be off, its Lag from the earliest path's true arrival.
func (a *air) peak(t *testing.T, off float64) Peak {
	t.Helper()
	windows, delay := a.windows()
	peaks := New(8000, 1000, windows).Peaks([]Chain{a.given(off)})[0]
	if len(peaks) == 0 {
		t.Fatalf("seed %d: no maximum", a.seed)
	}
	peaks[0].Lag -= delay + a.delays[0]
	return peaks[0]
}

// Rec. ITU-R F.1487, mid-latitude: quiet 0.5 ms and 0.1 Hz, moderate 1 ms and 0.5 Hz.
func quietAir(seed uint64, snr float64) *air {
	return &air{seed: seed, seconds: 120, delays: []float64{0.3e-3, 0.8e-3}, spreadHz: 0.1, snrDB: snr, highPassHz: 120, lowPassHz: 3000}
}

func moderateAir(seed uint64, snr float64) *air {
	a := quietAir(seed, snr)
	a.delays, a.spreadHz = []float64{0.3e-3, 1.3e-3}, 0.5
	return a
}

// unmodelled is what the fit does not know of the receiver, s: that its filter before
// the detector passes more than the model's makes the marks a few µs early.
const unmodelled = 3e-6

// One recording of each: what is off, in units of what was measured of three of each and
// in those of its uncertainty, is judged by all four together.
func TestTwoPaths(t *testing.T) {
	const most = 1.93 // 1 in 200 of χ² of 4 degrees
	measured, stated := 0.0, 0.0
	for i, c := range []struct {
		name string
		air  func(uint64, float64) *air
		snr  float64
		rms  float64 // s, as measured
	}{
		{"quiet", quietAir, 10, 13e-6},
		{"quiet", quietAir, 6, 25e-6},
		{"moderate", moderateAir, 10, 3e-6},
		{"moderate", moderateAir, 6, 5e-6},
	} {
		a := c.air(uint64(i%3), c.snr)
		k := a.peak(t, 1)
		t.Logf("%s %g dB: lag %.1f ± %.1f µs", c.name, c.snr, k.Lag*1e6, math.Sqrt(k.Cov[0][0])*1e6)
		measured += k.Lag * k.Lag / (c.rms * c.rms) / 4
		stated += k.Lag * k.Lag / (k.Cov[0][0] + unmodelled*unmodelled) / 4
		if len(k.Excess) != 1 || math.Abs(k.Excess[0]-(a.delays[1]-a.delays[0])) > 5*k.UExcess[0] {
			t.Errorf("%s %g dB: excess %.0f µs", c.name, c.snr, k.Excess)
		}
		if math.Abs(k.Rate) > 4*math.Sqrt(k.Cov[1][1]) {
			t.Errorf("%s %g dB: rate %.2g ± %.2g of a steady mark", c.name, c.snr, k.Rate, math.Sqrt(k.Cov[1][1]))
		}
		if k.Detector != Diode {
			t.Errorf("%s %g dB: an envelope detector taken for a synchronous one", c.name, c.snr)
		}
	}
	rms, z := math.Sqrt(measured), math.Sqrt(stated)
	t.Logf("errors are %.2f times those measured and %.2f times their uncertainty", rms, z)
	if rms > most || z > most {
		t.Errorf("errors are %.2f times those measured and %.2f times their uncertainty", rms, z)
	}
}

func TestOnePath(t *testing.T) {
	a := quietAir(3, 6)
	a.delays = a.delays[:1]
	a.seconds = 40
	k := a.peak(t, 1)
	if len(k.Excess) != 0 || math.Abs(k.Lag) > 4*math.Sqrt(k.Cov[0][0]) || math.Abs(k.Lag) > 12e-6 {
		t.Errorf("lag %.1f ± %.1f µs, excess %.0f of a single path", k.Lag*1e6, math.Sqrt(k.Cov[0][0])*1e6, k.Excess)
	}
}

func TestDetectors(t *testing.T) {
	for _, d := range []Detector{Synchronous, Product} {
		a := moderateAir(4, 10)
		a.seconds, a.detector = 90, d
		k := a.peak(t, 1)
		if k.Detector != d || math.Abs(k.Lag) > 4*math.Sqrt(k.Cov[0][0]) || len(k.Excess) != 1 {
			t.Errorf("detector %v: lag %.1f ± %.1f µs, excess %.0f, taken for detector %v", d, k.Lag*1e6, math.Sqrt(k.Cov[0][0])*1e6, k.Excess, k.Detector)
		}
		t.Logf("detector %v: lag %.1f ± %.1f µs", d, k.Lag*1e6, math.Sqrt(k.Cov[0][0])*1e6)
	}
}

// A corner that noise tells 12 % wrong is put right by the marks; wrong, it would
// put the mark 8 µs off.
func TestCornerIsLearnt(t *testing.T) {
	a := moderateAir(5, 10)
	k := a.peak(t, 1.12)
	if off := k.Corners[0] + math.Log(1.12); math.Abs(off) > 0.05 {
		t.Errorf("corner is %+.3f off", off)
	}
	if math.Abs(k.Lag) > 2*unmodelled+4*math.Sqrt(k.Cov[0][0]) {
		t.Errorf("lag %.1f ± %.1f µs", k.Lag*1e6, math.Sqrt(k.Cov[0][0])*1e6)
	}
}

func TestRate(t *testing.T) {
	a := moderateAir(6, 10)
	a.rate = 0.7e-6
	k := a.peak(t, 1)
	if u := math.Sqrt(k.Cov[1][1]); math.Abs(k.Rate-a.rate) > 4*u || u > 0.1e-6 {
		t.Errorf("rate %.3g ± %.2g, true %.3g", k.Rate, u, a.rate)
	}
}

// A corner that noise hardly tells may be far from where it is thought to be: then the
// chain is taken out anew, for what it does is not in proportion to the corner's logarithm.
func TestCornerFarOff(t *testing.T) {
	t.Parallel()
	a := moderateAir(5, 10)
	a.delays, a.seconds = a.delays[:1], 15
	var from func(off float64) Chain
	from = func(off float64) Chain {
		c := a.given(off)
		c.Sure[0] = 1
		c.Moved = func(high, _ float64) Chain { return from(off * math.Exp(high)) }
		return c
	}
	windows, delay := a.windows()
	for _, off := range []float64{0.3, 3} {
		k := New(8000, 1000, windows).Peaks([]Chain{from(off)})[0][0]
		if left := k.Corners[0] + math.Log(off); math.Abs(left) > 0.1 {
			t.Errorf("thought to be %.1f times what it is, the corner is learnt to be %.2f times", off, math.Exp(left))
		}
		if late := k.Lag - delay - a.delays[0]; math.Abs(late) > 2*unmodelled+4*math.Sqrt(k.Cov[0][0]) {
			t.Errorf("thought to be %.1f times what it is, the mark is %.1f ± %.1f µs late", off, late*1e6, math.Sqrt(k.Cov[0][0])*1e6)
		}
	}
}

// Two paths a cycle of the tone apart are told from one by that cycle alone, and what is
// least known of their amplitudes is mostly noise: it must not count against them.
func TestCycleApart(t *testing.T) {
	t.Parallel()
	a := moderateAir(8, 0)
	a.seconds = 60
	windows, _ := a.windows()
	one, two := math.Inf(-1), math.Inf(-1)
	for _, k := range New(8000, 1000, windows).Peaks([]Chain{a.given(1)})[0] {
		if len(k.Excess) == 0 {
			one = max(one, k.LogWeight)
		} else if len(k.Excess) == 1 && math.Abs(k.Excess[0]-1e-3) < 0.2e-3 {
			two = max(two, k.LogWeight+math.Log(1e3)) // of a second path's density, one a ms
		}
	}
	if !(two > one+10) {
		t.Errorf("two paths have %.1f, one has %.1f", two, one)
	}
	t.Logf("two paths have %.1f, one has %.1f", two, one)
}

// Rivals to the right chain: one of the fourth order is less likely by far.
func TestChainIsTold(t *testing.T) {
	a := moderateAir(7, 6)
	a.seconds = 60
	windows, _ := a.windows()
	right, wrong := a.given(1), a.given(1)
	wrong.Pairs = []float64{2 * math.Sin(math.Pi/8), 2 * math.Sin(3*math.Pi/8)} // Butterworth's of the fourth order
	peaks := New(8000, 1000, windows).Peaks([]Chain{wrong, right})
	if len(peaks[1]) == 0 || len(peaks[0]) > 0 && peaks[0][0].Gain > peaks[1][0].Gain-100 {
		t.Errorf("a chain of the wrong order is not told from the right one: %+v", peaks)
	}
}

func TestShortMarksAreLeftOut(t *testing.T) {
	const rate, toneHz = 8000, 1000
	rng := rand.New(rand.NewPCG(1, 1))
	mark := func(seconds float64) Window {
		w := Window{Lag: -80, Audio: make([]float64, 340)}
		for i := range w.Audio {
			w.Audio[i] = 0.1 * rng.NormFloat64()
			if t := (float64(i) - 80) / rate; t > 0 && t < seconds {
				w.Audio[i] += math.Sin(2 * math.Pi * toneHz * t)
			}
		}
		return w
	}
	var all []Window
	for range 5 {
		all = append(all, mark(0.3), mark(0.01))
	}
	if n := len(New(rate, toneHz, all).windows); n != 5 {
		t.Errorf("%d of 5 long and 5 short marks are used", n)
	}
}

// The table against the burst itself: sin(ωt) − i·cos(ωt) well inside, nothing well
// before.
func TestBurst(t *testing.T) {
	b := newBurst(8000, 1000, 10e-3, 20e-3)
	for _, ms := range []float64{8, 10.3, 15.75} {
		at := b.origin + int(math.Round(ms*1e-3/b.step))
		s, c := math.Sincos(2 * math.Pi * 1000 * float64(at-b.origin) * b.step)
		if d := cmplx.Abs(b.value[at] - complex(s, -c)); d > 8e-3 { // 1/(π·ω·8 ms), the edge's tail
			t.Errorf("%g ms after the begin: off by %.2g", ms, d)
		}
		if d := cmplx.Abs(b.slope[at] - 2i*math.Pi*1000*b.value[at]); d > 60 {
			t.Errorf("%g ms after the begin: slope off by %.2g", ms, d)
		}
	}
	if d := cmplx.Abs(b.value[b.origin-int(8e-3/b.step)]); d > 8e-3 {
		t.Errorf("8 ms before the begin: %.2g", d)
	}
}

// What a chain has done is undone, but for powers of time.
func TestFlatten(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	a := &air{highPassHz: 150, lowPassHz: 2800}
	x := make([]float64, 9600)
	var hz, phase [20]float64
	for i := range hz {
		hz[i], phase[i] = 200+2800*rng.Float64(), 2*math.Pi*rng.Float64()
	}
	wave := func(t float64) float64 {
		sum := 0.0
		for i, f := range hz {
			sum += math.Sin(2*math.Pi*f*t + phase[i])
		}
		return sum
	}
	for i := range x {
		x[i] = wave(float64(i) / airRate)
	}
	a.chain(x)
	low := make([]float64, 330)
	for i := range low {
		low[i] = x[4800+6*i]
	}
	c := a.given(1)
	h := cmplx.Abs(c.response(1000))
	got := make([]float64, 168)
	if !newFlattener(c, 8000, 1000).flatten(got, low, 24.37) {
		t.Fatal("too short")
	}
	want := make([]float64, len(got))
	for i := range want {
		want[i] = h * wave(4800/airRate+(24.37+float64(i))/8000)
	}
	for _, u := range powers(len(got)) {
		subtract(got, u)
		subtract(want, u)
	}
	var off, all float64
	for i := range got {
		off += (got[i] - want[i]) * (got[i] - want[i])
		all += want[i] * want[i]
	}
	if db := 10 * math.Log10(off/all); db > -38 {
		t.Errorf("audio behind the chain and its inverse differs from what it was by %.1f dB", db)
	}
}

// A steady tone in noise has no mark in it: what is returned, if anything, lies within
// reach and has an uncertainty.
func TestNoMark(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var windows []Window
	for s := range 20 {
		w := Window{At: float64(s), Lag: -80, Audio: make([]float64, 340)}
		for i := range w.Audio {
			w.Audio[i] = rng.NormFloat64() + math.Sin(2*math.Pi*1000*float64(i)/8000)
		}
		windows = append(windows, w)
	}
	a := quietAir(1, 10)
	for _, k := range New(8000, 1000, windows).Peaks([]Chain{a.given(1)})[0] {
		if math.Abs(k.Lag) > margin || !(k.Cov[0][0] > 0) || math.IsNaN(k.Gain) {
			t.Errorf("%+v", k)
		}
	}
}
