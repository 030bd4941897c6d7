package groundwave

import (
	"math"
	"testing"
)

// The polynomial for the secondary phase at 100 kHz over sea of the United States
// Coast Guard's signal specification of its 100 kHz navigation system (from memory).
func TestSecondaryPhaseOverSea(t *testing.T) {
	w := New(100e3, Sea)
	for _, km := range []float64{100, 200, 300, 500, 700, 1000, 1400} {
		d := km * 1e3 * 1.000338 / lightMPerS * 1e6 // us
		want := 129.04398/d - 0.40758 + 6.4576438e-4*d
		if d < 537 {
			want = 2.741282/d - 0.011402 + 3.2774815e-4*d
		}
		if got := w.PhaseSecondary(km*1e3) * 1e6; math.Abs(got-want) > 0.025 {
			t.Errorf("%g km: %.3f us, want %.3f", km, got, want)
		}
	}
}

// Secondary delays, phase and group, computed by another hand from the same series
// (k = 1.25), and fields that agree with the curves of Rec. ITU-R P.368 within 2 dB.
func TestSecondaryDelayByGround(t *testing.T) {
	for _, tt := range []struct {
		hz           float64
		g            Ground
		km           float64
		phase, group float64 // us
	}{
		{40e3, Land, 500, 4.0, 3.4}, {60e3, Sea, 1000, 2.33, 1.06}, {60e3, Wet, 300, 1.6, 1.4},
		{77.5e3, Land, 500, 3.6, 3.1}, {77.5e3, Dry, 300, 4.0, 3.4}, {77.5e3, Dry, 1000, 8.8, 6.2}, {77.5e3, Sea, 100, 0.12, 0.05},
	} {
		if got := New(tt.hz, tt.g).PhaseSecondary(tt.km*1e3) * 1e6; math.Abs(got-tt.phase) > 0.06 {
			t.Errorf("%g Hz, %v, %g km: phase %.2f us, want %g", tt.hz, tt.g, tt.km, got, tt.phase)
		}
		if got := groupSecondary(tt.hz, tt.km*1e3, tt.g) * 1e6; math.Abs(got-tt.group) > 0.06 {
			t.Errorf("%g Hz, %v, %g km: group %.2f us, want %g", tt.hz, tt.g, tt.km, got, tt.group)
		}
	}
	for _, tt := range []struct{ hz, km, want float64 }{{60e3, 300, 58}, {77.5e3, 500, 50}, {77.5e3, 1000, 38}, {40e3, 2000, 25}} {
		if got := New(tt.hz, Land).FieldDB(tt.km * 1e3); math.Abs(got-tt.want) > 1 {
			t.Errorf("%g Hz over land, %g km: %.1f dB, want %g", tt.hz, tt.km, got, tt.want)
		}
	}
}

func TestParse(t *testing.T) {
	m, err := Parse("sea:1,land:3")
	if err != nil || len(m) != 2 || m[0].Ground != Sea || m[1].Share != 0.75 {
		t.Errorf("%v, %v", m, err)
	}
	for _, wrong := range []string{"", "mud", "sea:x", "sea:-1", "sea:inf"} {
		if _, err := Parse(wrong); err == nil {
			t.Errorf("%q is taken", wrong)
		}
	}
}
