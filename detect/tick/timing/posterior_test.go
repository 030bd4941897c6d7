package timing

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/kaiser"
	"timeball/detect/mixture"
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
	mistunedHz   float64 // by which a receiver of one sideband gives them too high, of any phase; 0: one of both
}

// lowPass holds the taps of a low-pass filter, fine of them a sample, that reaches so
// many samples to either side.
var lowPass = func() (taps []float64) {
	for j := -reach * fine; j <= reach*fine; j++ {
		u := float64(j) / fine
		taps = append(taps, kaiser.Sinc(u)*kaiser.Window(u/reach, 6)/fine)
	}
	return taps
}()

const fine, reach = 8, 16

func (c ticks) audio(r *rand.Rand) *audio.Stream {
	const rate = 8000.0
	x := make([]float64, int(rate)*(c.seconds+1))
	n0 := 0.5 / (3000 * math.Pow(10, c.snrDB/10))
	for i := range x {
		x[i] = math.Sqrt(n0*rate/2) * r.NormFloat64()
	}
	add := func(p, a float64) {
		phase := 0.0
		if c.mistunedHz != 0 {
			phase = 2 * math.Pi * r.Float64()
		}
		// Sampled as a low-pass filter at half the rate passes it.
		for i := int(p) - reach; i < int(p+c.long*rate)+reach; i++ {
			if i < 0 || i >= len(x) {
				continue
			}
			for j, tap := range lowPass {
				if t := float64(i) - p - float64(j-reach*fine)/fine; t >= 0 && t < c.long*rate {
					x[i] += a * tap * math.Sin(2*math.Pi*(c.toneHz+c.mistunedHz)/rate*t+phase)
				}
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

// track keeps c's ticks, expected 0.3 ms late.
func (c ticks) track(r *rand.Rand) *Track {
	tr := &Track{
		cutter: newCutter(newFilter(Shape{c.toneHz, c.long, false}, 8000), c.audio(r)),
		base:   func(n int64) (float64, bool) { return float64(n) * steadySecond, true },
	}
	tr.snaps, tr.model = snapshots(tr.filter, tr.stream, c.seconds, c.lag+0.3e-3)
	return tr
}

// measure times c's ticks and returns the peaks with the error of each one's lag.
func (c ticks) measure(t *testing.T, r *rand.Rand, p Priors) ([]peak, []float64) {
	t.Helper()
	_, peaks := c.track(r).posterior(&station.Station{ToneHz: c.toneHz, QuietAfterSeconds: 30e-3}, nil, &p)
	if len(peaks) == 0 {
		t.Fatalf("no tick found in %+v", c)
	}
	var errors []float64
	for _, k := range peaks {
		errors = append(errors, k.Lag-c.lag)
	}
	return peaks, errors
}

// stated is the median of the peaks' lags less c's and their standard deviation about
// it, µs.
func stated(peaks []peak, errors []float64) (off, u float64) {
	var m mixture.Mixture
	for i, k := range peaks {
		m = append(m, mixture.Component{Mean: 1e6 * errors[i], U: 1e6 * math.Hypot(math.Sqrt(k.Cov[0][0]), k.filterU), DoF: math.Inf(1), Weight: math.Exp(k.LogWeight)})
	}
	return m.Median(), m.Deviation()
}

// In white noise a single steady path must be timed near the coherent Cramér–Rao
// bound σ = 1/(2πf0·√(6000·T·SNR·N)), SNR in 3 kHz (theory), which knows the chain.
func TestSteadyTickReachesTheBound(t *testing.T) {
	const runs = 2
	for _, snr := range []float64{5, 20} {
		sum, v := 0.0, 0.0
		for k := range runs {
			r := rand.New(rand.NewPCG(uint64(k), 12))
			c := ticks{seconds: 60, lag: 0.2 + 1e-3*r.Float64(), snrDB: snr, toneHz: 1000, long: 5e-3}
			off, u := stated(c.measure(t, r, priors))
			sum, v = sum+off*off, v+u*u
		}
		bound := 1e6 / (2 * math.Pi * 1000 * math.Sqrt(6000*5e-3*math.Pow(10, snr/10)*58))
		rms, u := math.Sqrt(sum/runs), math.Sqrt(v/runs)
		t.Logf("%v dB: rms %.2f µs, stated %.2f, bound %.2f", snr, rms, u, bound)
		// A chain that is to be learnt costs a microsecond; one time in a hundred noise alone
		// makes two runs 2.1 times what it should (χ² of 2 degrees).
		if rms > 1.6*math.Hypot(bound, 2) || rms > 2*u {
			t.Errorf("%v dB: rms %.2f µs, stated %.2f, bound %.2f", snr, rms, u, bound)
		}
	}
}

// circuit is an analogue audio chain: high-passes of the first order with the given
// corners, Hz, and of the second with corner and Q.
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

// delays at 1000 Hz, s: of the group, and by how much it exceeds that of the phase.
func (c circuit) delays() (group, more float64) {
	group = -cmplx.Phase(c.response(1001)/c.response(999)) / (4 * math.Pi)
	return group, group + cmplx.Phase(c.response(1000))/(2*math.Pi*1000)
}

// Behind chains that are none of the family (two corners, another Q) the tick must be
// timed by the group delay, better than by the phase alone, within what is stated.
func TestNoiseTellsTheHighPass(t *testing.T) {
	for _, c := range []circuit{
		{corners: []float64{30, 80}},
		{pairs: [][2]float64{{120, 1.1}}},
		{pairs: [][2]float64{{70, 0.6}, {200, 0.9}}},
	} {
		group, more := c.delays()
		const snr, runs = 12, 2
		square := 0.0
		for k := range uint64(runs) {
			r := rand.New(rand.NewPCG(k, 21))
			peaks, errors := ticks{seconds: 120, lag: 0.2 + 1e-3*r.Float64(), snrDB: snr, toneHz: 1000, long: 5e-3, chain: c.response}.measure(t, r, priors)
			off, u := stated(peaks, errors)
			off -= group * 1e6
			square += off * off / runs
			t.Logf("%v: %.1f µs off, u %.1f; the phase alone is %.1f off", c, off, u, more*1e6)
			if math.Abs(off) > 2.5*u {
				t.Errorf("%v: %.1f µs off, u %.1f", c, off, u)
			}
		}
		if rms := math.Sqrt(square); rms > 3+0.5*more*1e6 {
			t.Errorf("%v: %.1f µs off, RMS; the phase alone is %.1f", c, rms, more*1e6)
		}
	}
}

// Two paths that fade apart are told apart, and the earlier one is timed.
func TestTwoPathsAreToldApart(t *testing.T) {
	for k, excess := range []float64{0.3e-3, 0.7e-3, 1e-3, 2e-3} {
		r := rand.New(rand.NewPCG(uint64(k), 14))
		c := ticks{seconds: 180, lag: 0.2 + 1e-3*r.Float64(), snrDB: 10, toneHz: 1000, long: 5e-3, excess: excess,
			amplitudes: func(int) (float64, float64) { return 0.5 + 0.5*r.NormFloat64(), 0.4 + 0.5*r.NormFloat64() }}
		peaks, errors := c.measure(t, r, priors)
		off, u := stated(peaks, errors)
		if k := peaks[0]; len(k.Excess) != 1 || math.Abs(k.Excess[0]-excess) > 20e-6 || math.Abs(off) > 3*u || u > 20 {
			t.Errorf("excess %.1f ms: %.6f, off by %.1f µs, u %.1f", excess*1e3, k.Excess, off, u)
		}
	}
}

// A receiver of one sideband gives the tick at a pitch of its own, by which it is timed
// and not by paths that would make up for it; one of both gives it as it was sent.
func TestPitchIsTold(t *testing.T) {
	for k, hz := range []float64{-36, 1e-9, 17, 70, 0} {
		r := rand.New(rand.NewPCG(uint64(k), 16))
		c := ticks{seconds: 60, lag: 0.2 + 1e-3*r.Float64(), snrDB: 6, toneHz: 1000, long: 5e-3, mistunedHz: hz}
		peaks, errors := c.measure(t, r, priors)
		off, u := stated(peaks, errors)
		best := peaks[0]
		t.Logf("%g Hz off: %.1f µs off, u %.1f, %.1f Hz off, %d paths", hz, off, u, best.toneHz-1000, len(best.Power))
		// The bound of a burst's pitch is √(6/K)/(2π·T·√(E/N0)), 1 Hz here.
		if math.Abs(off) > 2.5*u || u > 100 || math.Abs(best.toneHz-1000-hz) > 4 || (best.hearing == turning) != (hz != 0) {
			t.Errorf("%g Hz off: %.1f µs off, u %.1f, %.1f Hz off, heard as %d by %d paths", hz, off, u, best.toneHz-1000, best.hearing, len(best.Power))
		}
	}
}

// What is known beforehand of the pitch weighs as its density says.
func TestPitchPriors(t *testing.T) {
	c := ticks{seconds: 30, lag: 0.2, snrDB: 3, toneHz: 1000, long: 5e-3}
	prior := func(mistunedHz float64, set func(p *Priors)) float64 {
		c, p := c, priors
		c.mistunedHz = mistunedHz
		set(&p)
		tr := c.track(rand.New(rand.NewPCG(5, 17)))
		st := buildStack(tr.filter, tr.snaps, tr.line(tr.snaps), 3)
		st.listen(tr.snaps, 30e-3)
		_, side := tr.usual(st).hearings(1000, false, &p)
		return side.prior
	}
	for _, c := range []struct {
		name       string
		mistunedHz float64
		set        func(p *Priors)
		want       float64
	}{
		{"seldom tuned", 40, func(p *Priors) { p.Tuned /= 2 }, math.Log(1.5)},
		{"seldom tuned", 1e-9, func(p *Priors) { p.Tuned /= 2 }, -math.Ln2},
	} {
		if got := prior(c.mistunedHz, c.set) - prior(c.mistunedHz, func(*Priors) {}); math.Abs(got-c.want) > 0.02 {
			t.Errorf("%s: %g Hz off is by %+.2f more likely, want %+.2f", c.name, c.mistunedHz, got, c.want)
		}
	}
}

// A track's line drifts with the clock, and not with two paths that fade by turns.
func TestFollowsTheClock(t *testing.T) {
	for k, rate := range []float64{0, 10e-6, -4e-6} {
		r := rand.New(rand.NewPCG(uint64(k), 18))
		c := ticks{seconds: 150, lag: 0.2, snrDB: 6, toneHz: 1000, long: 5e-3, excess: 2.2e-3,
			amplitudes: func(k int) (float64, float64) {
				s, c := math.Sincos(2 * math.Pi * float64(k) / 120)
				return 1 + 0.9*s, 1 - 0.9*s + 0.3*c
			}}
		whole := c.track(r)
		tr := *whole
		tr.base = func(n int64) (float64, bool) { return float64(n) * steadySecond * (1 - rate), true }
		for _, n := range []int{10, 20, 40, 60, 90, 120, 150} {
			tr.snaps = whole.snaps[:n]
			if !tr.Follow(-15e-6, 15e-6) {
				t.Fatalf("lost after %d s", n)
			}
		}
		// A sample over half of the recording, which timing makes good.
		if got := tr.Line().Rate - rate; math.Abs(got) > 1.7e-6 {
			t.Errorf("drifts by %.2g, want %.2g", got+rate, rate)
		}
	}
}

// Noise alone is no pair of paths to a track, whatever the band of the receiver that it
// comes through: neither what its filters leave nor what they take away.
func TestNoiseIsNoPair(t *testing.T) {
	narrow := chain{high: corner{kind{order: 4}, 300}, low: corner{kind{order: 4}, 2400}}
	for name, band := range map[string]func(hz float64) complex128{"all of it": nil, "300 to 2400 Hz": narrow.response} {
		tr := ticks{seconds: 300, lag: 0.2, snrDB: -60, toneHz: 1000, long: 5e-3, chain: band}.track(rand.New(rand.NewPCG(1, 54)))
		first, last := tr.halves(tr.snaps, tr.line(tr.snaps), 3)
		_, gain := tr.tilt(first, last, -1, 1)
		first.add(last)
		both, _, _ := tr.paths(first)
		t.Logf("%s: a pair gains %.1f, a drift %.1f", name, both.log, gain)
		if max(both.log, gain) > leastGain {
			t.Errorf("%s: in noise a pair gains %.1f, a drift %.1f", name, both.log, gain)
		}
	}
}

// What is taken for granted must weigh as its density says: each prior doubled and
// halved, on two steady paths 0.8 ms apart, moves the logarithm of the odds of one path.
// Of the exponential spacing by ln 2 − 0.34 and 0.68 − ln 2; of levels r dB apart by
// −3r²/16σ² and 3r²/4σ², r of 7.2 dB as fitted; of the discrepancy, which lessens all that
// the data say, as simulated.
func TestPriorsWeigh(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 15))
	tr := ticks{seconds: 40, lag: 0.2004, snrDB: 0, toneHz: 1000, long: 5e-3, excess: 0.8e-3,
		amplitudes: func(int) (float64, float64) { return 1, 0.45 }}.track(r)
	one := func(p Priors) float64 {
		_, peaks := tr.posterior(&station.Station{ToneHz: 1000, QuietAfterSeconds: 30e-3}, nil, &p)
		sum := 0.0
		for _, k := range peaks {
			if len(k.Power) == 1 {
				sum += math.Exp(k.LogWeight)
			}
		}
		return math.Log(max(sum, 1e-9) / max(1-sum, 1e-9))
	}
	base := one(priors)
	for _, c := range []struct {
		name     string
		set      func(p *Priors, k float64)
		up, down float64 // by which the logarithm of the odds of one path changes, doubled and halved
	}{
		{"path numbers", func(p *Priors, k float64) { p.Paths[0] *= k }, math.Ln2, -math.Ln2},
		{"mean spacing", func(p *Priors, k float64) { p.MeanExcess *= k }, 0.35, -0.01},
		{"levels", func(p *Priors, k float64) { p.LevelDB *= k }, -0.39, 1.55},
		{"discrepancy", func(p *Priors, k float64) { p.Discrepancy *= k }, 5.92, -2.41},
	} {
		p, q := priors, priors
		c.set(&p, 2)
		c.set(&q, 0.5)
		up, down := one(p)-base, one(q)-base
		t.Logf("%s: doubled %+.2f, halved %+.2f, of %+.2f", c.name, up, down, base)
		if math.Abs(up-c.up) > 0.2 || math.Abs(down-c.down) > 0.2 {
			t.Errorf("%s: doubled changes the log odds of one path by %+.2f, want %+.2f; halved %+.2f, want %+.2f", c.name, up, c.up, down, c.down)
		}
	}
}

// A digital receiver's filter has skirts that none of analogue parts has, and no delay that
// they tell; the carrier it is mistuned from leaks through as a slow beat. Neither may pass
// for another chain, nor make up paths.
func TestDigitalFilter(t *testing.T) {
	t.Parallel()
	skirt := func(hz, at float64) float64 { return 1 / (1 + math.Exp((hz-at)/15)) }
	band := func(hz float64) complex128 { return complex(skirt(250, hz)*skirt(hz, 2900), 0) }
	beat := func(second float64) float64 { return 0.5 * math.Sin(2*math.Pi*31.4*second) }
	mains := func(second float64) (sum float64) {
		for k := 1.0; k <= 3; k++ {
			sum += math.Sin(2*math.Pi*50*k*second+k) / k
		}
		return sum
	}
	for _, hum := range []struct {
		sound func(second float64) float64
		hz    float64
	}{{nil, 0}, {beat, 60}, {mains, 160}} {
		c := ticks{seconds: 60, lag: 0.2003, snrDB: 15, toneHz: 1000, long: 5e-3, chain: band, hum: hum.sound}
		peaks, errors := c.measure(t, rand.New(rand.NewPCG(3, 31)), priors)
		off, u := stated(peaks, errors)
		t.Logf("%.1f µs off, u %.1f; %d paths, chain %+v", off, u, len(peaks[0].Power), peaks[0].chain)
		if math.Abs(off) > 5 || math.Abs(off) > 2*u || len(peaks[0].Power) > 1 || peaks[0].chain.humHz != hum.hz {
			t.Errorf("%.1f µs off, u %.1f, %d paths, hum up to %g Hz of %g", off, u, len(peaks[0].Power), peaks[0].chain.humHz, hum.hz)
		}
	}
}

// What is the same each second is none of the noise that tells a chain: neither the ringing of
// the strong tick itself, nor faint hum that keeps time with the seconds, which is allowed
// for.
func TestWhatRepeatsIsNoNoise(t *testing.T) {
	band := chain{high: corner{kind{order: 2}, 100}, low: corner{kind{order: 2}, 3000}}
	hum := func(second float64) float64 { return 0.12 * math.Sin(2*math.Pi*50*second+1) }
	for _, c := range []struct {
		snrDB float64
		hum   func(second float64) float64
		humHz float64
	}{{35, nil, 0}, {10, nil, 0}, {10, hum, 60}} {
		all := ticks{seconds: 100, lag: 0.2003, snrDB: c.snrDB, toneHz: 1000, long: 5e-3, chain: band.response, hum: c.hum}
		tr := all.track(rand.New(rand.NewPCG(5, 33)))
		st := buildStack(tr.filter, tr.snaps, tr.line(tr.snaps), 1)
		st.listen(tr.snaps, 30e-3)
		found := false
		for _, l := range st.learn(&priors) {
			if l.high.kind != band.high.kind || l.low.kind != band.low.kind {
				continue
			}
			found = true
			off := math.Log(l.high.hz/100) * math.Sqrt(l.sure[0])
			t.Logf("%g dB: corner of %.1f Hz, %.1f standard deviations off, hum up to %g Hz", c.snrDB, l.high.hz, off, l.humHz)
			if math.Abs(off) > 3 || l.humHz != c.humHz || l.humLevel > 0 {
				t.Errorf("%g dB: corner of %.1f Hz, %.1f standard deviations off; hum up to %g Hz, not %g", c.snrDB, l.high.hz, off, l.humHz, c.humHz)
			}
		}
		if !found {
			t.Errorf("%g dB: the band is not among those that the noise leaves possible", c.snrDB)
		}
	}
}

// A path of which nothing is left over noise has a level still, and so has a tick that is
// none: 200 seconds' noise scatters by a tenth of its power.
func TestLevelOfNothing(t *testing.T) {
	for _, power := range [][]float64{{0, 10}, {0, 0}} {
		levels, total := levelsOf(power, 200)
		want := 10 * math.Log10(0.1/max(power[1], 0.1))
		if math.Abs(levels[0]-want) > 1e-9 || levels[1] != 0 || total < 0.2-1e-9 {
			t.Errorf("%v: %v dB, %v in all", power, levels, total)
		}
	}
}
