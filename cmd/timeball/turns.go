package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

// turnWay is the value of --turn: what each of the first adjustments will be; nil
// within: nobody has said so.
type turnWay struct{ *align.Adjusted }

// UnmarshalText is for kong.
func (w *turnWay) UnmarshalText(text []byte) error {
	switch way := align.Way(text); way {
	case align.Clockwise, align.Anticlockwise, align.Press:
		w.Adjusted = &align.Adjusted{Way: way, Count: 1}
		return nil
	}
	return fmt.Errorf("%q: say clockwise, anticlockwise or press", text)
}

// askTurns is what to do for an adjustment to be counted.
const askTurns = "turned it once? press c: clockwise, a: anticlockwise, p: a button (2c: two)"

// turnKeys are the letters that follow a number of turns.
var turnKeys = map[byte]align.Way{'c': align.Clockwise, 'a': align.Anticlockwise, 'p': align.Press}

// parseAdjusted reads what was typed about an adjustment: c, 2c, 1.5a; false when
// it is about something else.
func parseAdjusted(typed string) (a align.Adjusted, ok bool, err error) {
	if typed == "" {
		return a, false, nil
	}
	last := len(typed) - 1
	if a.Way, ok = turnKeys[typed[last]]; !ok {
		return a, false, nil
	}
	a.Count = 1
	if number := strings.TrimSpace(typed[:last]); number != "" {
		a.Count, err = strconv.ParseFloat(number, 64)
	}
	if err != nil || !(a.Count > 0 && a.Count <= mostTurns) || math.IsNaN(a.Count) {
		return a, true, errors.New("turns: type how many before the letter, as 2c or 1.5a")
	}
	return a, true, nil
}

// mostTurns are told at once.
const mostTurns = 1000

// told takes a person's word about an adjustment, and says that it did.
func told(turns *align.Turns, typed string) (said string, about bool) {
	a, ok, err := parseAdjusted(typed)
	if !ok {
		return "", false
	}
	if err != nil {
		return err.Error(), true
	}
	turns.Say(a)
	return text.Adjusted(a), true
}
