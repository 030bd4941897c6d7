package chirp_test

import (
	"io"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/chirp"
)

const rate = 8000

// sounded is the receiver's audio of WWV about its chirps, which the simulator makes
// from their published description.
func sounded(t testing.TB, second int, c simulate.Config) []float32 {
	t.Helper()
	c.Station, _ = station.Find("wwv")
	c.Rate, c.Seconds = rate, 11
	c.Start = time.Date(2026, 3, 14, 18, 8, second, 0, time.UTC)
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	var all []float32
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, b.Channels[0]...)
	}
}

// twoPaths are apart by some time, the second weaker.
func twoPaths(apart, levelDB, spreadHz float64) []simulate.Path {
	return []simulate.Path{{DelaySeconds: 8e-3, SpreadHz: spreadHz}, {DelaySeconds: 8e-3 + apart, LevelDB: levelDB, SpreadHz: spreadHz}}
}

func TestFind(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		config simulate.Config
		apart  float64 // 0: one path
	}{
		"two paths at 0 dB":      {simulate.Config{Seed: 1, Paths: twoPaths(0.35e-3, -4, 0.1)}, 0.35e-3},
		"mistuned, one sideband": {simulate.Config{Seed: 4, Paths: twoPaths(0.8e-3, -4, 0.1), Receiver: simulate.Receiver{Detector: simulate.SSB, MistuningHz: 33}}, 0.8e-3},
		// The first is the stronger in chirps down, the second in those up.
		"each stronger in some": {simulate.Config{Seed: 10, Paths: twoPaths(0.748e-3, -4.2, 0.1)}, 0.748e-3},
		// A path that fades within a chirp is no two paths.
		"two paths, fading fast": {simulate.Config{Seed: 0, Paths: twoPaths(0.63e-3, -4.3, 0.5)}, 0.63e-3},
		// The silence about the ticks takes a piece out of some chirps.
		"one path at 20 dB": {simulate.Config{Seed: 3, SNRdB: 20, Paths: []simulate.Path{{DelaySeconds: 8e-3, SpreadHz: 0.1}}}, 0},
	} {
		s, ok := chirp.Find(sounded(t, 23, c.config), rate)
		if !ok {
			t.Errorf("%s: not found", name)
			continue
		}
		// After the announcement, noise, tones and short chirps, from second 1 on.
		if want := 1 + 24 + 1.4 - 23 + 8e-3; c.config.Receiver.Detector == "" && math.Abs(s.Begin-want) > 0.5e-3 {
			t.Errorf("%s: they begin at %.4f s, want %.4f", name, s.Begin, want)
		}
		switch {
		case c.apart == 0 && len(s.Arrivals) != 1, c.apart > 0 && len(s.Arrivals) != 2:
			t.Errorf("%s: arrivals %+v", name, s.Arrivals)
		case c.apart > 0:
			if late := s.Arrivals[1]; math.Abs(late.Excess-c.apart) > 4*late.U || late.U > 60e-6 {
				t.Errorf("%s: the second is %.0f ± %.0f µs late, want %.0f", name, late.Excess*1e6, late.U*1e6, c.apart*1e6)
			}
		}
	}
}

// Before the chirps there are noise and tones; they are none.
func TestNoChirps(t *testing.T) {
	t.Parallel()
	if s, ok := chirp.Find(sounded(t, 8, simulate.Config{SNRdB: 20}), rate); ok {
		t.Errorf("chirps found in tones and noise: %+v", s)
	}
	if s, ok := chirp.Find(make([]float32, 12*rate), rate); ok {
		t.Errorf("chirps found in silence: %+v", s)
	}
}

// BenchmarkPaths says how often two paths are told apart, and how well.
func BenchmarkPaths(b *testing.B) {
	filter := simulate.Filter{HighPassHz: 300, LowPassHz: 2400, Order: 4}
	for _, k := range []struct {
		name     string
		snr      float64
		one      bool
		spread   float64
		receiver simulate.Receiver
	}{
		{name: "0 dB", spread: 0.1},
		{name: "0 dB, fading at 0.5 Hz", spread: 0.5},
		{name: "0 dB, 300 to 2400 Hz", spread: 0.1, receiver: simulate.Receiver{Filter: filter}},
		{name: "0 dB, one sideband 33 Hz off", spread: 0.1, receiver: simulate.Receiver{Detector: simulate.SSB, MistuningHz: 33}},
		{name: "one path, 0 dB", one: true, spread: 0.1},
		{name: "one path, 20 dB", one: true, snr: 20, spread: 0.1},
		{name: "one path, 20 dB, 300 to 2400 Hz", one: true, snr: 20, spread: 0.1, receiver: simulate.Receiver{Filter: filter}},
	} {
		var found, right, within int
		var square float64
		const n = 16
		for seed := range uint64(n) {
			r := rand.New(rand.NewPCG(seed, 1))
			apart := 0.3e-3 + 0.7e-3*r.Float64()
			paths := twoPaths(apart, -6*r.Float64(), k.spread)
			want := 2
			if k.one {
				paths, want = paths[:1], 1
			}
			s, ok := chirp.Find(sounded(b, 23, simulate.Config{Seed: seed, SNRdB: k.snr, Paths: paths, Receiver: k.receiver}), rate)
			if !ok {
				continue
			}
			found++
			if len(s.Arrivals) != want {
				continue
			}
			right++
			if !k.one {
				e := s.Arrivals[1].Excess - apart
				square += e * e
				if math.Abs(e) < 1.96*s.Arrivals[1].U {
					within++
				}
			}
		}
		b.Logf("%s: found in %d of %d, as many paths as there are in %d, their spacing to %.0f µs RMS, within its 95 %% in %d", k.name, found, n, right, 1e6*math.Sqrt(square/float64(right)), within)
	}
}
