package find

import (
	"math"

	"timeball/capture/station"
	"timeball/detect/tick/timing"
)

// longestFilter bounds the matched filter: of longer marks only the onset is
// used, since it alone tells the second and all lengths of mark share it.
const longestFilter = 10e-3 // s

// shapeOf tells which filter finds the station's second marks.
func shapeOf(s *station.Station) timing.Shape {
	shortest, longest := math.Inf(1), 0.0
	minute := plainMinute(s)
	for second := 1; second < 60; second++ {
		if m, ok := s.MarkAt(minute, second); ok {
			shortest = min(shortest, m.Length)
			longest = max(longest, m.Length)
		}
	}
	if longest > longestFilter {
		return timing.Shape{ToneHz: s.ToneHz, Seconds: min(shortest, longestFilter), Onset: true}
	}
	return timing.Shape{ToneHz: s.ToneHz, Seconds: shortest}
}

// plainMinute is a minute of the hour in which the station sends second marks,
// not the hour's first.
func plainMinute(s *station.Station) int {
	for minute := 1; minute < 60; minute++ {
		for second := 1; second < 60; second++ {
			if _, ok := s.MarkAt(minute, second); ok {
				return minute
			}
		}
	}
	return 0
}
