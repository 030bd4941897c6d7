package text

import (
	"testing"

	"timeball/align"
	"timeball/cmd/timeball/internal/testkit"
)

func TestTurns(t *testing.T) {
	known := func(u align.Unit, n, half float64) *align.Turning {
		u95 := half / 1.96
		return &align.Turning{Unit: u, Known: align.Tried, Each: 1e-3, ToGo: &n, UToGo: &u95, Going: align.AtRest}
	}
	going := func(g align.Going, left float64) *align.Turning {
		k := known(align.InTurns, 2.6, 0.2)
		k.Going, k.Left = g, &left
		return k
	}
	for _, c := range []struct {
		g    *align.Turning
		want string
	}{
		{known(align.InTurns, 2.6, 0.2), "about 2½ turns clockwise to go"},
		{known(align.InTurns, -1.2, 0.2), "about 1¼ turns anticlockwise to go"},
		{known(align.InTurns, 1.05, 0.2), "about 1 turn clockwise to go"},
		{known(align.InTurns, -0.3, 0.1), "about ¼ turn anticlockwise to go"},
		{known(align.InTurns, 0.05, 0.01), "less than ¼ turn clockwise to go"},
		{known(align.InTurns, 3, 1), "2 to 4 turns clockwise to go"},
		{known(align.InTurns, 0.4, 0.5), "at most 1 turn clockwise to go"},
		{known(align.InTurns, 23.7, 0.5), "about 24 turns clockwise to go"},
		{known(align.InPresses, 3.1, 0.2), "about 3 presses to go"},
		{known(align.InPresses, -1.1, 0.2), "about 1 press of the other button to go"},
		{going(align.Nearing, 12), "at this speed 10 s: about 2½ turns clockwise to go"},
		{going(align.SlowDown, 3), "slow down: about 2½ turns clockwise to go"},
		{going(align.Leaving, 0), "turn back: about 2½ turns clockwise to go"},
		{&align.Turning{Unit: align.InTurns, Known: align.Untried, Going: align.SlowDown}, "slow down"},
		{&align.Turning{Unit: align.InTurns, Known: align.Untried, Going: align.Nearing, Left: new(20.)}, "at this speed 20 s to go"},
		{&align.Turning{Unit: align.InTurns, Known: align.Untried, Going: align.Leaving}, "turn back: this leads away"},
		{&align.Turning{Unit: align.InTurns, Known: align.TriedOnce, Each: -2e-3, Going: align.AtRest}, "a turn clockwise advances by 2 ms; once more, say so, and what is to go is told"},
		{&align.Turning{Unit: align.InPresses, Known: align.TriedOnce, Each: 1e-3, Going: align.AtRest}, "a press retards by 1 ms; once more, say so, and what is to go is told"},
		{&align.Turning{Unit: align.InTurns, Known: align.AtOdds, Each: 4e-3, Going: align.AtRest}, "the last adjustment does not fit those before: 4 ms a turn; make another, and say so"},
		{&align.Turning{Unit: align.InTurns, Known: align.Unmoved, Going: align.AtRest}, "the marker has not moved: nothing was learned of that"},
		{&align.Turning{Unit: align.InTurns, Known: align.Untried, Going: align.AtRest}, ""},
	} {
		s := testkit.Second(12e-3, 0.1e-3)
		s.Turning = c.g
		s = Second(s)
		if got := Turns(&s, 1e-3); got != c.want {
			t.Errorf("%+v: %q, want %q", *c.g, got, c.want)
		}
		if got := Turns(&s, 20e-3); got != "" {
			t.Errorf("within the tolerance %q", got)
		}
		s.Verdict = align.NoPath
		if got := Turns(&s, 1e-3); got != "" {
			t.Errorf("without a path %q", got)
		}
	}
}

func TestSpoken(t *testing.T) {
	s := testkit.Second(12.3456e-3, 0.1e-3)
	check := func(name, want string) {
		t.Helper()
		if _, got := Spoken(&s, 1e-3); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	check("ahead", "retard, 12.3 milliseconds")
	n, u := -2.5, 0.01
	s.Turning = &align.Turning{Unit: align.InTurns, Known: align.Tried, ToGo: &n, UToGo: &u}
	check("turns", "retard, about 2.5 turns anticlockwise to go")
	n = 0.5
	check("half a turn", "retard, about 0.5 turn clockwise to go")
	s.Turning.Going = align.SlowDown
	check("nearly there", "slow down")
	s.Turning.Going = align.Leaving
	check("past it", "turn back")
	s.Verdict = align.NoPath
	check("no path", "")
	s = testkit.Second(0.1e-3, 0.1e-3)
	check("set", "stop")
}
