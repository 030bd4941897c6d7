package main

import (
	"bufio"
	"io"
	"os"

	"golang.org/x/term"
)

// typing is what a person has typed so far; entered when that is to count.
type typing struct {
	text    string
	entered bool
}

// keyboard is what a person types during a measurement, a line at a time.
type keyboard struct {
	lines   chan typing
	restore func()
}

// openKeyboard reads lines from r. At a terminal whose screen is drawn on keys
// come singly, and any of them enters if anyKey is set.
func openKeyboard(r io.Reader, drawn, anyKey bool) *keyboard {
	k := &keyboard{lines: make(chan typing), restore: func() {}}
	f, ok := r.(*os.File)
	if !ok || !drawn || !term.IsTerminal(int(f.Fd())) {
		go k.readLines(r)
		return k
	}
	before, err := term.MakeRaw(int(f.Fd()))
	if err != nil {
		go k.readLines(r)
		return k
	}
	k.restore = func() { term.Restore(int(f.Fd()), before) }
	go k.readKeys(r, anyKey)
	return k
}

func (k *keyboard) readLines(r io.Reader) {
	for s := bufio.NewScanner(r); s.Scan(); {
		k.lines <- typing{s.Text(), true}
	}
}

// Keys that do something.
const (
	ctrlC     = 0x03
	backspace = 0x08
	enter     = '\r'
	rubout    = 0x7f
)

// mostTyped is the length of the longest time of day.
const mostTyped = len("18:20:41")

func (k *keyboard) readKeys(r io.Reader, anyKey bool) {
	text := ""
	var buf [64]byte // a key that sends several bytes comes in one piece
	for {
		n, err := r.Read(buf[:])
		if err != nil {
			return
		}
		entered := false
		for _, b := range buf[:n] {
			switch {
			case b == ctrlC: // a raw terminal makes no signal of it
				if p, err := os.FindProcess(os.Getpid()); err == nil {
					p.Signal(os.Interrupt)
				}
				continue
			case b == enter || anyKey:
				entered = true
			case (b == backspace || b == rubout) && text != "":
				text = text[:len(text)-1]
			case (b >= '0' && b <= '9' || b == ':') && len(text) < mostTyped:
				text += string(b)
			}
		}
		k.lines <- typing{text, entered}
		if entered {
			text = ""
		}
	}
}
