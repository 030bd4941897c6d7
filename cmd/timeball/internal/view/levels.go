package view

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"timeball/cmd/timeball/internal/text"
	"timeball/detect/levels"
)

// LevelsScreen fills a terminal with a list of checks.
type LevelsScreen struct {
	screen *screen
	list   *checkList
}

func OpenLevels(w io.Writer) *LevelsScreen {
	list := &checkList{}
	return &LevelsScreen{newScreen(w, list), list}
}

// Show replaces the checks.
func (l *LevelsScreen) Show(checks []text.Check) {
	l.screen.update(func() { l.list.checks = checks })
}

// Say shows a message below them. It may be called from any goroutine.
func (l *LevelsScreen) Say(message string) { l.screen.update(func() { l.list.message = message }) }

// End gives the terminal back.
func (l *LevelsScreen) End() { l.screen.leave() }

// checkList is the list on the screen.
type checkList struct {
	checks  []text.Check
	message string
}

// lines implements layout. Where there is not room for all, what is good goes
// first.
func (l *checkList) lines(width, height int) []row {
	checks := l.checks
	if len(checks) == 0 {
		return folded([]row{{"listening", plain}, {l.message, alert}}, width)
	}
	var rows []row
	for _, some := range []bool{false, true} { // true: only what is not good
		rows = rows[:0]
		for _, c := range checks {
			if some && c.Verdict == levels.Good {
				continue
			}
			rows = append(rows, rowsOf(c, width)...)
		}
		if len(rows)+3 <= height {
			break
		}
	}
	rows = append(rows, row{})
	if l.message != "" {
		rows = append(rows, folded([]row{{l.message, alert}}, width)...)
	}
	rows = append(rows, row{"Ctrl-C ends", plain})
	if over := len(rows) - height; over > 0 {
		rows = rows[:height]
	}
	return rows
}

// rowsOf writes a check, what does not fit and its remedy below it.
func rowsOf(c text.Check, width int) []row {
	m := map[levels.Verdict]mood{levels.Good: good, levels.Poor: alert, levels.Bad: bad}[c.Verdict]
	rows := []row{{fmt.Sprintf("%-4s %-19s %s", c.Verdict, c.Name, c.Finding), m}}
	if utf8.RuneCountInString(rows[0].text) > width {
		rows = folded([]row{{fmt.Sprintf("%-4s %s: %s", c.Verdict, c.Name, c.Finding), m}}, width)
	}
	if c.Remedy == "" {
		return rows
	}
	space := min(12, width/8)
	for _, l := range wrapped(c.Remedy, max(20, width-space)) {
		rows = append(rows, row{strings.Repeat(" ", space) + l, plain})
	}
	return rows
}

// wrapped breaks text between words into lines of at most width characters,
// but for words that are longer.
func wrapped(text string, width int) []string {
	var all []string
	now := ""
	for _, word := range strings.Fields(text) {
		switch {
		case now == "":
			now = word
		case utf8.RuneCountInString(now)+1+utf8.RuneCountInString(word) > width:
			all = append(all, now)
			now = word
		default:
			now += " " + word
		}
	}
	return append(all, now)
}

// LevelsText is the list for paper.
func LevelsText(checks []text.Check) string {
	var b strings.Builder
	for _, c := range checks {
		for _, r := range rowsOf(c, 100) {
			b.WriteString(r.text + "\n")
		}
	}
	return b.String()
}
