package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"time"

	"github.com/alecthomas/kong"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/soundcard"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
)

type listenCmd struct {
	measureFlags `embed:""`
	inputFlags   `embed:""`
	bookFlags    `embed:""`

	Tolerance tolerance     `default:"1ms" placeholder:"10us" help:"How near to UTC is near enough (default: 1ms)."`
	For       time.Duration `placeholder:"2m" help:"Stop by itself after this long (default: when interrupted)."`
	Record    string        `placeholder:"FILE.wav" help:"Record what is measured, too."`
	Wired     bool          `help:"The receiver's channel carries another clock's pulse: compare the two."`
	Turn      turnWay       `placeholder:"clockwise" help:"What each adjustment is until two are known: one turn clockwise or anticlockwise, or one press. Then what is to go is told in turns."`
	Beep      bool          `help:"Sound what to do: high tones, advance; low ones, retard; more of them, nearer; both by turns without a pause, stop. They must not reach the input."`
	Speak     bool          `help:"Speak the figures, too, where a speech program is installed. It must not reach the input."`
	Page      pageAddress   `help:"Show it on a web page, too, for this machine alone; --page=192.168.1.5:8000, an address of it, for all who have the link."`
	Report    string        `placeholder:"FILE.html" help:"Write a report of the fix."`
	Log       bool          `default:"true" negatable:"" help:"Enter the fix in the logbook (default: yes)."`
	JSON      bool          `name:"json" help:"Print one JSON object a second (timeball.second/1), and the fix (timeball.fix/1) at the end."`

	turns align.Turns
}

// Help is kong's long help.
func (listenCmd) Help() string {
	return `Measures a sound input live, for setting the clock: shows the offset of every pulse of the marker, which way to turn, how sure that is, and whether the tolerance is reached. When it ends, by --for or Ctrl-C, it states the fix as replay would. Receiver and marker are two channels of the input; which is which is found, but with --wired it is the reference on channel 1 and the marker on channel 2 unless you say otherwise.

While the station fades the figure still follows the clock, and the interval grows with what the clock's rate may have done meanwhile.

To learn which second the hands should show, type what they will show and press Enter at the moment they do, or only Enter as the second hand passes 0; --hands 18:20:41@key takes any key for that. Once the broadcast has told the time, the answer is how to set the hands.

--beep sounds on the system's standard output: high tones (700 Hz) mean advance, low ones (350 Hz) retard, one a second far away and six next to the tolerance. Both pitches by turns without a pause mean stop: take the hands off. Nothing sounds while there is no direction. Wear headphones, or use another card than the input's: a tone that comes back through the input is noise to the measurement. The same can be switched on on the page. --speak says the figures with espeak-ng, espeak, spd-say or say, if there is one.

On a terminal that is drawn on, d shows only offset, what to do, interval and reception, as large as the screen allows, to be read from the clock; d again shows all.

For turns, turn once, stop, and tell which way: c clockwise, a anticlockwise, p for a press of a button, with a number before it for several; or the buttons on the page; or --turn clockwise beforehand, then no key is needed for the first two. After two adjustments the program tells how many are to go.

` + text.MachineryCaution + ` ` + text.AntennaCaution + `

The exit status is 0 for a fix and 3 when there is no trustworthy one.

Example: timeball listen --input 2 --station wwv --at 50.2,-5.6 --carrier 10MHz --tolerance 100us --record gannet-head.wav`
}

// AfterApply checks the flags, for kong.
func (c *listenCmd) AfterApply(ctx *kong.Context) error {
	if c.For < 0 || c.For == 0 && given(ctx)["for"] {
		return usageError{errNoLength}
	}
	if c.Hands.given && !c.Hands.key && math.IsNaN(c.Hands.at) {
		// The last marker moves on while the reading stays.
		return usageError{errors.New("--hands: say when they showed that: 18:20:41@key for when you press a key, 18:20:41@12.5s for seconds from the start")}
	}
	if c.Wired && c.Hands.given {
		return errWiredHands
	}
	return errors.Join(checkEnding("--record", c.Record, ".wav"), checkEnding("--report", c.Report, ".html"), c.measureFlags.check(), c.inputFlags.check())
}

var errNoLength = errors.New("--for must be longer than nothing")

// tolerance is the value of --tolerance, s.
type tolerance float64

// UnmarshalText is for kong.
func (t *tolerance) UnmarshalText(text []byte) error {
	v, err := parseSeconds(string(text))
	if err == nil && !(v > 0) {
		err = fmt.Errorf("%q: a tolerance is more than nothing", text)
	}
	*t = tolerance(v)
	return err
}

// measurement is a live measurement, by radio or by wire.
type measurement interface {
	Process(*capture.Block) (align.Second, bool)
	Fix() align.Fix
}

// newMeasurement begins to measure a source.
func newMeasurement(info capture.Info, s align.Settings, wired bool) (measurement, error) {
	if wired {
		return align.NewWired(info, s)
	}
	a, err := align.NewAttempt(info, s)
	if err != nil {
		return nil, err
	}
	return align.NewLive(a), nil
}

// Run measures until interrupted or until --for has passed.
func (c *listenCmd) Run(p *program, file calibrationFile) error {
	settings, err := c.settings(file)
	if err != nil {
		return err
	}
	if err := checkNew(c.Record); err != nil {
		return err
	}
	if err := c.checkTargets(c.Record, c.Report); err != nil {
		return err
	}
	o, err := c.session(p, settings)
	if o == nil {
		return err
	}
	return o.deliver(err,
		func() error { return c.keep(p, o, c.Log) },
		func() error { return p.printFix(o.fix, c.JSON) },
		func() error { return o.report(c.Report) })
}

// session opens the input and measures. What it has come to is nil if nothing
// could be measured; an error beside it says what went wrong on the way.
func (c *listenCmd) session(p *program, settings align.Settings) (*outcome, error) {
	options := view.Options{JSON: c.JSON, Tolerance: float64(c.Tolerance), Recording: c.Record}
	if !c.Wired {
		options.Ask = c.askHands()
	}
	c.turns.Expect, settings.Turns = c.Turn.Adjusted, &c.turns
	if c.keyed(p) {
		options.AskTurns = askTurns
	}
	show := view.Open(p.stdout, p.stderr, options)
	defer show.End()
	keys := c.openKeys(p)
	defer keys.Restore()
	src, err := c.inputFlags.open(p, func(e soundcard.Event) { show.Say(e.Message) })
	if err != nil {
		return nil, err
	}
	defer src.Close()
	info := src.Info()
	if !settings.Start.IsZero() {
		info.Start = settings.Start
	}
	m, shown, err := c.begin(info, settings, show)
	if err != nil {
		return nil, err
	}
	if shown != nil {
		show = pageDisplay{show, shown.page}
	}
	format := wavfile.Format{
		Rate: info.Rate, Channels: info.Channels, Bits: info.Bits, Start: info.Start,
		Note: noteOf(info.Name, text.Settings(settings, info.Rate)), Settings: c.recorded(settings),
	}
	rec := new(tape)
	if c.Record != "" {
		if rec.recorder, err = wavfile.Create(c.Record, format); err != nil {
			return nil, err
		}
	}
	if c.Beep {
		tones := soundcard.OpenTones()
		defer tones.Close()
		show = &beeper{Display: show, tones: tones, tolerance: float64(c.Tolerance), bell: p.stderr}
	}
	if c.Speak {
		if show, err = newSpeaker(show, float64(c.Tolerance)); err != nil {
			show.Say(err.Error())
		}
	}
	if shown != nil {
		shown.aim = show.Aim
	}
	tips := &hints{}
	if !c.Wired {
		tips.stations = settings.Stations
		if tips.others, err = newOthers(info, settings, c.all()); err != nil {
			return nil, err
		}
		if shown != nil && tips.others != nil {
			tips.others.offer = shown.offer
		}
		if c.At != nil && c.Carrier != 0 {
			tips.advise = func(f align.Fix) *align.Advice { return c.advice(f, settings) }
		}
	}
	err = c.follow(p.ctx, src, m, rec, format, show, keys, tips)
	keys.Restore() // what was said on the way is printed now, by a terminal as it was
	show.End()
	o := &outcome{fix: text.Fix(m.Fix()), settings: settings}
	o.fix.Advice = c.advice(o.fix, settings)
	o.picture = func() align.Picture { return pictureOf(m, o.fix) }
	err = errors.Join(err, rec.finish(&o.fix))
	if _, gone := os.Stat(c.Record); gone == nil { // one without a frame is removed
		o.recording, o.fix.Recording.Path = c.Record, c.Record
	}
	if shown != nil {
		shown.close(o.fix)
		o.notes, o.events = shown.notes, shown.page.Events()
	}
	return o, err
}

// begin begins to measure, on a page if one is wanted.
func (c *listenCmd) begin(info capture.Info, settings align.Settings, show view.Display) (measurement, *pageWork, error) {
	if c.Page == "" {
		m, err := newMeasurement(info, settings, c.Wired)
		return m, nil, err
	}
	w, link, err := newPageWork(c.Page, info, settings, c.Wired, info.Name, float64(c.Tolerance))
	if err != nil {
		return nil, nil, err
	}
	if !c.Wired {
		w.chooseFrom(c.all())
	}
	show.Say(link)
	return w, w, nil
}

// tape is a recording that may end before the measurement does.
type tape struct {
	recorder       // nil: none, or no more
	end      int64 // position after what is on it
	broken   error // why it ended early
}

// take records a block, and tells what has gone wrong when that happens.
func (t *tape) take(b *capture.Block) (message string) {
	if t.recorder == nil {
		return ""
	}
	err := t.Write(b)
	if err == nil {
		t.end = b.Position + int64(b.Len())
		return ""
	}
	t.Close()
	t.recorder, t.broken = nil, err
	return fmt.Sprintf("the recording has ended: %v; the measurement goes on", err)
}

// finish completes the recording. An error says what of the fix is not on it.
func (t *tape) finish(fix *align.Fix) error {
	if t.recorder != nil {
		t.broken = t.Close()
	}
	if t.broken == nil {
		return nil
	}
	recorded := float64(t.end) / float64(fix.Recording.RateHz)
	fix.Recording.Recorded = &recorded
	return fmt.Errorf("only %.1f s of the %.1f s measured were recorded: %w", recorded, fix.Recording.Seconds, t.broken)
}

// follow passes src to m, and to rec, until one of src and the wanted time
// ends. A recording that fails does not end the measurement.
func (c *listenCmd) follow(ctx context.Context, src closer, m measurement, rec *tape, format wavfile.Format, show view.Display, keys *view.Keyboard, tips *hints) error {
	end := int64(math.MaxInt64)
	if c.For > 0 {
		end = int64(math.Round(c.For.Seconds() * float64(format.Rate)))
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.For+grace)
		defer cancel()
	}
	defer context.AfterFunc(ctx, func() { src.Close() })()
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if b.Position >= end {
			return nil
		}
		if over := b.Position + int64(b.Len()) - end; over > 0 {
			b.Resize(format.Channels, b.Len()-int(over))
		}
		format.Quantise(&b) // what is measured is what a replay will find
		if message := rec.take(&b); message != "" {
			show.Say(message)
		}
		s, ok := m.Process(&b)
		if ok {
			show.Second(text.Second(s))
			tips.second(&s, m, show)
		}
		tips.others.take(&b, s, ok, show)
		select {
		case k := <-keys.Lines:
			c.heed(k, m, show)
		default:
		}
		if b.Position+int64(b.Len()) >= end {
			return nil
		}
	}
}

// drawable is a measurement that can be drawn.
type drawable interface {
	PictureOf(align.Fix) align.Picture
}

// pictureOf draws up a measurement as far as it can be drawn.
func pictureOf(m measurement, f align.Fix) align.Picture {
	if d, ok := m.(drawable); ok {
		return d.PictureOf(f)
	}
	return align.Picture{Fix: f}
}
