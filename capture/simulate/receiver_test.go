package simulate

import (
	"fmt"
	"math"
	"testing"
	"time"
)

// butterworthDelays are the group and phase delay of an analogue Butterworth
// low-pass of order n at w times its corner frequency of 1 rad/s, in seconds.
// Group delay: the sum over m of w^2m / sin((2m+1)π/2n), over 1+w^2n. Phase
// delay: the poles' angles added up. (Common practice.)
func butterworthDelays(n int, w float64) (group, phase float64) {
	for m := range n {
		theta := math.Pi * float64(2*m+1) / float64(2*n)
		group += math.Pow(w, float64(2*m)) / math.Sin(theta)
		re, im := -math.Sin(theta), math.Cos(theta) // a pole
		phase += math.Atan2(w-im, -re) - math.Atan2(-im, -re)
	}
	return group / (1 + math.Pow(w, float64(2*n))), phase / w
}

// The delays that the truth tells for a filter must be those of the analogue
// filter it stands for. The bilinear transform bends frequency: f acts as
// (r/π)·tan(πf/r), which delays scale with too.
func TestFilterDelaysAgreeWithAnalogueFormula(t *testing.T) {
	bend := func(f float64) float64 { return 2 * gridRate * math.Tan(math.Pi*f/gridRate) } // rad/s
	for order := 1; order <= 8; order++ {
		for _, corner := range []float64{150, 300, 2700, 4000} {
			for _, f := range []float64{400, 1000, 1200, 2225} {
				slope := (1 + math.Pow(math.Tan(math.Pi*f/gridRate), 2)) // of bend, over 2π
				w := bend(f) / bend(corner)
				wantGroup, lag := butterworthDelays(order, w)
				wantGroup *= slope / bend(corner) // dφ/df
				wantPhase := lag * w / (2 * math.Pi * f)
				// A high-pass mirrors the low-pass in frequency: same group
				// delay; its phase leads by order times a quarter turn.
				for _, highPass := range []bool{false, true} {
					var group, phase float64
					for _, s := range butterworth(order, corner/gridRate, highPass) {
						g, p := s.delays(f / gridRate)
						group, phase = group+g/gridRate, phase+p/gridRate
					}
					want := wantPhase
					if highPass {
						want -= float64(order) / 4 / f
					}
					if math.Abs(group-wantGroup) > 1e-9 || math.Abs(phase-want) > 1e-9 {
						t.Errorf("order %d corner %g at %g Hz high-pass %v: group %.9f phase %.9f s, want %.9f and %.9f",
							order, corner, f, highPass, group, phase, wantGroup, want)
					}
				}
			}
		}
	}
}

// What the truth says of phase delay must be what a long tone suffers, and of
// group delay what the beat of two close tones does, on a finished recording.
func TestReceiverDelaysAreTrue(t *testing.T) {
	for i, tt := range []Receiver{
		{Detector: Linear},
		{Detector: AM, Filter: Filter{HighPassHz: 300, LowPassHz: 2700, Order: 2}},
		{Detector: Sync, Filter: Filter{HighPassHz: 100, LowPassHz: 1500, Order: 4}, DelaySeconds: 0.0123},
		{Detector: Linear, Filter: Filter{HighPassHz: 300, LowPassHz: 3000}, DelaySeconds: 1e-4},
		{Detector: AM, Filter: Filter{LowPassHz: 2000, Order: 7}, Invert: true},
	} {
		const rate = 24000
		tt.Level = 0.2
		st := find(t, "ebc") // 100 ms of 1 kHz; lengthened here
		st.Depth = 0.5
		phase := func(hz float64) (delay float64, truth ReceiverTruth) {
			st.ToneHz = hz
			st.Marks = st.Marks[len(st.Marks)-1:]
			st.Marks[0].Length = 0.5
			s, ch := record(t, Config{
				Rate: rate, Seconds: 3, Station: st, Programme: MarksOnly, Noiseless: true, Receiver: tt,
				SoundCard: SoundCard{CouplingHz: 8},
			})
			truth = s.Truth().Receiver
			near := 1 + truth.PhaseDelay
			if tt.Invert {
				near += 0.5 / hz
			}
			_, at := tone(ch[0], rate, 1.2, 1.45, hz, near)
			if tt.Invert {
				at -= 0.5 / hz
			}
			return at - 1, truth
		}
		got, truth := phase(1000)
		if math.Abs(got-truth.PhaseDelay) > 0.2e-6 {
			t.Errorf("receiver %d: phase delay %.3f us, truth %.3f", i, got*1e6, truth.PhaseDelay*1e6)
		}
		below, _ := phase(990)
		above, _ := phase(1010)
		group := (above*1010 - below*990) / 20
		if math.Abs(group-truth.GroupDelay) > 2e-6 {
			t.Errorf("receiver %d: group delay %.3f us, truth %.3f", i, group*1e6, truth.GroupDelay*1e6)
		}
	}
}

// A mistuned sideband receiver shifts every tone by the same amount, and keys
// carriers into tones of that pitch.
func TestMistuning(t *testing.T) {
	const rate = 8000
	for _, tt := range []struct {
		id   string
		mis  float64
		want float64
	}{{"chu", 0, 1000}, {"chu", 37, 1037}, {"chu", -55, 945}, {"rwm", 800, 800}} {
		s, ch := record(t, Config{
			Rate: rate, Seconds: 4, Start: time.Date(2026, 3, 14, 18, 45, 9, 0, time.UTC), Station: find(t, tt.id), Programme: MarksOnly,
			Noiseless: true, Receiver: Receiver{Detector: SSB, MistuningHz: tt.mis},
		})
		if got := s.Truth().Receiver.ToneHz; got != tt.want {
			t.Errorf("%s %+g Hz: truth has a tone of %g Hz", tt.id, tt.mis, got)
		}
		_, early := tone(ch[0], rate, 2.02, 2.05, tt.want, 2.035)
		_, late := tone(ch[0], rate, 2.06, 2.09, tt.want, 2.075)
		// The phase must advance between the windows as the wanted pitch does.
		cycles := (late - early) * tt.want
		if d := cycles - math.Round(cycles); math.Abs(d) > 0.01 {
			t.Errorf("%s %+g Hz: phase slips by %.4f cycles in 40 ms", tt.id, tt.mis, d)
		}
		a, _ := tone(ch[0], rate, 2.02, 2.09, tt.want, 2)
		if math.Abs(a-0.25) > 0.01 {
			t.Errorf("%s %+g Hz: amplitude %.3f, want 0.25", tt.id, tt.mis, a)
		}
		if r := rms(ch[0][int(2.65*rate):int(2.9*rate)]); r > 0.005 {
			t.Errorf("%s %+g Hz: rms %.4f between marks", tt.id, tt.mis, r)
		}
	}
}

// An upper sideband alone has a constant envelope beside its carrier: the
// analytic modulation of a steady tone turns without changing length.
func TestUpperSidebandIsAnalytic(t *testing.T) {
	c := Config{Seconds: 1, Station: find(t, "chu")}.withDefaults()
	s := newSignal(Signal{Station: c.Station, Programme: MarksOnly, Paths: c.Paths}, &c, &seeder{seed: 1})
	s.start(c.Start.Unix())
	buf := [4][]float64{}
	for i := range buf {
		buf[i] = make([]float64, gridRate)
	}
	s.run(buf[0], buf[1], buf[2], buf[3])
	for i := gridRate / 100; i < gridRate/4; i++ { // inside the 300 ms mark
		if a := math.Hypot(buf[2][i], buf[3][i]); math.Abs(a-1) > 0.01 {
			t.Fatalf("length %.4f at %d", a, i)
		}
	}
}

// Noise alone through an envelope detector has the Rayleigh distribution's
// standard deviation, sqrt(2−π/2) of that of I or Q.
func TestEnvelopeOfNoise(t *testing.T) {
	c := Config{Rate: 48000, Seconds: 20, SNRdB: -10, Receiver: Receiver{Detector: AM, Level: 0.005, BandwidthHz: 6000}}
	_, am := record(t, c)
	// The variance of I: ten times the tone's power spread over 3 kHz of audio,
	// of which 6 kHz of intermediate frequency hold 3.
	sigma := 0.005 * math.Sqrt(0.5*10/3000*3000)
	if got, want := rms(am[0]), sigma*math.Sqrt(2-math.Pi/2); math.Abs(got/want-1) > 0.03 {
		t.Errorf("rms %.5f, want %.5f", got, want)
	}
}

// Automatic gain control holds the level through a fade; without it the level
// follows.
func TestAGC(t *testing.T) {
	level := func(agc AGC) float64 {
		const rate = 8000
		_, ch := record(t, Config{
			Rate: rate, Seconds: 20, Station: find(t, "wwv"), Programme: MarksOnly, Noiseless: true,
			Fades: []Fade{{AtSeconds: 5, ForSeconds: 14, DepthDB: 20}}, Receiver: Receiver{AGC: agc},
		})
		strong, _ := tone(ch[0], rate, 2.001, 2.004, 1000, 2)
		weak, _ := tone(ch[0], rate, 16.001, 16.004, 1000, 16)
		return 20 * math.Log10(strong/weak)
	}
	for name, tt := range map[string]struct {
		agc    AGC
		lo, hi float64
	}{"none": {AGC{}, 19.5, 20.5}, "slow": {SlowAGC, -1, 2}, "pumping": {PumpingAGC, -1, 2}} {
		if got := level(tt.agc); got < tt.lo || got > tt.hi {
			t.Errorf("%s: %.2f dB of a 20 dB fade remain", name, got)
		}
	}
}

// Hum, other carriers and lightning must be heard as set.
func TestDisturbances(t *testing.T) {
	const rate = 8000
	base := Config{Rate: rate, Seconds: 20, Station: find(t, "wwv"), Programme: MarksOnly, Noiseless: true, Receiver: Receiver{Detector: AM}}

	c := base
	c.Receiver.HumHz, c.Receiver.HumLevel = 60, 0.03
	_, ch := record(t, c)
	for hz, want := range map[float64]float64{60: 0.03, 120: 0.015, 180: 0.01, 50: 0} {
		if a, _ := tone(ch[0], rate, 5.1, 5.9, hz, 5); math.Abs(a-want) > 0.001 {
			t.Errorf("hum at %g Hz: amplitude %.4f, want %.4f", hz, a, want)
		}
	}

	// A carrier 30 dB down and 700 Hz away beats with the station's.
	c = base
	c.Carriers = []Carrier{{OffsetHz: -700, LevelDB: -30}}
	_, ch = record(t, c)
	if a, _ := tone(ch[0], rate, 5.1, 5.9, 700, 5); math.Abs(a/(0.25*math.Sqrt(1e-3))-1) > 0.03 {
		t.Errorf("beat of amplitude %.5f", a)
	}

	// About as many strokes as asked for: a discharge has three on average, and
	// each stands far above silence.
	c = base
	c.Seconds = 240
	c.Lightning = Lightning{PerMinute: 20, LevelDB: 10}
	_, ch = record(t, c)
	discharges, last := 0, -rate
	for i, v := range ch[0] {
		if f := float64(i%rate) / rate; f > 0.01 && f < 0.99 && math.Abs(float64(v)) > 0.1 && !(i < rate) {
			if i-last > rate/2 {
				discharges++
			}
			last = i
		}
	}
	if discharges < 45 || discharges > 100 { // 80 asked for, some run together
		t.Errorf("%d discharges in 4 minutes, 80 asked for", discharges)
	}
}

// Speech and music run on between the marks, without one stronger than full
// modulation.
func TestProgrammes(t *testing.T) {
	const rate = 16000
	for _, p := range []Programme{Speech, Music} {
		for _, id := range []string{"", "wwv"} {
			t.Run(fmt.Sprint(p, id), func(t *testing.T) {
				c := Config{Rate: rate, Seconds: 20, Programme: p, Noiseless: true, Receiver: Receiver{Detector: Linear}}
				if id != "" {
					c.Station = find(t, id)
				}
				_, ch := record(t, c)
				r := rms(ch[0])
				peak := 0.0
				for _, v := range ch[0] {
					peak = max(peak, math.Abs(float64(v)))
				}
				if r < 0.02 || r > 0.15 || peak > 0.3 || peak < 0.15 {
					t.Errorf("rms %.3f, peak %.3f", r, peak)
				}
				for s := 1; s < 20 && id != ""; s++ {
					if q := rms(ch[0][s*rate-rate/100+10 : s*rate-10]); q > 0.003 {
						t.Errorf("rms %.4f in the quiet zone of second %d", q, s)
					}
				}
			})
		}
	}
}
