package timing

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"timeball/detect/kaiser"
)

// Half a step of pitch away from its own a tick of 5 ms has lost a hundredth of its energy:
// a tenth would hide one, a thousandth cost three times the work.
func TestPitchStep(t *testing.T) {
	s := kaiser.Sinc(pitchStep / 2.0 * 5e-3)
	if lost := 1 - s*s; math.Abs(lost-0.0128) > 0.001 {
		t.Errorf("half a step of pitch loses %.4f of the energy, want 0.0128", lost)
	}
}

// A quiet window through the narrowest chain, of 300 to 2400 Hz, is louder than what passes
// for noise once in a thousand times.
func TestLoudest(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 51))
	x := make([]float64, 8000*120)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	narrow := chain{high: corner{kind{order: 4}, 300}, low: corner{kind{order: 4}, 2400}}
	pass(x, narrow.response)
	n := int(shortQuiet * 8000)
	var powers []float64
	for i := 0; i+n <= len(x); i += 2 * n {
		sum := 0.0
		for _, v := range x[i : i+n] {
			sum += v * v
		}
		powers = append(powers, sum)
	}
	slices.Sort(powers)
	i, _ := slices.BinarySearch(powers, loudest*powers[len(powers)/4])
	share := 1 - float64(i)/float64(len(powers))
	t.Logf("%.4f of %d windows are left out", share, len(powers))
	if share > 3e-3 || share < 3e-4 {
		t.Errorf("%.4f of the windows of noise are left out, want about 0.001", share)
	}
}

// Where the model is right what is left beside the paths is that of noise, less two of its
// standard deviations: one time in forty it seems more than nothing.
func TestMisfitOfNoise(t *testing.T) {
	const runs = 12
	sum := 0.0
	for k := range runs {
		r := rand.New(rand.NewPCG(uint64(k), 52))
		tr := ticks{seconds: 20, lag: 0.2, snrDB: 0, toneHz: 1000, long: 5e-3}.track(r)
		st := buildStack(tr.filter, tr.snaps, tr.line(tr.snaps), 3)
		b := st.bench(learned{sure: [2]float64{1, 1}, scale: 1})
		nr := b.about(steady, []float64{0.2*8000 - st.axis.lag})
		left := nr.misfit(departure{lags: []float64{0}}) * st.heardSeconds() * st.rate
		freedom := float64(nr.bases * (st.points - nr.bases))
		sum += left / math.Sqrt(2*freedom) / runs
	}
	t.Logf("%.2f standard deviations", sum)
	if math.Abs(sum+2) > 4/math.Sqrt(runs) {
		t.Errorf("noise leaves %.2f standard deviations beside the paths, want -2", sum)
	}
}

// A path 4 ms ahead of the strongest moves the line when it is 11 dB weaker, as none is that
// a chain unlike the usual one makes, and not when it is 15 dB weaker.
func TestEarlierPathMovesTheLine(t *testing.T) {
	for _, c := range []struct {
		db    float64
		moves bool
	}{{-11, true}, {-15, false}} {
		r := rand.New(rand.NewPCG(1, 53))
		a := math.Pow(10, c.db/20)
		tr := ticks{seconds: 40, lag: 0.2, snrDB: 14, toneHz: 1000, long: 5e-3, excess: 4e-3,
			amplitudes: func(int) (float64, float64) { return a * math.Sqrt2 * r.NormFloat64(), 1 }}.track(r)
		if !tr.Follow(-1e-6, 1e-6) {
			t.Fatal("lost")
		}
		if moved := tr.Line().Lag < 0.202; moved != c.moves {
			t.Errorf("%g dB: the line is %.2f ms after the earlier path, want it moved: %v", c.db, (tr.Line().Lag-0.2)*1e3, c.moves)
		}
	}
}

// A window holds the tick at all lags that are looked for: before it the wave of a path that
// comes earlier still, after it what the filters let ring.
func TestViews(t *testing.T) {
	for _, v := range []view{closely, widely} {
		before, after := v.windowBefore-v.reach, v.windowAfter-v.reach
		if math.Abs(before-2.5e-3) > 1e-6 || after < 1e-3-1e-9 || after > 1.5e-3+1e-9 {
			t.Errorf("%+v: %g s are left before and %g after", v, before, after)
		}
	}
	// Rec. ITU-R F.1487 has paths 7 ms apart at high latitudes.
	if widely.longest < 7e-3 || widely.longest > 8e-3 || closely.longest > closely.reach || closely.longest < closely.reach-1e-3 {
		t.Errorf("pairs of %g and %g s", closely.longest, widely.longest)
	}
}
