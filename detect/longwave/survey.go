package longwave

import (
	"cmp"
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/audio"
)

// Carrier is one that stands in an antenna's signal, with what stands beside it.
type Carrier struct {
	Hz       float64  `json:"hz"`       // where it should be
	Stations []string `json:"stations"` // that send on it
	Off      float64  `json:"off"`      // by how much the sample clock makes it too high, a share
	CN0dBHz  float64  `json:"cn0_dbhz"` // of its mean level against the noise a kilohertz away
	// Beside are the strongest lines within 1.5 kHz that are none of its own keying.
	Beside []Beside `json:"beside"`
}

// Beside is a line beside a carrier.
type Beside struct {
	OffsetHz float64 `json:"offset_hz"` // above the carrier
	LevelDB  float64 `json:"level_db"`  // against it
}

const (
	surveyReach = 1500 // Hz to either side
	surveyClear = 800  // Hz from where on noise is taken
	mostBeside  = 3
	leastBeside = -30 // dB
	leastCN0    = 30  // dBHz: a weaker carrier cannot be told from what noise makes in some seconds
)

// DirectRate is the least rate at which carriers themselves are looked for, frames a
// second: sound cards sample audio at less.
const DirectRate = 96000

// Direct reports whether frames at a rate may hold a carrier itself: a sound card's
// filter leaves all but the last twenty-fifth below half the rate (common practice).
func Direct(rate, carrierHz float64) bool { return rate >= DirectRate && carrierHz < 0.48*rate }

// SurveySeconds of a signal are searched for carriers: one of leastCN0 then stands 39 dB out
// of the noise in the width of a line, and nobody waits long.
const SurveySeconds = 8

// Survey lists the carriers of the built-in stations that stand in some seconds of an
// antenna's signal, by frequency.
func Survey(rate float64, x []float32) []Carrier {
	var found []Carrier
	builtin := station.Builtin()
	slices.SortStableFunc(builtin, func(a, b station.Station) int { return cmp.Compare(a.Carriers[0].Hz, b.Carriers[0].Hz) })
	for i, s := range builtin {
		hz := s.Carriers[0].Hz
		if !s.LongWave() || !Direct(rate, hz) {
			continue
		}
		if k := len(found); k > 0 && found[k-1].Hz == hz {
			found[k-1].Stations = append(found[k-1].Stations, s.ID)
			continue
		}
		if i > 0 && builtin[i-1].LongWave() && builtin[i-1].Carriers[0].Hz == hz {
			continue // looked for in vain
		}
		if c, ok := survey(rate, x, hz); ok {
			c.Stations = []string{s.ID}
			found = append(found, c)
		}
	}
	return found
}

func survey(rate float64, x []float32, hz float64) (c Carrier, ok bool) {
	tuned := audio.NewTuned(rate, len(x), hz)
	tuned.Process(0, x)
	y := make([]float32, tuned.End())
	if !tuned.Copy(y, 0) || len(y) < 1<<14 {
		return c, false
	}
	lines := Lines(y, tuned.Rate(), audio.Pitch-surveyReach, audio.Pitch+surveyReach)
	near := func(l Line) bool { return math.Abs(l.Hz-audio.Pitch) < directOffHz }
	i := slices.IndexFunc(lines, near)
	var carrier Line
	if i >= 0 {
		carrier = lines[i]
	} else if hidden := suppressed(y, tuned.Rate(), audio.Pitch-directOffHz, audio.Pitch+directOffHz); len(hidden) > 0 {
		// Of a carrier whose phase turns over, all that is near it.
		carrier = Line{Hz: hidden[0].Hz, Power: meanDensity(y, tuned.Rate(), hidden[0].Hz-20, hidden[0].Hz+20) * 40}
	} else {
		return c, false
	}
	noise := min(meanDensity(y, tuned.Rate(), audio.Pitch-surveyReach, audio.Pitch-surveyClear),
		meanDensity(y, tuned.Rate(), audio.Pitch+surveyClear, audio.Pitch+surveyReach))
	c = Carrier{Hz: hz, Off: (carrier.Hz - audio.Pitch) / hz, CN0dBHz: 10 * math.Log10(carrier.Power/noise), Beside: []Beside{}}
	if c.CN0dBHz < leastCN0 {
		return c, false
	}
	for _, l := range lines {
		b := Beside{l.Hz - carrier.Hz, 10 * math.Log10(l.Power/carrier.Power)}
		if math.Abs(b.OffsetHz) > besideHz && b.LevelDB > leastBeside && len(c.Beside) < mostBeside {
			c.Beside = append(c.Beside, b)
		}
	}
	return c, true
}

// meanDensity is the mean power of x a hertz between two frequencies.
func meanDensity(x []float32, rate, lowHz, highHz float64) float64 {
	density, resolution := densities(x, rate)
	sum, n := 0.0, 0
	for i := int(lowHz / resolution); i < int(highHz/resolution) && i < len(density); i++ {
		sum += density[i]
		n++
	}
	return sum / float64(n)
}
