package path

import (
	"math"
	"testing"
	"time"
)

// sunrise is when the sun comes up over the middle of the way from WWV to San
// Diego, on the shortest day.
var sunrise = time.Date(2026, 12, 21, 14, 20, 0, 0, time.UTC)

func sanDiegoAt(t *testing.T, at time.Time) Request {
	return Request{Station: builtin(t, "wwv"), CarrierHz: 5e6, At: LatLon{Lat: 32.70, Lon: -117.25}, Time: at, Sunspots: 100}
}

func follow(t *testing.T, r Request, span time.Duration) Course {
	t.Helper()
	c, err := Follow(r, span)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Over two hours of sunrise the delay moves; a long span must take its mean and
// its drift, a short one the delay of its moment.
func TestFollowSunrise(t *testing.T) {
	r := sanDiegoAt(t, sunrise)
	begin, middle, end := predicted(t, sanDiegoAt(t, sunrise.Add(-time.Hour))), predicted(t, r), predicted(t, sanDiegoAt(t, sunrise.Add(time.Hour)))
	moved := end.DelaySeconds - begin.DelaySeconds
	if math.Abs(moved) < 50e-6 { // s; the layers move by kilometres then (common practice)
		t.Fatalf("the delay moves by %g s only: no sunrise", moved)
	}
	c := follow(t, r, 2*time.Hour)
	if d := c.Drift * 7200; d*moved < 0 || math.Abs(d) < 0.5*math.Abs(moved) || math.Abs(d) > 1.5*math.Abs(moved) {
		t.Errorf("drift of %g s in two hours, from end to end it is %g s", d, moved)
	}
	low, high := min(begin.DelaySeconds, middle.DelaySeconds, end.DelaySeconds), max(begin.DelaySeconds, middle.DelaySeconds, end.DelaySeconds)
	if mean := c.DelaySeconds + c.Bend; mean < low || mean > high {
		t.Errorf("mean %g s, begin, middle and end are %g, %g and %g s", mean, begin.DelaySeconds, middle.DelaySeconds, end.DelaySeconds)
	}
	if c.UDrift < math.Abs(c.Drift)/2 {
		t.Errorf("u of the drift is %g, the drift %g", c.UDrift, c.Drift)
	}
	if short := follow(t, r, 3*time.Minute); short.Bend != 0 || math.Abs(short.DelaySeconds-middle.DelaySeconds) > 20e-6 {
		t.Errorf("three minutes: %g s and a bend of %g s, want %g s", short.DelaySeconds, short.Bend, middle.DelaySeconds)
	}
}

// A Doppler shift of 0.5 Hz at 10 MHz has been seen at sunrise and sunset (WWV at
// Dayton, Ohio, 1771 km: febo.com, HF stability, read 2026), a drift of 0.18 ms an hour: it must lie within the 95 % of what
// is granted then, and that must not be many times more.
func TestDriftCoversTheMeasured(t *testing.T) {
	const measured = 0.5 / 10e6
	r := Request{Station: builtin(t, "wwv"), CarrierHz: 10e6, At: LatLon{Lat: 39.76, Lon: -84.19}, Time: time.Date(2024, 3, 20, 12, 0, 0, 0, time.UTC), Sunspots: 120}
	c := follow(t, r, 10*time.Minute)
	if reach := math.Abs(c.Drift) + 2*c.UDrift; reach < measured || reach > 8*measured {
		t.Errorf("drift %g ± %g, measured were up to %g", c.Drift, c.UDrift, measured)
	}
}

func TestGroundWaveKeepsStill(t *testing.T) {
	r := sanDiegoAt(t, sunrise)
	r.At = LatLon{Lat: 40.6, Lon: -105.0}
	if c := follow(t, r, 2*time.Hour); math.Abs(c.Drift) > 1e-10 || c.UDrift > 1e-9 || math.Abs(c.Bend) > 1e-7 {
		t.Errorf("ten kilometres away the drift is %g ± %g, the bend %g s", c.Drift, c.UDrift, c.Bend)
	}
}
