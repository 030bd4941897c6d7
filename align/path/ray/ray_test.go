package ray

import (
	"math"
	"testing"
)

const degree = math.Pi / 180

// Rays through a quasi-parabolic layer: closed form of T. A. Croft and H.
// Hoogasian, Radio Sci. 3, 69-74, 1968; the figures are derived from it.
func TestQuasiParabolicLayer(t *testing.T) {
	for _, c := range []struct{ f, fc, hm, ym, elevation, ground, group float64 }{
		{10, 6, 300, 100, 15, 1438.1227, 1541.5112},
		{7, 6, 300, 80, 30, 817.9628, 981.9517},
		{5, 6, 280, 100, 50, 368.9255, 594.2727},
	} {
		p := Profile{FoE: 1, PeakE: 110e3, ThickE: 20e3, FoF2: c.fc * 1e6, PeakF2: c.hm * 1e3, ThickF2: c.ym * 1e3}
		h := p.fan(c.f*1e6, []start{newStart(c.elevation * degree)}, stepM)[0]
		// 0.3 km of group path is a microsecond.
		if math.Abs(h.GroundM/1e3-c.ground) > 0.6 || math.Abs(h.GroupM/1e3-c.group) > 0.6 || h.Layer != F2 {
			t.Errorf("f %g: %.3f km, group path %.3f km by %v; want %.3f and %.3f km", c.f, h.GroundM/1e3, h.GroupM/1e3, h.Layer, c.ground, c.group)
		}
	}
}

// slow integrates a ray over equal steps of its own length, turning it by the
// gradient of the refractive index: nothing in common with the sum over height
// but the profile.
func slow(p *Profile, frequencyHz, elevation float64) (ground, group float64) {
	const ds = 10.0
	mu2 := func(r float64) float64 {
		z := r - earthRadiusM
		if z < BottomM {
			return 1
		}
		return 1 - p.plasma2(z)/(frequencyHz*frequencyHz)
	}
	// Hamilton's equations with the optical parameter dτ = ds/µ: r' = µ·n,
	// (µ·n)' = ½ ∇µ²; by leapfrog in the plane.
	x, y := 0.0, earthRadiusM
	vx, vy := math.Cos(elevation), math.Sin(elevation)
	force := func() (fx, fy float64) {
		r := math.Hypot(x, y)
		const d = 1.0
		g := (mu2(r+d) - mu2(r-d)) / (4 * d)
		return g * x / r, g * y / r
	}
	fx, fy := force()
	for {
		vx, vy = vx+ds/2*fx, vy+ds/2*fy
		x, y = x+ds*vx, y+ds*vy
		fx, fy = force()
		vx, vy = vx+ds/2*fx, vy+ds/2*fy
		group += ds // the group path is ∫ds/µ, the parameter itself
		if x*vx+y*vy <= 0 {
			return 2 * earthRadiusM * math.Atan2(x, y), 2 * group
		}
	}
}

func TestAgainstSlowIntegration(t *testing.T) {
	day := Profile{FoE: 3.2e6, PeakE: 110e3, ThickE: 20e3, FoF1: 4.6e6, PeakF1: 195e3, FoF2: 7.5e6, PeakF2: 290e3, ThickF2: 90e3}
	night := Profile{FoE: 0.8e6, PeakE: 110e3, ThickE: 20e3, FoF2: 4.2e6, PeakF2: 330e3, ThickF2: 100e3}
	for _, c := range []struct {
		name         string
		p            Profile
		f, elevation float64
		layer        Layer
	}{
		{"E, low", day, 10e6, 4, E}, {"F1", day, 10e6, 19.2, F1}, {"F2 by day", day, 10e6, 30, F2}, {"F2, steep", day, 5.5e6, 70, F2},
		{"F2 by night, low", night, 8e6, 6, F2}, {"F2 by night, steep", night, 3e6, 60, F2},
	} {
		h := c.p.fan(c.f, []start{newStart(c.elevation * degree)}, stepM)[0]
		ground, group := slow(&c.p, c.f, c.elevation*degree)
		// At a given distance the delay counts: what the distance is out is carried
		// over by the ray's slope.
		late := h.GroupM - group - (h.GroundM-ground)*math.Cos(c.elevation*degree)
		if math.Abs(late) > 3e3 || h.Layer != c.layer {
			t.Errorf("%s: %.2f and %.2f km by %v, slowly %.2f and %.2f km: %.1f µs out at the same distance",
				c.name, h.GroundM/1e3, h.GroupM/1e3, h.Layer, ground/1e3, group/1e3, late/299.8)
		}
	}
}

// A layer that hangs below where rays are summed from loses rays, and no more.
func TestLayerBelowTheBottom(t *testing.T) {
	low := Profile{FoE: 2.11e6, PeakE: 81e3, ThickE: 6.5e3, FoF2: 2.73e6, PeakF2: 216e3, ThickF2: 111e3}
	through := 0
	for i, h := range low.Fan(2.5e6) {
		if math.IsNaN(h.GroundM) || h.GroundM < 0 || h.Layer != None && h.TopM < BottomM {
			t.Errorf("from %.1f degrees: %+v", starts[i].elevation/degree, h)
		}
		if h.Layer == F2 {
			through++
		}
	}
	if through == 0 {
		t.Error("no ray comes to the F2 layer")
	}
}

func BenchmarkFan(b *testing.B) {
	day := Profile{FoE: 3.2e6, PeakE: 110e3, ThickE: 20e3, FoF1: 4.6e6, PeakF1: 195e3, FoF2: 7.5e6, PeakF2: 290e3, ThickF2: 90e3}
	for range b.N {
		day.Fan(10e6)
	}
}

// alike is a circuit with the same ionosphere over all its places.
func alike(distanceM float64, places int, fan Fan) Circuit {
	return Circuit{DistanceM: distanceM, Places: places, Fan: func(int, bool) Fan { return fan }}
}

// Through one layer of mirrors' shape the modes must come out as geometry has
// them: a thin layer is a mirror.
func TestThinLayerIsAMirror(t *testing.T) {
	thin := Profile{FoE: 3e6, PeakE: 110e3, ThickE: 2e3, FoF2: 3.1e6, PeakF2: 300e3, ThickF2: 60e3}
	fan := thin.Fan(6e6)
	const distanceM = 1000e3
	for _, m := range alike(distanceM, 1, fan).Modes() {
		if m.By != [F2 + 1]int{E: 1} {
			continue
		}
		// Chord of the triangle of earth's centre, ground and the turning point.
		psi, top := distanceM/2/earthRadiusM, earthRadiusM+m.HeightM
		want := 2 * math.Sqrt(earthRadiusM*earthRadiusM+top*top-2*earthRadiusM*top*math.Cos(psi))
		if math.Abs(m.GroupM-want) > 1.5e3 {
			t.Errorf("1E: %.2f km, a mirror gives %.2f km", m.GroupM/1e3, want/1e3)
		}
		return
	}
	t.Error("no mode by the E layer")
}

// Two hops over the halves of a circuit are the same as one over each.
func TestHopsAddUp(t *testing.T) {
	night := Profile{FoE: 0.8e6, PeakE: 110e3, ThickE: 20e3, FoF2: 6e6, PeakF2: 330e3, ThickF2: 100e3}
	fan := night.Fan(9e6)
	one := alike(1800e3, 1, fan).Modes()
	two := alike(3600e3, 3, fan).Modes()
	for _, m := range one {
		if m.Hops != 1 {
			continue
		}
		found := false
		for _, d := range two {
			found = found || d.Hops == 2 && math.Abs(d.GroupM-2*m.GroupM) < 1 && d.By[F2] == 2
		}
		if !found {
			t.Errorf("one hop of %.1f km has no double among %v", m.GroupM/1e3, two)
		}
	}
	if len(one) == 0 {
		t.Error("no mode")
	}
}
