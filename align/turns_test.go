package align

import (
	"math"
	"math/rand/v2"
	"testing"
)

// crank is a clock with a phase adjustment under a person's hand.
type crank struct {
	t      *testing.T
	turns  *Turns
	second Second
	each   float64 // what a turn clockwise adds to the marker's time, s
	noise  func() float64
	true   float64 // offset
}

func newCrank(t *testing.T, offset, each float64, turns *Turns) *crank {
	r := rand.New(rand.NewPCG(1, 2))
	c := &crank{t: t, turns: turns, each: each, true: offset, noise: func() float64 { return 20e-9 * r.NormFloat64() }}
	c.second.Marker.Channel, c.second.Marker.Jitter, c.second.Verdict = 2, 50e-9, Found
	return c
}

// turn lets seconds pass while the hand turns evenly, by so many turns clockwise in
// all, and returns the last.
func (c *crank) turn(seconds int, turns float64) *Turning {
	var g *Turning
	for range seconds {
		by := c.each * turns / float64(seconds)
		c.true -= by
		c.second.T, c.second.Count = c.second.T+1, c.second.Count+1
		c.second.Marker.Step = by
		c.second.Marker.Moved += by + c.noise()
		x, u := c.true, 5e-6
		c.second.Offset, c.second.U, c.second.CI95 = &x, &u, &[2]float64{x - 2*u, x + 2*u}
		g = c.turns.follow(&c.second)
	}
	return g
}

func (c *crank) rest() *Turning { return c.turn(6, 0) }

// once turns, rests and says so.
func (c *crank) once(seconds int, turns float64, said Adjusted) *Turning {
	c.turn(seconds, turns)
	c.turn(1, 0)
	c.turns.Say(said)
	return c.rest()
}

// After two adjustments with a word it is known how many turns are left.
func TestTurnsToGo(t *testing.T) {
	for _, tt := range []struct {
		name         string
		offset, each float64
		words        [2]Adjusted
		turned       [2]float64 // clockwise
		unit         Unit
		left         float64
	}{
		{"clockwise retards", 12e-3, 2e-3, [2]Adjusted{{Clockwise, 1}, {Clockwise, 1}}, [2]float64{1, 1}, InTurns, 4},
		{"clockwise advances", 12e-3, -2e-3, [2]Adjusted{{Clockwise, 1}, {Clockwise, 2}}, [2]float64{1, 2}, InTurns, -9},
		{"one each way", -7e-3, 2e-3, [2]Adjusted{{Clockwise, 1}, {Anticlockwise, 1}}, [2]float64{1, -1}, InTurns, -3.5},
		{"presses", 12e-3, 1e-3, [2]Adjusted{{Press, 1}, {Press, 3}}, [2]float64{1, 3}, InPresses, 8},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := newCrank(t, tt.offset, tt.each, new(Turns))
			if g := c.rest(); g.Known != Untried || g.ToGo != nil {
				t.Errorf("before anything %+v", g)
			}
			if g := c.once(2, tt.turned[0], tt.words[0]); g.Known != TriedOnce || g.ToGo != nil {
				t.Errorf("after one adjustment %+v", g)
			}
			g := c.once(3, tt.turned[1], tt.words[1])
			if g.Known != Tried || g.Unit != tt.unit || g.ToGo == nil {
				t.Fatalf("after two %+v", g)
			}
			if math.Abs(*g.ToGo-tt.left) > 0.01 || math.Abs(g.Each-tt.each) > 1e-6 || !(g.U > 0) {
				t.Errorf("%v to go of %v ± %v s, want %v of %v s", *g.ToGo, g.Each, g.U, tt.left, tt.each)
			}
		})
	}
}

// The uncertainty of a turn is that of hands that stop a little too soon or too late.
func TestTurnsUncertainty(t *testing.T) {
	const rounds, each, hand = 600, 2e-3, 0.05
	r := rand.New(rand.NewPCG(3, 4))
	within, sum := 0, 0.0
	for range rounds {
		turns := new(Turns)
		for range 3 {
			n := float64(1 + r.IntN(2))
			turns.moves = append(turns.moves, movement{by: each * (n + hand*r.NormFloat64()), unit: InTurns, count: n})
		}
		l := turns.lesson()
		sum += (l.each - each) * (l.each - each) / (l.u * l.u)
		if math.Abs(l.each-each) <= 1.96*l.u {
			within++
		}
	}
	// 95 % of 600, with 4 standard deviations of the count on either side.
	if within < 549 || within > 591 {
		t.Errorf("%d of %d within 95 %% intervals, mean square %.2f", within, rounds, sum/rounds)
	}
}

// What is said beforehand stands for the first adjustments, without a key.
func TestTurnsExpected(t *testing.T) {
	c := newCrank(t, 12e-3, -2e-3, &Turns{Expect: &Adjusted{Anticlockwise, 1}})
	c.rest()
	c.turn(2, -1)
	if g := c.rest(); g.Known != TriedOnce {
		t.Errorf("%+v", g)
	}
	c.turn(2, -1)
	if g := c.rest(); g.Known != Tried || math.Abs(*g.ToGo+4) > 0.01 {
		t.Errorf("%+v", g)
	}
	// Now any number may be turned, and nobody need count them.
	c.turn(3, -2.6)
	if g := c.rest(); g.Known != Tried || math.Abs(*g.ToGo+1.4) > 0.01 {
		t.Errorf("%+v", g)
	}
	// A word goes before what was expected.
	c = newCrank(t, 12e-3, 2e-3, &Turns{Expect: &Adjusted{Clockwise, 1}})
	c.rest()
	if g := c.once(2, 2, Adjusted{Clockwise, 2}); math.Abs(g.Each-2e-3) > 1e-6 {
		t.Errorf("%+v", g)
	}
}

// Movements without a word teach nothing, and leave what is known as it is.
func TestTurnsWithoutWord(t *testing.T) {
	c := newCrank(t, 30e-3, 2e-3, new(Turns))
	c.rest()
	c.turn(4, 3)
	c.turn(30, 0)
	c.turn(2, 1)
	if g := c.turn(30, 0); g.Known != Untried || g.Each != 0 {
		t.Errorf("%+v", g)
	}
	// A word too late, and one where nothing moved.
	c.turns.Say(Adjusted{Clockwise, 1})
	if g := c.rest(); g.Known != Unmoved || g.Each != 0 {
		t.Errorf("%+v", g)
	}
	c.once(2, 1, Adjusted{Clockwise, 1})
	g := c.once(2, 1, Adjusted{Clockwise, 1})
	if g.Known != Tried || math.Abs(*g.ToGo-9) > 0.01 {
		t.Fatalf("%+v", g)
	}
	c.turn(5, 3.7)
	if g := c.turn(30, 0); math.Abs(*g.ToGo-5.3) > 0.01 {
		t.Errorf("%+v", g)
	}
}

// A word may come while the hand still turns, before the pulse that shows it, or
// piece by piece.
func TestTurnsWordsInTime(t *testing.T) {
	c := newCrank(t, 30e-3, 2e-3, new(Turns))
	c.rest()
	c.turns.Say(Adjusted{Clockwise, 1}) // the pulse comes after it
	c.turn(2, 1)
	if g := c.rest(); math.Abs(g.Each-2e-3) > 1e-6 {
		t.Errorf("before it was seen: %+v", g)
	}
	c.turn(2, 1)
	c.turns.Say(Adjusted{Clockwise, 1})
	c.turn(2, 1)
	c.turns.Say(Adjusted{Clockwise, 1})
	if g := c.rest(); g.Known != Tried || math.Abs(g.Each-2e-3) > 1e-6 {
		t.Errorf("piece by piece: %+v", g)
	}
	// Told at once after the next one has begun, though not yet seen.
	c.turns.Say(Adjusted{Clockwise, 1})
	c.turn(1, 1)
	if g := c.rest(); g.Known != Tried || math.Abs(g.Each-2e-3) > 1e-6 {
		t.Errorf("one after another: %+v", g)
	}
}

// A hand that goes too far and back again counts by where it stopped.
func TestTurnsOvershoot(t *testing.T) {
	c := newCrank(t, 9e-3, 2e-3, new(Turns))
	c.rest()
	c.turn(2, 1.4)
	c.turn(1, 0)
	c.once(1, -0.4, Adjusted{Clockwise, 1})
	g := c.once(2, 1, Adjusted{Clockwise, 1})
	if g.Known != Tried || math.Abs(*g.ToGo-2.5) > 0.01 {
		t.Fatalf("%+v", g)
	}
	// Past zero it is the other way, and said while the hand still goes.
	g = c.turn(1, 0.5)
	if g.Going != Nearing && g.Going != SlowDown || g.Left == nil || math.Abs(*g.Left-4) > 0.1 {
		t.Errorf("%+v", g)
	}
	if g = c.turn(2, 1); g.Going != SlowDown || math.Abs(*g.Left-2) > 0.1 || math.Abs(g.Speed-1e-3) > 1e-6 {
		t.Errorf("%+v", g)
	}
	if g = c.turn(3, 3); g.Going != Leaving || g.Left != nil || *g.ToGo > -1.9 {
		t.Errorf("%+v", g)
	}
	if g = c.rest(); g.Going != AtRest || g.Speed != 0 || math.Abs(*g.ToGo+2) > 0.01 {
		t.Errorf("%+v", g)
	}
}

// A miscounted adjustment is not averaged with the others.
func TestTurnsAtOdds(t *testing.T) {
	c := newCrank(t, 40e-3, 2e-3, new(Turns))
	c.rest()
	c.once(2, 1, Adjusted{Clockwise, 1})
	if g := c.once(2, 2, Adjusted{Clockwise, 1}); g.Known != AtOdds || g.ToGo != nil {
		t.Errorf("%+v", g)
	}
	c.once(2, 1, Adjusted{Clockwise, 1})
	if g := c.once(2, 1, Adjusted{Clockwise, 1}); g.Known != Tried || math.Abs(*g.ToGo-15) > 0.01 {
		t.Errorf("%+v", g)
	}
	if g := c.once(2, 1, Adjusted{Anticlockwise, 1}); g.Known != AtOdds { // the word was the wrong one
		t.Errorf("%+v", g)
	}
}

// What is known outlasts a measurement that is begun afresh.
func TestTurnsOutliveMeasurement(t *testing.T) {
	turns := new(Turns)
	c := newCrank(t, 12e-3, 2e-3, turns)
	c.rest()
	c.once(2, 1, Adjusted{Clockwise, 1})
	c.once(2, 1, Adjusted{Clockwise, 1})
	c = newCrank(t, c.true, 2e-3, turns)
	if g := c.rest(); g.Known != Tried || math.Abs(*g.ToGo-4) > 0.01 {
		t.Errorf("%+v", g)
	}
}

// Without a direction there is nothing to go.
func TestTurnsWithoutPath(t *testing.T) {
	c := newCrank(t, 12e-3, 2e-3, new(Turns))
	c.rest()
	c.once(2, 1, Adjusted{Clockwise, 1})
	c.once(2, 1, Adjusted{Clockwise, 1})
	c.second.Verdict = NoPath
	if g := c.turn(2, 1); g.ToGo != nil || g.Going != AtRest {
		t.Errorf("%+v", g)
	}
}
