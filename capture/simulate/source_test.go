package simulate

import (
	"fmt"
	"io"
	"math"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/station"
)

func find(t testing.TB, id string) *station.Station {
	t.Helper()
	s, ok := station.Find(id)
	if !ok {
		t.Fatalf("no station %q", id)
	}
	return s
}

// record reads a whole recording.
func record(t testing.TB, c Config) (*Source, [][]float32) {
	t.Helper()
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float32, s.Info().Channels)
	var b capture.Block
	for {
		err := s.Read(&b)
		if err == io.EOF {
			return s, out
		}
		if err != nil {
			t.Fatal(err)
		}
		for i, x := range b.Channels {
			out[i] = append(out[i], x...)
		}
	}
}

// tone fits a·sin(2πf(t−t0)) to x between two times; frame n was taken at
// n/rate. It returns the amplitude and the t0 nearest to near.
func tone(x []float32, rate, from, to, hz, near float64) (amplitude, t0 float64) {
	var ss, sc, cc, xs, xc float64
	for n := int(math.Ceil(from * rate)); n <= int(to*rate); n++ {
		s, c := math.Sincos(2 * math.Pi * hz * (float64(n)/rate - near))
		v := float64(x[n])
		ss, sc, cc, xs, xc = ss+s*s, sc+s*c, cc+c*c, xs+v*s, xc+v*c
	}
	det := ss*cc - sc*sc
	a, b := (xs*cc-xc*sc)/det, (xc*ss-xs*sc)/det
	return math.Hypot(a, b), near - math.Atan2(b, a)/(2*math.Pi*hz)
}

func rms(x []float32) float64 {
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return math.Sqrt(sum / float64(len(x)))
}

// A tick's tone starts at a rising zero crossing, path delay and receiver
// delay after the UTC second, at whatever rate and fraction of a second the
// recording begins; the sample clock's error shows as published in its sign.
func TestTickArrives(t *testing.T) {
	for _, tt := range []struct {
		rate     int
		id       string
		fraction time.Duration
		detector Detector
		ppm      float64
	}{
		{48000, "wwv", 0, Linear, 0},
		{48000, "wwv", 123456789, AM, 0},
		{8000, "wwvh", 987654321, Linear, 35},
		{12000, "hla", 500000000, Sync, -80},
		{44100, "bpm", 250000001, AM, 100},
		{192000, "chu", 1, Sync, 10},
	} {
		t.Run(fmt.Sprint(tt.rate, tt.id, tt.detector), func(t *testing.T) {
			st := find(t, tt.id)
			const delay, extra = 0.0123456, 0.00042
			start := time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC).Add(tt.fraction)
			_, ch := record(t, Config{
				Rate: tt.rate, Seconds: 6, Start: start, Station: st, Programme: MarksOnly, Noiseless: true,
				Paths:     []Path{{DelaySeconds: delay}},
				Receiver:  Receiver{Detector: tt.detector, DelaySeconds: extra},
				SoundCard: SoundCard{ClockPPM: tt.ppm},
			})
			rate := float64(tt.rate) * (1 + tt.ppm*1e-6) // true rate of a fast clock is higher
			mark, _ := st.MarkAt(20, 10)
			length := min(mark.Length, 0.01)
			for k := 2; k <= 5; k++ {
				want := float64(k) - tt.fraction.Seconds() + delay + extra - st.AdvanceSeconds
				amplitude, got := tone(ch[0], rate, want+0.2*length, want+0.8*length, st.ToneHz, want)
				// The detector's 2 Hz coupling advances the phase by 2/f.
				if tt.detector != Linear {
					want -= 2 / st.ToneHz / (2 * math.Pi * st.ToneHz)
				}
				if e := got - want; math.Abs(e) > 0.4e-6 {
					t.Errorf("second %d: arrives %.3f us late", k, e*1e6)
				}
				if math.Abs(amplitude-0.25) > 0.005 {
					t.Errorf("second %d: amplitude %.4f, want 0.25", k, amplitude)
				}
				before := ch[0][int((want-0.04)*rate):int((want-0.002)*rate)]
				if r := rms(before); r > 0.01 {
					t.Errorf("second %d: rms %.4f before the tick", k, r)
				}
			}
		})
	}
}

// A steady second path must arrive where it was put: its tone alone is heard
// after the first has ended, and the first alone before it begins.
func TestTwoPaths(t *testing.T) {
	const d1, d2, rate = 0.0071, 0.0093, 48000
	_, ch := record(t, Config{
		Rate: rate, Seconds: 3, Station: find(t, "wwv"), Programme: MarksOnly, Noiseless: true,
		Paths:    []Path{{DelaySeconds: d1}, {DelaySeconds: d2, LevelDB: -6}},
		Receiver: Receiver{Detector: Linear},
	})
	p := math.Pow(10, -0.6)
	a1, a2 := 0.25*math.Sqrt(1/(1+p)), 0.25*math.Sqrt(p/(1+p)) // powers add up to one
	for _, tt := range []struct{ from, to, arrival, amplitude float64 }{
		{1 + d1 + 0.0004, 1 + d2 - 0.0004, 1 + d1, a1},
		{1 + d1 + 0.0054, 1 + d2 + 0.0046, 1 + d2, a2},
	} {
		a, at := tone(ch[0], rate, tt.from, tt.to, 1000, tt.arrival)
		if math.Abs(at-tt.arrival) > 3e-6 || math.Abs(a-tt.amplitude) > 0.003 {
			t.Errorf("arrival %.6f with amplitude %.4f, want %.6f with %.4f", at, a, tt.arrival, tt.amplitude)
		}
	}
}

// SNR is measured as it is defined: the tone's power in the burst, from a
// recording without noise, against the density of the noise where there is no
// mark, times 3 kHz.
func TestSNRIsAsDefined(t *testing.T) {
	for _, tt := range []struct {
		detector Detector
		id       string
		snr      float64
		tol      float64
	}{
		{Linear, "wwv", 10, 0.3}, {Linear, "wwv", -10, 0.3}, {Sync, "wwv", 20, 0.3},
		{AM, "wwv", 30, 0.3}, {SSB, "wwv", 10, 0.3}, {SSB, "chu", 10, 0.3}, {SSB, "rwm", 5, 0.3},
	} {
		t.Run(fmt.Sprint(tt.detector, tt.id, tt.snr), func(t *testing.T) {
			const rate, seconds = 8000, 30
			c := Config{
				Rate: rate, Seconds: seconds, Station: find(t, tt.id), Programme: MarksOnly, SNRdB: tt.snr,
				Start: time.Date(2026, 3, 14, 18, 45, 9, 0, time.UTC), Receiver: Receiver{Detector: tt.detector, Level: 0.02},
			}
			hz := c.Station.ToneHz
			if hz == 0 {
				c.Receiver.MistuningHz = 900
				hz = 900
			}
			_, noisy := record(t, c)
			c.Noiseless = true
			_, clean := record(t, c)
			mark, _ := c.Station.MarkAt(45, 10)
			amplitude, _ := tone(clean[0], rate, 1+0.2*mark.Length, 1+0.8*mark.Length, hz, 1)
			// Noise alone, its density about 1 kHz by averaged periodograms of
			// 100 ms under a Hann window.
			density, n := 0.0, 0
			for f := 600.0; f < 1500; f += 60 {
				var window [rate / 10][2]float64
				w2 := 0.0
				for i := range window {
					w := math.Pow(math.Sin(math.Pi*float64(i)/(rate/10)), 2)
					s, c := math.Sincos(2 * math.Pi * f * float64(i) / rate)
					window[i], w2 = [2]float64{w * c, w * s}, w2+w*w
				}
				for second := range seconds {
					for _, begin := range []float64{0.45, 0.6, 0.75} {
						var re, im float64
						k := int((float64(second) + begin) * rate)
						for i, w := range window {
							v := float64(noisy[0][k+i] - clean[0][k+i])
							re, im = re+v*w[0], im+v*w[1]
						}
						density += 2 * (re*re + im*im) / (rate * w2)
						n++
					}
				}
			}
			density /= float64(n)
			got := 10 * math.Log10(amplitude*amplitude/2/(3000*density))
			if math.Abs(got-tt.snr) > tt.tol {
				t.Errorf("SNR %.2f dB, want %g", got, tt.snr)
			}
		})
	}
}

// The same seed gives the same recording, another seed another.
func TestDeterministic(t *testing.T) {
	paths, err := Channel("mid-disturbed", 0.005)
	if err != nil {
		t.Fatal(err)
	}
	c := Config{
		Rate: 8000, Seconds: 5, Seed: 7, Station: find(t, "wwv"), SNRdB: 3, Paths: paths,
		Lightning: Lightning{PerMinute: 60, LevelDB: 20}, Marker: &Marker{JitterSeconds: 1e-4, MissingShare: 0.3},
		Others: []Signal{{Station: find(t, "wwvh"), OffsetHz: 0.3}, {Programme: Music, LevelDB: -10}},
	}
	_, a := record(t, c)
	_, b := record(t, c)
	c.Seed = 8
	_, other := record(t, c)
	same := true
	for ch := range a {
		for i := range a[ch] {
			if a[ch][i] != b[ch][i] {
				t.Fatalf("channel %d frame %d differs between runs", ch+1, i)
			}
			same = same && a[ch][i] == other[ch][i]
		}
	}
	if same {
		t.Error("the seed changes nothing")
	}
}

// Noted losses advance positions; hidden ones pull later frames forward.
func TestLosses(t *testing.T) {
	c := Config{
		Rate: 8000, Seconds: 4, Station: find(t, "wwv"), SNRdB: 20, Marker: &Marker{},
	}
	_, whole := record(t, c)
	c.SoundCard.Losses = []Loss{
		{Gap: capture.Gap{At: 9000, Lost: 500}},
		{Gap: capture.Gap{At: 15000, Lost: 77}, Hidden: true},
		{Gap: capture.Gap{At: 20000, Lost: 300}},
	}
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	if g := s.Info().Gaps; len(g) != 2 || g[0] != (capture.Gap{At: 9000, Lost: 500}) || g[1] != (capture.Gap{At: 20000 - 77, Lost: 300}) {
		t.Errorf("gaps %v", g)
	}
	truth := s.Truth()
	next := int64(0)
	frames := int64(0)
	var b capture.Block
	for s.Read(&b) == nil {
		if b.Position != next+b.Lost {
			t.Fatalf("position %d after %d with %d lost", b.Position, next, b.Lost)
		}
		next = b.Position + int64(b.Len())
		frames += int64(b.Len())
		for i := range b.Len() {
			// The frame must be the one the unbroken recording has at its time.
			n := int64(math.Round(truth.Time(b.Position+int64(i)) * 8000))
			for ch := range b.Channels {
				if d := b.Channels[ch][i] - whole[ch][n]; math.Abs(float64(d)) > 1e-6 {
					t.Fatalf("channel %d position %d: off by %g", ch+1, b.Position+int64(i), d)
				}
			}
		}
	}
	if want := int64(32000 - 877); frames != want {
		t.Errorf("%d frames, want %d", frames, want)
	}
	if s.Info().Frames != frames {
		t.Errorf("Info says %d frames, %d came", s.Info().Frames, frames)
	}
	if err := s.Read(&b); err != io.EOF {
		t.Errorf("after the end: %v", err)
	}
}

func TestNewRefuses(t *testing.T) {
	wwv := find(t, "wwv")
	for _, tt := range []struct {
		name string
		c    Config
	}{
		{"no length", Config{}},
		{"rate", Config{Seconds: 1, Rate: 400}},
		{"detector", Config{Seconds: 1, Receiver: Receiver{Detector: "fm"}}},
		{"keyed carrier on AM", Config{Seconds: 1, Station: find(t, "rwm")}},
		{"mistuned AM", Config{Seconds: 1, Station: wwv, Receiver: Receiver{MistuningHz: 30}}},
		{"delay", Config{Seconds: 1, Station: wwv, Paths: []Path{{DelaySeconds: 2}}}},
		{"no path", Config{Seconds: 1, Station: wwv, Paths: []Path{}}},
		{"NaN", Config{Seconds: 1, SNRdB: math.NaN()}},
		{"marker width", Config{Seconds: 1, Marker: &Marker{WidthSeconds: 2}}},
		{"programme", Config{Seconds: 1, Programme: "opera"}},
		{"losses", Config{Seconds: 1, SoundCard: SoundCard{Losses: []Loss{{Gap: capture.Gap{At: 5}}}}}},
	} {
		if _, err := New(tt.c); err == nil {
			t.Errorf("%s: accepted", tt.name)
		}
	}
}
