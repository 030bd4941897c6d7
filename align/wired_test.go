package align

import (
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
)

// compare plays a simulated comparison by wire.
func compare(t testing.TB, c simulate.Config) ([]Second, Fix, simulate.Truth) {
	t.Helper()
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	w, err := NewWired(src.Info(), Settings{Skew: &Quantity{Value: c.SoundCard.SkewSeconds, U: 1e-9}})
	if err != nil {
		t.Fatal(err)
	}
	var all []Second
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return all, w.Fix(), src.Truth()
		}
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := w.Process(&b); ok {
			all = append(all, s)
		}
	}
}

// byWire is the truth of a comparison at the end: the marker minus the reference.
func byWire(truth simulate.Truth) float64 {
	m, w := truth.Marker, truth.Wire
	drift := w.Rate * (m.LastPulse - w.LastPulse)
	return wrap(m.Offset - w.Offset - drift)
}

func TestWired(t *testing.T) {
	t.Parallel()
	const noise = 0.5e-3 // 60 dB below the pulse
	square := 0.0
	for _, c := range []struct {
		name              string
		marker, reference simulate.Marker
		card              simulate.SoundCard
	}{
		{"level", simulate.Marker{OffsetSeconds: 0.1234567, RateError: 2e-9, NoiseRMS: noise}, simulate.Marker{NoiseRMS: noise}, simulate.SoundCard{ClockPPM: 80}},
		{"marker just before", simulate.Marker{OffsetSeconds: 3e-6, NoiseRMS: noise}, simulate.Marker{NoiseRMS: noise}, simulate.SoundCard{ClockPPM: -60, SkewSeconds: 1.3e-6}},
		{"with gaps", simulate.Marker{OffsetSeconds: -0.49999, NoiseRMS: noise, MissingShare: 0.05}, simulate.Marker{NoiseRMS: noise, MissingShare: 0.05},
			simulate.SoundCard{ClockPPM: 10, Losses: []simulate.Loss{{Gap: capture.Gap{At: 2_000_000, Lost: 4321, Inexact: true}}, {Gap: capture.Gap{At: 3_000_000, Lost: 777}, Hidden: true}}}},
		{"stepped", simulate.Marker{OffsetSeconds: 0.01, NoiseRMS: noise, Steps: []simulate.Step{{AtSeconds: 50.5, BySeconds: 2e-3}}}, simulate.Marker{NoiseRMS: noise}, simulate.SoundCard{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			all, fix, truth := compare(t, simulate.Config{Seconds: 104, Seed: 11, Marker: &c.marker, Wire: &c.reference, SoundCard: c.card})
			if fix.Verdict != Found {
				t.Fatalf("%s: %+v", fix.Verdict, fix.Why)
			}
			e := wrap(*fix.Offset - byWire(truth))
			t.Logf("off by %.1f ns, u = %.1f ns, rate %v", e*1e9, *fix.U*1e9, *fix.Rate)
			square += e * e / 4
			if math.Abs(e) > 30e-9 || math.Abs(e) > 3**fix.U {
				t.Errorf("off by %v s, u = %v s", e, *fix.U)
			}
			if d := fix.Rate.Y - (c.marker.RateError - c.reference.RateError); math.Abs(d) > 4*fix.Rate.U+1e-12 {
				t.Errorf("rate off by %v, u = %v", d, fix.Rate.U)
			}
			if fix.Marker.Channel != 2 || fix.Wire.Reference.Channel != 1 {
				t.Errorf("%+v", fix.Wire)
			}
			// All kinds; at one second they are the edges' own noise (IEEE Std
			// 1139), or less where the two edges share some of it.
			kinds := map[string]bool{}
			edges := math.Hypot(fix.Marker.Jitter, fix.Wire.Reference.Jitter)
			for _, d := range fix.Wire.Deviations {
				kinds[d.Kind] = true
				if !(d.CI95[0] < d.Value && d.Value < d.CI95[1]) || !(d.EDF >= 1) || d.Noise == "" {
					t.Errorf("%+v", d)
				}
				if want := math.Sqrt(3) * edges; d.Kind == "oadev" && d.M == 1 && (d.Value > 1.3*want || d.Value < 0.5*want || c.name == "level" && d.Noise != "white PM") {
					t.Errorf("oadev at 1 s is %g of %s, the edges' noise gives %g", d.Value, d.Noise, want)
				}
			}
			for _, kind := range []string{"adev", "oadev", "mdev", "tdev", "hdev", "ohdev"} {
				if !kinds[kind] {
					t.Errorf("no %s", kind)
				}
			}
			if s := all[len(all)-1]; s.Offset == nil || s.Radio.State != ByWire {
				t.Errorf("at the end %+v", s)
			}
			if want := len(c.marker.Steps); len(fix.Marker.Steps) != want {
				t.Errorf("%d steps, want %d: %+v", len(fix.Marker.Steps), want, fix.Marker.Steps)
			}
		})
	}
	// 10 ns RMS is the target; four comparisons tell an RMS to some 35 %.
	if rms := math.Sqrt(square); rms > 17e-9 {
		t.Errorf("off by %.1f ns RMS", rms*1e9)
	}
}

func TestWiredWithoutAReference(t *testing.T) {
	t.Parallel()
	_, fix, _ := compare(t, simulate.Config{Seconds: 15, Seed: 3, SNRdB: 10, Marker: &simulate.Marker{}})
	if fix.Verdict != NoMarker || fix.Offset != nil || fix.Why == nil {
		t.Errorf("%s: %+v", fix.Verdict, fix.Why)
	}
}

// BenchmarkWired prints how far comparisons of 100 s are out, 60 dB and 48 kHz.
func BenchmarkWired(b *testing.B) {
	const noise, runs = 0.5e-3, 40
	for b.Loop() {
		square, claimed := 0.0, 0.0
		for seed := range uint64(runs) {
			r := rand.New(rand.NewPCG(seed, 21))
			_, fix, truth := compare(b, simulate.Config{
				Seconds: 104, Seed: seed,
				Marker:    &simulate.Marker{OffsetSeconds: r.Float64() - 0.5, NoiseRMS: noise},
				Wire:      &simulate.Marker{NoiseRMS: noise},
				SoundCard: simulate.SoundCard{ClockPPM: 100 * (2*r.Float64() - 1)},
			})
			e := wrap(*fix.Offset - byWire(truth))
			square += e * e / runs
			claimed += *fix.U / runs
		}
		b.ReportMetric(math.Sqrt(square)*1e9, "ns-rms")
		b.ReportMetric(claimed*1e9, "ns-u")
	}
}
