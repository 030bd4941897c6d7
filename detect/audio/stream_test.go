package audio

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// A tone inside the pass band comes out unchanged and undelayed; one that
// would fold into it is gone.
func TestStreamKeepsToneAndTime(t *testing.T) {
	for _, rate := range []float64{8000, 11025, 16000, 22050, 44100, 48000, 96000, 192000} {
		for _, hz := range []float64{100, 1000, 1800, 3000} {
			s := NewStream(rate, 20000)
			x := make([]float32, int(rate))
			for i := range x {
				x[i] = float32(math.Sin(2*math.Pi*hz*float64(i)/rate + 0.3))
			}
			s.Process(0, x)
			got := make([]float32, 2000)
			if !s.Copy(got, 1000) {
				t.Fatalf("%v Hz: samples 1000 to 3000 not held", rate)
			}
			for i, g := range got {
				want := math.Sin(2*math.Pi*hz*float64((1000+i)*s.Factor())/rate + 0.3)
				if math.Abs(float64(g)-want) > 2e-3 {
					t.Fatalf("rate %v, tone %v Hz: sample %d is %v, want %v", rate, hz, i, g, want)
				}
			}
		}
	}
	s := NewStream(48000, 20000)
	x := make([]float32, 48000)
	for i := range x {
		x[i] = float32(math.Sin(2 * math.Pi * 7000 * float64(i) / 48000))
	}
	s.Process(0, x)
	got := make([]float32, 4000)
	s.Copy(got, 1000)
	for i, g := range got {
		if math.Abs(float64(g)) > 2e-3 {
			t.Fatalf("7 kHz folds to 1 kHz: sample %d is %v", i, g)
		}
	}
}

// The dot product sums in an order that depends on where the samples lie in
// memory, hence the tolerance.
func TestStreamDoesNotDependOnBlocks(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, 50000)
	for i := range x {
		x[i] = float32(r.NormFloat64())
	}
	whole, split := NewStream(48000, 6000), NewStream(48000, 6000)
	whole.Process(0, x)
	for at := 0; at < len(x); {
		n := min(len(x)-at, 1+r.IntN(3000))
		split.Process(int64(at), x[at:at+n])
		at += n
	}
	a, b := make([]float32, 6000), make([]float32, 6000)
	if whole.End() != split.End() || !whole.Copy(a, whole.Begin()) || !split.Copy(b, split.Begin()) {
		t.Fatal("different extents")
	}
	for i := range a {
		if math.Abs(float64(a[i]-b[i])) > 1e-6 {
			t.Fatalf("sample %d: %v and %v", i, a[i], b[i])
		}
	}
}

func TestStreamMarksLostFrames(t *testing.T) {
	s := NewStream(48000, 16000)
	x := make([]float32, 24000)
	s.Process(0, x)
	s.Process(30000, x) // 6000 frames lost: 1000 low-rate samples from 4000 on
	if s.End() < 8985 || s.End() > 9000 {
		t.Errorf("end %d, want about 9000", s.End())
	}
	for _, c := range []struct {
		from int64
		n    int
		want bool
	}{{1000, 2000, true}, {3000, 1500, false}, {4500, 10, false}, {5100, 3000, true}, {8000, 2000, false}} {
		if got := s.Copy(make([]float32, c.n), c.from); got != c.want {
			t.Errorf("Copy(%d samples from %d) = %v, want %v", c.n, c.from, got, c.want)
		}
	}
}

func BenchmarkStream(b *testing.B) {
	for _, rate := range []float64{48000, 192000} {
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			s := NewStream(rate, 100000)
			x := make([]float32, 8192)
			for i := range b.N {
				s.Process(int64(i)*8192, x)
			}
			samples := float64(b.N) * 8192 / b.Elapsed().Seconds()
			b.ReportMetric(samples/1e6, "Msamples/s")
			b.ReportMetric(samples/rate, "x-real-time")
		})
	}
}

// Reduced ahead in other lengths, with lost frames, a stream holds the same.
func TestStreamReducedAhead(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	x := make([]float32, 60000)
	for i := range x {
		x[i] = float32(r.NormFloat64())
	}
	feed := func(take func(int64, []float32), step, lost int64) {
		for at := int64(0); at < int64(len(x)); at += step {
			to := min(at+step, int64(len(x)))
			shift := int64(0)
			if at >= 30000 {
				shift = lost
			}
			take(at+shift, x[at:to])
		}
	}
	for _, rate := range []float64{8000, 48000} {
		for _, lost := range []int64{0, 1, 777} {
			plain, ahead := NewStream(rate, 60000), NewStream(rate, 60000)
			feed(plain.Process, 3000, lost)
			var reduced []Low
			feed(func(position int64, x []float32) {
				_, l := ahead.Reduce(nil, position, x)
				reduced = append(reduced, l)
			}, 1875, lost)
			for _, l := range reduced {
				ahead.Take(l)
			}
			if plain.End() != ahead.End() || plain.End() == 0 {
				t.Fatalf("%v Hz: ends %d and %d", rate, plain.End(), ahead.End())
			}
			a, b := make([]float32, 100), make([]float32, 100)
			for from := int64(0); from+100 <= plain.End(); from += 100 {
				if one, two := plain.Copy(a, from), ahead.Copy(b, from); one != two || one && !slices.Equal(a, b) {
					t.Fatalf("%v Hz, %d lost: differ from sample %d", rate, lost, from)
				}
			}
		}
	}
}

// A carrier of amplitude 1 comes down to a tone of amplitude 1 at Pitch, whose phase
// at frame 0 is the carrier's; what lies beyond the band is gone.
func TestTunedStream(t *testing.T) {
	const rate, carrier = 192000, 77500.0
	for _, off := range []float64{0, 10, -1500, 1500, 2500, -2500} {
		s := NewTuned(rate, 80000, carrier)
		x := make([]float32, rate)
		for i := range x {
			x[i] = float32(math.Cos(2*math.Pi*(carrier+off)/rate*float64(i) + 0.3))
		}
		s.Process(0, x)
		got := make([]float32, 4000)
		if !s.Copy(got, 2000) {
			t.Fatal("the stream does not hold it")
		}
		worst := 0.0
		for i, v := range got {
			want := math.Cos(2*math.Pi*(Pitch+off)/8000*float64(i+2000) + 0.3)
			if math.Abs(off) > 2000 {
				want = 0
			}
			worst = max(worst, math.Abs(float64(v)-want))
		}
		if worst > 3e-3 {
			t.Errorf("%g Hz from the carrier: out by %g", off, worst)
		}
	}
}

// What is remembered is rounded by its own loudness, not by that of what came a
// sixteenth of a second before.
func TestStreamRoundsByPieces(t *testing.T) {
	s := NewStream(8000, 8192)
	x := make([]float32, 4096)
	for i := range x {
		x[i] = float32(math.Sin(float64(i)))
		if i >= 512 {
			x[i] *= 1e-4
		}
	}
	s.Process(0, x)
	got := make([]float32, 3000)
	if !s.Copy(got, 512) {
		t.Fatal("it is not held")
	}
	for i, v := range got {
		if d := math.Abs(float64(v - x[512+i])); d > 1.01e-4/(1<<16) {
			t.Fatalf("sample %d is out by %g", 512+i, d)
		}
	}
}
