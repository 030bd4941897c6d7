package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/soundcard"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
	"timeball/detect/levels"
)

type levelsCmd struct {
	inputFlags    `embed:""`
	stationsFlags `embed:""`

	Station         []string  `default:"auto" placeholder:"ID,ID" help:"Stations whose ticks may be heard, or auto: all on shortwave that differ in their marks (default: auto)."`
	Carrier         frequency `placeholder:"10MHz" help:"Carrier the receiver is tuned to (default: any)."`
	ReceiverChannel int       `placeholder:"N" help:"Channel the receiver should be on, from 1 (default: whichever)."`
	MarkerChannel   int       `placeholder:"N" help:"Channel the marker should be on, from 1 (default: whichever)."`
	Once            bool      `help:"Listen for 12 s, or up to 30 s until a tick is heard, print the list and end."`
	JSON            bool      `name:"json" help:"Print a JSON object (timeball.levels/1) for each list, a line each."`
}

// Help is kong's long help.
func (levelsCmd) Help() string {
	return `Checks levels and wiring while you mend them: signal, clipping, DC and hum of each channel, whether the marker is there and on which channel, its shape, jitter and missing pulses, how much of one channel leaks into the other, the sample clock, and whether the ticks of a station are heard. What is not good has a line that says what to do.

` + text.PulseCaution + `

With --once the exit status is 0 when everything will do and 3 when something will not; a station that is not heard may only be weak, and does not count as that.

Example: timeball levels --input 2 --station wwv --receiver-channel 1 --marker-channel 2`
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
	say := func(message string) { fmt.Fprintln(p.stderr, message) }
	var screen *view.LevelsScreen
	onScreen := view.Terminal(p.stdout) && !c.Once && !c.JSON
	if onScreen {
		screen = view.OpenLevels(p.stdout)
		defer screen.End()
		say = screen.Say
	}
	src, err := c.open(p, func(e soundcard.Event) { say(e.Message) })
	if err != nil {
		return err
	}
	defer src.Close()
	hear, err := c.ticks(src.Info())
	if err != nil {
		return err
	}
	first, every := levelsEvery, levelsEvery
	switch {
	case c.Once:
		first = levelsWindow
	case !onScreen:
		first, every = levelsWindow, levelsWindow // a list of its own each time
	}
	if c.Once {
		say(fmt.Sprintf("listening for %.0f s, or up to %d s until a tick is heard", levelsWindow.Seconds(), levels.EnoughForTicks))
	}
	return c.survey(p.ctx, src, first, every, hear.process, func(r levels.Report) error {
		r.Ticks = hear.state(r.Marker)
		if c.Once && r.Ticks.AwaitMore() {
			return nil
		}
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

// tickWatch listens for ticks beside the survey: it is a measurement, begun anew when
// the marker turns up on another channel.
type tickWatch struct {
	info     capture.Info
	settings align.Settings
	live     *align.Live // nil: the input has one channel
	marker   int         // channel from 1 that live goes by, or began with
	base     int64       // position at which live began, frames
	end      int64       // position of the next frame
}

// ticks begins to listen for ticks.
func (c *levelsCmd) ticks(info capture.Info) (*tickWatch, error) {
	m := measureFlags{Station: c.Station, stationsFlags: c.stationsFlags, Carrier: c.Carrier}
	if info.Channels > 2 { // of two, either may be the receiver's: that is what is looked into
		m.ReceiverChannel = c.ReceiverChannel
	}
	settings, err := m.settings("")
	if err != nil || info.Channels < 2 {
		return &tickWatch{}, err
	}
	w := &tickWatch{info: info, settings: settings}
	return w, w.restart()
}

// restart forgets what was heard.
func (w *tickWatch) restart() error {
	info := w.info
	if !info.Start.IsZero() {
		info.Start = info.Start.Add(time.Duration(float64(w.end) / float64(info.Rate) * 1e9))
	}
	a, err := align.NewAttempt(info, w.settings)
	if err != nil {
		return err
	}
	w.live, w.base = align.NewLive(a), w.end
	return nil
}

// process listens to a block.
func (w *tickWatch) process(b *capture.Block) {
	if w.live == nil {
		return
	}
	w.end = b.Position + int64(b.Len())
	own := *b
	own.Position -= w.base
	w.live.Process(&own)
}

// state is what is heard, where the survey finds the marker on a channel from 1; 0: on
// none. It is nil where nothing can be.
func (w *tickWatch) state(marker int) *levels.Ticks {
	if w.live == nil {
		return nil
	}
	if marker > 0 && marker != w.marker {
		if w.marker > 0 && w.restart() != nil {
			return nil
		}
		w.marker = marker
	}
	t := w.live.Ticks()
	return &t
}

// survey has report look at the last window of src, when first has passed and then each
// time every has, until it returns an error. io.EOF is no error. hear gets every block.
func (c *levelsCmd) survey(ctx context.Context, src closer, first, every time.Duration, hear func(*capture.Block), report func(levels.Report) error) error {
	defer context.AfterFunc(ctx, func() { src.Close() })()
	info := src.Info()
	rate := float64(info.Rate)
	window := int(levelsWindow.Seconds() * rate)
	held := make([][]float32, info.Channels)
	due := int64(first.Seconds() * rate)
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		hear(&b)
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
