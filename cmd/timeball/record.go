package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"timeball/capture"
	"timeball/capture/soundcard"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/view"
)

type recordCmd struct {
	inputFlags `embed:""`

	Record string        `required:"" placeholder:"FILE.wav" help:"File to write. With --rotate its name gets a number."`
	For    time.Duration `placeholder:"2m" help:"Stop by itself after this long (default: when interrupted)."`
	Rotate time.Duration `placeholder:"1h" help:"Begin a new file, FILE-0001.wav and so on, each time this has passed."`
}

// Help is kong's long help.
func (recordCmd) Help() string {
	return `Records a sound input without measuring. The file is complete at every moment, whatever stops the program: at most the last second is missing.

Example: timeball record --input 2 --record gannet-head.wav --for 30m`
}

// AfterApply checks the flags, for kong.
func (c recordCmd) AfterApply(ctx *kong.Context) error {
	if named := given(ctx); c.For < 0 || c.For == 0 && named["for"] {
		return errNoLength
	}
	if c.Rotate < 0 {
		return errors.New("--rotate must not be negative")
	}
	return errors.Join(checkEnding("--record", c.Record, ".wav"), c.check())
}

// closer is a source that ends when it is closed.
type closer interface {
	capture.Source
	Close() error
}

// recorder is where the blocks go: one file or a row of them.
type recorder interface {
	Write(*capture.Block) error
	Close() error
}

// Run records until interrupted, until --for has passed or until the disk is full.
func (c recordCmd) Run(p *program) error {
	check := checkNew // found out before the input has been waited for
	if c.Rotate > 0 {
		check = checkTarget
	}
	if err := check(c.Record); err != nil {
		return err
	}
	progress := view.NewProgress(p.stderr)
	defer progress.End()
	src, err := c.open(p, func(e soundcard.Event) { progress.Say(e.Message) })
	if err != nil {
		return err
	}
	defer src.Close()
	info := src.Info()
	format := wavfile.Format{
		Rate: info.Rate, Channels: info.Channels, Bits: info.Bits, Start: info.Start,
		Note: noteOf(info.Name, nil),
	}
	var rec recorder
	if c.Rotate > 0 {
		rec, err = wavfile.CreateRotating(c.Record, format, c.Rotate)
	} else {
		rec, err = wavfile.Create(c.Record, format)
	}
	if err != nil {
		return err
	}
	done, err := c.copy(p.ctx, rec, src, progress)
	if e := rec.Close(); err == nil {
		err = e
	}
	progress.End()
	if err != nil {
		return fmt.Errorf("recording ended after %.1f s: %w", done.seconds(), err)
	}
	fmt.Fprintf(p.stdout, "%s: %.1f s of %s, %s\n", c.Record, done.seconds(), info.Name, done.losses())
	return nil
}

// noteOf describes what a recording is made with, as far as a recording has
// room for it.
func noteOf(input string, settings [][2]string) string {
	const room = 256
	note := strings.ToValidUTF8("input "+input[:min(len(input), room/2)], "")
	for _, s := range settings {
		if more := "; " + s[0] + " " + s[1]; len(note)+len(more) <= room {
			note += more
		}
	}
	return note
}

// grace is how much longer than --for an input that is away is waited for.
const grace = 5 * time.Second

// copy copies src to rec until one of them or the wanted time ends.
func (c recordCmd) copy(ctx context.Context, rec recorder, src closer, progress *view.Progress) (tally, error) {
	info := src.Info()
	end := int64(math.MaxInt64)
	if c.For > 0 {
		end = int64(math.Round(c.For.Seconds() * float64(info.Rate)))
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.For+grace)
		defer cancel()
	}
	defer context.AfterFunc(ctx, func() { src.Close() })()

	done := tally{rate: info.Rate, peaks: make([]float32, info.Channels)}
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return done, nil
		}
		if err != nil {
			return done, err
		}
		if b.Position >= end {
			return done, nil
		}
		if over := b.Position + int64(b.Len()) - end; over > 0 {
			b.Resize(info.Channels, b.Len()-int(over))
		}
		if err := rec.Write(&b); err != nil {
			return done, err
		}
		done.add(&b)
		if done.due() {
			progress.Show(done.line())
		}
		if done.end >= end {
			return done, nil
		}
	}
}

// tally is what has been recorded.
type tally struct {
	rate  int
	end   int64     // position after the last frame
	gaps  int       // losses
	lost  int64     // frames in them
	peaks []float32 // of each channel since the last line
	shown int64     // end at the last line
}

func (t *tally) add(b *capture.Block) {
	if b.Lost > 0 {
		t.gaps++
		t.lost += b.Lost
	}
	t.end = b.Position + int64(b.Len())
	for i, c := range b.Channels {
		for _, x := range c {
			t.peaks[i] = max(t.peaks[i], x, -x)
		}
	}
}

// due tells whether it is time for another line.
func (t *tally) due() bool { return t.end-t.shown >= int64(t.rate/2) }

func (t *tally) seconds() float64 { return float64(t.end) / float64(t.rate) }

func (t *tally) losses() string {
	if t.gaps == 0 {
		return "no frames lost"
	}
	gaps := "gaps"
	if t.gaps == 1 {
		gaps = "gap"
	}
	return fmt.Sprintf("%.2f s lost in %d %s", float64(t.lost)/float64(t.rate), t.gaps, gaps)
}

// line describes the recording in progress, with the peaks since the last line.
func (t *tally) line() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s  peaks", time.Duration(t.seconds()*1e9).Truncate(time.Second))
	for _, peak := range t.peaks {
		if peak == 0 {
			b.WriteString("  silent")
		} else {
			fmt.Fprintf(&b, "  %.0f dBFS", 20*math.Log10(float64(peak)))
		}
	}
	fmt.Fprintf(&b, "  %s  (Ctrl-C ends)", t.losses())
	t.shown = t.end
	clear(t.peaks)
	return b.String()
}
