package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"timeball/capture"
	"timeball/capture/soundcard"
	"timeball/detect/levels"
)

type levelsCmd struct {
	inputFlags `embed:""`

	ReceiverChannel int  `placeholder:"N" help:"Channel the receiver should be on, from 1 (default: whichever)."`
	MarkerChannel   int  `placeholder:"N" help:"Channel the marker should be on, from 1 (default: whichever)."`
	Once            bool `help:"Listen for 12 s, print the list and end."`
	JSON            bool `name:"json" help:"Print a JSON object (timeball.levels/1) for each list, a line each."`
}

// Help is kong's long help.
func (levelsCmd) Help() string {
	return `Checks levels and wiring while you mend them: signal, clipping, DC and hum of each channel, whether the marker is there and on which channel, its shape, jitter and missing pulses, how much of one channel leaks into the other, and the sample clock. What is not good has a line that says what to do.

The marker must be no louder than the input takes: a few volts of pulse can damage a microphone input, mains can kill. Use a resistor divider, and an isolating transformer or optocoupler wherever the clock is not isolated from the mains.

With --once the exit status is 0 when everything will do and 3 when something will not.

Example: timeball levels --input 2 --receiver-channel 1 --marker-channel 2`
}

// AfterApply checks the flags, for kong.
func (c *levelsCmd) AfterApply() error {
	if c.ReceiverChannel < 0 || c.MarkerChannel < 0 {
		return usageError{errors.New("--receiver-channel and --marker-channel count from 1")}
	}
	return c.check()
}

const (
	levelsWindow = 12 * time.Second // that a list is made from
	levelsEvery  = time.Second      // between lists
)

// Run shows lists until interrupted.
func (c *levelsCmd) Run(p *program) error {
	f, onScreen := terminal(p.stdout)
	say := func(message string) { fmt.Fprintln(p.stderr, message) }
	list := &checkList{}
	if onScreen = onScreen && !c.Once && !c.JSON; onScreen {
		s := newScreen(f, list)
		defer s.leave()
		say = func(message string) { s.update(func() { list.message = message }) }
		list.changed = s.update
	}
	src, err := c.open(p, func(e soundcard.Event) { say(e.Message) })
	if err != nil {
		return err
	}
	defer src.Close()
	every := levelsEvery
	switch {
	case c.Once:
		every = levelsWindow
	case !onScreen:
		every = levelsWindow // a list of its own each time
	}
	return c.survey(p.ctx, src, every, func(r levels.Report) error {
		checks := r.Checks(levels.Roles{Receiver: c.ReceiverChannel, Marker: c.MarkerChannel})
		switch {
		case onScreen:
			list.changed(func() { list.checks = checks })
		case c.JSON:
			if err := printLevelsJSON(p.stdout, r, checks); err != nil {
				return err
			}
		default:
			fmt.Fprintln(p.stdout, list.text(checks))
		}
		if !c.Once {
			return nil
		}
		for _, check := range checks {
			if check.Verdict == levels.Bad {
				return errNoFix
			}
		}
		return io.EOF
	})
}

// survey has report look at the last window of src, each time so much has
// passed, until it returns an error. io.EOF is no error.
func (c *levelsCmd) survey(ctx context.Context, src closer, every time.Duration, report func(levels.Report) error) error {
	defer context.AfterFunc(ctx, func() { src.Close() })()
	info := src.Info()
	rate := float64(info.Rate)
	window := int(levelsWindow.Seconds() * rate)
	held := make([][]float32, info.Channels)
	due := int64(every.Seconds() * rate)
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if b.Lost > 0 { // what was before it does not go with what follows
			for i := range held {
				held[i] = held[i][:0]
			}
		}
		for i, x := range b.Channels {
			held[i] = append(held[i], x...)
			if over := len(held[i]) - window; over > 0 {
				held[i] = append(held[i][:0], held[i][over:]...)
			}
		}
		if end := b.Position + int64(b.Len()); end >= due {
			due = end + int64(every.Seconds()*rate)
			if err := report(levels.Analyse(rate, held)); err == io.EOF {
				return nil
			} else if err != nil {
				return err
			}
		}
	}
}

// checkList is the list on the screen.
type checkList struct {
	checks  []levels.Check
	message string
	changed func(func())
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
func rowsOf(c levels.Check, width int) []row {
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

// text is the list for paper.
func (*checkList) text(checks []levels.Check) string {
	var b strings.Builder
	for _, c := range checks {
		for _, r := range rowsOf(c, 100) {
			b.WriteString(r.text + "\n")
		}
	}
	return b.String()
}

func printLevelsJSON(w io.Writer, r levels.Report, checks []levels.Check) error {
	return json.NewEncoder(w).Encode(struct {
		Schema string `json:"schema"`
		levels.Report
		Checks []levels.Check `json:"checks"`
	}{"timeball.levels/1", r, checks})
}
