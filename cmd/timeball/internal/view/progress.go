package view

import (
	"fmt"
	"io"
	"sync"

	"golang.org/x/term"
)

// Progress writes to a terminal a line that changes in place. Elsewhere it
// writes only messages.
type Progress struct {
	w        io.Writer
	terminal bool

	mu   sync.Mutex
	line string // on the screen now
}

func NewProgress(w io.Writer) *Progress {
	f, ok := file(w)
	return &Progress{w: w, terminal: ok && term.IsTerminal(int(f.Fd()))}
}

const clearLine = "\r\x1b[K"

// Show replaces the line.
func (p *Progress) Show(line string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.terminal {
		p.line = line
		fmt.Fprint(p.w, clearLine+line)
	}
}

// Say writes a message above the line. It may be called from any goroutine.
func (p *Progress) Say(message string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.line != "" {
		fmt.Fprint(p.w, clearLine)
	}
	fmt.Fprintln(p.w, message)
	fmt.Fprint(p.w, p.line)
}

// End takes the line away.
func (p *Progress) End() { p.Show("") }
