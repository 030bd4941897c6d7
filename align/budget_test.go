package align

import (
	"math"
	"testing"
)

func dof(v float64) *float64 { return &v }

// JCGM 100:2008, H.1 (end gauge): nm and degrees of freedom as in table H.1;
// u_c = 31.7 nm (printed 32), ν_eff = 16.7.
func TestBudgetOfEndGauge(t *testing.T) {
	lines := []BudgetLine{
		{Source: "calibration of the standard", U: 25, DoF: dof(18)},
		{Source: "difference between end gauges", U: 9.7, DoF: dof(25.6)},
		{Source: "difference in expansion", U: 2.9, DoF: dof(50)},
		{Source: "difference in temperature", U: 16.6, DoF: dof(2)},
	}
	u, nu := combine(lines)
	if math.Abs(u-31.7) > 0.05 || math.Abs(nu-16.7) > 0.1 {
		t.Errorf("u = %.2f, ν = %.2f; want 31.7 and 16.7", u, nu)
	}
}

// JCGM 100:2008, G.4.1 example: 0.25 %, 0.57 % and 0.82 % with 9, 4 and 14 degrees
// of freedom give 1.03 % and 19.0.
func TestEffectiveDegreesOfFreedom(t *testing.T) {
	u, nu := combine([]BudgetLine{{U: 0.25, DoF: dof(9)}, {U: 0.57, DoF: dof(4)}, {U: 0.82, DoF: dof(14)}})
	if math.Abs(u-1.03) > 0.005 || math.Abs(nu-19) > 0.05 {
		t.Errorf("u = %.3f, ν = %.2f; want 1.03 and 19.0", u, nu)
	}
	if _, nu := combine([]BudgetLine{{U: 1}}); !math.IsInf(nu, 1) {
		t.Errorf("type B alone has ν = %v", nu)
	}
}
