package text

import (
	"fmt"
	"math"
	"strconv"

	"timeball/align"
)

// BigOffset writes an offset with sign and unit: five digits, but no finer than
// 0.1 us by radio or 1 ns by wire.
func BigOffset(x float64, byWire bool) string {
	finest := 1e-7
	if byWire {
		finest = 1e-9
	}
	u := UnitFor(math.Abs(x), SecondUnits[1:3])
	if byWire && math.Abs(x) < 1e-6 {
		u = SecondUnits[3]
	}
	places := int(math.Round(math.Log10(u.Size / finest)))
	for size := math.Abs(x) / u.Size; places > 0 && size >= math.Pow10(5-places); {
		places--
	}
	text := strconv.FormatFloat(x/u.Size, 'f', places, 64)
	if x >= 0 {
		text = "+" + text
	}
	return text + " " + u.Name
}

// Action is what to do, in a word or two that read from afar.
func Action(s *align.Second, tolerance float64) string {
	switch {
	case s.Marker.Missing > 0:
		return "no pulse"
	case Sure(s, tolerance) && s.Verdict == align.Found:
		return "good"
	case math.Abs(*s.Offset) <= tolerance:
		return "hold"
	case s.Sense == align.Ahead:
		return "retard"
	default:
		return "advance"
	}
}

// Sure reports whether the whole interval lies within the tolerance.
func Sure(s *align.Second, tolerance float64) bool {
	return -tolerance <= s.CI95[0] && s.CI95[1] <= tolerance
}

// Reception says the state of the radio, or of one station, in words.
func Reception(r align.Reception) string {
	switch r.State {
	case align.Fading:
		return fmt.Sprintf("fading for %.0f s", r.Gone)
	case align.Coasting:
		return fmt.Sprintf("gone for %.0f s, coasting on the flywheel", r.Gone)
	}
	return string(r.State)
}
