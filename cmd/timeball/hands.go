package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"time"
	_ "time/tzdata" // zones, for machines that have none

	"golang.org/x/term"

	"timeball/cmd/timeball/internal/view"
	"timeball/detect/timecode"
)

// handsReading is what a clock's hands showed, and when: "18:20:41@12.5s", or
// "18:20:41@key" for the moment at which a key is pressed.
type handsReading struct {
	given bool
	shown timecode.Hands
	at    float64 // s from the start of the recording; NaN: at the last marker
	key   bool    // not yet known: at a key
	text  string  // what is shown, as given
}

// UnmarshalText implements encoding.TextUnmarshaler.
func (h *handsReading) UnmarshalText(text []byte) error {
	face, at, timed := strings.Cut(string(text), "@")
	*h = handsReading{given: true, at: math.NaN(), text: face}
	var err error
	if h.shown, err = timecode.ParseHands(face); err != nil {
		return err
	}
	switch {
	case timed && at == "key":
		h.key = true
	case timed:
		d, err := time.ParseDuration(at)
		if err != nil || d < 0 {
			return fmt.Errorf("hands %q: after the @ write the time into the recording, such as 12.5s, or key", text)
		}
		h.at = d.Seconds()
	}
	return nil
}

// zone is a time zone by name.
type zone struct{ *time.Location }

// UnmarshalText implements encoding.TextUnmarshaler.
func (z *zone) UnmarshalText(text []byte) error {
	l, err := time.LoadLocation(string(text))
	if err != nil {
		return fmt.Errorf("time zone %q is not known: write a name such as Europe/London, or UTC", text)
	}
	z.Location = l
	return nil
}

// dial tells how to read what the hands show.
func (f *measureFlags) dial(h timecode.Hands) timecode.Hands {
	h.Zone, h.TwelveHours = f.Zone.Location, f.Dial == 12
	return h
}

// handsTaker is a measurement that can be told what the hands show.
type handsTaker interface{ HandsNow(timecode.Hands) }

// takeHands takes what was entered for what the hands show now, and says so.
// Nothing at all stands for the second hand's passing 0.
func (c *listenCmd) takeHands(text string, m handsTaker) (string, error) {
	switch {
	case c.Hands.key:
		text = c.Hands.text
	case text == "":
		text = "0"
	}
	shown, err := timecode.ParseHands(text)
	if err != nil {
		return "", err
	}
	m.HandsNow(c.dial(shown))
	return "the hands were read: " + text, nil
}

// askHands is what to do for the hands to be read.
func (c *listenCmd) askHands() string {
	if c.Hands.key {
		return "press a key as the hands show " + c.Hands.text
	}
	return "hands: type what they will show (18:20:41), press Enter as they do; Enter alone as the second hand passes 0"
}

// errWiredHands: what the hands should show is told by a broadcast.
var errWiredHands = usageError{errors.New("--hands needs a broadcast that tells the time, and --wired has none: leave one of them out")}

// openKeys lets the hands and the turns be told, and the screen be read from afar,
// where somebody sits who can be asked.
func (c *listenCmd) openKeys(p *program) *view.Keyboard {
	if !c.Hands.key && !c.keyed(p) {
		return &view.Keyboard{Restore: func() {}}
	}
	return view.OpenKeyboard(p.stdin, c.drawn(p), c.Hands.key)
}

// keyed reports whether somebody sits at a terminal whose keys come singly.
func (c *listenCmd) keyed(p *program) bool {
	f, ok := p.stdin.(*os.File)
	return c.drawn(p) && !c.Hands.key && ok && term.IsTerminal(int(f.Fd()))
}

// drawn reports whether what is measured fills a screen.
func (c *listenCmd) drawn(p *program) bool { return view.Terminal(p.stdout) && !c.JSON }

// heed shows what is typed, and takes what is entered.
func (c *listenCmd) heed(k view.Typing, m measurement, show view.Display) {
	if !k.Entered {
		show.Typed(k.Text)
		return
	}
	show.Typed("")
	if k.Text == view.Distance {
		show.Afar()
		return
	}
	if said, ok := told(&c.turns, k.Text); ok {
		show.Say(said)
		return
	}
	if c.Wired {
		return
	}
	taker, ok := m.(handsTaker)
	if !ok {
		return
	}
	said, err := c.takeHands(k.Text, taker)
	if err != nil {
		said = err.Error()
	}
	show.Say(said)
}
