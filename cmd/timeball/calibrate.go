package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/soundcard"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
)

// calibrateCmd measures what the corrections need to know of the equipment.
type calibrateCmd struct {
	Skew     calibrateSkewCmd     `cmd:"" help:"Delay between the input's channels: the same pulse on both."`
	Receiver calibrateReceiverCmd `cmd:"" help:"Delay of the receiver, from ticks whose true delay is known."`
	Loop     calibrateLoopCmd     `cmd:"" help:"Quality and tuning of a loop for long wave, from the noise it lets through or a keyed carrier."`
	Show     calibrateShowCmd     `cmd:"" help:"Show what is kept, and what it has replaced."`
	Undo     calibrateUndoCmd     `cmd:"" help:"Bring back what the latest calibration replaced."`
}

// Help is kong's long help.
func (calibrateCmd) Help() string {
	return `Measures the skew of the input's channels, the delay of the receiver and a loop's quality and tuning, and keeps them with date, method and uncertainty. listen and replay use them, and show them in the budget, unless --skew, --receiver-delay or --loop-q say otherwise.`
}

// calibrationSource is where a calibration's samples come from: a recording, or
// the sound input.
type calibrationSource struct {
	inputFlags `embed:""`

	File string        `arg:"" optional:"" name:"file" help:"Recording to measure, instead of the sound input."`
	For  time.Duration `default:"1m" placeholder:"1m" help:"How long to listen (default: 1m)."`
	Yes  bool          `help:"Replace what is kept without asking."`
}

func (c calibrationSource) check() error {
	if c.For <= 0 {
		return usageError{errors.New("--for must be more than nothing")}
	}
	return c.inputFlags.check()
}

// read passes on the samples, once begin has been told of what they are.
func (c calibrationSource) read(p *program, progress *view.Progress, begin func(capture.Info) error, take func(*capture.Block)) error {
	var src closer
	var err error
	if c.File != "" {
		src, err = wavfile.Open(c.File)
	} else {
		src, err = c.open(p, func(e soundcard.Event) { progress.Say(e.Message) })
	}
	if err != nil {
		return err
	}
	defer src.Close()
	ctx := p.ctx
	if c.File == "" {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.For)
		defer cancel()
		defer context.AfterFunc(ctx, func() { src.Close() })()
	}
	if err := begin(src.Info()); err != nil {
		return err
	}
	var b capture.Block
	for {
		switch err := src.Read(&b); {
		case p.ctx.Err() != nil:
			return errors.New("interrupted: nothing is kept")
		case err == io.EOF:
			return nil
		case err != nil:
			return err
		}
		take(&b)
	}
}

// measure passes a measurement the samples and returns what came of it.
func (c calibrationSource) measure(p *program, begin func(capture.Info) (measurement, error)) (align.Fix, error) {
	progress := view.NewProgress(p.stderr)
	defer progress.End()
	var m measurement
	err := c.read(p, progress, func(info capture.Info) (err error) {
		m, err = begin(info)
		return err
	}, func(b *capture.Block) {
		if s, ok := m.Process(b); ok {
			progress.Show(view.Line(text.Second(s), math.Inf(1), text.Unit{}))
		}
	})
	if err != nil {
		return align.Fix{}, err
	}
	return text.Fix(m.Fix()), nil
}

// input names the sound input that a calibration holds for.
func (c calibrationSource) input(f align.Fix) string {
	if c.File != "" {
		return ""
	}
	return f.Recording.Path
}

type calibrateSkewCmd struct {
	calibrationSource `embed:""`

	ReceiverChannel int `default:"1" placeholder:"N" help:"Channel of the receiver (default: 1)."`
	MarkerChannel   int `default:"2" placeholder:"N" help:"Channel of the marker (default: 2)."`
}

// Help is kong's long help.
func (calibrateSkewCmd) Help() string {
	return `Feed the clock's pulse to both channels at once, through leads of the same length and resistors of the same value. What is kept is the delay of the marker's channel minus that of the receiver's.

Example: timeball calibrate skew --input 2 --for 2m`
}

// AfterApply checks the flags, for kong.
func (c *calibrateSkewCmd) AfterApply() error {
	if c.ReceiverChannel < 1 || c.MarkerChannel < 1 || c.ReceiverChannel == c.MarkerChannel {
		return usageError{errors.New("--receiver-channel and --marker-channel must be two channels, from 1")}
	}
	return c.check()
}

// mostSkew is the greatest skew that an input may have, s: beyond it the two
// pulses are not the same one.
const mostSkew = 10e-3

// Run measures the skew and keeps it.
func (c *calibrateSkewCmd) Run(p *program, file calibrationFile) error {
	if err := file.check(); err != nil {
		return err
	}
	fix, err := c.measure(p, func(info capture.Info) (measurement, error) {
		return align.NewWired(info, align.Settings{
			ReceiverChannel: c.ReceiverChannel, MarkerChannel: c.MarkerChannel, Skew: &align.Quantity{},
		})
	})
	if err != nil {
		return err
	}
	if fix.Verdict != align.Found {
		return noCalibration(p, fix.Reason)
	}
	// The marker's channel is late by the skew: the marker seems to be behind.
	skew := -*fix.Offset
	if math.Abs(skew) > mostSkew {
		return noCalibration(p, fmt.Sprintf("the pulses are %s apart, so they are not the same one: feed one pulse to both channels", text.Short(math.Abs(skew))))
	}
	kept := calibration{
		DelaySeconds: skew, USeconds: *fix.U, Date: time.Now().UTC().Truncate(time.Second), Input: c.input(fix),
		Method: fmt.Sprintf("%d pulses on both channels", fix.Marker.Pulses),
	}
	return keepCalibration(p, file, skewName, kept, c.Yes)
}

type calibrateReceiverCmd struct {
	calibrationSource `embed:""`
	measureFlags      `embed:""`

	Generator   bool   `help:"The ticks come from a signal generator that the marker keys: they leave with the marker and have no path."`
	ClockOffset *delay `placeholder:"0us±1us" help:"The local clock's offset from UTC, known otherwise: the ticks come from a station. ± is 1 µs when left out."`
	Delay       *delay `placeholder:"0.4ms±0.1ms" help:"Keep this value and measure nothing."`
}

// Help is kong's long help.
func (calibrateReceiverCmd) Help() string {
	return `Measures the delay from antenna to audio output at the tick's tone, in one of three ways:

--generator: the marker keys a signal generator that imitates the ticks of --station, and its carrier goes into the antenna socket at the level of a weak station.

` + text.GeneratorCaution + `

--clock-offset: a station near enough for its ground wave, with the delay of that path in --path-delay, is heard while the clock's offset from UTC is known by other means.

--delay: the value is known from elsewhere.

Ticks tell more than the delay: with it the receiver's response to a tick is kept, and what is not known of its filters cancels when a station is timed through them. It holds for one receiver with its mode, bandwidth and filters set as they were. --receiver NAME keeps it for one of several; listen and replay then take the same flag. Where something is kept already, the old value and the new one are shown first, and it is asked which shall hold; undo brings the old one back.

Example: timeball calibrate receiver --input 2 --station wwv --generator`
}

// AfterApply checks the flags, for kong.
func (c *calibrateReceiverCmd) AfterApply() error {
	ways := 0
	for _, w := range []bool{c.Generator, c.ClockOffset != nil, c.Delay != nil} {
		if w {
			ways++
		}
	}
	switch {
	case ways != 1:
		return usageError{errors.New("choose one of --generator, --clock-offset and --delay")}
	case c.ReceiverDelay != nil:
		return usageError{errors.New("--receiver-delay is what is to be found: leave it out, or keep a value by --delay")}
	case c.Generator && len(c.PathDelay) > 0:
		return usageError{errors.New("a generator's ticks have no path: leave --path-delay out")}
	}
	return errors.Join(c.calibrationSource.check(), c.measureFlags.check())
}

// defaultClockSpread is the ± of --clock-offset when it has none, s.
const defaultClockSpread = 1e-6

// Run measures the receiver's delay, or takes the value given, and keeps it.
func (c *calibrateReceiverCmd) Run(p *program, file calibrationFile) error {
	if err := file.check(); err != nil {
		return err
	}
	kept := calibration{Date: time.Now().UTC().Truncate(time.Second)}
	if c.Delay != nil {
		q := c.Delay.quantity(align.DefaultReceiverSpread, "")
		kept.DelaySeconds, kept.USeconds, kept.Method = q.Value, q.U, "a value given"
	} else {
		flags := c.measureFlags
		flags.Receiver = "" // that is what is to be found
		settings, err := flags.settings(file)
		if err != nil {
			return err
		}
		known := align.Quantity{}
		kept.Method = "a generator keyed by the marker"
		if c.ClockOffset != nil {
			known = c.ClockOffset.quantity(defaultClockSpread, "")
			kept.Method = "a station with the clock's offset known"
		} else {
			settings = settings.Keyed()
		}
		settings.ReceiverDelay, settings.Calibrate = &align.Quantity{}, true
		fix, err := c.measure(p, func(info capture.Info) (measurement, error) {
			return newMeasurement(info, settings, false)
		})
		if err != nil {
			return err
		}
		if fix.Verdict != align.Found {
			return noCalibration(p, fix.Reason)
		}
		// With no receiver delay taken out the clock seems to be ahead by it.
		kept.DelaySeconds, kept.USeconds = *fix.Offset-known.Value, math.Hypot(*fix.U, known.U)
		kept.Input = c.input(fix)
		if kept.Response = fix.Response; kept.Response != nil {
			kept.Response.DelayU = math.Hypot(kept.Response.DelayU, known.U)
		}
	}
	return keepCalibration(p, file, receiverName.named(c.Receiver), kept, c.Yes)
}

type calibrateShowCmd struct{}

// Run shows the calibrations on file.
func (calibrateShowCmd) Run(p *program, file calibrationFile) error {
	all, err := file.load()
	if err != nil {
		return err
	}
	names := []quantityName{skewName, receiverName}
	for _, name := range slices.Sorted(maps.Keys(all.Receivers)) {
		names = append(names, receiverName.named(name))
	}
	names = append(names, loopName)
	for _, name := range slices.Sorted(maps.Keys(all.Loops)) {
		names = append(names, loopName.named(name))
	}
	found := false
	for _, name := range names {
		if k := all.current(name); k != nil {
			found = true
			if err := printKept(p.stdout, name, *k, file); err != nil {
				return err
			}
		}
	}
	if !found {
		fmt.Fprintf(p.stdout, "nothing is kept in %s\n", file)
	}
	for _, e := range slices.Backward(all.Earlier) {
		fmt.Fprintf(p.stdout, "before: %s\n", said(e.Of, e.calibration))
	}
	return nil
}

type calibrateUndoCmd struct {
	Skew     bool   `help:"The skew's." xor:"of" required:""`
	Receiver string `placeholder:"NAME" help:"A receiver's; --receiver= that without a name." xor:"of" required:""`
	Loop     bool   `help:"That of a loop without a name." xor:"of" required:""`
}

// Run brings the calibration before the latest back.
func (c calibrateUndoCmd) Run(p *program, file calibrationFile) error {
	of := receiverName.named(c.Receiver)
	switch {
	case c.Skew:
		of = skewName
	case c.Loop:
		of = loopName
	}
	var back *calibration
	var ok bool
	if err := file.update(func(all *calibrations) { back, ok = all.undo(of) }); err != nil {
		return err
	}
	switch {
	case !ok:
		return fmt.Errorf("nothing is kept of the %s: see timeball calibrate show", of)
	case back == nil:
		_, err := fmt.Fprintf(p.stdout, "%s: nothing is kept any more\n", of)
		return err
	}
	return printKept(p.stdout, of, *back, file)
}

// keepCalibration keeps k. What is kept already it replaces only when somebody at
// the terminal, or --yes, says so.
func keepCalibration(p *program, file calibrationFile, of quantityName, k calibration, yes bool) error {
	all, err := file.load()
	if err != nil {
		return err
	}
	if old := all.current(of); old != nil && !yes {
		fmt.Fprintf(p.stderr, "kept:  %s\nfound: %s\n", said(of, *old), said(of, k))
		if d, u := k.DelaySeconds-old.DelaySeconds, math.Hypot(k.USeconds, old.USeconds); math.Abs(d) > 2*u {
			fmt.Fprintf(p.stderr, "They differ by %s, more than their uncertainties allow.\n", text.Short(math.Abs(d)))
		}
		asked, yes := p.confirm("Replace it?")
		switch {
		case !asked:
			return fmt.Errorf("the %s that was kept stays: --yes replaces it", of)
		case !yes:
			return fmt.Errorf("the %s that was kept stays", of)
		}
	}
	if err := file.update(func(all *calibrations) { all.replace(of, k) }); err != nil {
		return err
	}
	return printKept(p.stdout, of, k, file)
}

// said is a calibration in words.
func said(of quantityName, c calibration) string {
	input := ""
	if c.Input != "" {
		input = ", input " + c.Input
	}
	what := string(of)
	if c.Q > 0 {
		return fmt.Sprintf("%s, by %s%s, %s", text.Loop(what, c.loop()), c.Method, input, c.Date.UTC().Format(time.DateOnly))
	}
	if of != skewName {
		what += " delay"
	}
	method := c.Method
	if c.Response != nil {
		method += ", with its response to a tick"
	}
	return fmt.Sprintf("%s %s (95 %%), by %s%s, %s", what, text.WithUnit(c.DelaySeconds, 1.96*c.USeconds, text.SecondUnits), method, input, c.Date.UTC().Format(time.DateOnly))
}

func printKept(w io.Writer, of quantityName, c calibration, file calibrationFile) error {
	_, err := fmt.Fprintf(w, "%s, kept in %s\n", said(of, c), file)
	return err
}

func noCalibration(p *program, reason string) error {
	fmt.Fprintf(p.stderr, "timeball: nothing is kept: %s\n", reason)
	return errNoFix
}
