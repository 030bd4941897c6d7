// Package sound says by tones what a hand on the adjustment is to do, for who
// cannot look: which way, how far, and when to stop.
package sound

import (
	"math"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

// Tone is a part of a cue.
type Tone struct {
	Hz      float64 `json:"hz"` // 0: silence
	Seconds float64 `json:"s"`
}

// The two pitches are an octave apart, which no ear confuses, and away from the
// stations' ticks at 1000 and 1200 Hz.
const (
	AdvanceHz = 700. // the marker is to come earlier: high
	RetardHz  = 350. // later: low
	// short is how long a tone of direction lasts, s; whole is the part of a second
	// that a cue fills, so that the next finds it ended.
	short, whole = 0.07, 0.95
	// most is the number of tones a second next to the tolerance; it is one at
	// farthest times the tolerance and beyond.
	most, farthest = 6, 1000
	// A stop is an unbroken change between the pitches, which no direction has.
	stopPart, stopParts = 0.2, 4
	// It sounds so often in a row, and then once in so many seconds.
	stopRow, stopEvery = 5, 10
)

// Cues makes the cues of one second after another. The zero value is ready.
type Cues struct {
	stops int // in a row
}

// Next is what is to be heard of a second: nothing, where it gives no direction. A
// high tone means advance, a low one retard; there are the more of them the nearer
// the tolerance is; and both in turn without a pause mean: hands off.
func (c *Cues) Next(s *align.Second, tolerance float64) []Tone {
	do := ""
	if s.Offset != nil && s.Verdict == align.Found {
		do = text.Action(s, tolerance)
	}
	hz := RetardHz
	switch do {
	case text.Advance:
		hz = AdvanceHz
	case text.Retard:
	case text.Stop, text.Hold:
		c.stops++
		if c.stops > stopRow && c.stops%stopEvery != 0 {
			return nil
		}
		var all []Tone
		for i := range stopParts {
			all = append(all, Tone{[2]float64{RetardHz, AdvanceHz}[i%2], stopPart})
		}
		return append(all, Tone{0, whole - stopPart*stopParts})
	default:
		c.stops = 0
		return nil
	}
	c.stops = 0
	n := count(math.Abs(*s.Offset) / tolerance)
	var all []Tone
	for range n {
		all = append(all, Tone{hz, short}, Tone{0, whole/float64(n) - short})
	}
	return all
}

// Stopped reports whether the latest cue was to stop.
func (c *Cues) Stopped() bool { return c.stops > 0 }

// count is the number of tones a second at so many times the tolerance: one less
// for each like factor.
func count(times float64) int {
	steps := math.Log(times) / math.Log(farthest) * most
	return max(1, most-max(0, int(math.Floor(steps))))
}
