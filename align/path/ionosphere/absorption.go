package ionosphere

import (
	"math"
	"time"

	"timeball/align/path/geodesic"
)

// Absorption is the factor A of Rec. ITU-R P.533-14 section 5.2 at a point where
// a ray crosses 90 km: in decibels its loss at vertical incidence is
// A·(1+0.0067 R12) / (f+fL)², frequencies in megahertz, before the penetration
// factor.
func Absorption(p *Place, t time.Time, sun Sun) float64 {
	noonSun := Sun{sun.Declination, p.Lon * degree}
	c := Embedded()
	noon := c.local(PartAbsorption, p.Lat >= 0, t, 12, AbsorptionMeasure(p.Lat), 1)
	exponent := c.local(PartExponent, p.Lat >= 0, t, 12, AbsorptionMeasure(p.Modip100/degree), 1)
	diurnal := func(zenith float64) float64 {
		// Night begins in the absorbing layer when the sun is 102 degrees from the vertical.
		scaled := 0.881 * min(zenith, 102*degree)
		return max(math.Pow(max(0, math.Cos(scaled)), exponent), 0.02)
	}
	return max(0, noon) * diurnal(sun.Zenith(p.Point)) / diurnal(noonSun.Zenith(p.Point))
}

// Penetration is the factor for a ray that reaches into the E layer: ratio is
// the frequency at vertical incidence over foE; it is 1 for a ray that passes
// far above (Rec. ITU-R P.533-14, figure 3, as polynomials).
func Penetration(ratio float64) float64 {
	horner := func(x float64, c ...float64) float64 {
		sum := 0.0
		for _, a := range c {
			sum = sum*x + a
		}
		return min(sum, 0.53)
	}
	const far = 0.34
	switch {
	case ratio <= 1:
		return horner((max(ratio, 0)-0.475)/0.475, -0.093, 0.04, 0.127, -0.027, 0.044, 0.159, 0.225) / far
	case ratio <= 2.2:
		return horner((ratio-1.65)/0.55, 0.043, -0.07, -0.027, 0.034, 0.054, -0.049, 0.375) / far
	case ratio <= 10:
		return (far + 0.02*(10-ratio)/7.8) / far
	}
	return 1
}

// AuroralLoss is the median loss in decibels of a path whose hops have the given
// ground length and whose reflections lie at p (fitted to the table of Rec.
// ITU-R P.533-14). Below 40 degrees of geomagnetic latitude there is none.
func AuroralLoss(p *Place, t time.Time, localHours, hopM float64) float64 {
	lat := GeomagneticLat(p.Point)
	if math.Abs(lat) < 40 {
		return 0
	}
	short, long := 1.0, 0.0
	if hopM > 2500e3 {
		short, long = 0, 1
	}
	return max(0, Embedded().local(PartAurora, p.Lat >= 0, t, localHours, AuroraMeasure(lat), short, long))
}

// GeomagneticLat is the latitude in degrees about the dipole's pole at 78.5N 68.2W.
func GeomagneticLat(p geodesic.Point) float64 {
	const poleLat, poleLon = 78.5, -68.2
	s := math.Sin(p.Lat*degree)*math.Sin(poleLat*degree) +
		math.Cos(p.Lat*degree)*math.Cos(poleLat*degree)*math.Cos((p.Lon-poleLon)*degree)
	return math.Asin(max(-1, min(1, s))) / degree
}
