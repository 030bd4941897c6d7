package timecode

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Hands is what a clock's face shows at a moment.
type Hands struct {
	// Hour, Minute and Second as shown. Hour and Minute are -1 when only the
	// hands below them were read.
	Hour, Minute, Second int
	TwelveHours          bool           // the dial goes round twice a day
	Zone                 *time.Location // what the clock keeps; nil: UTC
}

// ParseHands reads "18:20:41", or "20:41" for the minute and second hands, or
// "41" for the second hand alone.
func ParseHands(text string) (Hands, error) {
	h := Hands{Hour: -1, Minute: -1}
	parts := strings.Split(text, ":")
	places := []struct {
		to   *int
		last int
		name string
	}{{&h.Hour, 24, "hour"}, {&h.Minute, 59, "minute"}, {&h.Second, 59, "second"}}
	if len(parts) > len(places) {
		return Hands{}, fmt.Errorf("hands %q: more than hours, minutes and seconds; write 18:20:41", text)
	}
	for i, p := range places[len(places)-len(parts):] {
		n, err := strconv.ParseUint(parts[i], 10, 8)
		if err != nil || int(n) > p.last || len(parts[i]) > 2 {
			return Hands{}, fmt.Errorf("hands %q: the %s must be 0 to %d; write 18:20:41", text, p.name, p.last)
		}
		*p.to = int(n)
	}
	h.Hour %= 24 // some dials write 24 for 0
	return h, nil
}

// Setting tells how far the hands are from the time they should show. The
// parts are hands minus time: positive ones are ahead.
type Setting struct {
	Hours, Minutes, Seconds int
	// WholeSeconds is all of it, as far as the hands were read.
	WholeSeconds int
	// MinutesRead and HoursRead say whether those hands were read.
	MinutesRead, HoursRead bool
	East                   int  // of Greenwich, what the clock's zone is ahead of UTC, s
	UT1                    bool // the clock keeps UT1
}

// ZoneForgotten reports whether the hands would be right but for the zone.
func (s Setting) ZoneForgotten() bool {
	return s.East != 0 && s.East%3600 == 0 && s.Hours == -s.East/3600
}

// Compare tells how to set hands that were read at a UTC time. That is rounded
// to the nearest second, so pressing a key as the second hand passes a mark is
// good enough. A difference is told the short way round the dial.
func (h Hands) Compare(utc time.Time) Setting {
	return h.compare(utc)
}

// CompareUT1 does the same for a clock that keeps UT1, given DUT1 = UT1 − UTC
// in seconds.
func (h Hands) CompareUT1(utc time.Time, dut1Seconds float64) Setting {
	s := h.compare(utc.Add(time.Duration(dut1Seconds * float64(time.Second))))
	s.UT1 = true
	return s
}

// OffsetToUT1 turns an offset from UTC, seconds, positive ahead, into one from
// UT1, given DUT1 = UT1 − UTC.
func OffsetToUT1(offsetSeconds, dut1Seconds float64) float64 { return offsetSeconds - dut1Seconds }

func (h Hands) compare(scale time.Time) Setting {
	zone := h.Zone
	if zone == nil {
		zone = time.UTC
	}
	local := scale.Round(time.Second).In(zone)

	shown, should, round := h.Second, local.Second(), 60
	if h.Minute >= 0 {
		shown += 60 * h.Minute
		should += 60 * local.Minute()
		round = 3600
		if h.Hour >= 0 {
			shown += 3600 * h.Hour
			should += 3600 * local.Hour()
			round = 24 * 3600
			if h.TwelveHours {
				round /= 2
			}
		}
	}
	s := Setting{WholeSeconds: shortWay(shown-should, round), MinutesRead: h.Minute >= 0, HoursRead: h.Hour >= 0}
	_, s.East = local.Zone()
	s.Hours = nearest(s.WholeSeconds, 3600)
	s.Minutes = nearest(s.WholeSeconds-3600*s.Hours, 60)
	s.Seconds = s.WholeSeconds - 3600*s.Hours - 60*s.Minutes
	return s
}

// shortWay takes n into (-round/2, round/2].
func shortWay(n, round int) int {
	n = (n%round + round) % round
	if n > round/2 {
		n -= round
	}
	return n
}

// nearest is n/unit to the nearest whole number, halves towards zero.
func nearest(n, unit int) int {
	if n < 0 {
		return -nearest(-n, unit)
	}
	return (n + (unit-1)/2) / unit
}

// Nearest returns the time nearest to rough whose second of the minute is the
// one read at second N: what a rough idea of the time comes to when a station
// sends no code. It is good only if rough is within half a minute and Second
// is known.
func (r *Reading) Nearest(rough time.Time) time.Time {
	rough = rough.UTC()
	t := rough.Truncate(time.Minute).Add(time.Duration(r.Second.Value) * time.Second)
	switch d := rough.Sub(t); {
	case d > 30*time.Second:
		t = t.Add(time.Minute)
	case d < -30*time.Second:
		t = t.Add(-time.Minute)
	}
	return t
}
