package main

import (
	"fmt"
	"math"
	"strings"
	"time"
	_ "time/tzdata" // zones, for machines that have none

	"timeball/detect/timecode"
)

// handsReading is what a clock's hands showed, and when: "18:20:41@12.5s".
type handsReading struct {
	given bool
	shown timecode.Hands
	at    float64 // s from the start of the recording; NaN: at the last marker
}

// UnmarshalText implements encoding.TextUnmarshaler.
func (h *handsReading) UnmarshalText(text []byte) error {
	face, at, timed := strings.Cut(string(text), "@")
	*h = handsReading{given: true, at: math.NaN()}
	var err error
	if h.shown, err = timecode.ParseHands(face); err != nil {
		return err
	}
	if timed {
		d, err := time.ParseDuration(at)
		if err != nil || d < 0 {
			return fmt.Errorf("hands %q: after the @ write the time into the recording, such as 12.5s", text)
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
