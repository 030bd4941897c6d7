package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"

	"timeball/align"
)

// display shows a live measurement. say may be called from any goroutine.
type display interface {
	second(align.Second)
	say(message string)
	end() // may be called twice
}

// newDisplay chooses how to show: the whole screen on a terminal that can, else
// a line a second, or JSON.
func (c *listenCmd) newDisplay(p *program) display {
	if c.JSON {
		return jsonDisplay{json.NewEncoder(p.stdout), p.stderr}
	}
	f, ok := p.stdout.(*os.File)
	if kind := os.Getenv("TERM"); !ok || !term.IsTerminal(int(f.Fd())) || kind == "" || kind == "dumb" {
		return lineDisplay{p.stdout, p.stderr, float64(c.Tolerance)}
	}
	s := &screen{
		f: f, closed: make(chan struct{}),
		view: view{tolerance: float64(c.Tolerance), recording: c.Record, colour: os.Getenv("NO_COLOR") == ""},
	}
	s.begin()
	return s
}

// jsonDisplay prints an object a second.
type jsonDisplay struct {
	out      *json.Encoder
	messages io.Writer
}

func (d jsonDisplay) second(s align.Second) { d.out.Encode(s) }
func (d jsonDisplay) say(message string)    { fmt.Fprintln(d.messages, message) }
func (d jsonDisplay) end()                  {}

// lineDisplay prints a line a second.
type lineDisplay struct {
	w, messages io.Writer
	tolerance   float64
}

func (d lineDisplay) second(s align.Second) { fmt.Fprintln(d.w, secondLine(s, d.tolerance)) }
func (d lineDisplay) say(message string)    { fmt.Fprintln(d.messages, message) }
func (d lineDisplay) end()                  {}

const (
	enterScreen = "\x1b[?1049h\x1b[?25l" // the other screen, without a cursor
	leaveScreen = "\x1b[?25h\x1b[?1049l"
	homeCursor  = "\x1b[H"
	clearRest   = "\x1b[J"
	// lookAround is how often the screen's size is looked at.
	lookAround = 200 * time.Millisecond
)

// screen fills a terminal.
type screen struct {
	f      *os.File
	closed chan struct{}

	mu            sync.Mutex
	view          view
	width, height int
	ended         bool
}

func (s *screen) begin() {
	fmt.Fprint(s.f, enterScreen)
	s.draw(false)
	go func() {
		t := time.NewTicker(lookAround)
		defer t.Stop()
		for {
			select {
			case <-s.closed:
				return
			case <-t.C:
				s.draw(true)
			}
		}
	}()
}

func (s *screen) second(sec align.Second) {
	s.mu.Lock()
	s.view.now = &sec
	s.mu.Unlock()
	s.draw(false)
}

// mostMessages are kept on the screen.
const mostMessages = 3

func (s *screen) say(message string) {
	s.mu.Lock()
	s.view.messages = append(s.view.messages, message)
	if n := len(s.view.messages); n > mostMessages {
		s.view.messages = s.view.messages[n-mostMessages:]
	}
	s.mu.Unlock()
	s.draw(false)
}

// end gives the screen back, and leaves the messages on it.
func (s *screen) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended {
		return
	}
	s.ended = true
	close(s.closed)
	fmt.Fprint(s.f, leaveScreen)
	for _, m := range s.view.messages {
		fmt.Fprintln(s.f, m)
	}
}

// draw draws, or does so only if the screen has another size than last time.
func (s *screen) draw(onlyIfResized bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	width, height, err := term.GetSize(int(s.f.Fd()))
	if err != nil || width < 1 || height < 1 {
		width, height = 80, 24
	}
	if s.ended || onlyIfResized && width == s.width && height == s.height {
		return
	}
	s.width, s.height = width, height
	var b bytes.Buffer
	b.WriteString(homeCursor)
	for i, l := range s.view.lines(width, height) {
		if i > 0 {
			b.WriteString("\r\n")
		}
		b.WriteString(l.painted(s.view.colour))
		b.WriteString("\x1b[K")
	}
	b.WriteString(clearRest)
	s.f.Write(b.Bytes())
}
