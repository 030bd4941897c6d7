package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"timeball/capture"
	"timeball/capture/soundcard"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
	"timeball/detect/levels"
)

type levelsCmd struct {
	inputFlags `embed:""`

	ReceiverChannel int  `placeholder:"N" help:"Channel the receiver should be on, from 1 (default: whichever)."`
	MarkerChannel   int  `placeholder:"N" help:"Channel the marker should be on, from 1 (default: whichever)."`
	Once            bool `help:"Listen for 12 s, print the list and end."`
	JSON            bool `name:"json" help:"Print a JSON object (timeball.levels/1) for each list, a line each."`
}

// Help is kong's long help.
func (levelsCmd) Help() string {
	return `Checks levels and wiring while you mend them: signal, clipping, DC and hum of each channel, whether the marker is there and on which channel, its shape, jitter and missing pulses, how much of one channel leaks into the other, and the sample clock. What is not good has a line that says what to do.

` + text.PulseCaution + `

With --once the exit status is 0 when everything will do and 3 when something will not.

Example: timeball levels --input 2 --receiver-channel 1 --marker-channel 2`
}

// AfterApply checks the flags, for kong.
func (c *levelsCmd) AfterApply() error {
	if c.ReceiverChannel < 0 || c.MarkerChannel < 0 {
		return usageError{errors.New("--receiver-channel and --marker-channel count from 1")}
	}
	return c.check()
}

const (
	levelsWindow = 12 * time.Second // that a list is made from
	levelsEvery  = time.Second      // between lists
)

// Run shows lists until interrupted.
func (c *levelsCmd) Run(p *program) error {
	f, onScreen := view.Terminal(p.stdout)
	say := func(message string) { fmt.Fprintln(p.stderr, message) }
	var screen *view.LevelsScreen
	if onScreen = onScreen && !c.Once && !c.JSON; onScreen {
		screen = view.OpenLevels(f)
		defer screen.End()
		say = screen.Say
	}
	src, err := c.open(p, func(e soundcard.Event) { say(e.Message) })
	if err != nil {
		return err
	}
	defer src.Close()
	every := levelsEvery
	switch {
	case c.Once:
		every = levelsWindow
	case !onScreen:
		every = levelsWindow // a list of its own each time
	}
	return c.survey(p.ctx, src, every, func(r levels.Report) error {
		checks := text.Checks(&r, r.Checks(levels.Roles{Receiver: c.ReceiverChannel, Marker: c.MarkerChannel}))
		switch {
		case onScreen:
			screen.Show(checks)
		case c.JSON:
			if err := printLevelsJSON(p.stdout, r, checks); err != nil {
				return err
			}
		default:
			fmt.Fprintln(p.stdout, view.LevelsText(checks))
		}
		if !c.Once {
			return nil
		}
		for _, check := range checks {
			if check.Verdict == levels.Bad {
				return errNoFix
			}
		}
		return io.EOF
	})
}

// survey has report look at the last window of src, each time so much has
// passed, until it returns an error. io.EOF is no error.
func (c *levelsCmd) survey(ctx context.Context, src closer, every time.Duration, report func(levels.Report) error) error {
	defer context.AfterFunc(ctx, func() { src.Close() })()
	info := src.Info()
	rate := float64(info.Rate)
	window := int(levelsWindow.Seconds() * rate)
	held := make([][]float32, info.Channels)
	due := int64(every.Seconds() * rate)
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if b.Lost > 0 { // what was before it does not go with what follows
			for i := range held {
				held[i] = held[i][:0]
			}
		}
		for i, x := range b.Channels {
			held[i] = append(held[i], x...)
			if over := len(held[i]) - window; over > 0 {
				held[i] = append(held[i][:0], held[i][over:]...)
			}
		}
		if end := b.Position + int64(b.Len()); end >= due {
			due = end + int64(every.Seconds()*rate)
			if err := report(levels.Analyse(rate, held)); err == io.EOF {
				return nil
			} else if err != nil {
				return err
			}
		}
	}
}

func printLevelsJSON(w io.Writer, r levels.Report, checks []text.Check) error {
	return json.NewEncoder(w).Encode(levelsJSON{"timeball.levels/1", r, checks})
}

// levelsJSON is the object of schema timeball.levels/1.
type levelsJSON struct {
	Schema string `json:"schema"`
	levels.Report
	Checks []text.Check `json:"checks"`
}
