package stability

import (
	"math"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if math.Abs(got-want) > rel*math.Abs(want) {
		t.Errorf("%s = %.7g, want %.7g", what, got, want)
	}
}

// TestPublishedInterval: NIST SP 1065, table 32: OADEV of the 1000-point record
// at m = 10.
func TestPublishedInterval(t *testing.T) {
	x := PhaseFromFrequency(riley1000(), 1)
	table := Table(x, 1, []Kind{OADEV}, []int{10})
	if len(table) != 1 {
		t.Fatalf("%d points", len(table))
	}
	d := table[0]
	if d.Terms != 981 || d.Noise != WhiteFM {
		t.Errorf("%d terms of %v, published 981 of white FM", d.Terms, d.Noise)
	}
	near(t, "edf", d.EDF, 146.177, 1e-5)
	// The printed bounds come from an approximate chi-squared.
	near(t, "lower", d.CI95[0], 8.223942e-2, 1e-3)
	near(t, "upper", d.CI95[1], 1.035201e-1, 1e-3)
	// One-sided 95 %, from memory of the same table.
	_, upper := Interval(d.Value, d.EDF, 0.90)
	near(t, "one-sided upper", upper, 1.014923e-1, 1e-3)
}

// TestChiSquared against tabulated points of the distribution (Abramowitz and
// Stegun, table 26.8): chi²(10) at 0.025 is 3.24697, at 0.975 20.4831.
func TestChiSquared(t *testing.T) {
	lo, hi := Interval(1, 10, 0.95)
	near(t, "lo", lo, math.Sqrt(10/20.4831), 1e-5)
	near(t, "hi", hi, math.Sqrt(10/3.24697), 1e-5)
}

// TestEDFAgainstSimulation: an edf is 2 mean²/variance of the squared
// deviation, whatever formula gives it.
func TestEDFAgainstSimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 2))
	const runs, n = 1500, 129
	for _, c := range []struct {
		kind  Kind
		noise Noise
		m     int
		tol   float64 // model and sampling error together
	}{
		{ADEV, WhiteFM, 1, .12}, {ADEV, WhiteFM, 8, .12}, {ADEV, RandomWalkFM, 8, .15},
		{OADEV, WhiteFM, 8, .12}, {OADEV, RandomWalkFM, 8, .15}, {OADEV, WhitePM, 8, .15},
		{MDEV, WhiteFM, 1, .12}, {MDEV, WhiteFM, 8, .15}, {MDEV, WhitePM, 8, .15}, {MDEV, RandomWalkFM, 8, .2},
		{HDEV, WhiteFM, 8, .15}, {OHDEV, WhiteFM, 8, .12}, {OHDEV, RandomWalkFM, 8, .15},
		{TOTDEV, WhiteFM, 8, .15}, {TOTDEV, RandomWalkFM, 8, .15},
	} {
		var sum, square float64
		for range runs {
			x := make([]float64, n)
			var phase, freq float64
			for i := range x {
				switch w := rng.NormFloat64(); c.noise {
				case WhitePM:
					phase = w
				case WhiteFM:
					phase += w
				default:
					phase += freq + w/2
					freq += w
				}
				x[i] = phase
			}
			v, _ := Estimate(c.kind, x, 1, c.m)
			sum += v * v
			square += v * v * v * v
		}
		mean := sum / runs
		simulated := 2 * mean * mean / (square/runs - mean*mean)
		formula := EDF(c.kind, c.noise, n, c.m)
		t.Logf("%-6s %-14v m=%d: edf %.1f, simulated %.1f", c.kind, c.noise, c.m, formula, simulated)
		if math.Abs(formula/simulated-1) > c.tol {
			t.Errorf("%s %v m=%d: edf %.1f, simulated %.1f", c.kind, c.noise, c.m, formula, simulated)
		}
	}
}

// TestAlphaOfPublishedRecord: SP 1065's record is white frequency noise; the lag-1
// estimates, computed by another program, are from memory. (By the mean frequencies and
// clause 5.5.3's formula in Python they are 0.0548, 0.0584, 0.1500, 0.3603 and -0.2072.)
func TestAlphaOfPublishedRecord(t *testing.T) {
	x := PhaseFromFrequency(riley1000(), 1)
	for m, want := range map[int]float64{1: .05485, 2: .0585, 5: .150, 10: .360, 20: -.205} {
		got, ok := Alpha(x, m)
		if !ok || math.Abs(got-want) > 6e-4 {
			t.Errorf("m=%d: alpha %.5f, want %.5f", m, got, want)
		}
	}
	if _, ok := Alpha(x, 40); ok {
		t.Error("named a noise from 26 samples")
	}
}

// TestIdentifyPowerLaws: each of the five noises is named from 1025 samples.
func TestIdentifyPowerLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 3))
	for noise := RandomWalkFM; noise <= WhitePM; noise++ {
		right := 0
		for range 10 {
			if got, ok := Identify(powerLaw(rng, noise, 1025), 1); ok && got == noise {
				right++
			}
		}
		if right < 10 {
			t.Errorf("%v: named %d times of 10", noise, right)
		}
	}
}
