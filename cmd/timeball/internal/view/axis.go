package view

import (
	"math"
	"strings"
	"unicode/utf8"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

const (
	leastAxis = 20   // characters of an axis that still tells something
	mostSpan  = 0.5  // s to either side: an offset is no larger
	leastSpan = 1e-8 // s
)

// axis draws the marker around the UTC second in one line, later to the right; "" where
// there is nothing to draw, or no room. With the interval as it is, stop comes while
// the marker stands in the zone of ▬.
func (v view) axis(width int) string {
	s := v.now
	if s.Offset == nil || s.Verdict == align.NoPath {
		return ""
	}
	x := *s.Offset
	half := span(max(1.1*math.Abs(x), 1.25*v.tolerance))
	early, late := s.CI95[1]-x-v.tolerance, v.tolerance-(x-s.CI95[0])
	left, right, key := text.Short(half)+" early ", " "+text.Short(half)+" late", "  ▼ marker"
	if early < late {
		key += " ▬ stop"
	}
	cells := width - utf8.RuneCountInString(left+right)
	if n := utf8.RuneCountInString(key); cells-n >= leastAxis {
		cells -= n
	} else {
		key = ""
	}
	cells = (cells-1)/2*2 + 1 // one is in the middle
	if cells < leastAxis {
		return ""
	}
	at := func(t float64) int {
		return max(0, min(cells/2+int(math.Round(t/half*float64(cells/2))), cells-1))
	}
	line := []rune(strings.Repeat("·", cells))
	if early < late {
		for i := at(early); i <= at(late); i++ {
			line[i] = '▬'
		}
	}
	line[at(-v.tolerance)], line[at(v.tolerance)] = '[', ']'
	line[at(0)] = '│'
	line[at(-x)] = '▼' // a clock that is ahead ticks before UTC
	return left + string(line) + right + key
}

// span is the least of 1, 2 and 5 with a power of ten that holds seconds.
func span(seconds float64) float64 {
	for at := leastSpan; ; at *= 10 {
		for _, digit := range []float64{1, 2, 5} {
			if s := digit * at; s >= min(seconds, mostSpan)*(1-1e-9) {
				return s
			}
		}
	}
}
