// Package ray follows radio rays from the ground up into the ionosphere and
// back, through layers that depend on height alone, round a spherical earth.
//
// Bouguer's rule (Snell's on a sphere: r·µ·cos of the elevation is constant)
// gives ground distance and group path of a hop as integrals over height, which
// are summed numerically; the refractive index is that of a plasma without
// magnetic field. Layers are quasi-parabolic (T. A. Croft and H. Hoogasian, Exact
// ray calculations in a quasi-parabolic ionosphere, Radio Sci. 3, 69-74, 1968),
// for which alone there is a closed form to check against.
package ray

import "math"

// BottomM is where the ionosphere begins: below it rays are straight.
const BottomM = 80e3

const (
	earthRadiusM = 6371009.0 // IUGG mean radius
	stepM        = 3e3       // of the sum over height
)

// Profile is the ionosphere over a place: critical frequency (Hz), peak height
// and semi-thickness (m) of each layer.
type Profile struct {
	FoE, PeakE, ThickE    float64
	FoF1, PeakF1          float64 // FoF1 0: no ledge
	FoF2, PeakF2, ThickF2 float64
}

// plasma2 is the square of the plasma frequency at height z up to the F2 peak, Hz².
func (p *Profile) plasma2(z float64) float64 {
	// Between the E layer and those above it a shallow valley holds nine tenths of
	// the E layer's density (common practice).
	const valley = 0.9
	e2 := p.FoE * p.FoE
	d := (z - p.PeakE) / p.ThickE
	n := max(0, e2*(1-d*d))
	if z > p.PeakE {
		n = max(n, valley*e2)
		if f2 := p.FoF1 * p.FoF1; f2 > valley*e2 {
			t := max(0, (p.PeakF1-z)/(p.PeakF1-p.PeakE))
			n = max(n, valley*e2+(f2-valley*e2)*(1-t*t))
		}
	}
	if base := p.PeakF2 - p.ThickF2; z > base {
		d := min(0, z-p.PeakF2) / p.ThickF2 * (earthRadiusM + base) / (earthRadiusM + z)
		n = max(n, p.FoF2*p.FoF2*(1-d*d))
	}
	return n
}

// Layer is where a hop is reflected.
type Layer uint8

const (
	None Layer = iota // the ray goes through
	E
	F1
	F2
)

func (l Layer) String() string { return [...]string{"none", "E", "F1", "F2"}[l] }

// start is how a ray leaves the ground, and where it comes to the bottom.
type start struct {
	elevation float64 // radians
	k         float64 // r·cos of the elevation, the same all along the ray while µ is 1, m
	angle     float64 // at the earth's centre, from the ground to the bottom, radians
	lengthM   float64 // likewise
}

func newStart(elevation float64) start {
	sinB, cosB := math.Sincos(elevation)
	k := earthRadiusM * cosB
	gamma := math.Acos(k / (earthRadiusM + BottomM)) // elevation at the bottom
	return start{elevation, k, gamma - elevation, (earthRadiusM+BottomM)*math.Sin(gamma) - earthRadiusM*sinB}
}

// starts are those of a Fan's rays: close where ground distance changes fast with
// them.
var starts = func() (all []start) {
	from := 0.5
	for _, part := range []struct{ to, step float64 }{{12, 0.75}, {40, 1.25}, {88, 2}} {
		if n := len(all); n > 0 {
			from = all[n-1].elevation*180/math.Pi + part.step
		}
		for e := from; e <= part.to; e += part.step {
			all = append(all, newStart(e*math.Pi/180))
		}
	}
	return all
}()

// Hop is one reflection: ground distance, group path and height of the turning
// point in metres.
type Hop struct {
	GroundM, GroupM, TopM float64
	Layer                 Layer
}

// Fan holds the hops of rays at all starts over one place.
type Fan []Hop

// Fan traces the rays of a frequency through the profile.
func (p *Profile) Fan(frequencyHz float64) Fan { return p.fan(frequencyHz, starts, stepM) }

// rung is a height of the sum: r²µ² there, and the radius half a step below it.
type rung struct{ rmu2, r, inverse float64 }

func (p *Profile) fan(frequencyHz float64, starts []start, dz float64) Fan {
	// None of it depends on the elevation.
	var usual [176]rung // up to 602 km, by stepM, without the heap
	n := int((p.PeakF2-BottomM)/dz) + 2
	ladder := usual[:min(n, len(usual))]
	if n > len(usual) {
		ladder = make([]rung, n)
	}
	scale := 1 / (frequencyHz * frequencyHz)
	least := math.Inf(1)
	for i := range ladder {
		z := BottomM + float64(i)*dz
		r := earthRadiusM + z
		g := rung{r * r * (1 - p.plasma2(z)*scale), r - dz/2, 1 / (r - dz/2)}
		ladder[i], least = g, min(least, g.rmu2)
	}
	fan := make(Fan, len(starts))
	for i, s := range starts {
		// Else it goes through, or a layer that hangs below the bottom turns it there.
		if k2 := s.k * s.k; k2 >= least && k2 < ladder[0].rmu2 {
			fan[i] = p.hop(ladder, dz, s)
		}
	}
	return fan
}

// hop sums one ray, taking r²µ² - (R cos b)² as straight within each step, up to
// where it turns.
func (p *Profile) hop(ladder []rung, dz float64, s start) Hop {
	k2 := s.k * s.k
	q := ladder[0].rmu2 - k2
	root := math.Sqrt(q)
	var group, angle float64
	for i := 1; ; i++ {
		g := ladder[i]
		next := g.rmu2 - k2
		if next <= 0 {
			part := q / (q - next)
			w := part / root
			group += w * g.r
			angle += w * g.inverse
			h := Hop{
				GroundM: 2 * earthRadiusM * (s.angle + 2*dz*s.k*angle),
				GroupM:  2 * (s.lengthM + 2*dz*group),
				TopM:    g.r - earthRadiusM + (part-0.5)*dz,
			}
			h.Layer = p.layer(h.TopM)
			return h
		}
		nextRoot := math.Sqrt(next)
		w := 1 / (root + nextRoot)
		group += w * g.r
		angle += w * g.inverse
		q, root = next, nextRoot
	}
}

// layer is the one that holds height z.
func (p *Profile) layer(z float64) Layer {
	switch {
	case z <= p.PeakE+p.ThickE/2:
		return E
	case z <= p.PeakF1 && p.FoF1 > 0:
		return F1
	}
	return F2
}
