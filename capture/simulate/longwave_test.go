package simulate

import (
	"io"
	"math"
	"math/cmplx"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/station"
)

// readAll returns the receiver channel.
func readAll(t *testing.T, c Config) []float32 {
	t.Helper()
	src, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	var x []float32
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return x
		}
		if err != nil {
			t.Fatal(err)
		}
		x = append(x, b.Channels[0]...)
	}
}

// level is the carrier's complex level against hz over a span, s.
func level(x []float32, rate, hz, from, to float64) complex128 {
	var sum complex128
	lo, hi := int(from*rate), int(to*rate)
	for i := lo; i < hi; i++ {
		_, turns := math.Modf(hz * float64(i) / rate)
		sum += complex(2*float64(x[i]), 0) * cmplx.Rect(1, -2*math.Pi*turns)
	}
	return sum / complex(float64(hi-lo), 0)
}

// What a mark takes from the mean level over a span about its edge tells when the
// edge was: its start, the path and the time constants of antenna and loop add up.
func TestLongWaveEdges(t *testing.T) {
	find := func(id string) *station.Station {
		s, ok := station.Find(id)
		if !ok {
			t.Fatal(id)
		}
		return s
	}
	const delay = 1.3e-3
	for _, tt := range []struct {
		id     string
		direct bool
		q      float64
		sign   float64 // of the level's change at the second
	}{
		{"dcf77", true, 0, -1}, {"dcf77", true, 30, -1},
		{"wwvb", true, 0, -1}, {"msf", false, 0, -1}, {"msf", false, 100, -1}, {"jjy-40", true, 0, 1}, {"jjy-60", false, 0, 1}, {"bpc", true, 10, -1},
	} {
		st := find(tt.id)
		hz, rate := st.Carriers[0].Hz, 192000.0
		c := Config{
			Rate: 192000, Seconds: 3, Start: time.Date(2026, 3, 14, 12, 20, 4, 0, time.UTC), Noiseless: true, Station: st,
			Paths:    []Path{{DelaySeconds: delay}},
			Receiver: Receiver{Detector: Direct, Loop: Loop{Q: tt.q}, Level: 0.5},
		}
		loop := 0.0
		if !tt.direct {
			hz, rate = 1500, 48000
			c.Rate, c.Receiver.Detector, c.Receiver.MistuningHz = 48000, SSB, hz
		}
		src, err := New(c)
		if err != nil {
			t.Fatal(err)
		}
		loop = src.Truth().Receiver.GroupDelay
		if want := tt.q / (math.Pi * st.Carriers[0].Hz); math.Abs(loop-want) > 0.03*want+2e-6 {
			t.Errorf("%s, loop of Q %g: delay %g us, want %g (Q over pi f)", tt.id, tt.q, loop*1e6, want*1e6)
		}
		x := readAll(t, c)
		// Before the second, DCF77's phase is at rest for 7 ms only. In a receiver's
		// audio the tone's other sideband is in the mean too.
		half, within := 0.005, 7e-6
		if !tt.direct {
			half, within = 0.08, 20e-6
		}
		before := level(x, rate, hz, 1-half, 1)
		mean := real(level(x, rate, hz, 1-half, 1+half)/before) * 2 * half
		to := real(level(x, rate, hz, 1.04, 1.08) / before)
		// Mean = half+T + to·(half−T) in units of the level before.
		at := (mean-half*(1+to))/(1-to) - 0.5/rate // a sum stands for a span half a sample earlier
		want := delay + loop + st.Edge.TauSeconds*(1+math.Log(1-st.Edge.OnTime))
		if math.Abs(at-want) > within {
			t.Errorf("%s direct %v Q %g: the edge's middle of mass is at %.1f us, want %.1f", tt.id, tt.direct, tt.q, at*1e6, want*1e6)
		}
		depth := 1 - st.Depth
		if tt.sign > 0 {
			depth = 1 / depth
		}
		if math.Abs(to-depth) > 0.02*max(1, depth) {
			t.Errorf("%s: level %g after the edge, want %g", tt.id, to, depth)
		}
	}
}

// The phase code turns the carrier by 15.6 degrees either way in 77.5/120 chips a
// millisecond from 0.2 s on (PTB).
func TestDCF77PhaseCode(t *testing.T) {
	st, _ := station.Find("dcf77")
	x := readAll(t, Config{
		Rate: 192000, Seconds: 2, Start: time.Date(2026, 3, 14, 12, 20, 4, 0, time.UTC), Noiseless: true, Station: st,
		Receiver: Receiver{Detector: Direct, Level: 0.5},
	})
	reference := level(x, 192000, 77500, 0.11, 0.19)
	for i := range 500 { // second 4 is one of those that are inverted
		from := 0.2 + 120/77500.0*float64(i)
		turned := cmplx.Phase(level(x, 192000, 77500, from+0.8e-3, from+1.5e-3)/reference) * 180 / math.Pi
		want := 15.6
		if dcf77Chips[i] {
			want = -want
		}
		if math.Abs(turned-want) > 3 {
			t.Fatalf("chip %d: %.1f degrees, want %.1f", i, turned, want)
		}
	}
}
