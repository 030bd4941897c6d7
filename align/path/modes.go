package path

import (
	"math"
	"strconv"

	"timeball/align/path/ionosphere"
)

// candidate is a mode as mirrors have it in the monthly median ionosphere.
type candidate struct {
	mode
	pathM     float64 // length of all hops together
	elevation float64 // radians
	heightM   float64
	levelDB   float64 // median field for 1 kW from an isotropic antenna, dB above 1 µV/m
	chance    float64 // that the layer is there and not screened, whatever the level
	mufHz     float64 // 0: without limit
}

// mode is a layer and the number of hops by it.
type mode struct {
	layer layer
	hops  int // 0: ground wave
}

type layer int

const (
	ground layer = iota
	layerE
	sporadic
	layerF1
	layerF2
	layerD // of long wave alone
)

// Layers are the heights at which the ionosphere's layers usually lie: common
// practice.
var Layers = []struct {
	Name       string
	FromM, ToM float64
}{{"E", 90e3, 130e3}, {"F1", 160e3, 220e3}, {"F2", 230e3, 400e3}}

// String is the usual name of a mode, as 1E, 1Es or 2F2.
func (m mode) String() string {
	name := [...]string{"ground", "E", "Es", "F1", "F2", "D"}[m.layer]
	if m.layer == ground {
		return name
	}
	return strconv.Itoa(m.hops) + name
}

// candidates lists the modes at a frequency.
func (s *sky) candidates(frequencyHz float64) []candidate {
	var all []candidate
	if g, ok := groundWave(s.distanceM, frequencyHz); ok {
		all = append(all, g)
	}
	all = s.appendEModes(all, frequencyHz)
	all = s.appendF1Modes(all, frequencyHz)
	return s.appendF2Modes(all, frequencyHz)
}

// appendEModes adds the regular and the sporadic E layer: the lowest order and
// two above it.
func (s *sky) appendEModes(all []candidate, frequencyHz float64) []candidate {
	first := fewestHops(s.distanceM, longestHop(eHeightM, minimumElevation))
	for n := first; n < first+3; n++ {
		c := s.mirrored(layerE, n, eHeightM)
		cosI := math.Cos(hop{s.distanceM / float64(n), eHeightM}.incidence(eHeightM))
		layers, _ := s.under(n)
		c.mufHz = layers.foEHz / cosI
		// The deciles of foE are 5 % from its median.
		c.chance = normalCDF((c.mufHz/frequencyHz - 1) / eSpread)
		c.levelDB = s.fieldDB(c, frequencyHz)
		all = append(all, c)

		es := s.mirrored(sporadic, n, sporadicEHeightM)
		// Every hop needs a patch of its own, but patches come together.
		es.chance = math.Pow(s.sporadicE.chance(frequencyHz*cosI), 1+float64(n-1)/2)
		es.levelDB = s.fieldDB(es, frequencyHz) - sporadicLossDB*float64(n)
		all = append(all, es)
	}
	return all
}

const (
	// eSpread is the standard deviation of foE about its median, relative: its
	// deciles are 0.95 and 1.05 (Rec. ITU-R P.1239).
	eSpread = 0.05 / 1.2816
	// sporadicLossDB is what a patch lacks of a full reflection: common practice.
	sporadicLossDB = 8.0
)

// appendF1Modes adds the F1 ledge, which carries hops of 2000 to 3400 km by day
// (Rec. ITU-R P.1240; the limits are from memory).
func (s *sky) appendF1Modes(all []candidate, frequencyHz float64) []candidate {
	const heightM, shortestM, longestM = 200e3, 2000e3, 3400e3
	n := fewestHops(s.distanceM, longestM)
	hopM := s.distanceM / float64(n)
	c := s.mirrored(layerF1, n, heightM)
	layers, _ := s.under(n)
	if layers.foF1Hz == 0 || hopM < shortestM || c.elevation < 0 {
		return all
	}
	c.mufHz = layers.foF1Hz / math.Cos(hop{hopM, heightM}.incidence(heightM))
	c.chance = normalCDF((c.mufHz/frequencyHz-1)/eSpread) * s.unscreened(c, frequencyHz)
	c.levelDB = s.fieldDB(c, frequencyHz)
	return append(all, c)
}

// appendF2Modes adds the lowest order of the F2 layer and three above it.
func (s *sky) appendF2Modes(all []candidate, frequencyHz float64) []candidate {
	for n, added := fewestHops(s.distanceM, longestF2HopM), 0; added < 4; n++ {
		hopM := s.distanceM / float64(n)
		var heightM float64
		for _, l := range s.f2 {
			heightM += l.mirrorHeightM(hopM, frequencyHz, s.r12) / float64(len(s.f2))
		}
		c := s.mirrored(layerF2, n, heightM)
		if c.elevation < 0 {
			continue
		}
		added++
		c.mufHz = s.f2MUFHz(hopM)
		c.chance = s.unscreened(c, frequencyHz)
		c.levelDB = s.fieldDB(c, frequencyHz)
		all = append(all, c)
	}
	return all
}

// f2MUFHz is the basic MUF of the path by hops over hopM of ground (P.533-14
// section 3.5). The lesser of the control points counts.
func (s *sky) f2MUFHz(hopM float64) float64 {
	if len(s.f2) == 1 {
		return s.f2[0].mufHz(hopM, true)
	}
	// The middle of a long path, first in the list, is no control point of its
	// MUF. Other orders are to the lowest as their hops' MUFs are.
	lowest, ratio := math.Inf(1), math.Inf(1)
	for _, l := range s.f2[1:] {
		lowest = min(lowest, l.mufHz(s.f2HopM, true))
		ratio = min(ratio, l.mufHz(hopM, false)/l.mufHz(s.f2HopM, false))
	}
	return lowest * ratio
}

// mirrored is the geometry of n equal hops.
func (s *sky) mirrored(in layer, n int, heightM float64) candidate {
	h := hop{s.distanceM / float64(n), heightM}
	return candidate{mode: mode{in, n}, pathM: float64(n) * h.pathM(), elevation: h.elevation(), heightM: heightM}
}

// unscreened is the chance that the E layer lets the rays of an F mode through
// (P.533-14: it does above 1.05 foE / cos i) at every hop. The limit spreads as
// foE does from day to day.
func (s *sky) unscreened(c candidate, frequencyHz float64) float64 {
	h := hop{s.distanceM / float64(c.hops), c.heightM}
	_, densestHz := s.under(c.hops)
	limit := 1.05 * densestHz / math.Cos(h.incidence(eHeightM))
	return normalCDF((frequencyHz/limit - 1) / eSpread)
}

// fieldDB is the median field strength (P.533-14 section 5.2) without the
// antenna: for 1 kW, dB above 1 µV/m. The method is the ITU's up to 7000 km;
// beyond, it is used as an outline.
func (s *sky) fieldDB(c candidate, frequencyHz float64) float64 {
	mhz := frequencyHz / 1e6
	n := float64(c.hops)
	h := hop{s.distanceM / n, c.heightM}
	cosI := math.Cos(h.incidence(min(eHeightM, c.heightM)))
	ionospheric := n * (1 + 0.0067*s.r12) * s.absorption * ionosphere.Penetration(frequencyHz*cosI/s.absorbingHz) /
		(math.Pow(mhz+s.gyroHz/1e6, 2) * cosI)
	const other = 8.72 // losses the method does not name
	loss := ionospheric + s.aboveMUFDB(c, frequencyHz) + 2*(n-1) + s.auroraDB + other + groundCutDB(c.elevation)
	return 136.6 - 32.45 - 20*math.Log10(c.pathM/1e3) - loss
}

// groundCutDB is what the ground takes of rays below 3 degrees: 6 dB a degree
// (common practice).
func groundCutDB(elevation float64) float64 {
	return 6 * max(0, minimumElevation-elevation) * 180 / math.Pi
}

// aboveMUFDB is the loss of a mode above its MUF.
func (s *sky) aboveMUFDB(c candidate, frequencyHz float64) float64 {
	if c.mufHz == 0 || frequencyHz <= c.mufHz {
		return 0
	}
	excess := frequencyHz/c.mufHz - 1
	switch {
	case c.layer != layerF2:
		return min(46*math.Sqrt(excess)+5, 58)
	case s.distanceM <= 3000e3:
		return min(36*math.Sqrt(excess)+5, 60)
	}
	return min(70*excess+8, 80)
}

// groundWave is the wave along the ground over average land, for 1 kW from a
// short vertical antenna; ok is false where it is hopelessly weak. Over flat
// ground it is Norton's approximation of Sommerfeld's solution; beyond 80/∛f km
// (f in MHz) it falls as the first term of the diffraction round the sphere.
func groundWave(distanceM, frequencyHz float64) (c candidate, ok bool) {
	if distanceM > 1000e3 {
		return candidate{}, false
	}
	const (
		siemensPerM  = 0.005 // average land, relative permittivity 15 (Rec. ITU-R P.368)
		permittivity = 15
		refraction   = 1.0003 // of air at the ground: the wave is a third of a part in a thousand slow
	)
	km, mhz := max(distanceM, 1)/1e3, frequencyHz/1e6
	x := 18e3 * siemensPerM / mhz
	// Numerical distance of a vertically polarised wave.
	p := math.Pi * distanceM * frequencyHz / lightMPerS / math.Hypot(permittivity, x)
	attenuation := (2 + 0.3*p) / (2 + p + 0.6*p*p)
	level := 109.5 - 20*math.Log10(km) + 20*math.Log10(attenuation)
	root := math.Cbrt(mhz)
	level -= 0.0923 * root * max(0, km-80/root)
	// Some 30 dB below a quiet place's noise with the stations' powers.
	const hopelessDB = -30
	return candidate{mode: mode{layer: ground}, pathM: distanceM * refraction, levelDB: level, chance: 1}, level > hopelessDB
}

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
