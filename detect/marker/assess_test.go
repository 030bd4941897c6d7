package marker

import (
	"math"
	"math/rand/v2"
	"testing"
)

const testRate = 48000.0

// ticks is a receiver channel: bursts of a 1000 Hz tone, 5 ms once a second, as
// WWV sends them, above receiver noise.
func ticks(seconds float64, level, noise float64) []float32 {
	x := shape{rate: testRate}.noise(seconds, noise, 5)
	for s := 0.6; s < seconds-0.1; s++ {
		from := int(math.Ceil(s * testRate))
		for i := range int(0.005 * testRate) {
			t := (float64(from+i) - s*testRate) / testRate
			x[from+i] += float32(level * math.Sin(2*math.Pi*1000*t))
		}
	}
	return x
}

// speech is noise in syllables with sharp onsets, a hundred and twenty a minute
// but not to the clock.
func speech(seconds float64) []float32 {
	x := make([]float32, int(seconds*testRate))
	rng := rand.New(rand.NewPCG(9, 9))
	low, gain, until := 0.0, 0.0, 0
	for i := range x {
		if i >= until {
			gain = rng.Float64()
			until = i + int((0.1+0.3*rng.Float64())*testRate)
		}
		low += 0.3 * (gain*rng.NormFloat64() - low)
		x[i] = float32(0.3 * low)
	}
	return x
}

// hum is mains hum with a rectifier's spikes.
func hum(seconds float64) []float32 {
	x := shape{rate: testRate}.noise(seconds, 1e-3, 6)
	for i := range x {
		t := float64(i) / testRate
		x[i] += float32(0.2 * math.Sin(2*math.Pi*50*t))
		if math.Mod(t, 0.01) < 1e-4 {
			x[i] += 0.1
		}
	}
	return x
}

func assess(x []float32, edge Edge) Assessment {
	d := NewDetector(Config{Rate: testRate, Edge: edge})
	d.Process(0, x)
	return d.Assess()
}

// TestWrongChannelIsRefused runs channels that are not the marker.
func TestWrongChannelIsRefused(t *testing.T) {
	mixed := ticks(12, 0.3, 0.01)
	for i, v := range speech(12) {
		mixed[i] += v
	}
	for name, x := range map[string][]float32{
		"silence":       make([]float32, 12*testRate),
		"noise":         shape{rate: testRate}.noise(12, 0.05, 4),
		"ticks":         ticks(12, 0.3, 0.003),
		"weak ticks":    ticks(12, 0.03, 0.01),
		"ticks, speech": mixed,
		"speech":        speech(12),
		"hum":           hum(12),
	} {
		a := assess(x, Auto)
		if a.IsMarker {
			t.Errorf("%s is taken for a marker: %+v", name, a)
		}
	}
}

func TestAssessDescribesMarker(t *testing.T) {
	for _, s := range []shape{
		{name: "wide", rate: testRate, width: 0.1, couple: 5},
		{name: "inverted", rate: testRate, width: 0.1, couple: 5, inverted: true},
		{name: "long, small coupling", rate: testRate, width: 0.3, couple: 200},
		{name: "narrow", rate: testRate, width: 20e-6, couple: 5},
		{name: "narrow, inverted", rate: testRate, width: 20e-6, couple: 5, inverted: true},
		{name: "200 us", rate: testRate, width: 200e-6, couple: 5, inverted: true},
	} {
		for _, ppm := range []float64{-100, 0, 100} {
			a := assess(s.recording(8, regular(testRate, 4000.4, 7, ppm), 0.5, 2e-3, 8), Auto)
			want := Rising
			if s.inverted {
				want = Falling
			}
			if !a.IsMarker || a.Edge != want || math.Abs(a.WidthSeconds-s.width) > 1e-4 ||
				math.Abs(a.PeriodFrames-testRate*(1+ppm*1e-6)) > 0.01 {
				t.Errorf("%s at %v ppm: %+v", s.name, ppm, a)
			}
		}
	}
}

// TestScaleDoesNotMatter: what is said of a marker's edge does not depend on the unit of
// its samples, up to those of integers of 32 bits and down to those of microvolts.
func TestScaleDoesNotMatter(t *testing.T) {
	for _, s := range shapes(testRate) {
		positions := regular(testRate, 4000.4, 7, 10)
		of := func(unit float64) Assessment {
			return assess(s.recording(8, positions, 0.5*unit, 2e-3*unit, 8), Auto)
		}
		want := of(1)
		for _, unit := range []float64{0.1, 1 << 31} {
			a := of(unit)
			if math.Abs(a.ReferenceSigmaFrames/want.ReferenceSigmaFrames-1) > 0.01 || a.Edge != want.Edge {
				t.Errorf("%s times %g: edge %v within %v frames, want %v within %v",
					s.name, unit, a.Edge, a.ReferenceSigmaFrames, want.Edge, want.ReferenceSigmaFrames)
			}
		}
	}
}

// TestGivenEdgeIsUsed checks that a given edge is timed, and not the other
// silently, whatever the polarity.
func TestGivenEdgeIsUsed(t *testing.T) {
	for _, width := range []float64{20e-6, 150e-6, 1e-3, 0.1, 0.5, 0.8} {
		for _, inverted := range []bool{false, true} {
			for _, edge := range []Edge{Rising, Falling} {
				s := shape{rate: testRate, width: width, couple: 5, inverted: inverted}
				truth := regular(testRate, 4000.4, 9, 0)
				x := s.recording(11, truth, 0.5, 0.5e-3, 8)
				d := NewDetector(Config{Rate: testRate, Edge: edge})
				got := process(d, x, 4096)
				if len(got) < 8 {
					t.Errorf("width %v inverted %v %v: %d pulses: %+v", width, inverted, edge, len(got), d.Assess())
					continue
				}
				want := truth[len(truth)-len(got)]
				if inverted == (edge == Rising) {
					want += width * testRate
				}
				for math.Abs(got[0].Position-want) > testRate/2 {
					want += math.Copysign(testRate, got[0].Position-want)
				}
				if math.Abs(got[0].Position-want) > 0.05 || got[0].Rising != (edge == Rising) {
					t.Errorf("width %v inverted %v %v: off by %v frames, %+v", width, inverted, edge, got[0].Position-want, got[0])
				}
			}
		}
	}
}

func TestHalfSecondPulseIsAmbiguous(t *testing.T) {
	s := shape{rate: testRate, width: 0.5, couple: 5}
	d := NewDetector(Config{Rate: testRate})
	got := process(d, s.recording(20, regular(testRate, 4000.4, 18, 10), 0.5, 0.5e-3, 8), 4096)
	a := d.Assess()
	if len(got) > 0 || a.IsMarker || !a.Ambiguous || a.Finding != HalfSecond {
		t.Errorf("%d pulses, %+v", len(got), a)
	}
}

func TestChoose(t *testing.T) {
	wide := shape{rate: testRate, width: 0.1, couple: 5}
	truth := regular(testRate, 4000.4, 9, 20)
	markers := wide.recording(10, truth, 0.5, 1e-3, 1)
	leak := wide.recording(10, truth, 0.01, 1e-4, 2)
	other := wide.recording(10, regular(testRate, 9000.4, 9, 20), 0.3, 1e-3, 3)
	receiver := ticks(10, 0.2, 0.01)
	for i, v := range leak {
		receiver[i] += v
	}
	// The movement is heard in the receiver, louder than the marker is recorded.
	click := ticks(10, 0.2, 0.01)
	for s := 0.33; s < 9.5; s++ {
		for i := range int(0.003 * testRate) {
			t := float64(i) / testRate
			click[int(s*testRate)+i] += float32(0.8 * math.Exp(-t/0.3e-3) * (1 - math.Exp(-t/0.1e-3)))
		}
	}
	half := shape{rate: testRate, width: 0.5, couple: 5}.recording(10, truth, 0.5, 1e-3, 1)
	for _, c := range []struct {
		name     string
		channels [][]float32
		want     int
		wired    int
		doubtful int
	}{
		{"marker first", [][]float32{markers, ticks(10, 0.2, 0.01)}, 0, 0, 0},
		{"marker second", [][]float32{receiver, markers}, 1, 0, 0},
		{"leak into a silent receiver", [][]float32{leak, markers}, 1, 0, 0},
		{"two markers", [][]float32{other, markers}, -1, 2, 0},
		{"one marker on both", [][]float32{markers, markers}, -1, 2, 0},
		{"movement heard", [][]float32{click, markers}, 1, 0, 0},
		{"none", [][]float32{ticks(10, 0.2, 0.01), speech(10)}, -1, 0, 0},
		{"half a second", [][]float32{ticks(10, 0.2, 0.01), half}, -1, 0, 2},
	} {
		var all []Assessment
		for _, x := range c.channels {
			all = append(all, assess(x, Auto))
		}
		got := Choose(testRate, all)
		if got.Channel != c.want || len(got.Wired) != c.wired || got.Ambiguous != c.doubtful {
			t.Errorf("%s: %+v of %+v", c.name, got, all)
		}
	}
}
