package path

import (
	"math"
	"testing"
)

// quasiParabola is a spherical F layer in which rays have a closed form (T. A.
// Croft and H. Hoogasian, Exact ray calculations in a quasi-parabolic ionosphere,
// Radio Sci. 3, 69-74, 1968): kilometres and megahertz.
type quasiParabola struct{ fc, hm, ym float64 }

// ray is the ground distance and the group path of a ray of frequency f that
// leaves at elevation beta (radians); ok is false when it pierces the layer.
func (q quasiParabola) ray(f, beta float64) (distance, group float64, ok bool) {
	const r0 = earthRadiusM / 1e3
	rm := r0 + q.hm
	rb := rm - q.ym
	x := f / q.fc
	a := 1 - 1/(x*x) + math.Pow(rb/(x*q.ym), 2)
	b := -2 * rm * rb * rb / (x * x * q.ym * q.ym)
	c := math.Pow(rb*rm/(x*q.ym), 2) - math.Pow(r0*math.Cos(beta), 2)
	gamma := math.Acos(r0 / rb * math.Cos(beta))
	root := b*b - 4*a*c
	if root <= 0 || a <= 0 || c <= 0 {
		return 0, 0, false
	}
	sinG, sqrtC := math.Sin(gamma), math.Sqrt(c)
	distance = 2 * r0 * (gamma - beta - r0*math.Cos(beta)/(2*sqrtC)*math.Log(root/(4*c*math.Pow(sinG+sqrtC/rb+b/(2*sqrtC), 2))))
	group = 2 * (rb*sinG - r0*math.Sin(beta) + 1/a*(-rb*sinG-b/(4*math.Sqrt(a))*math.Log(root/math.Pow(2*a*rb+b+2*rb*math.Sqrt(a)*sinG, 2))))
	return distance, group, true
}

// lowRay finds the group path of the low ray over a distance; ok is false beyond
// the MUF.
func (q quasiParabola) lowRay(f, distance float64) (group float64, ok bool) {
	const step = 0.1 * degree
	for beta := 0.0; beta < 89*degree; beta += step {
		d, _, reflected := q.ray(f, beta)
		if !reflected {
			return 0, false
		}
		if d > distance {
			continue
		}
		low, high := beta-step, beta
		if low < 0 {
			return 0, false // below the horizon
		}
		for range 50 {
			mid := (low + high) / 2
			if d, _, _ := q.ray(f, mid); d > distance {
				low = mid
			} else {
				high = mid
			}
		}
		_, group, ok = q.ray(f, high)
		return group, ok
	}
	return 0, false
}

// muf is the highest frequency whose rays come down at a distance.
func (q quasiParabola) muf(distance float64) float64 {
	low, high := q.fc, 8*q.fc
	for range 40 {
		mid := (low + high) / 2
		if _, ok := q.lowRay(mid, distance); ok {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// The uncertainty of a mirror is taken to be 0.15 ms a hop. Exact rays through
// layers of many shapes must bear that out, and so must the choice of the lesser
// height: it must be better than either alone.
func TestMirrorAgainstExactRays(t *testing.T) {
	// Check values, verified by integrating the ray equations numerically.
	for _, c := range []struct {
		layer                        quasiParabola
		f, elevation, distance, path float64
	}{
		{quasiParabola{6, 300, 100}, 10, 15, 1438.1227, 1541.5112},
		{quasiParabola{6, 300, 80}, 7, 30, 817.9628, 981.9517},
		{quasiParabola{6, 280, 100}, 5, 50, 368.9255, 594.2727},
	} {
		d, p, ok := c.layer.ray(c.f, c.elevation*degree)
		if !ok {
			t.Fatal("the ray is lost")
		}
		near(t, "distance", d, c.distance, 0.01)
		near(t, "group path", p, c.path, 0.01)
	}

	var least, piecewise, simple deviation
	for _, hm := range []float64{260, 330, 400} {
		for _, thickness := range []float64{0.25, 0.35, 0.45} {
			for _, fc := range []float64{4, 8, 12} {
				q := quasiParabola{fc, hm, thickness * hm}
				l := f2Layer{foF2Hz: fc * 1e6, m3000: q.muf(3000) / fc, foEHz: 0.5e6}
				for _, distance := range []float64{500, 1000, 2000, 2500} {
					muf := q.muf(distance)
					for _, share := range []float64{0.4, 0.6, 0.8, 0.95} {
						group, ok := q.lowRay(share*muf, distance)
						if !ok {
							continue
						}
						late := func(heightM float64) float64 {
							return (hop{distance * 1e3, heightM}.pathM() - group*1e3) / lightMPerS * 1e3
						}
						least.add(late(l.mirrorHeightM(distance*1e3, share*muf*1e6, 50)))
						piecewise.add(late(l.piecewiseHeightM(distance*1e3, share*muf*1e6, 50)))
						simple.add(late(l.simpleHeightM()))
					}
				}
			}
		}
	}
	t.Logf("mirror less exact ray, ms RMS a hop over %d rays: %.3f; piecewise height alone %.3f, equation 2 alone %.3f",
		least.n, least.rms(), piecewise.rms(), simple.rms())
	if least.n < 300 {
		t.Fatalf("only %d rays", least.n)
	}
	if least.rms() > 0.17 || least.rms() > piecewise.rms() || least.rms() > simple.rms() {
		t.Errorf("the mirror is %.3f ms RMS from exact rays", least.rms())
	}
}

// deviation gathers a root mean square.
type deviation struct {
	n   int
	sum float64
}

func (d *deviation) add(v float64) { d.n++; d.sum += v * v }

func (d *deviation) rms() float64 { return math.Sqrt(d.sum / float64(d.n)) }
