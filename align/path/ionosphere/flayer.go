package ionosphere

import "math"

// FoF1 is the critical frequency of the F1 ledge in hertz, as the sun's height has it,
// and whether there is one: not at night, in winter at high latitude and near sunrise
// and sunset (E. D. DuCharme, L. E. Petrie and R. Eyfrig, Radio Sci. 8, 837-839, 1973,
// as taken into Rec. ITU-R P.1239; coefficients from memory).
func FoF1(p *Place, sun Sun, r12 float64) (hz float64, exists bool) {
	lat := math.Abs(GeomagneticLat(p.Point))
	r12 = min(r12, maxSunspots)
	share := r12 / 100
	zenith := sun.Zenith(p.Point)
	quiet, active := 49.84733+0.349504*lat, 38.96113+0.509932*lat
	exists = zenith <= (quiet+share*(active-quiet))*degree
	quiet = 4.35 + lat*(0.0058-1.2e-4*lat)
	active = 5.348 + lat*(0.011-2.3e-4*lat)
	n := 0.093 + lat*(0.0046-5.4e-5*lat) + 0.0003*r12
	return 1e6 * (quiet + share*(active-quiet)) * math.Pow(max(0, math.Cos(zenith)), n), exists
}
