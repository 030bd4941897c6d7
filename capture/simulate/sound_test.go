package simulate

import (
	"io"
	"math"
	"testing"
	"time"

	"timeball/capture"
)

// listen is the receiver channel of a recording of sounds and little else.
func listen(t *testing.T, seconds float64, sounds ...Sound) []float64 {
	t.Helper()
	s, err := New(Config{
		Rate: 8000, Seconds: seconds, Noiseless: true, Sounds: sounds,
		Start: time.Date(2026, 3, 14, 18, 20, 0, 0, time.UTC),
	})
	if err != nil {
		t.Fatal(err)
	}
	var all []float64
	var b capture.Block
	for s.Read(&b) != io.EOF {
		for _, v := range b.Channels[0] {
			all = append(all, float64(v))
		}
	}
	return all
}

// energy is the mean square of x from a second on for some seconds.
func energy(x []float64, at, length float64) float64 {
	sum := 0.0
	part := x[int(at*8000):int((at+length)*8000)]
	for _, v := range part {
		sum += v * v / float64(len(part))
	}
	return sum
}

// A sweep of 25 kHz a second about 1000 Hz lasts (3200−100)/25000 s, in the middle
// of its period, and is at 600 Hz 16 ms before it is at 1000.
func TestSweep(t *testing.T) {
	x := listen(t, 3, Sound{Kind: Sweep, Level: 0.5, PhaseSeconds: 0.2})
	tone := func(at, hz float64) float64 {
		var re, im float64
		for i := range 40 {
			s, c := math.Sincos(2 * math.Pi * hz * float64(i) / 8000)
			v := x[int(at*8000)-20+i]
			re, im = re+v*c, im+v*s
		}
		return math.Hypot(re, im)
	}
	if a, b := tone(1.7, 1000), tone(1.684, 600); math.Abs(a/b-1) > 0.1 {
		t.Errorf("%.2f at 1000 Hz, %.2f at 600 Hz 16 ms before", a, b)
	}
	if a, b := tone(1.7, 1000), tone(1.7, 600); b > a/4 {
		t.Errorf("%.2f at 600 Hz while it is at 1000 Hz with %.2f", b, a)
	}
	for _, quiet := range []float64{1.3, 1.6, 1.85} {
		if e := energy(x, quiet, 0.03); e > 1e-6 {
			t.Errorf("%.2g at %.2f s, when it is outside the band", e, quiet)
		}
	}
}

// Pips sound in the last five seconds and the first, and nowhere else.
func TestPips(t *testing.T) {
	x := listen(t, 62, Sound{Kind: Pips, Level: 0.4})
	for second := range 62 {
		long, short := energy(x, float64(second)+0.15, 0.3), energy(x, float64(second)+0.02, 0.06)
		if want := second%60 == 0; (long > 0.01) != want {
			t.Errorf("second %d: %.2g after a pip's end", second, long)
		}
		if want := second%60 >= 55 || second%60 == 0; (short > 0.01) != want {
			t.Errorf("second %d: %.2g within a pip", second, short)
		}
	}
}

// A sound whose clock is fast by 1000 ppm comes 0.1 s sooner after 100 s.
func TestSoundKeepsItsOwnTime(t *testing.T) {
	at := func(ppm float64) float64 {
		x := listen(t, 3, Sound{Kind: Bleep, Level: 0.5, ClockPPM: ppm})
		for i := 8000; i < len(x); i++ {
			if math.Abs(x[i]) > 0.2 {
				return float64(i)/8000 - 1
			}
		}
		return math.NaN()
	}
	// At 18:20:01 the clock has run for 66001 s.
	want := math.Mod(1-math.Mod(66001*10e-6, 1), 1)
	if got := math.Mod(at(10)-at(0)+1, 1); math.Abs(got-want) > 2e-3 {
		t.Errorf("%.4f s after the other, want %.4f", got, want)
	}
}

// The codec keeps a tone and its time, and takes a tenth of its power in what lies
// beside it.
func TestCodec(t *testing.T) {
	sound := Sound{Kind: Bleep, Level: 0.3}
	s := func(compressed bool) []float64 {
		src, err := New(Config{Rate: 8000, Seconds: 3, Noiseless: true, Sounds: []Sound{sound},
			Start: time.Date(2026, 3, 14, 18, 20, 0, 0, time.UTC), Receiver: Receiver{Compressed: compressed}})
		if err != nil {
			t.Fatal(err)
		}
		var all []float64
		var b capture.Block
		for src.Read(&b) != io.EOF {
			for _, v := range b.Channels[0] {
				all = append(all, float64(v))
			}
		}
		return all
	}
	plain, coded := s(false), s(true)
	var cross, a, b float64
	for i := range plain {
		cross, a, b = cross+plain[i]*coded[i], a+plain[i]*plain[i], b+coded[i]*coded[i]
	}
	if c := cross / math.Sqrt(a*b); c < 0.9 || c > 0.9999 {
		t.Errorf("correlation %.4f with the audio that went in", c)
	}
	if b/a < 0.7 || b/a > 1.3 {
		t.Errorf("%.2f of the power comes out", b/a)
	}
}
