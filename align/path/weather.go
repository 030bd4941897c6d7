package path

import (
	"math"
	"time"

	"timeball/align/path/ionosphere"
	"timeball/align/path/ray"
)

// overhead is the ionosphere over one place at one time: monthly medians, and
// how far days stray from them.
type overhead struct {
	at              LatLon
	time            time.Time
	foF2Hz, perFoF2 float64 // at the middle sunspot number, and how it grows with R12
	m3000, perM3000 float64
	foEHz           float64
	foF1Hz          float64 // as the sun's height has it: whether there is a ledge, the leg knows
	low, high       float64 // standard deviations of ln foF2 below and above the median
}

func newOverhead(p *ionosphere.Place, now instant) *overhead {
	f, m := now.f2.F2(p)
	quietF, quietM := now.quiet.F2(p)
	activeF, activeM := now.active.F2(p)
	low, high := ionosphere.F2Deciles(p, now.time, now.sun.LocalHours(p.Point), now.r12)
	const decile = 1.2816 // of the normal distribution
	foF1Hz, _ := ionosphere.FoF1(p, now.sun, now.r12)
	return &overhead{
		at: p.Point, time: now.time,
		foF2Hz: f, perFoF2: (activeF - quietF) / 100, m3000: m, perM3000: (activeM - quietM) / 100,
		foEHz: ionosphere.FoE(p, now.sun, now.r12), foF1Hz: foF1Hz,
		low: -math.Log(low) / decile, high: math.Log(high) / decile,
	}
}

// What a day's ionosphere differs by from its monthly median, in standard
// deviations. M(3000)F2 and the shapes of the layers: from memory; foE and foF1:
// deciles of 0.95 and 1.05 (Rec. ITU-R P.1239); foF2's are by place, season and hour.
const (
	uM3000           = 0.13
	uFoE             = 0.05 / 1.2816 // relative
	thicknessF2      = 0.30          // semi-thickness over height
	uThickness       = 0.15          // relative, F2 and E
	peakE, uPeakE    = 110e3, 3e3
	thickE           = 20e3
	peakF1, uPeakF1  = 195e3, 8e3
	uAbsorption      = 0.2 // relative
	uSporadicHeightM = 4e3
	// Travelling disturbances, within one day's ionosphere: common practice.
	uPassingFoF2, uPassingHeightM = 0.025, 5e3
	// Their height is lowest where their density is highest (Dorokhov and others).
	passingCorrelation = -0.5
)

// Quantities that stray, each a field over place and time.
const (
	strayFoF2 = iota
	strayM3000
	strayFoE
	strayThickF2
	strayPeakE
	strayThickE
	strayPeakF1
	strayAbsorption
	straySporadic
	straySporadicHeight
	dayFields      // those above hold for hours over thousands of kilometres
	passingDensity = iota - 1
	passingHeight
	fields
)

// likeness is the correlation of a day's strays between two places and times: 1500
// km north, 2500 km east, 6 hours. A value half as uncertain as the median needs a
// correlation of 0.87, for which stations 1600 km apart in latitude and 2400 in
// longitude sufficed by day (Klobuchar and Johanson 1977, total electron content);
// this is the cautious side of it.
func likeness(a, b *overhead) float64 {
	north := (a.at.Lat - b.at.Lat) * math.Pi / 180 * earthRadiusM
	east := math.Remainder(a.at.Lon-b.at.Lon, 360) * math.Pi / 180 * earthRadiusM * math.Cos((a.at.Lat+b.at.Lat)*math.Pi/360)
	return math.Exp(-math.Hypot(north/1500e3, east/2500e3) - math.Abs(a.time.Sub(b.time).Hours())/6)
}

// passingLikeness is that of travelling disturbances, whose packets hold together
// over some hundreds of kilometres and tens of minutes (Afraimovich and others).
func passingLikeness(a, b *overhead) float64 {
	north := (a.at.Lat - b.at.Lat) * math.Pi / 180 * earthRadiusM
	east := math.Remainder(a.at.Lon-b.at.Lon, 360) * math.Pi / 180 * earthRadiusM * math.Cos((a.at.Lat+b.at.Lat)*math.Pi/360)
	return math.Exp(-math.Hypot(north, east)/250e3 - math.Abs(a.time.Sub(b.time).Hours())/0.5)
}

// triangle is the lower triangle L of a correlation matrix L·Lᵀ (Cholesky).
type triangle [][]float64

func newTriangle(over []*overhead, correlation func(a, b *overhead) float64) triangle {
	l := make(triangle, len(over))
	for i := range over {
		l[i] = make([]float64, i+1)
		for j := range l[i] {
			sum := correlation(over[i], over[j])
			if i == j {
				sum += 1e-9 // places may coincide
			}
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(max(sum, 1e-12))
			} else {
				l[i][j] = sum / l[j][j]
			}
		}
	}
	return l
}

// row is row i of the product with z.
func (l triangle) row(i int, z []float64) float64 {
	sum := 0.0
	for j, v := range l[i] {
		sum += v * z[j]
	}
	return sum
}

// weather is what a set of circuits has overhead, and how it strays: an element
// of a draw z is normal with mean 0 and variance 1.
type weather struct {
	r12, uR12    float64
	over         []*overhead
	day, passing triangle
	observed     []observed
}

const globals = 5 // elements of a draw before the fields: sunspots, and four of the scale

func newWeather(r12, uR12 float64, over []*overhead, told []observed) *weather {
	return &weather{r12, uR12, over, newTriangle(over, likeness), newTriangle(over, passingLikeness), told}
}

// size is the length of a draw.
func (w *weather) size() int { return globals + fields*len(w.over) + 2*len(w.observed) }

// sunspots is the R12 of a draw.
func (w *weather) sunspots(z []float64) float64 { return max(0, w.r12+w.uR12*z[0]) }

// field is a stray of one draw at place i, in standard deviations.
func (w *weather) field(z []float64, quantity, i int) float64 {
	n := len(w.over)
	part := z[globals+quantity*n : globals+(quantity+1)*n]
	if quantity >= passingDensity {
		return w.passing.row(i, part)
	}
	return w.day.row(i, part)
}

// scale widens a whole draw now and then: a storm strays three times as far as
// quiet days do. It makes the strays Student distributed with 4 degrees of
// freedom (judgement).
func scale(z []float64) float64 {
	chi2 := 0.0
	for _, v := range z[1:globals] {
		chi2 += v * v
	}
	return min(max(math.Sqrt(4/chi2), 0.6), 4)
}

// profile is the ionosphere over place i on a day drawn.
func (w *weather) profile(z []float64, i int) ray.Profile {
	o, r12, wide := w.over[i], w.sunspots(z), scale(z)
	stray := func(quantity int) float64 { return wide * w.field(z, quantity, i) }
	density := w.field(z, passingDensity, i)
	height := passingCorrelation*density + math.Sqrt(1-passingCorrelation*passingCorrelation)*w.field(z, passingHeight, i)

	f := stray(strayFoF2)
	u := o.high
	if f < 0 {
		u = o.low
	}
	beyond := min(r12, 160) - min(w.r12, 160) // the maps end there
	foF2 := max(o.foF2Hz+o.perFoF2*beyond, 1e6) * math.Exp(u*f+uPassingFoF2*density)
	foE := o.foEHz * math.Exp(uFoE*stray(strayFoE))
	m3000 := max(o.m3000+o.perM3000*beyond, 2) + uM3000*stray(strayM3000)
	peak := 1490e3/(m3000+peakTerm(foF2/foE, r12)) - 176e3
	p := ray.Profile{
		FoE: foE, PeakE: peakE + uPeakE*stray(strayPeakE), ThickE: thickE * math.Exp(uThickness*stray(strayThickE)),
		FoF1: o.foF1Hz * foE / o.foEHz, PeakF1: peakF1 + uPeakF1*stray(strayPeakF1),
		FoF2: foF2, PeakF2: min(max(peak+uPassingHeightM*height, 195e3), 600e3),
	}
	// A stray as heavy-tailed as a storm's leaves the E layer where one can be.
	p.PeakE = max(p.PeakE, ray.BottomM+thickE)
	p.ThickE = min(p.ThickE, p.PeakE-ray.BottomM)
	p.ThickF2 = min(thicknessF2*math.Exp(uThickness*stray(strayThickF2)), 0.6) * p.PeakF2
	return p
}

// peakTerm is what is added to M(3000)F2 for the height of the layer's peak in
// 1490 km / (M + term) - 176 km (P. A. Bradley and J. R. Dudeney, J. Atmos. Terr.
// Phys. 35, 2131-2146, 1973; the part with sunspots as Rec. ITU-R P.533 has it).
func peakTerm(foF2PerFoE, r12 float64) float64 {
	return 0.18/(max(foF2PerFoE, 1.7)-1.4) + 0.096*(min(r12, 160)-25)/150
}
