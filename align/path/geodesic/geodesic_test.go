package geodesic

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func dms(d, m, s float64) float64 {
	return math.Copysign(math.Abs(d)+m/60+s/3600, d)
}

func TestInverseAgainstPublishedLines(t *testing.T) {
	for _, c := range []struct {
		source       string
		a, b         Point
		distanceM    float64
		toleranceM   float64
		aziA, aziB   float64
		toleranceDeg float64 // 0: azimuths not published
	}{
		// GeographicLib documentation (JFK to LHR) and its test lines.
		{"GeographicLib JFK-LHR", Point{40.6, -73.8}, Point{51.6, -0.5}, 5551759.400319, 1e-6, 51.198883, 107.821777, 1e-6},
		{"GeographicLib Wellington-Salamanca", Point{-41.32, 174.81}, Point{40.96, -5.5}, 19959679.267354, 1e-6, 0, 0, 0},
		{"GeographicLib near antipodes", Point{0, 0}, Point{0.5, 179.5}, 19936288.579, 1e-3, 25.671873, 154.327085, 1e-6},
		{"GeographicLib nearer antipodes", Point{0, 0}, Point{0.5, 179.7}, 19944127.420750, 1e-6, 0, 0, 0},
		{"GeographicLib antipodes", Point{0, 0}, Point{0, 180}, 20003931.458625, 1e-6, 0, 0, 0},
		// Geoscience Australia's worked example, Flinders Peak to Buninyong.
		{"Geoscience Australia", Point{dms(-37, 57, 3.72030), dms(144, 25, 29.52440)}, Point{dms(-37, 39, 10.15610), dms(143, 55, 35.38390)},
			54972.271, 5e-4, dms(306, 52, 5.37) - 360, 307.173631 - 360, 2e-6},
		{"Land's End-John o'Groats", Point{50.06632, -5.71475}, Point{58.64402, -3.07009}, 969954.166, 5e-4, 9.141877, 11.297220, 1e-6},
		{"16N112E-8N114E", Point{16, 112}, Point{8, 114}, 911351.633, 5e-4, 165.953205, 166.370089, 1e-6},
		{"Moscow-St Petersburg", Point{55.755837, 37.617683}, Point{59.930950, 30.361865}, 633278.594, 5e-4, 320.208264 - 360, 314.059106 - 360, 1e-6},
		// Meridian quadrant of WGS-84, 10 001 965.729 m, and a quarter of the equator.
		{"quadrant", Point{0, 20}, Point{90, -70}, 10001965.729, 1e-3, 0, 0, 0},
		{"equator", Point{0, 0}, Point{0, 90}, equatorialRadiusM * math.Pi / 2, 1e-6, 90, 90, 1e-9},
	} {
		s, azA, azB := Inverse(c.a, c.b)
		if math.Abs(s-c.distanceM) > c.toleranceM {
			t.Errorf("%s: %.6f m, published %.6f", c.source, s, c.distanceM)
		}
		if c.toleranceDeg > 0 && (math.Abs(azA-c.aziA) > c.toleranceDeg || math.Abs(azB-c.aziB) > c.toleranceDeg) {
			t.Errorf("%s: azimuths %.6f %.6f, published %.6f %.6f", c.source, azA, azB, c.aziA, c.aziB)
		}
	}
}

// worstM is what rounding may cost where the line all but follows the equator
// and its azimuth is the square root of a rounding error; 0.1 m is 0.3 ns.
const worstM = 0.1

func drawPoint(t *rapid.T, name string) Point {
	lat := rapid.OneOf(rapid.Float64Range(-90, 90), rapid.SampledFrom([]float64{-90, -45, 0, 45, 90}))
	lon := rapid.OneOf(rapid.Float64Range(-180, 180), rapid.SampledFrom([]float64{-180, -90, 0, 90, 180}))
	return Point{lat.Draw(t, name+"Lat"), lon.Draw(t, name+"Lon")}
}

func TestInverseIsReciprocalAndDirectUndoesIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawPoint(t, "a"), drawPoint(t, "b")
		s, az, _ := Inverse(a, b)
		back, _, _ := Inverse(b, a)
		if math.Abs(s-back) > 1e-6 {
			t.Fatalf("there %.9f m, back %.9f m", s, back)
		}
		if s < 0 || s > 20003931.4587 {
			t.Fatalf("%.6f m is no shortest geodesic", s)
		}
		reached, _ := Direct(a, az, s)
		if miss, _, _ := Inverse(reached, b); miss > worstM {
			t.Fatalf("direct from %v along %g for %g misses %v by %g m", a, az, s, b, miss)
		}
	})
}

func TestInverseIsContinuousAcrossTheDateLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawPoint(t, "a")
		lat := rapid.Float64Range(-89.9, 89.9).Draw(t, "lat")
		west, _, _ := Inverse(a, Point{lat, 180 - 1e-9})
		east, _, _ := Inverse(a, Point{lat, -180 + 1e-9})
		if math.Abs(west-east) > worstM {
			t.Fatalf("%.6f m west of the date line, %.6f m east of it", west, east)
		}
	})
}

func BenchmarkInverse(b *testing.B) {
	for range b.N {
		Inverse(Point{40.6, -73.8}, Point{51.6, -0.5})
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "lines/s")
}
