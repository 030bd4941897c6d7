package ionosphere

import "math"

// FoE is the critical frequency of the E layer at a place in hertz (Rec. ITU-R
// P.1239-3 section 4), for a smoothed sunspot number r12.
func FoE(p *Place, sun Sun, r12 float64) float64 {
	return foE(p.Lat, sun.Declination/degree, sun.Zenith(p.Point)/degree, r12, sun.hoursAfterSunset(p.Point))
}

// foE works in degrees and hours and returns hertz; hoursAfterSunset is used at
// night only and is infinite in polar night.
func foE(lat, declination, zenith, r12, hoursAfterSunset float64) float64 {
	r12 = min(r12, maxSunspots)
	flux := 63.7 + 0.728*r12 + 0.00089*r12*r12
	activity := 1 + 0.0094*(flux-66)
	cosLat := math.Cos(lat * degree)
	m, c := 0.11-0.49*cosLat, 92+35*cosLat
	if math.Abs(lat) < 32 {
		m, c = -1.93+1.92*cosLat, 23+116*cosLat
	}
	season := math.Pow(math.Cos(min(math.Abs(lat-declination), 80)*degree), m)
	p := 1.20
	if math.Abs(lat) <= 12 {
		p = 1.31
	}
	var hour float64
	switch {
	case zenith <= 73:
		hour = math.Pow(math.Cos(zenith*degree), p)
	case zenith < 90:
		hour = math.Pow(math.Cos((zenith-6.27e-13*math.Pow(zenith-50, 8))*degree), p)
	default:
		hour = math.Pow(0.072, p) * max(math.Exp(-1.4*hoursAfterSunset), math.Exp(25.2-0.28*zenith))
	}
	floor := 0.004 * math.Pow(1+0.021*flux, 2)
	return 1e6 * math.Pow(max(activity*season*c*hour, floor), 0.25)
}
