package find

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"timeball/detect/audio"
	"timeball/detect/rank"
	"timeball/detect/tick/timing"
)

// tickShape is the shape of most stations' second marks.
var tickShape = timing.Shape{ToneHz: 1000, Seconds: 5e-3}

// steadyBase is the time base of ticks.
type steadyBase struct{}

func (steadyBase) Base(n int64) (float64, bool) { return float64(n) * steadySecond, true }

// ticks are bursts of tone in white noise, lag seconds after each of steadyBase's
// seconds but those that a station leaves out.
type ticks struct {
	seconds      int
	lag          float64 // s
	snrDB        float64 // of the tone against noise in 3 kHz
	toneHz, long float64
	amplitude    func(k int) float64 // of second k; nil: one
}

func (c ticks) audio(r *rand.Rand) *audio.Stream {
	const rate = 8000.0
	x := make([]float32, int(rate)*(c.seconds+1))
	sigma := math.Sqrt(0.5 / (3000 * math.Pow(10, c.snrDB/10)) * rate / 2)
	for i := range x {
		x[i] = float32(sigma * r.NormFloat64())
	}
	for k := range c.seconds {
		a := 1.0
		if c.amplitude != nil {
			a = c.amplitude(k)
		}
		if k%60 == 29 || k%60 == 59 {
			continue
		}
		at := float64(k)*steadySecond + c.lag*rate
		for i := math.Ceil(at); i < at+c.long*rate && int(i) < len(x); i++ {
			x[int(i)] += float32(a * math.Sin(2*math.Pi*c.toneHz*(i-at)/rate))
		}
	}
	s := audio.NewStream(rate, len(x))
	s.Process(0, x)
	return s
}

// steadySecond is a second that is not a whole number of samples.
const steadySecond = 8000 * (1 + 23e-6)

// silent is the amplitude of no tick at all.
func silent(int) float64 { return 0 }

// evidence is what search weighs, at every lag and below its threshold too: −ln
// of the chance that noise gives such a peak anywhere.
func (f *fold) evidence() []float64 {
	slanted := f.slanted()
	bins := len(f.blocks[0].re) / 2
	length := f.centre[len(f.centre)-1] - f.centre[0] + 1
	step := 0.38 / f.tone / length
	trials, prior := f.about.trials(step)
	cells := math.Log(float64(bins))
	most := make([]float64, bins)
	for i := range most {
		most[i] = math.Inf(-1)
	}
	for k, rate := range trials {
		pow := slanted(rate)
		mean := max(float64(f.used), rank.Upper(slices.Clone(pow))/math.Ln2)
		for i, p := range pow {
			most[i] = max(most[i], p/mean+prior[k]-cells)
		}
	}
	for r, pow := range f.power {
		mid := rank.Upper(slices.Clone(pow))
		dev := make([]float64, bins)
		for i, p := range pow {
			dev[i] = math.Abs(p - mid)
		}
		sigma := max(1.4826*rank.Upper(dev), math.Sqrt(float64(f.used)))
		gamma := distuv.Gamma{Alpha: mid * mid / (sigma * sigma), Beta: mid / (sigma * sigma)}
		for i, p := range pow {
			if p > mid {
				most[i] = max(most[i], -logSurvival(gamma, p)+f.prior[r]-cells)
			}
		}
	}
	return most
}

// What BenchmarkROC weighs is what search decides by.
func TestEvidenceIsThatOfSearch(t *testing.T) {
	for _, c := range []struct {
		ticks
		heard bool
	}{
		{ticks{snrDB: 0}, true}, {ticks{snrDB: -9}, true}, {ticks{amplitude: silent}, false},
		{ticks{snrDB: 6, amplitude: func(k int) float64 { return 1 - 2*float64(k%2) }}, true}, // power alone tells
	} {
		c.seconds, c.lag, c.toneHz, c.long = 60, 0.2, 1000, 5e-3
		f := foldSpan(c.audio(rand.New(rand.NewPCG(1, 7))), steadyBase{}, tickShape, clocks(0), 0, 60)
		most := slices.Max(f.evidence())
		found := f.search()
		switch {
		case len(found) > 0 != c.heard:
			t.Errorf("%g dB: found %v", c.snrDB, found)
		case len(found) > 0 && math.Abs(found[0].odds/most-1) > 1e-3:
			t.Errorf("%g dB: search finds a peak of %g, the most there is %g", c.snrDB, found[0].odds, most)
		case len(found) == 0 && most > -math.Log(falseAlarm):
			t.Errorf("%g dB: search finds nothing, there is %g", c.snrDB, most)
		}
	}
}

// BenchmarkROC prints the receiver operating curve of the acquisition's test: how
// probably three minutes of ticks of 5 ms are found at each chance of a false
// alarm in one search, and how often noise alone really passes.
func BenchmarkROC(b *testing.B) {
	const (
		seconds    = 180
		recordings = 100
	)
	chances := []float64{1e-1, 1e-2, 1e-3, 1e-4, 1e-6, falseAlarm, 1e-10, 1e-12}
	// passed is the share of recordings with a peak that chance gives more seldom.
	passed := func(snr float64, first uint64) []float64 {
		share := make([]float64, len(chances))
		for i := range recordings {
			r := rand.New(rand.NewPCG(first+uint64(i), 11))
			c := ticks{seconds: seconds, lag: 0.1 + 0.7*r.Float64(), snrDB: snr, toneHz: 1000, long: 5e-3}
			noise := math.IsInf(snr, -1)
			if noise {
				c.snrDB, c.amplitude = 0, silent
			}
			f := foldSpan(c.audio(r), steadyBase{}, tickShape, clocks(0), 0, seconds)
			most := math.Inf(-1)
			for k, e := range f.evidence() {
				if noise || math.Abs(float64(k)*f.step-c.lag) < 3e-3 {
					most = max(most, e)
				}
			}
			for j, chance := range chances {
				if most > -math.Log(chance) {
					share[j] += 1.0 / recordings
				}
			}
		}
		return share
	}
	for b.Loop() {
		var table strings.Builder
		row := func(name, format string, values []float64) {
			fmt.Fprintf(&table, "%-12s", name)
			for _, v := range values {
				fmt.Fprintf(&table, format, v)
			}
			table.WriteByte('\n')
		}
		row("false alarm", "%8.0e", chances)
		row("noise alone", "%8.3f", passed(math.Inf(-1), 1e6))
		for i, snr := range []float64{-25, -22.5, -20, -17.5, -15, -12.5, -10} {
			row(fmt.Sprintf("%g dB", snr), "%8.3f", passed(snr, uint64(i)*1000))
		}
		b.Log("probability of detection, the threshold in use being " + fmt.Sprint(falseAlarm) + "\n" + table.String())
	}
}
