package align

import (
	"math"
	"slices"
)

// Way is what a hand does to a clock's phase adjustment: it turns a crank or a
// screw one way or the other, or it presses a button.
type Way string

const (
	Clockwise     Way = "clockwise"
	Anticlockwise Way = "anticlockwise"
	Press         Way = "press"
)

// Unit is what adjustments are counted in.
type Unit string

const (
	InTurns   Unit = "turn"
	InPresses Unit = "press"
)

// Adjusted is a person's word about an adjustment: so many turns that way, or so
// many presses.
type Adjusted struct {
	Way   Way
	Count float64 // more than 0
}

// in is the word in units of its own kind, clockwise positive.
func (a Adjusted) in() (Unit, float64) {
	switch a.Way {
	case Press:
		return InPresses, a.Count
	case Anticlockwise:
		return InTurns, -a.Count
	}
	return InTurns, a.Count
}

// Turning is the adjustment under a person's hand: what it does, how much of it is
// left to do, and how it goes.
type Turning struct {
	Unit  Unit `json:"unit"`
	Known Grip `json:"known"`
	// Each is by how much one turn clockwise, or one press, makes the marker come
	// later, s; negative: earlier. U is its standard uncertainty. Both are 0 until
	// there is an adjustment with a word.
	Each float64 `json:"each_s"`
	U    float64 `json:"u_each_s"`
	// ToGo is how many bring the offset to zero, negative: anticlockwise, or of
	// another button; null while that is not known.
	ToGo  *float64 `json:"to_go"`
	UToGo *float64 `json:"u_to_go"`
	// Speed is that of the marker under the hand, s of phase a second, positive:
	// it comes later and later. It is 0 at rest.
	Speed float64 `json:"speed"`
	Going Going   `json:"going"`
	// Left is how long it takes at this speed until the offset is zero, s; null
	// unless it comes nearer.
	Left *float64 `json:"left_s"`
	// Says is all that in words, for who shows it.
	Says string `json:"says"`
}

// Grip is how well an adjustment is known.
type Grip string

const (
	Untried   Grip = "untried" // no adjustment has a word yet
	TriedOnce Grip = "once"    // one has: another must confirm it
	Tried     Grip = "known"   // two or more agree
	AtOdds    Grip = "at odds" // the latest contradicts those before it, and stands alone
	Unmoved   Grip = "unmoved" // an adjustment was told, and the marker had not moved
)

// Going is what the hand does to the offset.
type Going string

const (
	AtRest   Going = "at rest"
	Nearing  Going = "nearing"
	SlowDown Going = "slow down" // nearing, and about to pass zero
	Leaving  Going = "leaving"   // the hand goes the wrong way, or has gone too far
)

const (
	// A movement has ended when the marker has rested so long, s: longer than a hand
	// takes to change its hold (common practice).
	handRests = 3
	// A word may come so long before its movement is seen, s: the pulse and its
	// detection take 1.2 s at most, and the hand may just have begun.
	wordBefore = 2
	// And so long after the movement has ended, s: a later one is about something
	// that was not seen (common practice).
	wordAfter = 20
	// leastMove is the least movement of one second, s, and in units of the marker's
	// jitter: what is less may be the refining of an earlier one.
	leastMove, leastMoveJitters = 100e-9, 5
	// A hand stops within a twentieth of a turn of where it meant to, a press is a
	// press (from memory); both weigh as much as so many adjustments.
	turnScatter, pressScatter, scatterWeight = 0.05, 0.01, 3
	// An adjustment that differs by more than this part from what those before it
	// foretell was miscounted, or they were: of one turn counted as two, half.
	atOdds = 0.4
	// The hand is to slow down when so little is left, s: a pulse comes once a second
	// and is shown up to 1.2 s later, to which the person's own time is added.
	slowWithin = 4
	// mostMovements are remembered.
	mostMovements = 16
)

// movement is what the marker did between two rests.
type movement struct {
	from, to float64 // on the sample clock, s
	by       float64 // s, positive later
	unit     Unit
	count    float64 // the person's, in units; 0: no word was said
	assumed  bool    // nobody said so, but beforehand
}

// word is one that waits for its movement to end.
type word struct {
	at    float64
	unit  Unit
	count float64
}

// Turns learns what an adjustment does to the marker: from the movements of the
// marker and from what the person says of them. It outlives a measurement that is
// begun afresh, as the clock's crank stays what it is. The zero value is ready.
type Turns struct {
	// Expect is what each movement is taken for, until the adjustment is known, if
	// nobody says anything else; nil: nothing.
	Expect *Adjusted

	begun   bool
	at      float64 // latest second's sample clock, s
	count   int
	moved   float64 // latest
	shown   float64 // moved at the last rest, s
	moving  bool
	now     movement // while moving
	moves   []movement
	words   []word
	unmoved bool // a word found no movement
	speed   float64
}

// Say takes a person's word about the adjustment that was just made, or is being
// made. Words about one movement add up.
func (t *Turns) Say(a Adjusted) {
	unit, count := a.in()
	t.words = append(t.words, word{t.at, unit, count})
}

// follow takes a second, and says how things stand.
func (t *Turns) follow(s *Second) *Turning {
	if t == nil {
		return nil
	}
	if t.begun && (s.T < t.at || s.Count < t.count) {
		// A new measurement: its marker has moved by nothing.
		t.begun, t.moving, t.words = false, false, nil
		for i := range t.moves {
			t.moves[i].to = math.Inf(-1)
		}
	}
	if s.Marker.Channel > 0 && s.Count > 0 {
		t.move(s)
	}
	t.at, t.count = s.T, s.Count
	t.settle()
	return t.state(s)
}

// move looks whether the marker has moved.
func (t *Turns) move(s *Second) {
	moved, passed := s.Marker.Moved, s.T-t.at
	if !t.begun {
		t.begun, t.moved, t.shown = true, moved, moved
		return
	}
	by := moved - t.moved
	t.moved, t.speed = moved, 0
	switch least := max(leastMove, leastMoveJitters*s.Marker.Jitter); {
	case math.Abs(by) >= least:
		if !t.moving {
			t.moving, t.now = true, movement{from: t.at}
		}
		t.now.to = s.T
		if passed > 0 {
			t.speed = by / passed
		}
	case !t.moving:
		t.shown = moved
	case s.T-t.now.to >= handRests:
		t.moving = false
		t.now.by = moved - t.shown
		t.shown = moved
		if math.Abs(t.now.by) < least {
			return // it came back
		}
		if t.moves = append(t.moves, t.now); len(t.moves) > mostMovements {
			t.moves = slices.Delete(t.moves, 0, 1)
		}
		t.unmoved = false
		if t.Expect != nil && t.lesson().grip != Tried {
			t.moves[len(t.moves)-1].assumed = true
			t.moves[len(t.moves)-1].unit, t.moves[len(t.moves)-1].count = t.Expect.in()
		}
	}
}

// settle gives each word to its movement, once that has ended.
func (t *Turns) settle() {
	for len(t.words) > 0 {
		w := t.words[0]
		if t.at < w.at+wordBefore || t.moving && t.now.from <= w.at+wordBefore {
			return
		}
		t.words = t.words[1:]
		t.unmoved = true
		for i := len(t.moves) - 1; i >= 0; i-- {
			m := &t.moves[i]
			if m.from > w.at+wordBefore {
				continue
			}
			if w.at > m.to+wordAfter {
				break
			}
			if m.assumed || m.unit != w.unit {
				m.assumed, m.unit, m.count = false, w.unit, 0
			}
			m.count += w.count
			t.unmoved = false
			break
		}
	}
}

// lesson is what the movements teach.
type lesson struct {
	grip    Grip
	unit    Unit
	each, u float64
}

// lesson takes the movements that were counted for a line through zero. Each errs
// alike, however many turns it has: a hand begins and stops once. One that
// contradicts those before it starts afresh.
func (t *Turns) lesson() lesson {
	l := lesson{grip: Untried, unit: InTurns}
	var since []movement
	var sum, squares float64 // of count·by and count²
	for _, m := range t.moves {
		if m.count == 0 {
			continue
		}
		foretold := l.each * m.count
		switch {
		case m.unit != l.unit:
			l.grip, l.unit, since, sum, squares = Untried, m.unit, nil, 0, 0
		case len(since) > 0 && math.Abs(m.by-foretold) > atOdds*math.Abs(foretold):
			l.grip, since, sum, squares = AtOdds, nil, 0, 0
		}
		since = append(since, m)
		sum, squares = sum+m.count*m.by, squares+m.count*m.count
		l.each = sum / squares
		switch {
		case len(since) > 1:
			l.grip = Tried
		case l.grip != AtOdds:
			l.grip = TriedOnce
		}
	}
	if len(since) == 0 {
		return l
	}
	part := turnScatter
	if l.unit == InPresses {
		part = pressScatter
	}
	errs := scatterWeight * part * part * l.each * l.each
	for _, m := range since {
		errs += (m.by - l.each*m.count) * (m.by - l.each*m.count)
	}
	l.u = math.Sqrt(errs / (scatterWeight + float64(len(since)-1)) / squares)
	return l
}

// state is how things stand at a second.
func (t *Turns) state(s *Second) *Turning {
	l := t.lesson()
	g := &Turning{Unit: l.unit, Known: l.grip, Each: l.each, U: l.u, Going: AtRest, Speed: t.speed}
	if t.unmoved {
		g.Known = Unmoved
	}
	if s.Offset == nil || s.Verdict != Found {
		return g
	}
	x := *s.Offset
	if l.grip == Tried {
		n := x / l.each
		u := math.Hypot(*s.U/l.each, n*l.u/l.each)
		g.ToGo, g.UToGo = &n, &u
	}
	if t.speed == 0 {
		return g
	}
	// A clock that is ahead must come later, and the speed is positive then.
	switch left := x / t.speed; {
	case s.CI95[0] <= 0 && 0 <= s.CI95[1]:
		g.Going = SlowDown // zero may be passed at any moment
	case left < 0:
		g.Going = Leaving
	default:
		g.Left, g.Going = &left, Nearing
		if left < slowWithin {
			g.Going = SlowDown
		}
	}
	return g
}
