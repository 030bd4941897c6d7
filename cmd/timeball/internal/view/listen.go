package view

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

// view is what there is to be seen of a live measurement.
type view struct {
	now       *align.Second // nil before the first
	unit      text.Unit     // of the second before
	tolerance float64       // s
	recording string        // file, if any
	messages  []string
	ask       string // how to tell what the hands show; empty: it cannot be told
	askTurns  string // how to tell what was turned; the same
	typed     string // of that, so far
	distant   bool   // only what is to be read from afar
}

// block is some lines that belong together. Where the screen is too low, those
// of the least worth are left out.
type block struct {
	worth int
	lines []row
}

// lines lays the view out for a screen of some size.
func (v view) lines(width, height int) []row {
	if v.distant && v.now != nil {
		return v.afar(width, height)
	}
	blocks := v.blocks(width, height)
	for i := range blocks {
		blocks[i].lines = folded(blocks[i].lines, width)
	}
	for {
		total, least := 0, 0
		for i, b := range blocks {
			total += len(b.lines)
			if b.worth < blocks[least].worth {
				least = i
			}
		}
		if total <= height || len(blocks) == 1 {
			break
		}
		blocks = append(blocks[:least:least], blocks[least+1:]...)
	}
	var all []row
	for _, b := range blocks {
		all = append(all, b.lines...)
	}
	all = all[:min(len(all), height)]
	for i := range all {
		all[i].text = cut(all[i].text, width)
	}
	return all
}

// folded breaks lines of words that are wider than the screen.
func folded(lines []row, width int) []row {
	var all []row
	for _, l := range lines {
		if utf8.RuneCountInString(l.text) <= width {
			all = append(all, l)
			continue
		}
		for _, part := range wrapped(l.text, width) {
			all = append(all, row{part, l.mood})
		}
	}
	return all
}

const (
	// roomForMore is the height of a screen on which not only the offset is
	// written large, but also its sense and what to do.
	roomForMore = 22
	smallLines  = 9 // there are as a rule
)

// cut shortens text to width characters.
func cut(text string, width int) string {
	if utf8.RuneCountInString(text) <= width {
		return text
	}
	return string([]rune(text)[:width])
}

func (v view) blocks(width, height int) []block {
	s := v.now
	if s == nil {
		return []block{{9, []row{{"waiting for the input", plain}}}, {5, v.told()}}
	}
	empty := []row{{}}
	number, sense, word := v.figure()
	m := v.mood()
	texts := 1
	if height >= roomForMore {
		texts = 3
	}
	dot := 2 * max(1, min((height-smallLines)/(5*texts), 3))
	dot = dotWidth(number, width, dot)
	large := func(text string) []row { return paint(bigText(text, dotWidth(text, width, dot)), m) }
	blocks := []block{{5, []row{{v.title(width), plain}}}, {1, empty}, {12, large(number)}}
	if axis := v.axis(width); axis != "" {
		blocks = append(blocks, block{1, empty}, block{4, []row{{axis, m}}}, block{1, empty})
	} else {
		blocks = append(blocks, block{3, empty})
	}
	switch {
	case height < roomForMore && sense != "":
		blocks = append(blocks, block{10, []row{{strings.ToUpper(sense + ": " + word), m}}})
	case height < roomForMore:
		blocks = append(blocks, block{10, []row{{strings.ToUpper(word), m}}})
	case sense != "":
		blocks = append(blocks, block{7, large(sense)}, block{3, empty}, block{10, large(word)})
	default:
		blocks = append(blocks, block{10, large(word)})
	}
	blocks = append(blocks, []block{
		{2, empty},
		{11, []row{{v.interval(width), m}}},
		{9, v.target()},
		{v.turnsWorth(), v.turns()},
		{8, []row{v.radio()}},
		{6, v.bars(width)},
		{5, []row{{v.clock(), plain}}},
	}...)
	if hands := v.hands(); len(hands) > 0 {
		blocks = append(blocks, block{v.handsWorth(), hands})
	}
	if told := v.told(); len(told) > 0 {
		blocks = append(blocks, block{7, told})
	}
	return blocks
}

func paint(rows []string, m mood) []row {
	var all []row
	for _, r := range rows {
		all = append(all, row{r, m})
	}
	return all
}

func (v view) title(width int) string {
	s := v.now
	title := fmt.Sprintf("timeball  %s", text.Minutes(s.T))
	if v.recording != "" {
		title += "  recording " + v.recording
	}
	title += "  Ctrl-C ends with the fix"
	if far := title + "  d: large, for reading from afar"; v.keyed() && utf8.RuneCountInString(far) <= width {
		return far
	}
	return title
}

// keyed reports whether keys come singly.
func (v view) keyed() bool { return v.askTurns != "" }

// figure is what is written large: the offset, its sense in a word, and what to
// do about it.
func (v view) figure() (number, sense, word string) {
	s := v.now
	switch {
	case s.Offset == nil:
		return "--.--- ms", "", text.Missing(s)
	case s.Verdict == align.NoPath:
		return "--.--- ms", "", "no path"
	}
	sense = string(s.Sense)
	switch {
	case s.Standing == align.Verifying:
		sense = "verifying"
	case s.Radio.State == align.Coasting:
		sense = "old " + text.Age(s.Radio.Gone)
	}
	return text.BigOffset(*s.Offset, s.Radio.State == align.ByWire, v.unit.Next(s)), sense, text.Action(s, v.tolerance)
}

func (v view) mood() mood {
	s := v.now
	switch {
	case s.Offset == nil && text.Missing(s) == "wait":
		return plain
	case s.Offset == nil || s.Verdict == align.NoPath:
		return bad
	case math.Abs(*s.Offset) > v.tolerance:
		return plain
	case text.Action(s, v.tolerance) == "stop":
		return good
	}
	return alert
}

// interval says the offset with its interval in words.
func (v view) interval(width int) string {
	s := v.now
	if s.Offset == nil || s.Verdict == align.NoPath {
		return cmp.Or(text.Listening(s), s.Reason)
	}
	against := "UTC"
	if s.Radio.State == align.ByWire {
		against = "the reference"
	}
	text := text.Stands(v.unit.Next(s), *s.Offset, *s.CI95, against)
	if level := " (95 %)"; utf8.RuneCountInString(text+level) <= width {
		text += level
	}
	return text
}

func (v view) target() []row {
	s := v.now
	if s.Offset == nil {
		return nil
	}
	if s.Verdict == align.NoPath {
		return []row{{"the marker stands " + text.AsHeard(*s.Offset), alert}}
	}
	return []row{{text.Target(s, v.tolerance, v.unit.Next(s)), v.mood()}}
}

func (v view) radio() row {
	s := v.now
	parts := []string{"radio " + text.Reception(s.Radio)}
	if s.Waiting != nil {
		parts[0] = "radio heard, no station known yet"
	}
	for _, st := range s.Stations {
		said := strings.ToUpper(st.ID)
		switch {
		case st.State != align.HeardNow && st.Reception != s.Radio:
			said += " " + text.Reception(st.Reception)
		case st.State == align.HeardNow && st.SNRdB != nil:
			said += fmt.Sprintf(" %.0f dB", *st.SNRdB)
		}
		parts = append(parts, said)
	}
	m := plain
	switch s.Radio.State {
	case align.NeverHeard, align.Coasting:
		m = bad
	case align.Fading:
		m = alert
	}
	return row{strings.Join(parts, "  "), m}
}

const (
	barFloor = -60 // dBFS, the left end of a level bar
	tooLow   = -45 // dBFS: a peak below it is worth a word
	mostBar  = 40  // characters
)

// bars draw the channels' peaks.
func (v view) bars(width int) []row {
	var all []row
	for _, l := range v.now.Levels {
		db := l.PeakDB()
		name := l.Role
		if name == "" {
			name = "channel"
		}
		length := max(4, min(mostBar, width-25))
		filled := int(math.Round(float64(length) * max(0, 1-db/barFloor)))
		if db < barFloor {
			filled = 0
		}
		filled = min(filled, length)
		text := fmt.Sprintf("%d %-9s %s%s ", l.Channel, name, strings.Repeat("█", filled), strings.Repeat("·", length-filled))
		m := plain
		switch {
		case l.Peak == 0:
			text, m = text+"silent", bad
		case l.Clipped > 0:
			text, m = text+"clipping", bad
		case db < tooLow:
			text, m = text+fmt.Sprintf("%.0f dB, low", db), alert
		default:
			text += fmt.Sprintf("%.0f dB", db)
		}
		all = append(all, row{text, m})
	}
	return all
}

// turns says what is left to turn, or how to tell what was turned.
func (v view) turns() []row {
	g := v.now.Turning
	if g == nil || v.now.Offset == nil {
		return nil
	}
	if says := text.Turns(v.now, v.tolerance); says != "" {
		m := plain
		if g.Going == align.SlowDown || g.Going == align.Leaving {
			m = alert
		}
		return []row{{says, m}}
	}
	if v.askTurns != "" && g.Known == align.Untried {
		return []row{{v.askTurns, plain}}
	}
	return nil
}

// turnsWorth is that of what is left to turn, or of a mere hint.
func (v view) turnsWorth() int {
	if text.Turns(v.now, v.tolerance) == "" {
		return 4
	}
	return 9
}

// handsWorth is that of what the hands show, or of a mere hint.
func (v view) handsWorth() int {
	if v.typed == "" && v.now.Hands == "" {
		return 3
	}
	return 4
}

// hands says how to set the hands, or how to tell what they show.
func (v view) hands() []row {
	switch s := v.now; {
	case v.typed != "" && v.askTurns != "" && !strings.Contains(v.typed, ":"):
		return []row{{v.typed + "_  Enter as the hands show it; c, a or p for turns", alert}}
	case v.typed != "":
		return []row{{"hands: " + v.typed + "_  Enter as they show it", alert}}
	case s.WholeSeconds != nil && *s.WholeSeconds == 0:
		return []row{{"hands: " + s.Hands, good}}
	case s.Hands != "":
		return []row{{"hands: " + s.Hands, alert}}
	case v.ask != "":
		return []row{{v.ask, plain}}
	}
	return nil
}

// clock says what time it is, as far as that is known.
func (v view) clock() string {
	s := v.now
	parts := []string{fmt.Sprintf("pulse %d", s.Count)}
	if s.Marker.Missing > 0 && s.Count > 0 {
		parts[0] = fmt.Sprintf("no pulse for %d s", s.Marker.Missing)
	}
	switch {
	case s.UTC != nil:
		parts = append(parts, text.Time(*s.UTC, "15:04:05 UTC 2006-01-02")+" by the "+s.UTC.From)
	case s.At != nil:
		parts = append(parts, s.At.UTC().Format("15:04:05 UTC")+" by this computer")
	}
	if s.UTC == nil && s.SecondOfMinute != nil {
		parts = append(parts, fmt.Sprintf("second %d by the broadcast", *s.SecondOfMinute))
	}
	return strings.Join(parts, "  ")
}

func (v view) told() []row {
	var all []row
	for _, m := range v.messages {
		all = append(all, row{m, alert})
	}
	return all
}

// Line says a second in one line, for logs and simple terminals; last is the unit of
// the one before.
func Line(s align.Second, tolerance float64, last text.Unit) string {
	when := text.Minutes(s.T)
	switch {
	case s.UTC != nil:
		when = text.Time(*s.UTC, "15:04:05Z")
	case s.At != nil:
		when = s.At.UTC().Format("15:04:05Z")
	}
	if s.Offset == nil {
		return fmt.Sprintf("%s  %s", when, cmp.Or(text.Listening(&s), s.Reason))
	}
	v := view{now: &s, tolerance: tolerance}
	if s.Verdict == align.NoPath {
		return fmt.Sprintf("%s  no path delay: %s  (the marker stands %s)  %s", when, s.Reason, text.AsHeard(*s.Offset), v.radio().text)
	}
	_, sense, word := v.figure()
	line := fmt.Sprintf("%s  %s  %s: %s  %s", when, text.BoundedIn(last.Next(&s), *s.Offset, *s.CI95), sense, word, v.radio().text)
	if says := text.Turns(&s, tolerance); says != "" {
		line += "  " + says
	}
	if s.Marker.Missing > 0 {
		line += fmt.Sprintf("  no pulse for %d s", s.Marker.Missing)
	}
	return line
}
