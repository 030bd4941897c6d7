// Package view is the terminal: screens that fill it, lines, and the keyboard.
package view

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"

	"timeball/cmd/timeball/internal/text"
)

// mood is what a line's colour tells, beside its words.
type mood string

const (
	plain mood = ""
	good  mood = "\x1b[32m"
	alert mood = "\x1b[33m"
	bad   mood = "\x1b[31m"
)

// row is one line of a screen.
type row struct {
	text string
	mood mood
}

func (r row) painted(colour bool) string {
	if !colour || r.mood == plain || r.text == "" {
		return r.text
	}
	return string(r.mood) + r.text + "\x1b[0m"
}

// layout lays something out for a screen of some size.
type layout interface {
	lines(width, height int) []row
}

// Terminal reports whether w writes to a terminal on which the cursor can be moved.
func Terminal(w io.Writer) bool {
	f, ok := file(w)
	kind := os.Getenv("TERM")
	return ok && kind != "" && kind != "dumb" && term.IsTerminal(int(f.Fd()))
}

// file is what w writes to if that is one.
func file(w io.Writer) (*os.File, bool) {
	switch w := w.(type) {
	case text.ASCII:
		return file(w.Writer)
	case *os.File:
		return w, true
	}
	return nil, false
}

const (
	enterScreen  = "\x1b[?1049h\x1b[?25l" // the other screen, without a cursor
	leaveScreen  = "\x1b[?25h\x1b[?1049l"
	homeCursor   = "\x1b[H"
	clearLineEnd = "\x1b[K"
	clearRest    = "\x1b[J"
	// lookAround is how often the screen's size is looked at.
	lookAround = 200 * time.Millisecond
)

// screen fills a terminal until it is left.
type screen struct {
	w      io.Writer
	f      *os.File // of w
	colour bool
	left   chan struct{}

	mu            sync.Mutex // guards the content, too
	content       layout
	width, height int // when it was drawn
}

// newScreen fills the terminal that w writes to.
func newScreen(w io.Writer, content layout) *screen {
	f, _ := file(w)
	s := &screen{w: w, f: f, content: content, left: make(chan struct{}), colour: os.Getenv("NO_COLOR") == ""}
	fmt.Fprint(w, enterScreen)
	s.update(func() {})
	go s.followSize()
	return s
}

// followSize draws anew when the screen has another size.
func (s *screen) followSize() {
	t := time.NewTicker(lookAround)
	defer t.Stop()
	for {
		select {
		case <-s.left:
			return
		case <-t.C:
			s.mu.Lock()
			if w, h := s.size(); w != s.width || h != s.height {
				s.draw()
			}
			s.mu.Unlock()
		}
	}
}

// update changes the content and draws it. It may be called from any goroutine.
func (s *screen) update(change func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change()
	s.draw()
}

// leave gives the screen back; false when that has been done.
func (s *screen) leave() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case <-s.left:
		return false
	default:
	}
	close(s.left)
	fmt.Fprint(s.w, leaveScreen)
	return true
}

func (s *screen) size() (width, height int) {
	width, height, err := term.GetSize(int(s.f.Fd()))
	if err != nil || width < 1 || height < 1 {
		return 80, 24
	}
	return width, height
}

func (s *screen) draw() {
	select {
	case <-s.left:
		return
	default:
	}
	s.width, s.height = s.size()
	var b bytes.Buffer
	b.WriteString(homeCursor)
	for i, l := range s.content.lines(s.width, s.height) {
		if i > 0 {
			b.WriteString("\r\n")
		}
		b.WriteString(l.painted(s.colour))
		b.WriteString(clearLineEnd)
	}
	b.WriteString(clearRest)
	s.w.Write(b.Bytes())
}
