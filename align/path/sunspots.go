package path

import (
	"math"
	"time"
)

// TodaysSunspots is a number on the scale used before July 2015, which the
// ionospheric maps belong to, over the same on the scale published since (from
// memory, as the ITU converts them).
const TodaysSunspots = 0.7

// givenSunspotsU is the standard uncertainty of a given R12: a smoothed number is
// known or forecast to about this, and the monthly median ionosphere follows it
// no closer: common practice.
const givenSunspotsU = 10

// DefaultSunspots is R12 (on the scale used before 2015) for the phase of a mean
// solar cycle, and its standard uncertainty: 11.0 years from the minimum of
// December 2019, 5 at minimum and 115 at the maximum 4.5 years later; minima have
// ranged from 0 to 15 and maxima from 70 to 200 (from memory; the rise is steeper
// than the fall).
func DefaultSunspots(t time.Time) (r12, u float64) {
	const period, rise, least, most = 11.0, 4.5, 5.0, 115.0
	const uLeast, uMost = 5.0, 35.0
	minimum := time.Date(2019, 12, 15, 0, 0, 0, 0, time.UTC)
	years := math.Mod(t.Sub(minimum).Hours()/(24*365.25), period)
	if years < 0 {
		years += period
	}
	phase := years / rise
	if years > rise {
		phase = (period - years) / (period - rise)
	}
	share := (1 - math.Cos(math.Pi*phase)) / 2
	return least + (most-least)*share, uLeast + (uMost-uLeast)*share
}
