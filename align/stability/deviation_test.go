package stability

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// nbs9 is the nine-point frequency record of NBS Monograph 140, annex 8.E.
var nbs9 = []float64{892, 809, 823, 798, 671, 644, 883, 903, 677}

// riley1000 is the 1000-point frequency record of NIST SP 1065, clause 12.4: the
// multiplicative congruential generator n -> 16807 n mod 2147483647.
func riley1000() []float64 {
	y := make([]float64, 1000)
	n := int64(1234567890)
	for i := range y {
		y[i] = float64(n) / 2147483647
		n = 16807 * n % 2147483647
	}
	return y
}

func TestGeneratorGivesPublishedNumbers(t *testing.T) {
	y := riley1000()
	for i, want := range map[int]float64{1: 395529916, 2: 1209410747, 3: 633705974, 999: 1560135652} { // SP 1065, clause 12.4
		if got := math.Round(y[i] * 2147483647); got != want {
			t.Errorf("n[%d] = %.0f, want %.0f", i, got, want)
		}
	}
}

// average reduces a frequency record to means over m values, as the published
// tables do for the nine-point record at m = 2.
func average(y []float64, m int) []float64 {
	var means []float64
	for i := 0; i+m <= len(y); i += m {
		var s float64
		for _, v := range y[i : i+m] {
			s += v
		}
		means = append(means, s/float64(m))
	}
	return means
}

// TestPublishedDeviations: W. J. Riley, NIST SP 1065 (2008), clause 12.4, tables
// 29 to 31, pp. 107-109, to all digits printed there.
func TestPublishedDeviations(t *testing.T) {
	published := []struct {
		kind Kind
		nbs  [2]string // m = 1, 2
		nist [3]string // m = 1, 10, 100
	}{
		{ADEV, [2]string{"9.122945e+01", "1.158082e+02"}, [3]string{"2.922319e-01", "9.965736e-02", "3.897804e-02"}},
		{OADEV, [2]string{"9.122945e+01", "8.595287e+01"}, [3]string{"2.922319e-01", "9.159953e-02", "3.241343e-02"}},
		{MDEV, [2]string{"9.122945e+01", "7.478849e+01"}, [3]string{"2.922319e-01", "6.172376e-02", "2.170921e-02"}},
		{TDEV, [2]string{"5.267135e+01", "8.635831e+01"}, [3]string{"1.687202e-01", "3.563623e-01", "1.253382e+00"}},
		{HDEV, [2]string{"7.080607e+01", "1.167980e+02"}, [3]string{"2.943883e-01", "1.052754e-01", "3.910861e-02"}},
		{OHDEV, [2]string{"7.080607e+01", "8.561487e+01"}, [3]string{"2.943883e-01", "9.581083e-02", "3.237638e-02"}},
		{TOTDEV, [2]string{"9.122945e+01", "9.390379e+01"}, [3]string{"2.922319e-01", "9.134743e-02", "3.406530e-02"}},
	}
	check := func(kind Kind, x []float64, m int, want string) {
		t.Helper()
		got, _ := Estimate(kind, x, 1, m)
		if s := fmt.Sprintf("%.6e", got); s != want {
			t.Errorf("%s m=%d = %s, published %s", kind, m, s, want)
		}
	}
	x9, x1000 := PhaseFromFrequency(nbs9, 1), PhaseFromFrequency(riley1000(), 1)
	for _, p := range published {
		check(p.kind, x9, 1, p.nbs[0])
		check(p.kind, x9, 2, p.nbs[1])
		for i, m := range []int{1, 10, 100} {
			check(p.kind, x1000, m, p.nist[i])
		}
	}
}

// TestPublishedAverages: the same tables' statistics of the frequency records,
// which the deviations at a factor above 1 rest on.
func TestPublishedAverages(t *testing.T) {
	for _, c := range []struct {
		y              []float64
		max, min, mean string
	}{
		{average(nbs9, 1), "9.030000e+02", "6.440000e+02", "7.888889e+02"},
		{average(nbs9, 2), "8.930000e+02", "6.575000e+02", "8.028750e+02"},
		{average(riley1000(), 1), "9.957453e-01", "1.371760e-03", "4.897745e-01"},
		{average(riley1000(), 10), "7.003371e-01", "2.545924e-01", "4.897745e-01"},
		{average(riley1000(), 100), "5.489368e-01", "4.533354e-01", "4.897745e-01"},
	} {
		x := PhaseFromFrequency(c.y, 1)
		lo, hi := math.Inf(1), math.Inf(-1)
		for i := 1; i < len(x); i++ {
			lo, hi = min(lo, x[i]-x[i-1]), max(hi, x[i]-x[i-1])
		}
		mean := x[len(x)-1] / float64(len(x)-1)
		for i, s := range []struct{ got, want string }{
			{fmt.Sprintf("%.6e", hi), c.max}, {fmt.Sprintf("%.6e", lo), c.min}, {fmt.Sprintf("%.6e", mean), c.mean},
		} {
			if s.got != s.want {
				t.Errorf("%d values, statistic %d: %s, published %s", len(c.y), i, s.got, s.want)
			}
		}
	}
}

// reference computes MDEV and TOTDEV by their definitions, with no running sum
// and with the continuation of the record spelt out.
func reference(kind Kind, x []float64, m int) float64 {
	var sum float64
	var terms int
	switch kind {
	case MDEV:
		for j := 0; j+3*m <= len(x); j++ {
			var d float64
			for i := j; i < j+m; i++ {
				d += x[i+2*m] - 2*x[i+m] + x[i]
			}
			sum += d / float64(m) * d / float64(m)
			terms++
		}
	case TOTDEV:
		n := len(x)
		long := make([]float64, 3*n-2)
		for i := range n {
			long[n-1+i] = x[i]
			long[n-1-i] = 2*x[0] - x[i]
			long[2*n-2+i] = 2*x[n-1] - x[n-1-i]
		}
		for i := n; i < 2*n-2; i++ {
			d := long[i-m] - 2*long[i] + long[i+m]
			sum += d * d
			terms++
		}
	}
	return math.Sqrt(sum / (2 * float64(m) * float64(m) * float64(terms)))
}

func TestFastAgainstSlow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1, 1), 4, 60).Draw(t, "x")
		m := rapid.IntRange(1, len(x)-1).Draw(t, "m")
		for _, kind := range []Kind{MDEV, TOTDEV} {
			got, terms := Estimate(kind, x, 1, m)
			if terms == 0 {
				continue
			}
			if want := reference(kind, x, m); math.Abs(got-want) > 1e-12*(1+want) {
				t.Fatalf("%s m=%d: %g, by definition %g", kind, m, got, want)
			}
		}
	})
}

// TestOffsetAndRateDoNotMatter: every member of the family is blind to a phase
// offset and a constant rate; the Hadamard ones to ageing as well (SP 1065,
// clause 5.2.8). Ageing D alone gives an Allan deviation of D tau/sqrt 2.
func TestOffsetAndRateDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1, 1), 12, 40).Draw(t, "x")
		a := rapid.Float64Range(-100, 100).Draw(t, "offset")
		b := rapid.Float64Range(-10, 10).Draw(t, "rate")
		d := rapid.Float64Range(-1, 1).Draw(t, "ageing")
		line, parabola := make([]float64, len(x)), make([]float64, len(x))
		for i, v := range x {
			ti := float64(i)
			line[i] = v + a + b*ti
			parabola[i] = line[i] + d*ti*ti/2
		}
		for _, kind := range Kinds {
			want, _ := Estimate(kind, x, 1, 2)
			got, _ := Estimate(kind, line, 1, 2)
			if math.Abs(got-want) > 1e-9 {
				t.Fatalf("%s: %g with a rate, %g without", kind, got, want)
			}
			if kind == HDEV || kind == OHDEV {
				if got, _ := Estimate(kind, parabola, 1, 2); math.Abs(got-want) > 1e-9 {
					t.Fatalf("%s: %g with ageing, %g without", kind, got, want)
				}
			}
		}
	})
	ageing := make([]float64, 100)
	for i := range ageing {
		ageing[i] = 3e-3 * float64(i*i) / 2
	}
	if got, _ := Estimate(OADEV, ageing, 1, 7); math.Abs(got-3e-3*7/math.Sqrt2) > 1e-12 {
		t.Errorf("ageing alone: %g", got)
	}
}

// TestHoles: a missing sample removes the terms that need it and no others.
func TestHoles(t *testing.T) {
	x := PhaseFromFrequency(riley1000(), 1)
	x[500] = math.NaN()
	for _, c := range []struct {
		kind Kind
		m    int
		want int
	}{{OADEV, 1, 999 - 3}, {OADEV, 10, 981 - 3}, {OHDEV, 1, 998 - 4}, {MDEV, 1, 999 - 3}, {MDEV, 10, 972}, {TOTDEV, 1, 0}} {
		value, terms := Estimate(c.kind, x, 1, c.m)
		if terms != c.want {
			t.Errorf("%s m=%d: %d terms, want %d", c.kind, c.m, terms, c.want)
		}
		if terms > 0 && !(value > 0) {
			t.Errorf("%s m=%d: %g", c.kind, c.m, value)
		}
	}
}

// powerLaw makes n phase samples of noise alpha: white noise through the
// fractional integrator of Kasdin and Walter (1992), after a burn-in.
func powerLaw(rng *rand.Rand, alpha Noise, n int) []float64 {
	const burnIn = 1024
	half := float64(alpha-2) / 2 // phase: S_x ~ f^(alpha-2)
	total := n + burnIn
	h := make([]float64, total)
	h[0] = 1
	for k := 1; k < total; k++ {
		h[k] = h[k-1] * (float64(k) - 1 - half) / float64(k)
	}
	w := make([]float64, total)
	for i := range w {
		w[i] = rng.NormFloat64()
	}
	x := make([]float64, n)
	for i := range x {
		for k := 0; k <= i+burnIn; k++ {
			x[i] += h[k] * w[i+burnIn-k]
		}
	}
	return x
}

// TestIntervalHoldsTruth: 95 % intervals of OADEV hold the true deviation of
// white frequency noise, sigma/sqrt(tau), near 95 % of the time.
func TestIntervalHoldsTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	const runs = 600
	for _, kind := range []Kind{ADEV, OADEV, OHDEV} {
		for _, m := range []int{1, 8} {
			held := 0
			for range runs {
				y := make([]float64, 200)
				for i := range y {
					y[i] = rng.NormFloat64()
				}
				x := PhaseFromFrequency(y, 1)
				v, _ := Estimate(kind, x, 1, m)
				lo, hi := Interval(v, EDF(kind, WhiteFM, len(x), m), 0.95)
				if truth := 1 / math.Sqrt(float64(m)); lo <= truth && truth <= hi {
					held++
				}
			}
			share := float64(held) / runs
			t.Logf("%s m=%d: %.1f %%", kind, m, 100*share)
			if share < 0.925 || share > 0.975 { // 95 % ± 2.8 standard errors
				t.Errorf("%s m=%d: interval holds the truth in %.1f %%", kind, m, 100*share)
			}
		}
	}
}

func BenchmarkTable(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	y := make([]float64, 86400)
	for i := range y {
		y[i] = rng.NormFloat64()
	}
	x := PhaseFromFrequency(y, 1)
	for b.Loop() {
		Table(x, 1, Kinds, Factors(len(x)))
	}
	b.ReportMetric(float64(len(x)*b.N)/b.Elapsed().Seconds(), "samples/s")
}
