package main

import (
	"errors"
	"os/exec"
	"sync/atomic"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
)

// speakers are programs that speak what follows their arguments, and end when they
// have.
var speakers = [][]string{{"espeak-ng"}, {"espeak"}, {"spd-say", "--wait"}, {"say"}}

var errNoSpeaker = errors.New("nothing is spoken: no speech program (espeak-ng, espeak, spd-say) is on the PATH")

// speakEvery is how often figures are spoken while what to do stays the same, s.
const speakEvery = 6

// speaker speaks of the seconds it passes on.
type speaker struct {
	view.Display
	command   []string
	tolerance float64
	busy      atomic.Bool
	said      string  // what to do, as last spoken
	at        float64 // when that was, on the sample clock
}

// newSpeaker speaks with what is on the PATH; it returns show as it is where there
// is nothing.
func newSpeaker(show view.Display, tolerance float64) (view.Display, error) {
	for _, s := range speakers {
		if program, err := exec.LookPath(s[0]); err == nil {
			return &speaker{Display: show, command: append([]string{program}, s[1:]...), tolerance: tolerance}, nil
		}
	}
	return show, errNoSpeaker
}

func (p *speaker) Aim(tolerance float64) {
	p.Display.Aim(tolerance)
	p.tolerance = tolerance
}

func (p *speaker) Second(s align.Second) {
	p.Display.Second(s)
	do, words := text.Spoken(&s, p.tolerance)
	if do == "" || do == p.said && (s.T < p.at+speakEvery || do == text.Stop) || !p.busy.CompareAndSwap(false, true) {
		return
	}
	p.said, p.at = do, s.T
	speech := exec.Command(p.command[0], append(p.command[1:len(p.command):len(p.command)], words)...)
	go func() {
		speech.Run() // a failure is heard as silence, which is how it fails
		p.busy.Store(false)
	}()
}
