package ionosphere

import (
	"math"
	"time"

	"timeball/align/path/geodesic"
)

const degree = math.Pi / 180

// Sun is the sun's place in the sky of the whole earth at one instant.
type Sun struct {
	Declination float64 // radians
	// SubsolarLon is the longitude that has the sun due south or north, radians.
	SubsolarLon float64
}

// SunAt computes the sun's position by the low-accuracy method of J. Meeus,
// Astronomical Algorithms, 2nd edition, chapters 12 and 25 (0.01 degree). The
// difference of about a minute between dynamical and universal time moves the
// sun by less than 1e-3 degree and is left out.
func SunAt(t time.Time) Sun {
	julian := float64(t.UnixNano())/86400e9 + 2440587.5
	declination, rightAscension := sunEquatorial(julian)
	return Sun{declination, math.Remainder(rightAscension-siderealTime(julian), 2*math.Pi)}
}

// sunEquatorial is the sun's apparent declination and right ascension, radians.
func sunEquatorial(julian float64) (declination, rightAscension float64) {
	c := (julian - 2451545) / 36525
	meanLon := 280.46646 + c*(36000.76983+c*0.0003032)
	anomaly := (357.52911 + c*(35999.05029-c*0.0001537)) * degree
	centre := (1.914602-c*(0.004817+c*0.000014))*math.Sin(anomaly) +
		(0.019993-c*0.000101)*math.Sin(2*anomaly) + 0.000289*math.Sin(3*anomaly)
	node := (125.04 - 1934.136*c) * degree
	lon := (meanLon + centre - 0.00569 - 0.00478*math.Sin(node)) * degree
	obliquity := (23.43929111 - c*(0.013004167+c*(1.64e-7-c*5.04e-7)) + 0.00256*math.Cos(node)) * degree
	declination = math.Asin(math.Sin(obliquity) * math.Sin(lon))
	rightAscension = math.Atan2(math.Cos(obliquity)*math.Sin(lon), math.Cos(lon))
	return declination, rightAscension
}

// siderealTime is the mean sidereal time at Greenwich, radians.
func siderealTime(julian float64) float64 {
	d := julian - 2451545
	c := d / 36525
	return math.Mod(280.46061837+360.98564736629*d+c*c*(0.000387933-c/38710000), 360) * degree
}

// hourAngle is the local hour angle at p, radians in [-π, π].
func (s Sun) hourAngle(p geodesic.Point) float64 {
	return math.Remainder(p.Lon*degree-s.SubsolarLon, 2*math.Pi)
}

// Zenith is the angle of the sun from the vertical at p, without refraction, radians.
func (s Sun) Zenith(p geodesic.Point) float64 {
	lat := p.Lat * degree
	cos := math.Sin(lat)*math.Sin(s.Declination) + math.Cos(lat)*math.Cos(s.Declination)*math.Cos(s.hourAngle(p))
	return math.Acos(max(-1, min(1, cos)))
}

// LocalHours is the apparent solar time at p, hours in [0, 24).
func (s Sun) LocalHours(p geodesic.Point) float64 {
	return math.Mod(s.hourAngle(p)/(15*degree)+36, 24)
}

// hoursAfterSunset is how long the sun has been down at p; it is +Inf in polar night.
func (s Sun) hoursAfterSunset(p geodesic.Point) float64 {
	cos := -math.Tan(p.Lat*degree) * math.Tan(s.Declination)
	if cos >= 1 {
		return math.Inf(1)
	}
	sunset := math.Acos(max(-1, cos))
	after := s.hourAngle(p) - sunset
	if after < 0 {
		after += 2 * math.Pi
	}
	return after / (15 * degree)
}
