package text

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"timeball/align"
)

// Next is the unit of all that is said of a second: that of the offset or of its
// interval, whichever is larger, ms, µs or, by wire, ns. The unit of the second
// before is kept a little below its own size, so that it does not come and go.
func (last Unit) Next(s *align.Second) Unit {
	if s.Offset == nil || s.CI95 == nil {
		return last
	}
	size := max(math.Abs(*s.Offset), *s.Offset-s.CI95[0], s.CI95[1]-*s.Offset)
	units := SecondUnits[1:3]
	if s.Radio.State == align.ByWire {
		units = SecondUnits[1:]
	}
	const keep = 0.8 // our own choice
	if u := UnitFor(size, units); u.Size >= last.Size || size < keep*last.Size {
		return u
	}
	return last
}

// BigOffset writes an offset with sign in a unit: five digits, but no finer than
// 0.1 µs by radio or 1 ns by wire.
func BigOffset(x float64, byWire bool, u Unit) string {
	finest := 1e-7
	if byWire {
		finest = 1e-9
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

// What is not found after this many seconds is missing: the marker takes six to
// find, a tick of 15 dB twenty at most.
const (
	markerTakes = 10
	tickTakes   = 30
)

// Listening says what is listened for while it has not had its time; else nothing.
func Listening(s *align.Second) string {
	switch {
	case s.Offset != nil:
	case s.Verdict == align.NoMarker && s.T < markerTakes:
		return "listening for the marker, which takes a few seconds"
	case s.Verdict != align.NoMarker && s.T < tickTakes:
		return "listening for a station's marks, which takes half a minute or less"
	}
	return ""
}

// Missing is the word for a second without an offset. "wait" is one only where waiting
// helps.
func Missing(s *align.Second) string {
	switch {
	case Listening(s) != "":
		return "wait"
	case s.Verdict == align.NoMarker:
		return "no marker"
	case s.Waiting == nil || s.Waiting.For == align.WholeOrder:
		return "no station"
	}
	return "wait"
}

// What a hand is to do to the clock.
const (
	Retard  = "retard"
	Advance = "advance"
	Hold    = "hold" // it is within the tolerance, which is not certain
	Stop    = "stop" // it is, for certain
)

// Action is what to do, in a word or two that read from afar.
func Action(s *align.Second, tolerance float64) string {
	switch {
	case s.Marker.Missing > 0:
		return "no pulse"
	case Sure(s, tolerance) && s.Verdict == align.Found:
		return Stop
	case math.Abs(*s.Offset) <= tolerance && (s.Verdict != align.Found || !TurnOn(s, tolerance)):
		return Hold
	case s.Sense == align.Ahead:
		return Retard
	default:
		return Advance
	}
}

// TurnOn reports whether the clock must be brought nearer to zero although it is
// within the tolerance: waiting alone will not make that certain, turning can.
func TurnOn(s *align.Second, tolerance float64) bool {
	within := tolerance - math.Abs(*s.Offset)
	_, reached := s.Prospect.Wait(within)
	return within >= 0 && !Sure(s, tolerance) && !reached && s.Prospect.Limit < tolerance
}

// ToGo is by how much the clock is to be brought nearer to zero, in a unit; more when
// the interval, too, must come within the tolerance.
func ToGo(s *align.Second, tolerance float64, u Unit) string { return short(u, outside(s, tolerance)) }

// outside is what ToGo says, s.
func outside(s *align.Second, tolerance float64) float64 {
	x := math.Abs(*s.Offset)
	if TurnOn(s, tolerance) {
		return x + s.Prospect.Limit - tolerance
	}
	return x - tolerance
}

// Target says what the offset is against the tolerance, and what would make it
// certain, in the unit of the offset or of the tolerance, whichever is larger.
func Target(s *align.Second, tolerance float64, u Unit) string {
	if t := UnitFor(tolerance, SecondUnits); t.Size > u.Size {
		u = t
	}
	in := func(seconds float64) string { return short(u, seconds) }
	tol, x := in(tolerance), math.Abs(*s.Offset)
	switch more, reached := s.Prospect.Wait(tolerance - x); {
	case x > tolerance:
		return fmt.Sprintf("%s to go to ±%s", in(outside(s, tolerance)), tol)
	case Sure(s, tolerance):
		return "within ±" + tol + ", certain to 95 %"
	case s.Prospect.Limit >= tolerance:
		return fmt.Sprintf("cannot be proven to ±%s: the limit is ±%s, from the %s; %s", tol, in(s.Prospect.Limit), s.Prospect.From, narrower(s.Prospect.From))
	case !reached:
		return fmt.Sprintf("within ±%s, not for certain: turn on, %s to go", tol, in(outside(s, tolerance)))
	default:
		return fmt.Sprintf("within ±%s, certain in about %s", tol, soon(more))
	}
}

// narrower says what makes a line of the budget smaller.
func narrower(source string) string {
	switch {
	case strings.HasPrefix(source, "path"):
		return "give the path delay with its ±, or try another carrier"
	case strings.HasPrefix(source, "receiver"), source == "skew":
		return "calibrate it"
	}
	return "another station may do better"
}

// Age is how long ago something was, in a word that reads from afar.
func Age(seconds float64) string {
	switch {
	case seconds < 100:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 6000:
		return fmt.Sprintf("%.0f min", seconds/60)
	}
	return fmt.Sprintf("%.0f h", seconds/3600)
}

// soon is a rough length of time.
func soon(seconds float64) string {
	switch {
	case seconds < 95:
		return fmt.Sprintf("%.0f s", max(5, math.Round(seconds/5)*5))
	case seconds < 5400:
		return fmt.Sprintf("%.0f min", seconds/60)
	}
	return "hours"
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
		return fmt.Sprintf("gone for %.0f s, coasting", r.Gone)
	case align.NeverHeard:
		return "not heard yet"
	}
	return string(r.State)
}
