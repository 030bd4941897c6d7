package view

import (
	"fmt"
	"slices"
	"strings"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

// afar lays out what a hand at the clock needs, to be read from three metres: the
// offset, what to do, the interval and the reception, all in large characters as far
// as there is room, the first ones first.
func (v view) afar(width, height int) []row {
	m := v.mood()
	s := v.now
	number, sense, word := v.figure()
	parts := []row{{number, m}}
	todo := v.todo(sense, word)
	if what, much, two := strings.Cut(todo, " "); two && dotWidth(todo, width, 1) == 0 {
		parts = append(parts, row{what, m}, row{much, m})
	} else {
		parts = append(parts, row{todo, m})
	}
	if s.Offset != nil && s.Verdict != align.NoPath {
		parts = append(parts, row{text.Sides(v.unit.Next(s), *s.Offset, *s.CI95), m})
	}
	if s.Radio.State == align.Coasting { // what is old says so beside the number
		parts = slices.Insert(parts, 1, v.heard())
	} else {
		parts = append(parts, v.heard())
	}
	foot := []row{{"d: all of it  Ctrl-C ends with the fix", plain}}
	if v.typed != "" {
		foot = v.hands()
	}
	if n := len(v.messages); n > 0 {
		foot = append(foot, row{v.messages[n-1], alert})
	}
	foot = folded(foot, width)
	lines := func(large, dot, first int) []row { // so many parts large
		var all []row
		for i, p := range parts {
			switch {
			case i >= large:
				all = append(all, folded([]row{p}, width)...)
				continue
			case i > 0:
				all = append(all, row{})
			}
			most := dot
			if i == 0 {
				most = first
			}
			all = append(all, paint(bigText(p.text, dotWidth(p.text, width, most)), p.mood)...)
		}
		return all
	}
	room := height - len(foot)
	if len(lines(1, leastDot, leastDot)) > room { // the number comes first
		foot, room = nil, height
	}
	large, dot := len(parts), mostDot
	for len(lines(large, dot, dot)) > room && large > 0 {
		if dot > leastDot {
			dot -= leastDot // half as many rows are one less
		} else {
			large--
		}
	}
	first := dot
	for first < 2*mostDot && len(lines(large, dot, first+1)) <= room {
		first++
	}
	all := append(lines(large, dot, first), foot...)
	all = all[:min(len(all), height)]
	for i := range all {
		all[i].text = cut(all[i].text, width)
	}
	return all
}

// Widths of dots, in columns, where the screen is wide enough; the number's may be
// larger still.
const (
	leastDot = 2
	mostDot  = 6
)

// todo says in large characters what to do, and how much of it.
func (v view) todo(sense, word string) string {
	s := v.now
	switch {
	case s.Standing == align.Verifying:
		return sense
	case s.Offset == nil || s.Verdict != align.Found || word != text.Advance && word != text.Retard:
		return word
	}
	return word + " " + text.ToGo(s, v.tolerance, v.unit.Next(s))
}

// heard says in large characters how the radio is heard.
func (v view) heard() row {
	r := v.radio()
	s := v.now
	switch s.Radio.State {
	case align.ByWire:
		r.text = "by wire"
	case align.NeverHeard:
		r.text = "not heard"
		if s.Waiting != nil {
			r.text = "a tick"
			if s.Waiting.For == align.OrderOfMarks {
				r.text = "its marks"
			}
		}
	case align.HeardNow:
		r.text = "heard"
		best, found := 0.0, false
		for _, st := range s.Stations {
			if st.State == align.HeardNow && st.SNRdB != nil && (!found || *st.SNRdB > best) {
				best, found = *st.SNRdB, true
			}
		}
		if found {
			r.text = fmt.Sprintf("heard %.0f dB", best)
		}
	default:
		r.text = "gone " + text.Age(s.Radio.Gone)
	}
	return r
}
