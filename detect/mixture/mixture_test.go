package mixture

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

var inf = math.Inf(1)

// Two-sided 95 % points of Student's distribution, JCGM 100:2008, table G.2.
func TestShortestOfOne(t *testing.T) {
	for _, c := range []struct{ dof, k float64 }{{1, 12.71}, {2, 4.30}, {5, 2.57}, {16, 2.12}, {inf, 1.960}} {
		m := Mixture{{Mean: 3, U: 2, DoF: c.dof, Weight: 1}}
		parts := m.Shortest(0.95)
		if len(parts) != 1 {
			t.Fatalf("%v degrees of freedom: %d parts, want 1", c.dof, len(parts))
		}
		if h := parts[0]; math.Abs(h.High-3-2*c.k) > 0.012*c.k || math.Abs(h.Low-3+2*c.k) > 0.012*c.k {
			t.Errorf("%v degrees of freedom: %v, want 3 ± %v", c.dof, h, 2*c.k)
		}
		if x := m.Median(); math.Abs(x-3) > 1e-6 {
			t.Errorf("median %v, want 3", x)
		}
		if k := Coverage(c.dof); math.Abs(k-c.k) > 0.006 {
			t.Errorf("Coverage(%v) = %v, want %v", c.dof, k, c.k)
		}
	}
}

// What is not finite ends, and is not narrow.
func TestNotFinite(t *testing.T) {
	nan := math.NaN()
	for _, bad := range []Component{
		{0, inf, inf, 0.5, ""}, {0, nan, inf, 0.5, ""}, {nan, 1, inf, 0.5, ""}, {inf, 1, 5, 0.5, ""},
		{0, 1, nan, 0.5, ""}, {0, 1, inf, nan, ""}, {0, 1e308, 1, 0.5, ""}, {-1e308, 1e307, inf, 0.5, ""},
	} {
		m := Mixture{{0, 1, inf, 0.5, ""}, bad}
		if h := m.Hull(0.95); !math.IsInf(h.Low, -1) || !math.IsInf(h.High, 1) || !math.IsInf(m.U(), 1) {
			t.Errorf("%v: %v, u %v", bad, h, m.U())
		}
		m.Median()
	}
}

func TestIslands(t *testing.T) {
	m := Mixture{{0, 1, inf, 0.6, "a"}, {100, 1, inf, 0.38, "b"}, {-100, 1, inf, 0.02, "c"}}
	parts := m.Shortest(0.95)
	if len(parts) != 2 {
		t.Fatalf("%v: want the two likely islands", parts)
	}
	if math.Abs(m.mass(parts)-0.95) > 1e-4 {
		t.Errorf("the set holds %v, want 0.95", m.mass(parts))
	}
	if x := m.Median(); math.Abs(x) > 2 {
		t.Errorf("median %v is on no likely island", x)
	}
}

// No set with the same probability is shorter, and the median halves it.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var m Mixture
		for range rapid.IntRange(1, 5).Draw(t, "n") {
			dof := inf
			if rapid.Bool().Draw(t, "student") {
				dof = rapid.Float64Range(2, 50).Draw(t, "dof")
			}
			m = append(m, Component{rapid.Float64Range(-10, 10).Draw(t, "mean"), rapid.Float64Range(0.01, 5).Draw(t, "u"), dof, rapid.Float64Range(0.01, 1).Draw(t, "w"), ""})
		}
		m.Normalise()
		parts := m.Shortest(0.95)
		if got := m.mass(parts); math.Abs(got-0.95) > 0.002 {
			t.Fatalf("%v holds %v", parts, got)
		}
		length := 0.0
		for _, p := range parts {
			length += p.High - p.Low
		}
		if central := m.Quantile(0.975) - m.Quantile(0.025); length > central*1.01 {
			t.Fatalf("%v is longer than the central %v", length, central)
		}
		if p := m.CDF(m.Median()); math.Abs(p-0.5) > 1e-6 {
			t.Fatalf("median at %v", p)
		}
		few := m.Reduce(2)
		if math.Abs(few.Mean()-m.Mean()) > 1e-9 || math.Abs(few.Deviation()-m.Deviation()) > 1e-6*m.Deviation() {
			t.Fatalf("reduced: %v ± %v, was %v ± %v", few.Mean(), few.Deviation(), m.Mean(), m.Deviation())
		}
	})
}

// Two measurements of one quantity, 1 ± 1 and 3 ± 1, are 2 ± 0.707: the weighted
// mean; their difference is 2 ± √2, whose normal density is e⁻¹/√(4π).
func TestTimes(t *testing.T) {
	joint, log := Normal(1, 1).Times(Normal(3, 1))
	if math.Abs(joint[0].Mean-2) > 1e-12 || math.Abs(joint[0].U-math.Sqrt2/2) > 1e-12 {
		t.Errorf("%+v, want 2 ± 0.707", joint[0])
	}
	if want := -1 - 0.5*math.Log(4*math.Pi); math.Abs(log-want) > 1e-12 {
		t.Errorf("log evidence %v, want %v", log, want)
	}
	// The island on which both agree wins.
	joint, _ = Mixture{{0, 0.1, inf, 0.5, ""}, {5, 0.1, inf, 0.5, ""}}.Times(Normal(5.1, 0.1))
	if x := joint.Median(); math.Abs(x-5.05) > 0.01 {
		t.Errorf("median %v, want 5.05", x)
	}
	joint, log = Normal(0, 1e-9).Times(Normal(1e3, 1e-9))
	if !math.IsInf(log, -1) || joint.Hull(0.95).High < 999 || joint.Hull(0.95).Low > 1 {
		t.Errorf("%v: statements that exclude each other must both remain", joint)
	}
}

// JCGM 100:2008, table H.1 (end gauge), nm: u_c = 31.7 (printed 32), ν_eff = 16.7.
func TestPlus(t *testing.T) {
	m := Normal(0, 0)
	for _, c := range [][2]float64{{25, 18}, {9.7, 25.6}, {2.9, 50}, {16.6, 2}} {
		m = m.Plus(Mixture{{0, c[0], c[1], 1, ""}})
	}
	if math.Abs(m[0].U-31.7) > 0.05 || math.Abs(m[0].DoF-16.7) > 0.1 {
		t.Errorf("u = %.2f nm with %.2f degrees of freedom, want 31.7 and 16.7", m[0].U, m[0].DoF)
	}
}

// What is left out of a set is at most negligible, 1e-6 in all, and no more than that.
func TestHeaviest(t *testing.T) {
	for _, c := range []struct {
		light float64
		left  int
	}{{0.45e-6, 1}, {0.7e-6, 2}} {
		m := Mixture{{U: 1, DoF: math.Inf(1), Weight: c.light}, {Mean: 9, U: 1, DoF: math.Inf(1), Weight: 1 - 2*c.light}, {Mean: 5, U: 1, DoF: math.Inf(1), Weight: c.light}}
		if got := m.heaviest(); len(got) != c.left || got[0].Mean != 9 {
			t.Errorf("two of weight %g: %v", c.light, got)
		}
	}
}
