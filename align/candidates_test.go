package align

import (
	"math"
	"strings"
	"testing"

	"timeball/detect/mixture"
)

// Which mode it is hangs on what its delays differ by, not on what is unknown whatever the
// mode; a mode that may have come late, scattered sideways, is still that mode.
func TestCandidates(t *testing.T) {
	mode := func(label string, mean, u, weight float64) mixture.Mixture {
		const late = 0.05
		return mixture.Mixture{
			{Mean: mean, U: u, DoF: math.Inf(1), Weight: (1 - late) * weight, Label: label},
			{Mean: mean - 0.7e-3, U: 0.7e-3, DoF: math.Inf(1), Weight: late * weight, Label: label},
		}
	}
	for _, c := range []struct {
		apart, sharedU float64
		want           string
	}{
		{1.3e-3, 0, "1E first, 1F2 first"},
		{1.3e-3, 1e-3, "1E first, 1F2 first"},
		{0.2e-3, 0, ""},
		{0.2e-3, 1e-3, ""},
	} {
		m := append(mode("1E first", 0, 80e-6, 0.7), mode("1F2 first", -c.apart, 150e-6, 0.25)...)
		m = append(m, mixture.Component{Mean: 5e-3, U: 1e-4, DoF: math.Inf(1), Weight: 0.05})
		var names []string
		for _, x := range candidates(m, c.sharedU) {
			names = append(names, x.Because)
			if p := map[string]float64{"1E first": 0.7, "1F2 first": 0.25}[x.Because]; math.Abs(x.Probability-p) > 1e-9 || x.U < c.sharedU || x.U > c.sharedU+0.5e-3 {
				t.Errorf("%g s apart, %g s shared: %+v", c.apart, c.sharedU, x)
			}
		}
		if got := strings.Join(names, ", "); got != c.want {
			t.Errorf("%g s apart, %g s shared: %q, want %q", c.apart, c.sharedU, got, c.want)
		}
	}
}
