package ionosphere

import (
	"math"

	"timeball/align/path/geodesic"
)

// field is the earth's magnetic field at a place and height.
type field struct {
	dip    float64 // below the horizon, radians
	gyroHz float64 // electron gyrofrequency
}

// The field that belongs to the ITU's ionospheric maps: sixth-order potential,
// epoch 1960, gauss (Rec. ITU-R P.1239 section 2). A newer field would put the
// maps' magnetic equator in the wrong place. Rows are m, columns n, from 0.
var fieldG = [7][7]float64{
	{0, .304112, .024035, -.031518, -.041794, .016256, -.019523},
	{0, .021474, -.051253, .062130, -.045298, -.034407, -.004853},
	{0, 0, -.013381, -.024898, -.021795, -.019447, .003212},
	{0, 0, 0, -.006496, .007008, -.000608, .021413},
	{0, 0, 0, 0, -.002044, .002775, .001051},
	{0, 0, 0, 0, 0, .000697, .000227},
	{0, 0, 0, 0, 0, 0, .001115},
}

var fieldH = [7][7]float64{
	{},
	{0, -.057989, .033124, .014870, -.011825, -.000796, -.005758},
	{0, 0, -.001579, -.004075, .010006, -.002000, -.008735},
	{0, 0, 0, .000210, .000430, .004597, -.003406},
	{0, 0, 0, 0, .001385, .002421, -.000118},
	{0, 0, 0, 0, 0, -.001218, -.001116},
	{0, 0, 0, 0, 0, 0, -.000325},
}

// fieldAt evaluates the field heightM above p (P.1239-3 equations 5 to 11).
func fieldAt(p geodesic.Point, heightM float64) field {
	// The east component divides by the cosine, which has its limit at the pole.
	lat := max(-89.999, min(89.999, p.Lat)) * degree
	sinLat, cosLat := math.Sincos(lat)
	var legendre, slope [7][7]float64 // slope is the derivative by colatitude, as the recursion gives it
	legendre[0][0] = 1
	for n := 1; n <= 6; n++ {
		for m := 0; m <= n; m++ {
			if m == n {
				legendre[m][n] = cosLat * legendre[m-1][n-1]
				slope[m][n] = cosLat*slope[m-1][n-1] + sinLat*legendre[m-1][n-1]
				continue
			}
			legendre[m][n] = sinLat * legendre[m][n-1]
			slope[m][n] = sinLat*slope[m][n-1] - cosLat*legendre[m][n-1]
			if n > 1 {
				c := float64((n-1)*(n-1)-m*m) / float64((2*n-1)*(2*n-3))
				legendre[m][n] -= c * legendre[m][n-2]
				slope[m][n] -= c * slope[m][n-2]
			}
		}
	}
	ratio := earthRadiusM / (earthRadiusM + heightM)
	var north, east, down float64
	power := ratio * ratio
	for n := 1; n <= 6; n++ {
		power *= ratio
		for m := 0; m <= n; m++ {
			s, c := math.Sincos(float64(m) * p.Lon * degree)
			g := fieldG[m][n]*c + fieldH[m][n]*s
			down += power * float64(n+1) * legendre[m][n] * g
			north -= power * slope[m][n] * g
			east += power * float64(m) * legendre[m][n] * (fieldG[m][n]*s - fieldH[m][n]*c) / cosLat
		}
	}
	horizontal := math.Hypot(north, east)
	return field{math.Atan2(down, horizontal), 2.8e6 * math.Hypot(horizontal, down)}
}
