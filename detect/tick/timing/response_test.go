package timing

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"timeball/capture/station"
)

// elliptic is a band-pass filter from 300 to 2700 Hz that none of the family is: with 0.5 dB
// of ripple and 50 dB beside it, as SciPy's signal.ellip(5, 0.5, 50, [300, 2700],
// 'bandpass', fs=8000, output='sos') designs it.
var elliptic = [][6]float64{
	{0.116656479208, 0, -0.116656479208, 1, -0.819494156588, 0.25870769112},
	{1, 1.7524379837, 1, 1, 0.490663881091, 0.54770553138},
	{1, -1.98824754572, 1, 1, -1.7491120831, 0.832060955849},
	{1, 1.50109562853, 1, 1, 1.00427642126, 0.887938134317},
	{1, -1.97470155446, 1, 1, -1.91520382696, 0.968199944554},
}

func ellipticAt(hz float64) complex128 {
	z, h := cmplx.Rect(1, -2*math.Pi*hz/8000), complex(1, 0)
	at := func(c []float64) complex128 { return complex(c[0], 0) + z*(complex(c[1], 0)+z*complex(c[2], 0)) }
	for _, s := range elliptic {
		h *= at(s[:3]) / at(s[3:])
	}
	return h
}

// A receiver whose filter is none of the family is calibrated by ticks over one path: its
// group delay at the tone is that of the filter, and what is timed through its response is
// late by it, to what is stated, whichever paths there are. (The filter's group delay is
// SciPy's, signal.group_delay.)
func TestCalibratedReceiver(t *testing.T) {
	const group = 338.3217e-6
	wwv := &station.Station{ToneHz: 1000, QuietAfterSeconds: 30e-3}
	if got := groupDelay(ellipticAt, 1000); math.Abs(got-group) > 0.1e-6 {
		t.Fatalf("group delay %g s, want %g", got, group)
	}
	calibrate := func(seconds int, snrDB float64) *Arrival {
		tr := ticks{seconds: seconds, lag: 0.2002, snrDB: snrDB, toneHz: 1000, long: 5e-3, chain: ellipticAt}.track(rand.New(rand.NewPCG(1, 41)))
		tr.receiver.OnePath = true
		a := tr.Calibrate(wwv)
		if a == nil || a.Response == nil || !a.Response.Valid() {
			t.Fatalf("no response: %+v", a)
		}
		return a
	}
	a := calibrate(30, 20)
	delay := a.Lag - 0.2002
	t.Logf("%.1f µs, true %.1f, u %.1f for the filter; discrepancy %.2g", delay*1e6, group*1e6, a.FilterU*1e6, a.Response.Discrepancy)
	if math.Abs(delay-group) > 2*a.FilterU {
		t.Errorf("delay %.1f µs, want %.1f, u %.1f", delay*1e6, group*1e6, a.FilterU*1e6)
	}
	{
		const excess = 0.5e-3
		r := rand.New(rand.NewPCG(1, 42))
		c := ticks{seconds: 60, lag: 0.2004, snrDB: 8, toneHz: 1000, long: 5e-3, excess: excess, chain: ellipticAt,
			amplitudes: func(int) (float64, float64) {
				return 0.3 + 0.7*r.NormFloat64(), 0.7 * r.NormFloat64()
			}}
		tr := c.track(r)
		tr.receiver.Response = a.Response
		_, peaks := tr.posterior(wwv, nil, &priors)
		var errors []float64
		for _, k := range peaks {
			errors = append(errors, k.Lag-c.lag-delay)
		}
		off, u := stated(peaks, errors)
		t.Logf("excess %g ms: %.1f µs off, u %.1f, spacings %.6f", excess*1e3, off, u, peaks[0].Excess)
		if math.Abs(off) > 2*u || u > 15 || peaks[0].kind.known == nil {
			t.Errorf("excess %g ms: %.1f µs off, u %.1f", excess*1e3, off, u)
		}
	}

	// Set to another bandwidth it is not what was calibrated.
	tr := ticks{seconds: 20, lag: 0.2002, snrDB: 10, toneHz: 1000, long: 5e-3}.track(rand.New(rand.NewPCG(1, 43)))
	tr.receiver.Response = a.Response
	if b := tr.Arrival(wwv); b.Calibrated || b.FilterU == 0 {
		t.Errorf("without the filter it is timed through it: %+v", b)
	}
	// What few and weak ticks leave open of the taps is as it was simulated: more taps, or
	// greater ones, would leave more.
	weak := calibrate(20, 0).Response.Discrepancy
	t.Logf("%.3g", weak)
	if math.Abs(math.Log(weak/0.0164)) > 0.1 {
		t.Errorf("%.3g of the energy is in doubt", weak)
	}
}
