package main

import (
	"encoding/json"
	"fmt"
	"io"

	"timeball/align"
)

// display shows a live measurement. say may be called from any goroutine.
type display interface {
	second(align.Second)
	say(message string)
	typed(text string)     // what the person is typing
	aim(tolerance float64) // in s, from now on
	end()                  // may be called twice
}

// newDisplay chooses how to show: the whole screen on a terminal that can, else
// a line a second, or JSON.
func (c *listenCmd) newDisplay(p *program) display {
	if c.JSON {
		return jsonDisplay{json.NewEncoder(p.stdout), p.stderr}
	}
	f, ok := terminal(p.stdout)
	if !ok {
		return &lineDisplay{p.stdout, p.stderr, float64(c.Tolerance)}
	}
	v := &view{tolerance: float64(c.Tolerance), recording: c.Record}
	if !c.Wired {
		v.ask = c.askHands()
	}
	return &listenScreen{screen: newScreen(f, v), view: v}
}

// jsonDisplay prints an object a second.
type jsonDisplay struct {
	out      *json.Encoder
	messages io.Writer
}

func (d jsonDisplay) second(s align.Second) { d.out.Encode(s) }
func (d jsonDisplay) say(message string)    { fmt.Fprintln(d.messages, message) }
func (d jsonDisplay) typed(string)          {}
func (d jsonDisplay) aim(float64)           {}
func (d jsonDisplay) end()                  {}

// lineDisplay prints a line a second.
type lineDisplay struct {
	w, messages io.Writer
	tolerance   float64
}

func (d *lineDisplay) second(s align.Second) { fmt.Fprintln(d.w, secondLine(s, d.tolerance)) }
func (d *lineDisplay) say(message string)    { fmt.Fprintln(d.messages, message) }
func (d *lineDisplay) typed(string)          {}
func (d *lineDisplay) aim(tolerance float64) { d.tolerance = tolerance }
func (d *lineDisplay) end()                  {}

// listenScreen fills a terminal.
type listenScreen struct {
	*screen
	view *view
}

func (l *listenScreen) second(s align.Second) { l.update(func() { l.view.now = &s }) }

func (l *listenScreen) aim(tolerance float64) { l.update(func() { l.view.tolerance = tolerance }) }

func (l *listenScreen) typed(text string) { l.update(func() { l.view.typed = text }) }

// mostMessages are kept on the screen.
const mostMessages = 3

func (l *listenScreen) say(message string) {
	l.update(func() {
		l.view.messages = append(l.view.messages, message)
		if n := len(l.view.messages); n > mostMessages {
			l.view.messages = l.view.messages[n-mostMessages:]
		}
	})
}

// end gives the screen back, and leaves the messages on it.
func (l *listenScreen) end() {
	if l.leave() {
		for _, m := range l.view.messages {
			fmt.Fprintln(l.f, m)
		}
	}
}
