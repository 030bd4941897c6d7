package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"runtime"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"github.com/alecthomas/kong"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/plot"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
)

type replayCmd struct {
	measureFlags `embed:""`
	given        map[string]bool // flags on the command line
	bookFlags    `embed:""`

	Files   []string `arg:"" name:"file" help:"Recordings (WAV), or - for standard input."`
	JSON    bool     `name:"json" help:"Print one JSON object (timeball.fix/1) a recording, a line each."`
	Wired   bool     `help:"The receiver's channel carries another clock's pulse: compare the two."`
	Plot    string   `placeholder:"FILE.png|.svg" help:"Draw the tick, the seconds and their offsets."`
	dpiFlag `embed:""`

	Report string      `placeholder:"FILE.html" help:"Write a report of the fix, one file with its pictures."`
	Log    bool        `help:"Enter each fix in the logbook."`
	Page   pageAddress `help:"Play the recording on a web page, for this machine alone, until interrupted; --page=192.168.1.5:8000, an address of it, for all who have the link."`
}

// Help is kong's long help.
func (replayCmd) Help() string {
	return `Measures recordings: tells how far the local clock's marker is from UTC, and how sure that is. Receiver and marker are two channels of one recording; which is which is found.

The exit status is 0 for a fix, 3 when there is no trustworthy one, 1 when a recording cannot be read; of several recordings the worst counts, and the others are measured all the same.

Example: timeball replay --station wwv --at 50.2,-5.6 --carrier 10MHz --plot gannet-head.png gannet-head.wav`
}

// AfterApply checks the flags, for kong.
func (c *replayCmd) AfterApply(ctx *kong.Context) error {
	c.given = given(ctx)
	if err := c.check(); err != nil {
		return err
	}
	if c.Hands.key {
		return usageError{errors.New("--hands: only listen waits for a key; say how far into the recording they showed that, such as 18:20:41@12.5s")}
	}
	if c.Wired && c.Hands.given {
		return errWiredHands
	}
	if len(c.Files) > 1 && c.Plot != "" {
		return usageError{errors.New("--plot draws one recording: give one, or leave it out")}
	}
	if len(c.Files) > 1 && (c.Report != "" || c.Page != "") {
		return usageError{errors.New("--report and --page are for one recording: give one, or leave them out")}
	}
	if c.Page != "" && (c.Plot != "" || c.Report != "") {
		return usageError{errors.New("--page only plays: leave out --plot and --report")}
	}
	if c.Wired && c.Plot != "" {
		return usageError{errors.New("--plot draws ticks, and --wired has none: leave one of them out")}
	}
	if len(c.Files) > 1 && !c.Start.IsZero() {
		return usageError{errors.New("--start holds for one recording: give one, or leave it out")}
	}
	return errors.Join(checkPicture(c.Plot, c.DPI), checkEnding("--report", c.Report, ".html"))
}

// Run measures the recordings, several side by side, and says in their order what came
// of each.
func (c *replayCmd) Run(p *program, file calibrationFile) error {
	defer debug.SetGCPercent(debug.SetGCPercent(garbagePercent))
	if _, err := c.settings(file); err != nil {
		return err
	}
	if err := c.checkTargets(c.Plot, c.Report); err != nil {
		return err
	}
	if len(c.Files) == 1 {
		measure := c.measure
		if c.Page != "" {
			measure = c.playOnPage
		}
		o, err := measure(p, c.Files[0], file)
		return c.tell(p, o, err)
	}
	status := error(nil)
	for i, r := range c.measureEach(p, file) {
		if i > 0 && !c.JSON {
			fmt.Fprintln(p.stdout)
		}
		err := c.tell(p, r.outcome, r.err)
		switch {
		case err == nil:
		case errors.Is(err, errNoFix):
			if status == nil {
				status = errNoFix
			}
		case p.ctx.Err() != nil:
			return err
		default:
			fmt.Fprintf(p.stderr, "timeball: %v\n", err)
			status = errReported
		}
	}
	return status
}

// measured is what came of a recording.
type measured struct {
	outcome *outcome
	err     error
}

// mostAtOnce bounds the recordings that are measured side by side: each holds minutes
// of audio, some 45 MiB in all.
const mostAtOnce = 4

// measureEach measures all recordings, as many side by side as there are processors,
// and yields them in their order.
func (c *replayCmd) measureEach(p *program, file calibrationFile) iter.Seq2[int, measured] {
	return func(yield func(int, measured) bool) {
		atOnce := min(runtime.GOMAXPROCS(0), mostAtOnce)
		if slices.Contains(c.Files, "-") {
			atOnce = 1 // it may be there twice
		}
		var work sync.WaitGroup
		defer work.Wait()
		worker := *p
		var stop func()
		worker.ctx, stop = context.WithCancel(p.ctx)
		defer stop()
		worker.stderr = io.Discard // how far each is
		done := make([]chan measured, len(c.Files))
		for i := range done {
			done[i] = make(chan measured, 1)
		}
		begin := func(i int) {
			if i < len(c.Files) {
				work.Go(func() {
					o, err := c.measure(&worker, c.Files[i], file)
					done[i] <- measured{o, err}
				})
			}
		}
		for i := range atOnce {
			begin(i)
		}
		progress := view.NewProgress(p.stderr)
		for i := range c.Files {
			progress.Show(fmt.Sprintf("%s: recording %d of %d", c.Files[i], i+1, len(c.Files)))
			m := <-done[i]
			progress.End()
			if !yield(i, m) {
				return
			}
			begin(i + atOnce)
		}
	}
}

// tell says what came of a recording; errNoFix when that is not a fix.
func (c *replayCmd) tell(p *program, o *outcome, err error) error {
	if o == nil {
		return err
	}
	return o.deliver(err,
		func() error { return c.keep(p, o, c.Log) },
		func() error { return p.printFix(o.fix, c.JSON) },
		func() error { return c.draw(p, o) },
		func() error { return o.report(c.Report) })
}

// measure measures a recording.
func (c *replayCmd) measure(p *program, name string, file calibrationFile) (*outcome, error) {
	src, err := openRecording(p, name)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	settings, used, err := c.settingsFor(src.Info(), c.given, file)
	if err != nil {
		return nil, err
	}
	o := &outcome{settings: settings}
	if name != "-" { // which is gone
		o.recording = name
	}
	if c.Wired {
		w, err := align.NewWired(src.Info(), settings)
		if err != nil {
			return nil, err
		}
		if err := measureAll(p, src.Info(), blocksAhead, src.Read, func(b *capture.Block) { w.Process(b) }); err != nil {
			return nil, err
		}
		o.fix = text.Fix(w.Fix())
		o.fix.Recording.Settings = used
		o.picture = func() align.Picture { return align.Picture{Fix: o.fix} }
		return o, nil
	}
	attempt, err := align.NewAttempt(src.Info(), settings)
	if err != nil {
		return nil, err
	}
	if err := measureAll(p, src.Info(), attempt.Ahead(), reduced(src, attempt), attempt.Measure); err != nil {
		return nil, err
	}
	o.fix = text.Fix(attempt.Fix())
	o.fix.Advice = c.advice(o.fix, settings)
	o.fix.Recording.Settings = used
	o.picture = func() align.Picture { return attempt.Picture(o.fix) }
	return o, nil
}

// draw draws a picture if one is wanted, and says where it is.
func (c *replayCmd) draw(p *program, o *outcome) error {
	if c.Plot == "" {
		return nil
	}
	said := "none, there is no tick to draw"
	if len(o.fix.Stations) > 0 {
		if err := plot.Attempt(plot.File{Name: c.Plot, DPI: c.DPI}, o.picture()); err != nil {
			return err
		}
		said = c.Plot
	}
	if c.JSON {
		return nil
	}
	_, err := fmt.Fprintf(p.stdout, "picture: %s\n", said)
	return err
}

// openRecording opens a file, or standard input for "-". Where nobody writes to a
// pipe that takes until p.ctx is done.
func openRecording(p *program, name string) (*wavfile.Reader, error) {
	type opened struct {
		r   *wavfile.Reader
		err error
	}
	done := make(chan opened, 1)
	go func() {
		var o opened
		if name == "-" {
			o.r, o.err = wavfile.NewReader("standard input", p.stdin)
		} else {
			o.r, o.err = wavfile.Open(name)
		}
		done <- o
	}()
	select {
	case o := <-done:
		return o.r, o.err
	case <-p.ctx.Done():
		return nil, fmt.Errorf("%s: interrupted", name)
	}
}

// reduced reads src in the form in which attempt measures it.
func reduced(src capture.Source, attempt *align.Attempt) func(*align.Reduced) error {
	var b capture.Block
	return func(r *align.Reduced) error {
		err := src.Read(&b)
		if err == nil {
			attempt.Reduce(&b, r)
		}
		return err
	}
}

// blocksAhead is how much may be read ahead in blocks as they are, s: they take memory.
const blocksAhead = 1

// measureAll passes to take all that read gives of a source, up to so many seconds of it
// ahead, and shows how far it is.
func measureAll[B any, P counted[B]](p *program, info capture.Info, ahead int, read func(P) error, take func(P)) error {
	progress := view.NewProgress(p.stderr)
	defer progress.End()
	shown, frames := time.Now(), int64(0)
	for b, err := range readAhead(p.ctx, ahead*info.Rate, read) {
		switch {
		case err == io.EOF:
			return nil
		case p.ctx.Err() != nil:
			return fmt.Errorf("%s: interrupted", info.Name)
		case err != nil:
			return err
		}
		take(b)
		frames += int64(b.Len())
		if time.Since(shown) < progressEvery {
			continue
		}
		shown = time.Now()
		so := fmt.Sprintf("%.0f s", float64(frames)/float64(info.Rate))
		if info.Frames > 0 {
			so = fmt.Sprintf("%.0f %%", 100*float64(frames)/float64(info.Frames))
		}
		progress.Show(info.Name + ": " + so)
	}
	panic("readAhead ended without an error")
}

// garbagePercent is how much garbage may gather beside what is in use. Minutes of
// audio are in use and little else is allocated: an hour took 2.3 s and 74 MiB at
// 10 %, 2.0 s and 77 MiB at this, and at Go's 100 % more than 100 MiB
// (BenchmarkReplayHour).
const garbagePercent = 20

// progressEvery is how often the line of progress changes; a recording that
// takes less has none.
const progressEvery = 300 * time.Millisecond
