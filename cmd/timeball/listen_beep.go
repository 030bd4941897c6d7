package main

import (
	"fmt"
	"io"

	"timeball/align"
	"timeball/capture/soundcard"
	"timeball/cmd/timeball/internal/sound"
	"timeball/cmd/timeball/internal/view"
)

// beeper sounds what a hand is to do with every second it passes on.
type beeper struct {
	view.Display
	tones     *soundcard.Tones
	tolerance float64
	bell      io.Writer // where there is no sound output: the terminal's bell, which has no pitch, tells to stop
	cues      sound.Cues
}

func (b *beeper) Aim(tolerance float64) {
	b.Display.Aim(tolerance)
	b.tolerance = tolerance
}

func (b *beeper) Second(s align.Second) {
	b.Display.Second(s)
	cue := b.cues.Next(&s, b.tolerance)
	if cue == nil {
		return
	}
	tones := make([]soundcard.Tone, len(cue))
	for i, t := range cue {
		tones[i] = soundcard.Tone(t)
	}
	if err := b.tones.Play(tones...); err != nil && b.cues.Stopped() {
		fmt.Fprint(b.bell, "\a")
	}
}
