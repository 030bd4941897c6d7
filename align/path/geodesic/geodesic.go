// Package geodesic solves the two geodesic problems on the WGS-84 ellipsoid.
//
// It follows the classical reduction to the auxiliary sphere (Bessel 1825; the
// formulation and the choice of the canonical quadrant are those of C. F. F.
// Karney, "Algorithms for geodesics", J. Geodesy 87, 43-55, 2013). The two
// elliptic integrals are evaluated by Gauss-Legendre quadrature instead of by
// series: with the earth's small flattening 16 nodes leave only rounding errors.
// The azimuth of the inverse problem is found by bisection, which cannot fail
// near antipodes, where iterating on the longitude diverges.
package geodesic

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// WGS-84 (NIMA TR8350.2).
const (
	equatorialRadiusM = 6378137.0
	flattening        = 1 / 298.257223563
	polarRadiusM      = equatorialRadiusM * (1 - flattening)
	// secondEccentricity2 is e'^2 = (a^2-b^2)/b^2.
	secondEccentricity2 = flattening * (2 - flattening) / ((1 - flattening) * (1 - flattening))
)

// Point is a place on the ellipsoid in degrees, north and east positive.
type Point struct{ Lat, Lon float64 }

// nodes and weights of the quadrature on [0, 1].
var nodes, weights = unitLegendre(16)

func unitLegendre(n int) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, 0, 1)
	return x, w
}

// Inverse returns the length of the shortest geodesic from a to b in metres and
// its azimuth at a and at b, degrees clockwise from north in (-180, 180].
// Coincident points have azimuth 0.
func Inverse(a, b Point) (distanceM, azimuthA, azimuthB float64) {
	// Bring the pair to latA <= 0, latA <= latB <= -latA, 0 <= dLon <= 180.
	dLon := math.Remainder(b.Lon-a.Lon, 360)
	lonSign := math.Copysign(1, dLon)
	dLon = math.Abs(dLon)
	swap := 1.0
	if math.Abs(a.Lat) < math.Abs(b.Lat) {
		swap = -1
		lonSign = -lonSign
		a, b = b, a
	}
	latSign := 1.0
	if a.Lat > 0 {
		latSign = -1
	}
	beta1 := reduced(latSign * a.Lat)
	beta2 := reduced(latSign * b.Lat)
	if beta1.sin == 0 {
		// On the equator: take the limit from the south, so that a geodesic over
		// the pole side still has its branch.
		beta1.sin = -1e-200
	}
	lambda := dLon * math.Pi / 180

	var alpha1, alpha2 angle
	switch {
	case lambda == 0:
		alpha1, alpha2 = angle{0, 1}, angle{0, 1}
	case dLon == 180:
		alpha1, alpha2 = angle{0, -1}, angle{0, 1}
	default:
		// The unknown is the azimuth less a right angle: floating point is finest
		// near zero, and so near the equator, where it matters most.
		low, high := -math.Pi/2, math.Pi/2
		for {
			mid := (low + high) / 2
			if mid == low || mid == high {
				break
			}
			s, c := math.Sincos(mid)
			alpha1 = angle{c, -s}
			l := line(beta1, alpha1)
			alpha2 = l.azimuthAt(beta1, beta2, alpha1)
			if l.longitude(l.at(beta1, alpha1), l.at(beta2, alpha2)) < lambda {
				low = mid
			} else {
				high = mid
			}
		}
		if beta1.sin == -1e-200 && beta2.sin == 0 && lambda <= (1-flattening)*math.Pi {
			// Along the equator, where sigma is undetermined.
			alpha1, alpha2 = angle{1, 0}, angle{1, 0}
			return equatorialRadiusM * lambda, canonicalBack(alpha1, swap*lonSign, swap*latSign), canonicalBack(alpha2, swap*lonSign, swap*latSign)
		}
	}
	l := line(beta1, alpha1)
	distanceM = l.length(l.at(beta1, alpha1).sigma, l.at(beta2, alpha2).sigma)
	if swap < 0 {
		alpha1, alpha2 = alpha2, alpha1
	}
	return distanceM, canonicalBack(alpha1, swap*lonSign, swap*latSign), canonicalBack(alpha2, swap*lonSign, swap*latSign)
}

// canonicalBack takes an azimuth of the canonical problem back to the asked one, degrees.
func canonicalBack(a angle, sinSign, cosSign float64) float64 {
	// Adding zero turns -0 into 0, so that due south is +180.
	return math.Atan2(sinSign*a.sin+0, cosSign*a.cos) * 180 / math.Pi
}

// Direct returns the place reached from p after distanceM metres along the
// geodesic that leaves with the given azimuth in degrees, and the azimuth
// there. The distance may be any length, beyond the antipodes too.
func Direct(p Point, azimuth, distanceM float64) (Point, float64) {
	alpha1 := newAngle(azimuth * math.Pi / 180)
	beta1 := reduced(p.Lat)
	l := line(beta1, alpha1)
	start := l.at(beta1, alpha1)
	// Newton's method: the length is within a third of a percent of b times the arc.
	end := arc{sigma: start.sigma + distanceM/polarRadiusM}
	for range 8 {
		step := (l.length(start.sigma, end.sigma) - distanceM) / (polarRadiusM * l.speed(end.sigma))
		end.sigma -= step
		if math.Abs(step) < 1e-8 { // the next is less than its square
			break
		}
	}
	s2 := newAngle(end.sigma)
	end.omega = math.Atan2(l.sinA0*s2.sin, s2.cos)
	cosA0 := math.Hypot(alpha1.cos, alpha1.sin*beta1.sin)
	sinBeta2 := cosA0 * s2.sin
	cosBeta2 := math.Hypot(l.sinA0, cosA0*s2.cos)
	lat := math.Atan2(sinBeta2, (1-flattening)*cosBeta2)
	lon := p.Lon + 180/math.Pi*l.longitude(start, end)
	return Point{lat * 180 / math.Pi, math.Remainder(lon, 360)},
		math.Atan2(l.sinA0, cosA0*s2.cos) * 180 / math.Pi
}

// angle is an angle kept as sine and cosine, exact at the quadrants.
type angle struct{ sin, cos float64 }

func newAngle(radians float64) angle {
	s, c := math.Sincos(radians)
	return angle{s, c}
}

// reduced is the reduced latitude of a geographic latitude in degrees.
func reduced(lat float64) angle {
	s, c := math.Sincos(lat * math.Pi / 180)
	if math.Abs(lat) < 1e-12 {
		s = 0 // a tenth of a micrometre from the equator
	}
	if math.Abs(lat) == 90 {
		c = 1e-200 // the limit at the pole keeps the azimuth meaningful
	}
	s *= 1 - flattening
	r := math.Hypot(s, c)
	return angle{s / r, c / r}
}

// geodesicLine is fixed by the sine of its azimuth at the equator.
type geodesicLine struct{ sinA0, k2 float64 }

func line(beta, alpha angle) geodesicLine {
	sinA0 := alpha.sin * beta.cos
	return geodesicLine{sinA0, secondEccentricity2 * (1 - sinA0*sinA0)}
}

// arc is a place on the auxiliary sphere along a line: sigma is the arc and
// omega the spherical longitude from the line's northward crossing of the
// equator, radians. Both are modulo a turn.
type arc struct{ sigma, omega float64 }

// at is the arc at reduced latitude beta, where the azimuth is alpha.
func (l geodesicLine) at(beta, alpha angle) arc {
	c := alpha.cos * beta.cos
	return arc{math.Atan2(beta.sin, c), math.Atan2(l.sinA0*beta.sin, c)}
}

// azimuthAt is the northgoing azimuth at beta2 of the line that has alpha1 at beta1.
func (l geodesicLine) azimuthAt(beta1, beta2, alpha1 angle) angle {
	// cos^2 beta2 - cos^2 beta1, written so that nothing cancels.
	diff := (beta1.sin - beta2.sin) * (beta1.sin + beta2.sin)
	if beta1.cos < -beta1.sin {
		diff = (beta2.cos - beta1.cos) * (beta2.cos + beta1.cos)
	}
	c := math.Sqrt(math.Max(0, alpha1.cos*alpha1.cos*beta1.cos*beta1.cos+diff)) / beta2.cos
	s := l.sinA0 / beta2.cos
	r := math.Hypot(s, c)
	return angle{s / r, c / r}
}

// speed is ds/dsigma over the polar radius.
func (l geodesicLine) speed(sigma float64) float64 {
	s := math.Sin(sigma)
	return math.Sqrt(1 + l.k2*s*s)
}

// length is the length in metres between two arcs (Karney's equation 7).
func (l geodesicLine) length(from, to float64) float64 {
	return polarRadiusM * integrate(from, to, l.speed)
}

// longitude is the difference of longitude between two arcs in radians
// (Karney's equation 8), modulo a turn.
func (l geodesicLine) longitude(from, to arc) float64 {
	return to.omega - from.omega - flattening*l.sinA0*integrate(from.sigma, to.sigma, func(sigma float64) float64 {
		return (2 - flattening) / (1 + (1-flattening)*l.speed(sigma))
	})
}

// integrate integrates f over [from, to], half a turn at a time.
func integrate(from, to float64, f func(float64) float64) float64 {
	n := max(1, int(math.Ceil(math.Abs(to-from)/math.Pi)))
	step := (to - from) / float64(n)
	sum := 0.0
	for i := range n {
		start := from + float64(i)*step
		for j, x := range nodes {
			sum += weights[j] * f(start+x*step)
		}
	}
	return sum * step
}
