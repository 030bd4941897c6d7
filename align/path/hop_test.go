package path

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

const degree = math.Pi / 180

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// The output for Kranji to Beijing that comes with the ITU's reference code for Rec. P.533
// (itu_old.out:
// January, R12 140): M(3000)F2 3.091 gives 306.0 km by equation 2 of P.533.
func TestHopAgainstITUOutput(t *testing.T) {
	const distanceM = 4477003
	heightM := (1490/3.091 - 176) * 1e3
	for n, elevation := range map[float64]float64{2: 9.884, 3: 18.454, 4: 25.578, 5: 31.707} {
		// The printed M is rounded; the tolerance is its half unit.
		near(t, "elevation", hop{distanceM / n, heightM}.elevation()/degree, elevation, 0.007)
	}
	near(t, "six hops", 6*hop{distanceM / 6, heightM}.pathM(), 5873171, 700)
	// The same programme's Moscow to Birmingham example.
	near(t, "Moscow-Birmingham", hop{2562104.5, 307956}.elevation()/degree, 7.41, 0.005)
}

// Longest hops over the sphere; 2243 km at 100 km and 4402 km at 400 km are the
// common practice's "2000 km" and "4000 km" limits of the E and F layers.
func TestLongestHop(t *testing.T) {
	for _, c := range []struct{ heightM, elevation, wantM float64 }{
		{100e3, 0, 2243e3}, {110e3, 3, 1776e3}, {300e3, 3, 3225e3}, {400e3, 0, 4402e3}, {400e3, 5, 3423e3},
	} {
		near(t, "longest hop", longestHop(c.heightM, c.elevation*degree), c.wantM, 500)
	}
}

func TestHopProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := hop{rapid.Float64Range(1, 4000e3).Draw(t, "ground"), rapid.Float64Range(60e3, 800e3).Draw(t, "height")}
		higher := hop{h.groundM, h.heightM + 1e3}
		if h.pathM() < h.groundM {
			t.Fatalf("path %g m is shorter than the ground %g m", h.pathM(), h.groundM)
		}
		if higher.pathM() <= h.pathM() || higher.elevation() <= h.elevation() {
			t.Fatal("a higher mirror must give a longer and steeper ray")
		}
		// A flat earth is the limit of short hops.
		short := hop{100, h.heightM}
		if flat := 2 * math.Hypot(50, h.heightM); math.Abs(short.pathM()-flat) > 1e-3 {
			t.Fatalf("short hop %g m, flat earth %g m", short.pathM(), flat)
		}
		// The hop of the longest length leaves at the elevation it was made for.
		e := rapid.Float64Range(0, 0.5).Draw(t, "elevation")
		if back := (hop{longestHop(h.heightM, e), h.heightM}).elevation(); math.Abs(back-e) > 1e-9 {
			t.Fatalf("elevation %g came back as %g", e, back)
		}
	})
}
