package main

import (
	"fmt"
	"io"
	"math"
	"time"

	"timeball/align"
	"timeball/capture/soundcard"
	"timeball/cmd/timeball/internal/view"
)

const (
	nearHz     = 800. // within the tolerance
	farHz      = 250. // the lowest, for a thousand times the tolerance
	toneLength = 120 * time.Millisecond
)

// beeper sounds a tone with every second it passes on.
type beeper struct {
	view.Display
	tones     *soundcard.Tones
	tolerance float64
	bell      io.Writer // where there is no sound output: the terminal's bell
}

func (b *beeper) Aim(tolerance float64) {
	b.Display.Aim(tolerance)
	b.tolerance = tolerance
}

func (b *beeper) Second(s align.Second) {
	b.Display.Second(s)
	if s.Offset == nil || s.Marker.Missing > 0 {
		return
	}
	if err := b.tones.Sound(pitch(*s.Offset, b.tolerance), toneLength); err != nil {
		fmt.Fprint(b.bell, "\a")
	}
}

// pitch is that of an offset's tone, Hz: the same step down for each factor of
// the distance, to an ear that hears ratios.
func pitch(offset, tolerance float64) float64 {
	far := math.Log10(math.Abs(offset)/tolerance) / 3
	far = max(0, min(1, far))
	return nearHz * math.Pow(farHz/nearHz, far)
}
