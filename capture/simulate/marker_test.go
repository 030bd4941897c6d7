package simulate

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// edges finds the pulses' leading edges in x, as times n/rate. The time of a
// band-limited step is the centroid of its differences: by the sampling
// theorem exact, whatever the sampling phase, as long as nothing is aliased.
func edges(x []float32, rate, amplitude float64) []float64 {
	var at []float64
	sign := math.Copysign(1, amplitude)
	const reach = 60
	for i := reach; i < len(x)-reach; i++ {
		if sign*float64(x[i-1]) < math.Abs(amplitude)/2 && sign*float64(x[i]) >= math.Abs(amplitude)/2 {
			var sum, moment float64
			for k := i - reach; k < i+reach; k++ {
				d := float64(x[k]) - float64(x[k-1])
				sum += d
				moment += d * (float64(k) - 0.5)
			}
			at = append(at, moment/sum/rate)
		}
	}
	return at
}

// A clock that is ahead sends its pulse before the UTC second, a gaining one
// ever earlier; a step by a positive amount makes it later; the skew of the
// marker input makes it late; a fast sample clock counts more frames.
func TestMarkerEdges(t *testing.T) {
	start := time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC)
	for i, tt := range []struct {
		rate     int
		fraction float64
		m        Marker
		card     SoundCard
		want     func(k float64) float64 // time of the pulse near UTC second k
	}{
		{48000, 0.5, Marker{}, SoundCard{}, func(k float64) float64 { return k }},
		{48000, 0.5, Marker{OffsetSeconds: 0.0123456789}, SoundCard{}, func(k float64) float64 { return k - 0.0123456789 }},
		{8000, 0.3, Marker{OffsetSeconds: -0.2000123, WidthSeconds: 0.5}, SoundCard{}, func(k float64) float64 { return k + 0.2000123 }},
		{96000, 0.9, Marker{RateError: 1e-5, Inverted: true, Amplitude: 0.8}, SoundCard{}, func(k float64) float64 { return k * (1 - 1e-5) }},
		{48000, 0.5, Marker{RiseSeconds: 150e-6, WidthSeconds: 0.2}, SoundCard{SkewSeconds: 20.8e-6}, func(k float64) float64 { return k + 20.8e-6 }},
		{44100, 0.123456789, Marker{Steps: []Step{{AtSeconds: 3.5, BySeconds: 0.012}, {AtSeconds: 4.5, BySeconds: -0.1}}}, SoundCard{ClockPPM: 80},
			func(k float64) float64 {
				switch {
				case k > 4.5+0.1:
					return k + 0.012 - 0.1
				case k > 3.5:
					return k + 0.012
				}
				return k
			}},
		// A ramp of −10 ms in 2 s from 1 s on; 3600.25 s of offset show as 0.25.
		{48000, 0.5, Marker{OffsetSeconds: 3600.25, Steps: []Step{{AtSeconds: 1, BySeconds: -0.01, OverSeconds: 2}}}, SoundCard{},
			func(k float64) float64 {
				switch at := (k - 0.25 + 0.005) / 1.005; { // of at = k − 0.25 − 0.005·(at − 1)
				case at < 1:
					return k - 0.25
				case at > 3:
					return k - 0.26
				default:
					return at
				}
			}},
	} {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			s, ch := record(t, Config{
				Rate: tt.rate, Seconds: 6.2, Start: start.Add(time.Duration(math.Round(tt.fraction * 1e9))), Noiseless: true,
				Marker: &tt.m, SoundCard: tt.card,
			})
			amplitude := tt.m.Amplitude
			if amplitude == 0 {
				amplitude = 0.5
			}
			if tt.m.Inverted {
				amplitude = -amplitude
			}
			trueRate := float64(tt.rate) * (1 + tt.card.ClockPPM*1e-6)
			got := edges(ch[1], trueRate, amplitude)
			if len(got) < 5 {
				t.Fatalf("edges at %v", got)
			}
			used := 0
			for k := 0.0; k < 9; k++ {
				want := tt.want(k - tt.fraction)
				if want < 0.01 || want > 6.1 {
					continue
				}
				nearest := math.Inf(1)
				for _, e := range got {
					if math.Abs(e-want) < math.Abs(nearest-want) {
						nearest = e
					}
				}
				if math.Abs(nearest-want) > 2e-9 {
					t.Errorf("second %g: edge %.3f us late", k, (nearest-want)*1e6)
				}
				used++
			}
			truth := s.Truth()
			if used != len(got) || truth.Marker.Pulses != used {
				t.Errorf("%d edges found, %d expected, truth %d", len(got), used, truth.Marker.Pulses)
			}
			last := got[len(got)-1] - tt.card.SkewSeconds
			if math.Abs(last-truth.Marker.LastPulse) > 3e-9 {
				t.Errorf("last pulse at %.9f, truth %.9f", last, truth.Marker.LastPulse)
			}
			// What the hands show beyond the pulse is whole seconds.
			offset := math.Round(last+tt.fraction) - (last + tt.fraction)
			if d := offset - truth.Marker.Offset; math.Abs(d-math.Round(d)) > 3e-9 {
				t.Errorf("offset %.9f, truth %.9f", offset, truth.Marker.Offset)
			}
		})
	}
}

// The band-limited step is symmetric, ends at 0 and 1, and a slower one has
// its given rise.
func TestEdgeShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rise := rapid.Float64Range(0, 200).Draw(t, "rise")
		e := sampled().slower(rise)
		at := rapid.Float64Range(0, e.half+1).Draw(t, "at")
		if d := e.at(at) + e.at(-at) - 1; math.Abs(d) > 1e-9 {
			t.Fatalf("at ±%g the step misses symmetry by %g", at, d)
		}
		if e.at(-e.half) != 0 || e.at(e.half) != 1 {
			t.Fatalf("ends at %g and %g", e.at(-e.half), e.at(e.half))
		}
		if rise > 20 {
			// Well inside the rise it is straight.
			x := rapid.Float64Range(-rise/2+10, rise/2-10).Draw(t, "x")
			if d := e.at(x) - (0.5 + x/rise); math.Abs(d) > 0.02*20/rise {
				t.Fatalf("rise %g: %g at %g", rise, e.at(x), x)
			}
		}
	})
}

// Width, coupling, ringing: a coupled pulse droops with its time constant and
// undershoots at its end; ringing has its frequency and level.
func TestPulseShape(t *testing.T) {
	const rate = 48000
	pulse := func(m Marker) []float32 {
		_, ch := record(t, Config{Rate: rate, Seconds: 2, Noiseless: true, Marker: &m})
		return ch[1][rate-100 : rate+rate/2]
	}
	plain := pulse(Marker{WidthSeconds: 0.02})
	for at, want := range map[int]float64{50: 0, 150: 0.5, 100 + 900: 0.5, 100 + 1000: 0, 5000: 0} {
		if math.Abs(float64(plain[at])-want) > 1e-3 {
			t.Errorf("sample %d: %.4f, want %g", at, plain[at], want)
		}
	}
	coupled := pulse(Marker{WidthSeconds: 0.02, CouplingHz: 10})
	for _, ms := range []float64{5, 15} {
		want := 0.5 * math.Exp(-2*math.Pi*10*ms/1000)
		if got := float64(coupled[100+int(ms*48)]); math.Abs(got-want) > 2e-3 {
			t.Errorf("%g ms into the coupled pulse: %.4f, want %.4f", ms, got, want)
		}
	}
	end := 0.5 * (math.Exp(-2*math.Pi*10*0.022) - math.Exp(-2*math.Pi*10*0.002))
	if got := float64(coupled[100+22*48]); math.Abs(got-end) > 2e-3 {
		t.Errorf("2 ms after the coupled pulse: %.4f, want %.4f", got, end)
	}
	ringing := pulse(Marker{WidthSeconds: 0.02, RingHz: 5000, RingLevel: 0.2, RingDecay: 1e-3})
	for _, us := range []float64{250, 1050} { // crests: a quarter cycle after whole ones
		want := 0.5 * (1 + 0.2*math.Exp(-us*1e-6/1e-3)*math.Sin(2*math.Pi*5000*us*1e-6))
		if got := float64(ringing[100+int(math.Round(us*0.048))]); math.Abs(got-want) > 5e-3 { // the converter's own ripple adds to it
			t.Errorf("%g us into the ringing pulse: %.4f, want %.4f", us, got, want)
		}
	}
}

// Missing pulses, false ones, jitter and noise come in the amounts set.
func TestMarkerFaults(t *testing.T) {
	const rate, seconds = 8000, 600
	s, ch := record(t, Config{
		Rate: rate, Seconds: seconds, Noiseless: true,
		Marker: &Marker{OffsetSeconds: 0.1, WidthSeconds: 0.05, MissingShare: 0.2, JitterSeconds: 1e-3, FalsePerMinute: 6, NoiseRMS: 1e-3},
	})
	truth := s.Truth().Marker
	if truth.Pulses+truth.Missing != seconds || truth.Missing < 90 || truth.Missing > 150 || truth.FalsePulses < 35 || truth.FalsePulses > 90 {
		t.Errorf("truth %+v", truth)
	}
	var sum, sq, n float64
	for _, at := range edges(ch[1], rate, 0.5) {
		if d := at - math.Round(at+0.1) + 0.1; math.Abs(d) < 4.5e-3 {
			sum, sq, n = sum+d, sq+d*d, n+1
		}
	}
	if sd := math.Sqrt(sq/n - sum/n*sum/n); math.Abs(sd-1e-3) > 0.15e-3 || math.Abs(sum/n) > 0.15e-3 {
		t.Errorf("jitter %.2g s about %.2g s in %g pulses", sd, sum/n, n)
	}
	if r := rms(ch[1][rate/10 : rate/2]); math.Abs(r-1e-3) > 0.1e-3 {
		t.Errorf("noise %.2g between pulses", r)
	}
}

// The marker leaks into the receiver channel at its level, movements are heard
// after each pulse, and both swap channels on demand.
func TestReceiverChannelHearsTheClock(t *testing.T) {
	const rate = 16000
	c := Config{Rate: rate, Seconds: 4, Noiseless: true, Marker: &Marker{OffsetSeconds: 0.25}, SoundCard: SoundCard{LeakDB: -40}}
	_, ch := record(t, c)
	if got := float64(ch[0][int(1.8*rate)]); math.Abs(got-0.005) > 1e-4 { // pulse from 1.75 to 1.85 s
		t.Errorf("leak %.5f, want 0.005", got)
	}
	c.MarkerFirst = true
	_, swapped := record(t, c)
	for i := range ch[0] {
		if ch[0][i] != swapped[1][i] || ch[1][i] != swapped[0][i] {
			t.Fatalf("channels not swapped at %d", i)
		}
	}
	for _, shape := range []MotorShape{Click, Thump, Ring, Buzz} {
		_, ch := record(t, Config{
			Rate: rate, Seconds: 4, Noiseless: true,
			Marker: &Marker{MissingShare: 1, Motor: Motor{Shape: shape, Level: 0.2, DelaySeconds: 0.1}},
		})
		for s := 1; s < 4; s++ {
			before, during := rms(ch[0][s*rate:s*rate+rate/10]), rms(ch[0][s*rate+rate/10:s*rate+rate/10+rate/1000])
			if before > 1e-3 || during < 0.01 {
				t.Errorf("%s at second %d: rms %.4f before, %.4f during", shape, s, before, during)
			}
		}
		if shape == Ring {
			if a, _ := tone(ch[0], rate, 2.101, 2.103, 1000, 2); a < 0.08 || a > 0.2 {
				t.Errorf("ring of amplitude %.3f", a)
			}
		}
	}
}

// By wire, the receiver channel carries the other clock's pulse.
func TestWire(t *testing.T) {
	const rate = 48000
	s, ch := record(t, Config{
		Rate: rate, Seconds: 5, Wire: &Marker{OffsetSeconds: 1e-3, WidthSeconds: 20e-6, Amplitude: 0.9},
		Marker: &Marker{OffsetSeconds: 1.25e-3, WidthSeconds: 0.2},
	})
	a, b := edges(ch[0][:], rate, 0.4), edges(ch[1], rate, 0.5)
	if len(a) != 4 || len(b) != 4 {
		t.Fatalf("edges at %v and %v", a, b)
	}
	if truth := s.Truth(); math.Abs(truth.Wire.Offset-1e-3) > 1e-12 || math.Abs(truth.Marker.Offset-1.25e-3) > 1e-12 {
		t.Errorf("truth %+v %+v", truth.Wire, truth.Marker)
	}
}

// The sample clock's wander is that of the truth.
func TestSampleClock(t *testing.T) {
	c := SoundCard{ClockPPM: 50, WanderPPM: 3, WanderSeconds: 100}
	const rate = 48000
	for _, n := range []int64{0, 1e6, 3e6, 12e6} {
		// The frequency in the middle, from the time of 1000 frames.
		d := (c.timeOf(n+1000, rate) - c.timeOf(n, rate)) * rate / 1000
		at := c.timeOf(n+500, rate)
		want := -(50 + 3*math.Sin(2*math.Pi*at/100))
		if got := (d - 1) * 1e6; math.Abs(got-want) > 0.02 {
			t.Errorf("frame %d: %.3f ppm, want %.3f", n, got, want)
		}
	}
}
