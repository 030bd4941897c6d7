// Package ionosphere gives the monthly median ionosphere over the earth: the
// critical frequencies of its layers, the height factor of the F2 layer, their
// day-to-day spread and the absorption below them.
//
// Formulas are those of Recs. ITU-R P.1239 and P.533. The F2 layer comes either
// from a compact climatology embedded in the program, which was fitted to values
// of the ITU's maps, or from those maps themselves, which the user supplies.
package ionosphere

import (
	"math"
	"time"

	"timeball/align/path/geodesic"
)

const (
	earthRadiusM = 6371009.0 // IUGG mean radius, as in Rec. ITU-R P.533
	maxSunspots  = 160       // above it the maps saturate (Rec. ITU-R P.533)
)

// Place is a point of the earth with what its magnetic field fixes once for all.
type Place struct {
	geodesic.Point
	cosLat float64
	// SinModip is the sine of the modified dip at 300 km, the F2 layer's latitude.
	SinModip float64
	// GyroHz is the electron gyrofrequency at 300 km.
	GyroHz float64
	// Modip100 is the modified dip at 100 km, radians, the absorption's latitude.
	Modip100 float64
	// LongitudinalGyroHz is the gyrofrequency along the vertical at 100 km.
	LongitudinalGyroHz float64
}

// NewPlace computes the magnetic field over p.
func NewPlace(p geodesic.Point) *Place {
	cosLat := math.Cos(max(-89.999, min(89.999, p.Lat)) * degree)
	high, low := fieldAt(p, 300e3), fieldAt(p, 100e3)
	return &Place{
		Point:    p,
		cosLat:   cosLat,
		SinModip: high.dip / math.Sqrt(high.dip*high.dip+cosLat),
		GyroHz:   high.gyroHz,
		// tan of the modified dip is the dip in radians over the root of cos(lat).
		Modip100:           math.Atan2(low.dip, math.Sqrt(cosLat)),
		LongitudinalGyroHz: math.Abs(low.gyroHz * math.Sin(low.dip)),
	}
}

// Maps is a source of the F2 layer's monthly medians.
type Maps interface {
	// At gives the layer for an instant and a smoothed sunspot number.
	At(t time.Time, r12 float64) F2Map
}

// F2Map is the F2 layer over the whole earth at one instant.
type F2Map interface {
	// F2 returns the critical frequency in hertz and the MUF factor for 3000 km.
	F2(p *Place) (foF2Hz, m3000 float64)
}
