// Package noise gives the external noise a receiving antenna picks up, after
// Rec. ITU-R P.372: atmospheric (lightning), man-made and galactic.
//
// A noise figure is the noise power over k·T0·b in decibels, T0 being 290 K.
package noise

import (
	"fmt"
	"math"
	"time"

	"timeball/align/path/geodesic"
)

const degree = math.Pi / 180

// Figure is a median external noise figure and how far its upper decile lies
// above it and its lower decile below it, all in decibels.
type Figure struct{ MedianDB, UpperDB, LowerDB float64 }

// Maps is a source of atmospheric noise.
type Maps interface {
	Atmospheric(p geodesic.Point, t time.Time, localHours, frequencyHz float64) Figure
}

// Environment names how much man-made noise there is (P.372 table 1).
type Environment string

const (
	City        Environment = "city"
	Residential Environment = "residential"
	Rural       Environment = "rural"
	QuietRural  Environment = "quiet-rural"
)

// ManMade is the man-made noise of an environment. It panics when there is no
// such environment.
func ManMade(e Environment, frequencyHz float64) Figure {
	row, ok := map[Environment][4]float64{
		City:        {76.8, 27.7, 11.0, 6.7},
		Residential: {72.5, 27.7, 10.6, 5.3},
		Rural:       {67.2, 27.7, 9.2, 4.6},
		QuietRural:  {53.6, 28.6, 9.2, 4.6},
	}[e]
	if !ok {
		panic(fmt.Sprintf("noise: no environment %q", e))
	}
	return Figure{row[0] - row[1]*math.Log10(frequencyHz/1e6), row[2], row[3]}
}

// Galactic is the noise of the galaxy, which arrives only above the critical
// frequency overhead.
func Galactic(frequencyHz, foF2Hz float64) (f Figure, arrives bool) {
	return Figure{52 - 23*math.Log10(frequencyHz/1e6), 2, 2}, frequencyHz > foF2Hz
}

// Sum adds the powers of independent sources; the deciles are those of the sum
// when all sources are at theirs together, as P.372 and P.842 take them.
func Sum(sources ...Figure) Figure {
	var median, upper, lower float64
	for _, s := range sources {
		median += math.Pow(10, s.MedianDB/10)
		upper += math.Pow(10, (s.MedianDB+s.UpperDB)/10)
		lower += math.Pow(10, (s.MedianDB-s.LowerDB)/10)
	}
	return Figure{10 * math.Log10(median), 10 * math.Log10(upper/median), 10 * math.Log10(median/lower)}
}

// PowerDBW is the noise power in decibels above a watt in a bandwidth in hertz.
func (f Figure) PowerDBW(bandwidthHz float64) float64 {
	return f.MedianDB + 10*math.Log10(bandwidthHz) - 204
}

// Floored raises an atmospheric figure to a tenth of the least man-made noise,
// below which it makes no difference to the sum.
func (f Figure) Floored(frequencyHz float64) Figure {
	f.MedianDB = max(f.MedianDB, ManMade(QuietRural, frequencyHz).MedianDB-10)
	return f
}
