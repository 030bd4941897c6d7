package path

import (
	"math"

	"timeball/align/path/geodesic"
	"timeball/align/path/ionosphere"
)

// circuit is the way over the ground from a transmitter to the receiver.
type circuit struct {
	from      LatLon
	azimuth   float64 // at the transmitter, degrees
	distanceM float64
	places    map[float64]*ionosphere.Place // by distance from the transmitter
}

func newCircuit(from, to LatLon, longPath bool) *circuit {
	distanceM, azimuth, _ := geodesic.Inverse(from, to)
	if longPath {
		// The way on round the ellipse through both ends; a geodesic proper
		// closes on itself within tens of metres.
		distanceM = ellipsePerimeterM(from, azimuth) - distanceM
		azimuth += 180
	}
	return &circuit{from, azimuth, distanceM, map[float64]*ionosphere.Place{}}
}

// ellipsePerimeterM is the length of the great ellipse that leaves p with the
// given azimuth.
func ellipsePerimeterM(p LatLon, azimuth float64) float64 {
	const equatorM, meridianM = 40075016.686, 40007862.917 // WGS-84
	// The ellipse reaches latitude i with cos i = cos lat · sin azimuth; its
	// flattening, and so what it lacks of the equator's length, goes with sin² i.
	cosI := math.Cos(p.Lat*math.Pi/180) * math.Sin(azimuth*math.Pi/180)
	return equatorM - (equatorM-meridianM)*(1-cosI*cosI)
}

// place is the point of the way at a distance from the transmitter.
func (c *circuit) place(distanceM float64) *ionosphere.Place {
	p := c.places[distanceM]
	if p == nil {
		at, _ := geodesic.Direct(c.from, c.azimuth, distanceM)
		p = ionosphere.NewPlace(at)
		c.places[distanceM] = p
	}
	return p
}

// Limits of the modes (Rec. ITU-R P.533-14).
const (
	eHeightM         = 110e3
	longestF2HopM    = 4000e3
	minimumElevation = 3 * math.Pi / 180
	absorbingM       = 90e3
)

// sky is the ionosphere over a circuit at one instant: monthly medians.
type sky struct {
	*circuit
	r12         float64
	sun         ionosphere.Sun
	f2          []f2Layer // at the control points, the middle of the path first
	f2HopM      float64   // length of the longest F2 hop that fits
	below       map[float64]lowerLayers
	low, high   float64 // deciles of foF2 over its median
	absorption  float64 // mean over the path
	gyroHz      float64 // longitudinal, mean over the path
	auroraDB    float64
	auroral     bool // the middle of the path is within the auroral zone
	sporadicE   sporadicE
	midZenith   float64 // of the sun at the middle of the path, radians
	localHours  float64 // there
	absorbingHz float64 // foE in the absorbing region, mean over the path
}

// sky is the ionosphere over a circuit.
func (now instant) sky(c *circuit) *sky {
	t, sun, r12 := now.time, now.sun, now.r12
	s := &sky{circuit: c, r12: r12, sun: sun, below: map[float64]lowerLayers{}}
	layer := func(at float64) f2Layer {
		p := c.place(at)
		foF2Hz, m3000 := now.f2.F2(p)
		return f2Layer{foF2Hz, m3000, ionosphere.FoE(p, sun, r12), p.GyroHz}
	}
	mid := c.place(c.distanceM / 2)
	middle := layer(c.distanceM / 2)
	s.f2 = []f2Layer{middle}
	hops := fewestHops(c.distanceM, min(longestHop(middle.simpleHeightM(), minimumElevation), longestF2HopM))
	s.f2HopM = c.distanceM / float64(hops)
	if dmaxM, _ := middle.longestHopM(); c.distanceM > min(dmaxM, longestF2HopM) {
		s.f2 = append(s.f2, layer(s.f2HopM/2), layer(c.distanceM-s.f2HopM/2))
	}

	s.midZenith = sun.Zenith(mid.Point)
	s.localHours = sun.LocalHours(mid.Point)
	s.low, s.high = ionosphere.F2Deciles(mid, t, s.localHours, r12)
	s.sporadicE = sporadicEAt(mid, sun, s.localHours)
	// Absorption and gyrofrequency are averages along the path; the ITU takes
	// them where each mode crosses 90 km, which differs by mode.
	const points = 6
	for i := range points {
		p := c.place(c.distanceM * (float64(i) + 0.5) / points)
		s.absorption += ionosphere.Absorption(p, t, sun) / points
		s.gyroHz += p.LongitudinalGyroHz / points
		s.absorbingHz += ionosphere.FoE(p, sun, r12) / points
	}
	s.auroral = math.Abs(ionosphere.GeomagneticLat(mid.Point)) >= 60
	s.auroraDB = ionosphere.AuroralLoss(mid, t, s.localHours, s.f2HopM)
	return s
}

// lowerLayers are the critical frequencies of the layers below F2 at a place.
type lowerLayers struct{ foEHz, foF1Hz float64 }

// under gives the layers where each of n hops is reflected: the thinnest, which
// decide whether a mode by them exists, and the densest E layer, which decides
// whether it screens the modes above it.
func (s *sky) under(n int) (thinnest lowerLayers, densestEHz float64) {
	thinnest = lowerLayers{math.Inf(1), math.Inf(1)}
	for i := range n {
		at := s.distanceM * (float64(i) + 0.5) / float64(n)
		l, known := s.below[at]
		if !known {
			p := s.place(at)
			l.foEHz = ionosphere.FoE(p, s.sun, s.r12)
			if hz, exists := ionosphere.FoF1(p, s.sun, s.r12); exists {
				l.foF1Hz = hz
			}
			s.below[at] = l
		}
		thinnest = lowerLayers{min(thinnest.foEHz, l.foEHz), min(thinnest.foF1Hz, l.foF1Hz)}
		densestEHz = max(densestEHz, l.foEHz)
	}
	return thinnest, densestEHz
}

// fewestHops is the number of hops of at most longestM that cover distanceM.
func fewestHops(distanceM, longestM float64) int {
	return max(1, int(math.Ceil(distanceM/longestM)))
}

// sporadicE is the chance that a thin ionised layer near 105 km reflects 5 MHz
// at vertical incidence.
type sporadicE float64

const sporadicEHeightM = 105e3

// sporadicEAt gives the occurrence of sporadic E at a place: common practice, no
// source. It is a thing of summer days in middle latitudes, of days near the
// magnetic equator and of nights in the auroral zone.
func sporadicEAt(p *ionosphere.Place, sun ionosphere.Sun, localHours float64) sporadicE {
	// 1 at the local summer solstice.
	summer := max(0, math.Copysign(1, p.Lat)*sun.Declination/(23.44*math.Pi/180))
	day := 0.5 - 0.5*math.Cos((localHours-1)*math.Pi/12)
	middle := (0.03 + 0.17*summer*summer) * (0.4 + 0.6*day)
	equatorial := 0.5 * day * math.Exp(-math.Pow(p.SinModip/0.2, 2))
	auroral := 0.3 * (1 - day) * math.Exp(-math.Pow((math.Abs(p.Lat)-67)/8, 2))
	return sporadicE(middle + equatorial + auroral)
}

// chance is that of reflecting verticalHz at vertical incidence; it falls by half
// for each megahertz (Phillips' rule, with a common value of its slope), down to
// where the regular layer takes over.
func (e sporadicE) chance(verticalHz float64) float64 {
	return min(0.9, float64(e)*math.Exp2((5e6-max(verticalHz, 3e6))/1e6))
}
