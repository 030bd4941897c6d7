package path

import "math"

// Constants of the hop geometry.
const (
	lightMPerS   = 299792458.0
	earthRadiusM = 6371009.0 // IUGG mean radius, as in Rec. ITU-R P.533
)

// hop is one reflection from a spherical mirror: ground distance and mirror
// height in metres. The formulas are the triangle of earth's centre, ground and
// mirror (Rec. ITU-R P.533-14, equations 13 and 19).
type hop struct{ groundM, heightM float64 }

// halfAngle is the angle at the earth's centre from the ground point to the mirror, radians.
func (h hop) halfAngle() float64 { return h.groundM / (2 * earthRadiusM) }

// pathM is the length of the ray, up and down, in metres.
func (h hop) pathM() float64 {
	top := earthRadiusM + h.heightM
	// The cosine rule with 1-cos written as a square, so that short hops keep their digits.
	s := math.Sin(h.halfAngle() / 2)
	return 2 * math.Sqrt(h.heightM*h.heightM+4*earthRadiusM*top*s*s)
}

// elevation is the ray's angle above the horizon at the ground, radians.
// Negative: the mirror is below the horizon and the hop does not exist.
func (h hop) elevation() float64 {
	s, c := math.Sincos(h.halfAngle())
	top := earthRadiusM + h.heightM
	return math.Atan2(top*c-earthRadiusM, top*s)
}

// incidence is the angle between ray and vertical where it crosses height
// zM, radians; zM is at most the mirror's height.
func (h hop) incidence(zM float64) float64 {
	return math.Asin(earthRadiusM * math.Cos(h.elevation()) / (earthRadiusM + zM))
}

// longestHop is the ground distance in metres of the hop that leaves at the
// given elevation (radians) for a mirror at heightM.
func longestHop(heightM, elevation float64) float64 {
	return 2 * earthRadiusM * (math.Pi/2 - elevation - math.Asin(earthRadiusM*math.Cos(elevation)/(earthRadiusM+heightM)))
}
