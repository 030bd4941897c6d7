package find

import (
	"math"
	"testing"

	"timeball/detect/tick/recognise"
)

// What stands for a tick and against it, each just beyond and within what decides: in
// nats, ln 1e4 = 9.2, ln 100 = 4.6 and ln 10 = 2.3, and in seconds.
func TestStanding(t *testing.T) {
	// Five minutes of a tick that is clear, of a minute that is hardly made out.
	plain := evidence{
		order: recognise.Order{Known: 3, Kept: 8, Due: 20, Clear: 290, Rival: -20}, form: recognise.Alone, tick: 30,
		named: true, alone: true, listened: 300, seconds: 300,
	}
	if plain.standing() != AsNamed {
		t.Fatal("it is not taken as named")
	}
	for _, c := range []struct {
		name            string
		beyond, within  func(e *evidence)
		standing, other Standing // beyond, and within
	}{
		{"known by form and order", func(e *evidence) { e.order.Known = 4.7 }, func(e *evidence) { e.order.Known = 4.5 }, Known, AsNamed},
		{"known by order alone", func(e *evidence) { e.form, e.named, e.order.Known = recognise.Untold, false, 9.3 },
			func(e *evidence) { e.form, e.named, e.order.Known = recognise.Untold, false, 9.1 }, Known, Unknown},
		{"but for a part that is missed", func(e *evidence) { e.order.Known, e.order.Least = 8, -4.7 },
			func(e *evidence) { e.order.Known, e.order.Least = 8, -4.5 }, AsNamed, Known},
		{"a part is missed", func(e *evidence) { e.order.Least = -9.3 }, func(e *evidence) { e.order.Least = -9.1 }, Unknown, AsNamed},
		{"a rival of one named alone", func(e *evidence) { e.listened, e.order.Rival = 119, 9.3 }, func(e *evidence) { e.listened, e.order.Rival = 119, 9.1 }, Unknown, AsNamed},
		{"after two minutes", func(e *evidence) { e.order.Rival = 4.7 }, func(e *evidence) { e.order.Rival = 4.5 }, Unknown, AsNamed},
		{"a rival of one of several", func(e *evidence) { e.alone, e.order.Rival = false, -4.5 },
			func(e *evidence) { e.alone, e.order.Rival = false, -4.7 }, Unknown, AsNamed},
		{"order that is due and does not tell", func(e *evidence) { e.order.Known = 2.2 }, func(e *evidence) { e.order.Known = 2.4 }, Unknown, AsNamed},
		{"but for the station's own sounds", func(e *evidence) { e.order.Known, e.order.Kept = 0.1, 9.1 },
			func(e *evidence) { e.order.Known, e.order.Kept = 0.1, 9.3 }, Unknown, AsNamed},
		{"not due before two minutes", func(e *evidence) { e.order.Known, e.listened = 0, 121 },
			func(e *evidence) { e.order.Known, e.listened = 0, 119 }, Unknown, AsNamed},
		{"nor in a fade", func(e *evidence) { e.order.Known, e.order.Clear = 0, 61 },
			func(e *evidence) { e.order.Known, e.order.Clear = 0, 59 }, Unknown, AsNamed},
		{"but for what something unknown explains better", func(e *evidence) { e.order.Known, e.order.Clear = -0.1, 59 },
			func(e *evidence) { e.order.Known, e.order.Clear, e.order.Kept = -0.1, 59, 9.3 }, Unknown, AsNamed},
		{"nor of weak ticks", func(e *evidence) { e.order.Known, e.order.Due = 0, 9.3 },
			func(e *evidence) { e.order.Known, e.order.Due = 0, 9.1 }, Unknown, AsNamed},
		{"nor with another station", func(e *evidence) { e.order.Known, e.order.Kept = -40, 18 },
			func(e *evidence) { e.order.Known, e.order.Kept = -40, 19 }, Unknown, AsNamed},
		{"whose minute is whole", func(e *evidence) { e.order.Known, e.order.Kept, e.order.Least = -40, 19, -2.4 },
			func(e *evidence) { e.order.Known, e.order.Kept, e.order.Least = -40, 19, -2.2 }, Unknown, AsNamed},
		{"once contrary", func(e *evidence) { e.contrary, e.order.Clear, e.order.Known = true, 50, -0.1 },
			func(e *evidence) { e.contrary, e.order.Clear, e.order.Known = true, 50, 0.1 }, Unknown, AsNamed},
		{"no minute of the station's", func(e *evidence) { e.order.Kept = -9.3 }, func(e *evidence) { e.order.Kept = -9.1 }, Unknown, AsNamed},
		{"weak", func(e *evidence) { e.weak, e.order.Kept = true, 9.1 }, func(e *evidence) { e.weak, e.order.Kept = true, 9.3 }, Unknown, AsNamed},
		{"struck", func(e *evidence) { e.tick, e.order.Kept = 2, 2.5 }, func(e *evidence) { e.tick, e.order.Kept = 2, 2.7 }, Unknown, AsNamed},
		{"too short to tell a form", func(e *evidence) { e.seconds = 7 }, func(e *evidence) { e.seconds = 8 }, Unknown, AsNamed},
		{"not alone at its tone", func(e *evidence) { e.form = recognise.Repeated }, func(e *evidence) { e.form = recognise.Untold }, Unknown, AsNamed},
		{"a look-alike", func(e *evidence) { e.lookalike = true }, func(e *evidence) { e.lookalike, e.order.Known = true, 4.7 }, Unknown, Known},
		{"what sounds with it", func(e *evidence) { e.form, e.named, e.order.Known = recognise.Mixed, false, 19.1 },
			func(e *evidence) { e.form, e.named, e.order.Known = recognise.Mixed, false, 19.3 }, Unknown, Known},
	} {
		beyond, within := plain, plain
		c.beyond(&beyond)
		c.within(&within)
		if got := beyond.standing(); got != c.standing {
			t.Errorf("%s: beyond it %d, want %d", c.name, got, c.standing)
		}
		if got := within.standing(); got != c.other {
			t.Errorf("%s: within it %d, want %d", c.name, got, c.other)
		}
	}
	if math.Abs(known-math.Log(1e4)) > 0.02 || math.Abs(rivalOdds-math.Log(100)) > 0.02 || math.Abs(told-math.Log(10)) > 0.02 {
		t.Error("the odds are not what they are said to be")
	}
}
