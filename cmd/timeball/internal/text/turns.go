package text

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"timeball/align"
)

// turning says what is left to turn, how the hand goes, or what is still to be told
// for that.
func turning(g *align.Turning) string {
	switch {
	case g.Going == align.Leaving && g.ToGo != nil:
		return "turn back: " + toGo(g)
	case g.Going == align.Leaving:
		return "turn back: this leads away"
	case g.Going == align.SlowDown:
		if g.ToGo == nil {
			return "slow down"
		}
		return "slow down: " + toGo(g)
	case g.Going == align.Nearing:
		if g.ToGo == nil {
			return fmt.Sprintf("at this speed %s to go", soon(*g.Left))
		}
		return fmt.Sprintf("at this speed %s: %s", soon(*g.Left), toGo(g))
	}
	switch g.Known {
	case align.Tried:
		if g.ToGo != nil {
			return toGo(g)
		}
	case align.TriedOnce:
		return fmt.Sprintf("%s %s; once more, say so, and what is to go is told", one(g.Unit), does(g.Each))
	case align.AtOdds:
		return fmt.Sprintf("the last adjustment does not fit those before: %s a %s; make another, and say so", Short(math.Abs(g.Each)), g.Unit)
	case align.Unmoved:
		return "the marker has not moved: nothing was learned of that"
	}
	return ""
}

// one names a unit as it is counted.
func one(u align.Unit) string {
	if u == align.InPresses {
		return "a press"
	}
	return "a turn clockwise"
}

func does(each float64) string {
	if each < 0 {
		return "advances by " + Short(-each)
	}
	return "retards by " + Short(each)
}

// toGo says how much is left: about so many turns that way, or presses.
func toGo(g *align.Turning) string {
	way := " clockwise"
	switch {
	case g.Unit == align.InPresses && *g.ToGo < 0:
		way = " of the other button"
	case g.Unit == align.InPresses:
		way = ""
	case *g.ToGo < 0:
		way = " anticlockwise"
	}
	n, half := math.Abs(*g.ToGo), 1.96**g.UToGo
	switch finest := finest(g.Unit); {
	case half >= n:
		return fmt.Sprintf("at most %s%s to go", counted(n+half, g.Unit, math.Ceil), way)
	case n < finest/2:
		return fmt.Sprintf("less than %s%s to go", counted(finest, g.Unit, math.Round), way)
	case half > max(finest, n/4):
		return fmt.Sprintf("%s to %s%s to go", amount(n-half, g.Unit, math.Floor), counted(n+half, g.Unit, math.Ceil), way)
	}
	return fmt.Sprintf("about %s%s to go", counted(n, g.Unit, math.Round), way)
}

// finest is the least part of a unit that is told, which an eye can judge on a crank.
func finest(u align.Unit) float64 {
	if u == align.InPresses {
		return 1
	}
	return 0.25
}

// signs are those of the quarters.
var signs = [4]string{"", "¼", "½", "¾"}

// amount writes a number of units, rounded: to quarters below 2, halves below 10.
func amount(n float64, u align.Unit, round func(float64) float64) string {
	part := finest(u)
	switch {
	case n >= 10:
		part = 1
	case n >= 2:
		part = max(part, 0.5)
	}
	n = round(n/part) * part
	whole, rest := math.Modf(n)
	fraction := signs[int(4*rest)]
	switch {
	case fraction == "":
		return fmt.Sprintf("%.0f", whole)
	case whole == 0:
		return fraction
	}
	return fmt.Sprintf("%.0f%s", whole, fraction)
}

// counted is an amount with its unit.
func counted(n float64, u align.Unit, round func(float64) float64) string {
	text := amount(n, u, round)
	name := string(u)
	switch {
	case text == "1" || slices.Contains(signs[1:], text):
	case u == align.InPresses:
		name = "presses"
	default:
		name = "turns"
	}
	return text + " " + name
}

// Adjusted says what a person says they did.
func Adjusted(a align.Adjusted) string {
	if a.Way == align.Press {
		return "pressed " + times(a.Count)
	}
	if a.Count == 1 {
		return "turned once " + string(a.Way)
	}
	return fmt.Sprintf("turned %g turns %s", a.Count, a.Way)
}

func times(n float64) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%g times", n)
}

// Turns says what is left to turn, or how the hand goes; nothing where the hand had
// better leave the clock alone.
func Turns(s *align.Second, tolerance float64) string {
	if s.Turning == nil || s.Offset == nil || s.Verdict != align.Found {
		return ""
	}
	if do := Action(s, tolerance); do != Retard && do != Advance {
		return ""
	}
	return s.Turning.Says
}

// Spoken is what to do in a word, and that with its figure as it is spoken; nothing
// where there is no offset to act on.
func Spoken(s *align.Second, tolerance float64) (do, words string) {
	if s.Offset == nil || s.Verdict != align.Found {
		return "", ""
	}
	do = Action(s, tolerance)
	if do != Retard && do != Advance {
		return do, do
	}
	if g := s.Turning; g != nil && (g.Going == align.Leaving || g.Going == align.SlowDown) {
		said := map[align.Going]string{align.Leaving: "turn back", align.SlowDown: "slow down"}[g.Going]
		return said, said
	}
	if g := s.Turning; g != nil && g.ToGo != nil {
		return do, fmt.Sprintf("%s, %s", do, spelled(toGo(g)))
	}
	return do, fmt.Sprintf("%s, %s", do, spelled(Short(math.Abs(*s.Offset))))
}

// spelled writes signs and units as they are spoken.
func spelled(s string) string {
	for _, r := range [][2]string{{"½", ".5"}, {"¼", ".25"}, {"¾", ".75"}} {
		s = strings.ReplaceAll(s, " "+r[0], " 0"+r[1])
		s = strings.ReplaceAll(s, r[0], r[1])
	}
	for _, u := range [][2]string{{" s", " seconds"}, {" ms", " milliseconds"}, {" µs", " microseconds"}, {" ns", " nanoseconds"}} {
		if head, ok := strings.CutSuffix(s, u[0]); ok {
			return head + u[1]
		}
	}
	return s
}
