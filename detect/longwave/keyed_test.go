package longwave

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"timeball/capture"
	"timeball/capture/simulate"
)

// keyedLoop is what a recording of a keyed carrier at 192 kHz shows.
func keyedLoop(t *testing.T, c simulate.Config) (Loop, int, KeyedFault) {
	t.Helper()
	c.Rate, c.Receiver.Detector = 192000, simulate.Direct
	if c.Seconds == 0 {
		c.Seconds = 5
	}
	if c.Generator.PeriodSeconds == 0 {
		c.Generator.PeriodSeconds, c.Generator.OnSeconds = 0.2503, 0.1
	}
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	k := NewKeyed(192000)
	var b capture.Block
	for src.Read(&b) == nil {
		k.Process(b.Channels[0])
	}
	return k.Loop()
}

// Of loops of any quality, detuning and noise the errors are as the stated uncertainties say:
// their squares together have the chi-square distribution, of which one in a thousand may lie
// beyond either bound.
func TestKeyedLoop(t *testing.T) {
	t.Parallel()
	sum, n := 0.0, 0
	seeds := uint64(1)
	if testing.Verbose() {
		seeds = 8
	}
	for seed := range seeds {
		for _, tt := range []struct{ q, tuned, hz, snr float64 }{
			{5, 60.3e3, 60.9e3, 45}, {30, 60.3e3, 60.9e3, 45}, {30, 60.3e3, 60.3e3, 25}, {100, 77.3e3, 77e3, 35}, {250, 40.1e3, 40.15e3, 45}, {60, 50e3, 48.8e3, 50},
		} {
			l, edges, why := keyedLoop(t, simulate.Config{
				Seed: seed, SNRdB: tt.snr, Generator: simulate.Generator{Hz: tt.hz},
				Receiver: simulate.Receiver{Loop: simulate.Loop{Q: tt.q, TunedHz: tt.tuned}},
			})
			zq, zf := (l.Q-tt.q)/l.QU, (l.TunedHz-tt.tuned)/l.TunedU
			t.Logf("%v: Q %.2f ± %.2f, %.1f ± %.1f Hz, %d edges, %d: off by %.1f, %.1f u", tt, l.Q, l.QU, l.TunedHz, l.TunedU, edges, why, zq, zf)
			if why != KeyedFine || l.QU > 0.1*l.Q || l.TunedU > 0.1*l.TunedHz/l.Q {
				t.Errorf("%v: Q %.2f ± %.2f, %.1f ± %.1f Hz, %d edges, %d", tt, l.Q, l.QU, l.TunedHz, l.TunedU, edges, why)
			}
			sum += zq*zq + zf*zf
			n += 2
		}
	}
	if p := (distuv.ChiSquared{K: float64(n)}).CDF(sum); p < 1e-3 || p > 1-1e-3 {
		t.Errorf("%d errors over their uncertainties have a sum of squares of %.1f (%.5f)", n, sum, p)
	}
}

// What tells no loop is said to be so, and a keying that takes a while makes the interval wider.
func TestKeyedFaults(t *testing.T) {
	t.Parallel()
	loop := simulate.Receiver{Loop: simulate.Loop{Q: 50, TunedHz: 60.8e3}}
	for name, tt := range map[string]struct {
		c    simulate.Config
		want KeyedFault
	}{
		"nothing":        {simulate.Config{SNRdB: 40, Receiver: loop}, NoKeyed},
		"not keyed":      {simulate.Config{SNRdB: 40, Receiver: loop, Generator: simulate.Generator{Hz: 60.5e3, PeriodSeconds: 100, OnSeconds: 100}}, NoKeyed},
		"seldom":         {simulate.Config{SNRdB: 40, Receiver: loop, Generator: simulate.Generator{Hz: 60.5e3, PeriodSeconds: 2}}, FewEdges},
		"short":          {simulate.Config{SNRdB: 40, Seconds: 2, Receiver: loop, Generator: simulate.Generator{Hz: 60.5e3}}, FewEdges},
		"not tuned":      {simulate.Config{SNRdB: 40, Generator: simulate.Generator{Hz: 60.5e3}}, NoPole},
		"a station":      {simulate.Config{SNRdB: 40, Receiver: loop, Station: find(t, "msf")}, KeyedStation},
		"on its carrier": {simulate.Config{SNRdB: 40, Receiver: loop, Generator: simulate.Generator{Hz: 60e3 + 10}}, KeyedStation},
		"too strong":     {simulate.Config{SNRdB: 40, Receiver: simulate.Receiver{Loop: loop.Loop, Level: 2}, Generator: simulate.Generator{Hz: 60.6e3}}, KeyedClipped},
	} {
		if l, edges, why := keyedLoop(t, tt.c); why != tt.want {
			t.Errorf("%s: Q %.2f ± %.2f, %.1f ± %.1f Hz, %d edges, %d, want %d", name, l.Q, l.QU, l.TunedHz, l.TunedU, edges, why, tt.want)
		}
	}
	// Of 262 us of the loop's a tenth.
	l, _, why := keyedLoop(t, simulate.Config{SNRdB: 45, Receiver: loop, Generator: simulate.Generator{Hz: 60.4e3, RiseSeconds: 26e-6}})
	t.Logf("a slow keying: Q %.2f ± %.2f, %.1f ± %.1f Hz, %d", l.Q, l.QU, l.TunedHz, l.TunedU, why)
	if why != KeyedFine || (math.Abs(l.Q-50) > 3*l.QU || math.Abs(l.TunedHz-60.8e3) > 3*l.TunedU) {
		t.Errorf("a slow keying: Q %.2f ± %.2f, %.1f ± %.1f Hz", l.Q, l.QU, l.TunedHz, l.TunedU)
	}
}
