package view

import (
	"bufio"
	"io"
	"os"
	"strings"

	"golang.org/x/term"
)

// Typing is what a person has typed so far; entered when that is to count.
type Typing struct {
	Text    string
	Entered bool
}

// Keyboard is what a person types during a measurement, a line at a time.
type Keyboard struct {
	Lines   chan Typing
	Restore func()
}

// OpenKeyboard reads lines from r. At a terminal whose screen is drawn on keys
// come singly, and any of them enters if anyKey is set.
func OpenKeyboard(r io.Reader, drawn, anyKey bool) *Keyboard {
	k := &Keyboard{Lines: make(chan Typing), Restore: func() {}}
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
	k.Restore = func() { term.Restore(int(f.Fd()), before) }
	go k.readKeys(r, anyKey)
	return k
}

func (k *Keyboard) readLines(r io.Reader) {
	for s := bufio.NewScanner(r); s.Scan(); {
		k.Lines <- Typing{s.Text(), true}
	}
}

// Keys that do something.
const (
	ctrlC     = 0x03
	backspace = 0x08
	enter     = '\r'
	rubout    = 0x7f
)

// Letters enter what was typed before them, and themselves.
const Letters = "cap" + Distance

// Distance is the key for Display.Afar.
const Distance = "d"

// mostTyped is the length of the longest time of day.
const mostTyped = len("18:20:41")

func (k *Keyboard) readKeys(r io.Reader, anyKey bool) {
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
			case strings.IndexByte(Letters, b) >= 0:
				text += string(b)
				entered = true
			case (b == backspace || b == rubout) && text != "":
				text = text[:len(text)-1]
			case (b >= '0' && b <= '9' || b == ':' || b == '.') && len(text) < mostTyped:
				text += string(b)
			}
		}
		k.Lines <- Typing{text, entered}
		if entered {
			text = ""
		}
	}
}
