package timing

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/audio"
)

// circuit is an analogue audio chain: high-passes of the first order with the
// given corners, Hz, and of the second with corner and Q.
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

// likeliest part of a fit and the standard uncertainty of all its parts about it, µs.
func (f *fit) likeliest() (best int, u float64) {
	for i, p := range f.parts {
		if p.weight > f.parts[best].weight {
			best = i
		}
	}
	for _, p := range f.parts {
		u += p.weight * (p.vd + math.Pow(p.d-f.parts[best].d, 2))
	}
	return best, 125 * math.Sqrt(u)
}

// Behind chains that are none of those weighed (two corners, another Q) the tick
// must be timed by the group delay, far better than by the phase alone, within
// what is stated.
func TestShapeTellsTheHighPass(t *testing.T) {
	for _, c := range []circuit{
		{corners: []float64{65}},
		{corners: []float64{30, 80}},
		{pairs: [][2]float64{{120, 1.1}}},
		{corners: []float64{20}, pairs: [][2]float64{{150, 0.7}}},
		{pairs: [][2]float64{{70, 0.6}, {200, 0.9}}},
	} {
		group, more := c.delays()
		for k, snr := range []float64{6, 12, 30} {
			r := rand.New(rand.NewPCG(uint64(k), 21))
			got, errors := ticks{seconds: 120, lag: 0.2 + 1e-3*r.Float64(), snrDB: snr, toneHz: 1000, long: 5e-3, chain: c.response}.measure(t, r)
			best, u := got.likeliest()
			off := (errors[best] - group) * 1e6
			t.Logf("%v, %g dB: %.1f µs off, u %.1f; the phase alone is %.1f off", c, snr, off, u, more*1e6)
			if math.Abs(off) > 2.5*u || math.Abs(off) > 0.5*more*1e6 {
				t.Errorf("%v, %g dB: %.1f µs off, u %.1f; the phase alone is %.1f off", c, snr, off, u, more*1e6)
			}
		}
	}
}

// A flat chain must be told from a high-pass filter well enough that the
// envelope's uncertainty, 60 µs at 0 dB and 30 at 6, does not matter (a single
// edge-to-edge Cramér–Rao bound is 25 µs·√2 at 0 dB).
func TestShapeTellsAFlatChain(t *testing.T) {
	for snr, most := range map[float64]float64{6: 12, 12: 8, 30: 3} {
		r := rand.New(rand.NewPCG(5, 22))
		got, _ := ticks{seconds: 180, lag: 0.2003, snrDB: snr, toneHz: 1000, long: 5e-3}.measure(t, r)
		flat := 0.0
		for _, p := range got.parts {
			if p.flat {
				flat += p.weight
			}
		}
		if _, u := got.likeliest(); flat < leastFlat || u > most {
			t.Errorf("%g dB: flat with probability %.2f, u %.1f µs", snr, flat, u)
		}
	}
}

// Hum that keeps its phase from second to second, as it does where the mains are
// exact, must not be taken for a high-pass filter, nor hide one.
func TestHumDoesNotDeceive(t *testing.T) {
	for _, hz := range []float64{50, 60} {
		for _, level := range []float64{0.05, 0.3} {
			for _, c := range []circuit{{}, {pairs: [][2]float64{{120, 0.7}}}} {
				r := rand.New(rand.NewPCG(uint64(hz), 23))
				group, _ := c.delays()
				if len(c.pairs) == 0 {
					group = 0
				}
				hum := func(second float64) float64 {
					return level * (math.Sin(2*math.Pi*hz*second+1) + 0.5*math.Sin(2*math.Pi*2*hz*second+2))
				}
				got, errors := ticks{seconds: 120, lag: 0.2 + 1e-3*r.Float64(), snrDB: 12, toneHz: 1000, long: 5e-3, chain: c.response, hum: hum}.measure(t, r)
				best, u := got.likeliest()
				if off := (errors[best] - group) * 1e6; math.Abs(off) > 2.5*u || math.Abs(off) > 25 {
					t.Errorf("hum of %g Hz, %g of the tick, %v: %.1f µs off, u %.1f", hz, level, c, off, u)
				}
			}
		}
	}
}

// A thump of fc/f of the tick and a first-order filter of corner fc leave the low
// band as it was (1 − the filter's low-pass of a stroke is what it makes of a
// thump), so that there only the interval need hold.
//
// Behind a simulated receiver with an envelope detector the rise of the mean must be
// told from a filter's doing: its own filters, whose group delay it states.
func TestShapeBehindAnEnvelopeDetector(t *testing.T) {
	wwv, _ := station.Find("wwv")
	for _, filter := range []simulate.Filter{{}, {HighPassHz: 80, Order: 1}, {HighPassHz: 150, Order: 2}, {HighPassHz: 120, Order: 3}} {
		src, err := simulate.New(simulate.Config{
			Rate: 8000, Seconds: 150, SNRdB: 8, Seed: 3, Station: wwv,
			Paths:    []simulate.Path{{DelaySeconds: 9e-3}},
			Receiver: simulate.Receiver{Filter: filter},
		})
		if err != nil {
			t.Fatal(err)
		}
		stream := audio.NewStream(8000, 151*8000)
		var b capture.Block
		for src.Read(&b) == nil {
			stream.Process(b.Position, b.Channels[0])
		}
		truth := src.Truth()
		lag := 9e-3 + truth.Receiver.GroupDelay
		f := newFilter(Shape{1000, 5e-3, false}, 8000)
		c := newCutter(f, stream)
		var snaps []*snapshot
		for n := int64(1); n < 148; n++ {
			s := &snapshot{n: n}
			if c.cut(s, float64(n)*8000, lag*8000) {
				snaps = append(snaps, s)
			}
		}
		m := model{lag: lag * 8000, ref: 75}
		st := buildStack(f, snaps, m, maxBlocks)
		st.hear(snaps)
		got, ok := st.fit(buildStack(f.confined(), snaps, m, maxBlocks))
		if !ok {
			t.Fatalf("%+v: no tick", filter)
		}
		best, u := got.likeliest()
		more := (truth.Receiver.GroupDelay - truth.Receiver.PhaseDelay) * 1e6
		off := got.parts[best].d * 125
		t.Logf("%+v: %.1f µs off, u %.1f; the phase alone is %.1f off", filter, off, u, more)
		if math.Abs(off) > 2.5*u || filter.Order != 1 && math.Abs(off) > 5+0.35*more {
			t.Errorf("%+v: %.1f µs off, u %.1f; the phase alone is %.1f off", filter, off, u, more)
		}
	}
}
