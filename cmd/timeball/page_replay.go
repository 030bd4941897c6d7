package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"timeball/capture"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/page"
)

// playTolerance is that of the page until it is set there, s.
const playTolerance = 1e-3

// playSlice is how much of a recording is played at once at its own speed, s.
const playSlice = 0.02

// seekPace is beyond any speed at which there is time for pictures.
const seekPace = 1e6

// player plays a recording on a page.
type player struct {
	name    string
	src     *wavfile.Reader
	work    *pageWork
	block   capture.Block
	used    int // frames of block that have been played
	playing bool
	speed   float64
	// The frame at position began was due at the time since.
	since time.Time
	began int64
	done  bool // the recording's end is reached
}

// playOnPage plays a recording on a page until interrupted.
func (c *replayCmd) playOnPage(p *program, name string, file calibrationFile) (*outcome, error) {
	if name == "-" {
		return nil, usageError{errors.New("--page cannot go back in standard input: name a file")}
	}
	src, err := wavfile.Open(name)
	if err != nil {
		return nil, err
	}
	info := src.Info()
	settings, used, err := c.settingsFor(info, c.given, file)
	if err != nil {
		src.Close()
		return nil, err
	}
	work, link, err := newPageWork(c.Page, info, settings, c.Wired, filepath.Base(name), playTolerance)
	if err != nil {
		src.Close()
		return nil, err
	}
	fmt.Fprintln(p.stderr, link)
	pl := &player{name: name, src: src, work: work, playing: true, speed: 1, since: time.Now()}
	defer func() { pl.src.Close() }()
	work.page.Change(func(v *page.Session) {
		v.Playback = &page.Playback{Playing: true, Speed: 1, Length: float64(max(0, info.Frames)) / float64(info.Rate)}
	})
	err = pl.play(p)
	o := &outcome{fix: work.Fix(), settings: settings, recording: name, notes: work.notes}
	o.fix.Recording.Settings = used
	work.close(o.fix)
	return o, err
}

// play goes on until interrupted.
func (pl *player) play(p *program) error {
	for {
		wait := time.Hour
		if pl.playing && !pl.done {
			wait = time.Until(pl.due())
		}
		if wait > 0 {
			t := time.NewTimer(wait)
			select {
			case <-p.ctx.Done():
				t.Stop()
				return nil
			case a := <-pl.work.page.Actions():
				if err := pl.do(a); err != nil {
					return err
				}
			case <-t.C:
			}
			t.Stop()
			continue
		}
		// Behind time: still listen to the viewers between two slices.
		select {
		case <-p.ctx.Done():
			return nil
		case a := <-pl.work.page.Actions():
			if err := pl.do(a); err != nil {
				return err
			}
		default:
			if err := pl.slice(); err != nil {
				return err
			}
		}
	}
}

// due is when the next slice is to be heard.
func (pl *player) due() time.Time {
	return pl.since.Add(time.Duration(float64(frameTime(pl.work.next-pl.began, pl.work.info.Rate)) / pl.speed))
}

// rebase lets time run from now on.
func (pl *player) rebase() { pl.since, pl.began = time.Now(), pl.work.next }

// slice plays some frames.
func (pl *player) slice() error {
	if pl.used >= pl.block.Len() {
		err := pl.src.Read(&pl.block)
		if err == io.EOF {
			pl.done = true
			pl.work.show()
			pl.work.page.Fix(pl.work.Fix())
			pl.tell()
			return nil
		}
		if err != nil {
			return err
		}
		pl.used = 0
	}
	n := min(pl.block.Len()-pl.used, max(1, int(playSlice*max(1, pl.speed)*float64(pl.work.info.Rate))))
	part := capture.Block{Position: pl.block.Position + int64(pl.used)}
	if pl.used == 0 {
		part.Lost, part.Inexact = pl.block.Lost, pl.block.Inexact
	}
	for _, x := range pl.block.Channels {
		part.Channels = append(part.Channels, x[pl.used:pl.used+n])
	}
	pl.used += n
	pl.work.take(&part)
	return nil
}

// do does what a viewer asks for.
func (pl *player) do(a page.Action) error {
	switch a.Do {
	case page.DoPlay, page.DoPause:
		pl.playing = a.Do == page.DoPlay
		if pl.playing && pl.done { // once more
			if err := pl.seek(0); err != nil {
				return err
			}
		}
	case page.DoSpeed:
		pl.speed, pl.work.pace = a.Value, a.Value
	case page.DoSeek:
		if err := pl.seek(a.Value); err != nil {
			return err
		}
	default:
		pl.work.do(a)
	}
	pl.rebase()
	pl.tell()
	return nil
}

// seek measures from the start of the recording up to a place, as fast as it can:
// what is then shown is what would have been, had it been played.
func (pl *player) seek(to float64) error {
	src, err := wavfile.Open(pl.name)
	if err != nil {
		return err
	}
	pl.src.Close()
	pl.src, pl.block, pl.used, pl.done = src, capture.Block{}, 0, false
	pl.work.page.Reset(func() {
		pl.work.next = 0
		pl.work.hearNothing()
		pl.work.restart()
		pl.work.pace = seekPace
		for err == nil && !pl.done && float64(pl.work.next) < to*float64(pl.work.info.Rate) {
			err = pl.slice()
		}
		pl.work.pace = pl.speed
		pl.work.show()
		for _, n := range pl.work.notes {
			pl.work.page.Add(n)
		}
	})
	return err
}

// tell shows the state of the player.
func (pl *player) tell() {
	pl.work.page.Change(func(v *page.Session) {
		v.Playback.Playing, v.Playback.Speed = pl.playing && !pl.done, pl.speed
		v.Playback.At = float64(pl.work.next) / float64(pl.work.info.Rate)
	})
}

// frameTime is how long some frames last.
func frameTime(frames int64, rate int) time.Duration {
	return time.Duration(float64(frames) / float64(rate) * 1e9)
}
