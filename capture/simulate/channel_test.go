package simulate

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// gains runs a fader and keeps one gain in step grid points.
func gains(f *fader, seconds, step int) []complex128 {
	re, im := make([]float64, gridRate), make([]float64, gridRate)
	var g []complex128
	for range seconds {
		f.run(re, im)
		for i := 0; i < gridRate; i += step {
			g = append(g, complex(re[i], im[i]))
		}
	}
	return g
}

// A path's gain is a complex Gaussian process with a Gaussian Doppler spectrum
// (Rec. ITU-R F.1487, Watterson 1970). For standard deviation σ its
// autocorrelation is exp(−2π²σ²t²), it crosses its rms level upwards
// 2√π σ/e times a second (Rice), and its power is below a tenth of the mean for
// 1 − exp(−0.1) of the time.
func TestFadingStatistics(t *testing.T) {
	const seconds, step = 2000, 80
	dt := float64(step) / gridRate
	for _, spread := range []float64{0.5, 1, 10} {
		sigma := spread / 2
		f := newFader(Path{SpreadHz: spread}, 1, 0, rand.New(rand.NewPCG(1, 2)))
		g := gains(&f, seconds, step)
		power := 0.0
		for _, v := range g {
			power += real(v)*real(v) + imag(v)*imag(v)
		}
		power /= float64(len(g))
		// Independent samples: about one for each 1/(2√π σ) s.
		n := seconds * 2 * math.Sqrt(math.Pi) * sigma
		if math.Abs(power-1) > 4/math.Sqrt(n) {
			t.Errorf("spread %g: mean power %.3f, want 1", spread, power)
		}
		for _, x := range []float64{0.1, 0.2, 0.3} { // in 1/σ
			lag := int(math.Round(x / sigma / dt))
			want := math.Exp(-2 * math.Pi * math.Pi * math.Pow(sigma*float64(lag)*dt, 2))
			var r complex128
			for i := range g[lag:] {
				r += g[i+lag] * cmplx.Conj(g[i])
			}
			r /= complex(power*float64(len(g)-lag), 0)
			if cmplx.Abs(r-complex(want, 0)) > 4/math.Sqrt(n) {
				t.Errorf("spread %g: autocorrelation at %g s is %.3f, want %.3f", spread, float64(lag)*dt, r, want)
			}
		}
		crossings, weak := 0.0, 0.0
		for i, v := range g {
			if i > 0 && cmplx.Abs(g[i-1]) < math.Sqrt(power) && cmplx.Abs(v) >= math.Sqrt(power) {
				crossings++
			}
			if cmplx.Abs(v) < math.Sqrt(0.1*power) {
				weak++
			}
		}
		if got, want := crossings/seconds, 2*math.Sqrt(math.Pi)*sigma/math.E; math.Abs(got/want-1) > 0.08 {
			t.Errorf("spread %g: %.4f crossings a second, want %.4f", spread, got, want)
		}
		if got, want := weak/float64(len(g)), 1-math.Exp(-0.1); math.Abs(got/want-1) > 0.15 {
			t.Errorf("spread %g: power below a tenth for %.4f of the time, want %.4f", spread, got, want)
		}
	}
}

// The spectrum's centre is the Doppler shift: the lag-one autocorrelation turns
// by 2π·shift·lag.
func TestDopplerShift(t *testing.T) {
	for _, p := range []Path{{ShiftHz: 0.7}, {ShiftHz: -1.3, SpreadHz: 0.5}} {
		f := newFader(p, 1, 0.2, rand.New(rand.NewPCG(3, 4)))
		g := gains(&f, 200, gridRate/20)
		var r complex128
		for i := range g[1:] {
			r += g[i+1] * cmplx.Conj(g[i])
		}
		got := cmplx.Phase(r) / (2 * math.Pi) * 20
		if math.Abs(got-(p.ShiftHz+0.2)) > 0.05 {
			t.Errorf("%+v: shift %.3f Hz", p, got)
		}
	}
}

// Paths must fade independently of each other.
func TestPathsFadeIndependently(t *testing.T) {
	paths, err := Channel("mid-disturbed", 0.005)
	if err != nil {
		t.Fatal(err)
	}
	c := Config{Seconds: 1, Station: find(t, "wwv"), Paths: paths}.withDefaults()
	s := newSignal(Signal{Station: c.Station, Paths: c.Paths}, &c, &seeder{seed: 1})
	a, b := gains(&s.paths[0].gain, 1000, gridRate/20), gains(&s.paths[1].gain, 1000, gridRate/20)
	var cross complex128
	var pa, pb float64
	for i := range a {
		cross += a[i] * cmplx.Conj(b[i])
		pa += real(a[i])*real(a[i]) + imag(a[i])*imag(a[i])
		pb += real(b[i])*real(b[i]) + imag(b[i])*imag(b[i])
	}
	if r := cmplx.Abs(cross) / math.Sqrt(pa*pb); r > 0.1 {
		t.Errorf("correlation %.3f", r)
	}
	// Two equal paths share a power of one.
	for _, p := range []float64{pa, pb} {
		if got := p / float64(len(a)); math.Abs(got-0.5) > 0.08 {
			t.Errorf("mean power %.3f, want 0.5", got)
		}
	}
}

// Differential delays and spreads of Rec. ITU-R F.1487, annex 3.
func TestChannelClasses(t *testing.T) {
	for class, want := range map[string][2]float64{
		"low-quiet": {0.5e-3, 0.5}, "low-moderate": {2e-3, 1.5}, "low-disturbed": {6e-3, 10},
		"mid-quiet": {0.5e-3, 0.1}, "mid-moderate": {1e-3, 0.5}, "mid-disturbed": {2e-3, 1},
		"mid-near-vertical": {7e-3, 1},
		"high-quiet":        {1e-3, 0.5}, "high-moderate": {3e-3, 10}, "high-disturbed": {7e-3, 30},
	} {
		p, err := Channel(class, 0.01)
		if err != nil {
			t.Fatal(err)
		}
		if len(p) != 2 || p[0].DelaySeconds != 0.01 || math.Abs(p[1].DelaySeconds-0.01-want[0]) > 1e-12 ||
			p[0].SpreadHz != want[1] || p[1].SpreadHz != want[1] || p[0].LevelDB != p[1].LevelDB {
			t.Errorf("%s: %+v", class, p)
		}
	}
	if p, err := Channel("steady", 0.01); err != nil || len(p) != 1 || p[0].SpreadHz != 0 {
		t.Errorf("steady: %+v, %v", p, err)
	}
	if _, err := Channel("fine", 0); err == nil {
		t.Error("took an unknown class")
	}
}

// A fade takes the signal down by its depth for its time.
func TestFade(t *testing.T) {
	c := Config{
		Rate: 8000, Seconds: 12, Station: find(t, "chu"), Programme: MarksOnly, Noiseless: true, Receiver: Receiver{Detector: Linear},
		Fades: []Fade{{AtSeconds: 4, ForSeconds: 4, DepthDB: 40}},
	}
	_, ch := record(t, c)
	for second, want := range map[float64]float64{1: 0.25, 2: 0.25, 5: 0.0025, 7: 0.0025, 10: 0.25} {
		a, _ := tone(ch[0], 8000, second+0.05, second+0.25, 1000, second)
		if math.Abs(a/want-1) > 0.02 {
			t.Errorf("second %g: amplitude %.5f, want %.5f", second, a, want)
		}
	}
}
