package main

import (
	"fmt"
	"io"
	"os"
	"sync"

	"golang.org/x/term"
)

// progress writes to a terminal a line that changes in place. Elsewhere it
// writes only messages.
type progress struct {
	w        io.Writer
	terminal bool

	mu   sync.Mutex
	line string // on the screen now
}

func newProgress(w io.Writer) *progress {
	f, ok := w.(*os.File)
	return &progress{w: w, terminal: ok && term.IsTerminal(int(f.Fd()))}
}

const clearLine = "\r\x1b[K"

// show replaces the line.
func (p *progress) show(line string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.terminal {
		p.line = line
		fmt.Fprint(p.w, clearLine+line)
	}
}

// say writes a message above the line. It may be called from any goroutine.
func (p *progress) say(message string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.line != "" {
		fmt.Fprint(p.w, clearLine)
	}
	fmt.Fprintln(p.w, message)
	fmt.Fprint(p.w, p.line)
}

// end takes the line away.
func (p *progress) end() { p.show("") }
