package view

import (
	"encoding/json"
	"fmt"
	"io"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

// Display shows a live measurement. say may be called from any goroutine.
type Display interface {
	Second(align.Second)
	Say(message string)
	Typed(text string)     // what the person is typing
	Aim(tolerance float64) // in s, from now on
	Afar()                 // shows only what is to be read from afar, or all again
	End()                  // may be called twice
}

// Options say what a display shows and how.
type Options struct {
	JSON      bool    // objects instead of words
	Tolerance float64 // s
	Recording string  // file, if any
	Ask       string  // how to tell what the hands show; empty: it cannot be told
	AskTurns  string  // how to tell what was turned; the same
}

// Open chooses how to show: the whole screen on a terminal that can, else
// a line a second, or JSON.
func Open(out, messages io.Writer, o Options) Display {
	if o.JSON {
		return jsonDisplay{json.NewEncoder(out), messages}
	}
	if !Terminal(out) {
		return &lineDisplay{w: out, messages: messages, tolerance: o.Tolerance}
	}
	v := &view{tolerance: o.Tolerance, recording: o.Recording, ask: o.Ask, askTurns: o.AskTurns}
	return &listenScreen{screen: newScreen(out, v), view: v}
}

// jsonDisplay prints an object a second.
type jsonDisplay struct {
	out      *json.Encoder
	messages io.Writer
}

func (d jsonDisplay) Second(s align.Second) { d.out.Encode(s) }
func (d jsonDisplay) Say(message string)    { fmt.Fprintln(d.messages, message) }
func (d jsonDisplay) Typed(string)          {}
func (d jsonDisplay) Aim(float64)           {}
func (d jsonDisplay) Afar()                 {}
func (d jsonDisplay) End()                  {}

// lineDisplay prints a line a second.
type lineDisplay struct {
	w, messages io.Writer
	tolerance   float64
	unit        text.Unit // of the latest line
}

func (d *lineDisplay) Second(s align.Second) {
	fmt.Fprintln(d.w, Line(s, d.tolerance, d.unit))
	d.unit = d.unit.Next(&s)
}
func (d *lineDisplay) Say(message string)    { fmt.Fprintln(d.messages, message) }
func (d *lineDisplay) Typed(string)          {}
func (d *lineDisplay) Aim(tolerance float64) { d.tolerance = tolerance }
func (d *lineDisplay) Afar()                 {}
func (d *lineDisplay) End()                  {}

// listenScreen fills a terminal.
type listenScreen struct {
	*screen
	view *view
}

func (l *listenScreen) Second(s align.Second) {
	l.update(func() { l.view.now, l.view.unit = &s, l.view.unit.Next(&s) })
}

func (l *listenScreen) Aim(tolerance float64) { l.update(func() { l.view.tolerance = tolerance }) }

func (l *listenScreen) Typed(text string) { l.update(func() { l.view.typed = text }) }

func (l *listenScreen) Afar() { l.update(func() { l.view.distant = !l.view.distant }) }

// mostMessages are kept on the screen.
const mostMessages = 3

func (l *listenScreen) Say(message string) {
	l.update(func() {
		l.view.messages = append(l.view.messages, message)
		if n := len(l.view.messages); n > mostMessages {
			l.view.messages = l.view.messages[n-mostMessages:]
		}
	})
}

// End gives the screen back, and leaves the messages on it.
func (l *listenScreen) End() {
	if l.leave() {
		for _, m := range l.view.messages {
			fmt.Fprintln(l.f, m)
		}
	}
}
