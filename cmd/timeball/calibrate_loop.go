package main

import (
	"errors"
	"fmt"
	"math"
	"time"

	"timeball/capture"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
	"timeball/detect/longwave"
)

type calibrateLoopCmd struct {
	calibrationSource `embed:""`

	Receiver        string `placeholder:"NAME" help:"Keep it for one antenna of several; listen and replay then take the same flag."`
	ReceiverChannel int    `default:"1" placeholder:"N" help:"Channel of the loop (default: 1)."`
	Generator       bool   `help:"By the edges of a signal generator's carrier that is keyed on and off, instead of the noise."`
}

// Help is kong's long help.
func (calibrateLoopCmd) Help() string {
	return `Finds the resonance of a tuned loop, or of its preamplifier, in the noise of an antenna that is sampled itself, at 96 or 192 kHz. No station is needed: carriers and their keying are left out; of a station in the loop's band the noise between its marks is taken. It keeps the loaded quality and where the loop is tuned, and listen and replay use them for stations within its band, unless --loop-q says otherwise.

With --generator it is told by a signal generator instead, sooner and ten times as well: its carrier, which the marker or the generator itself keys on and off once a second or somewhat faster, goes to a wire that lies near the loop. After each edge the loop rings at its own frequency and dies away with its quality. Put the carrier half a band beside the middle and off the stations' own; key it within microseconds, for a slower keying is taken for the loop's; and let it be a thousand times as strong as the noise, without full deflection. No marker is needed in the recording.

` + text.LoopCaution + `

Measure it in the place and the weather in which it is used: a rod's tuning moves with temperature.

Example: timeball calibrate loop --generator --input 2 --sample-rate 192000`
}

// AfterApply checks the flags, for kong.
func (c *calibrateLoopCmd) AfterApply() error {
	if c.ReceiverChannel < 1 {
		return usageError{errors.New("--receiver-channel must be a channel, from 1")}
	}
	return c.check()
}

// loop is a calibration of one.
func (c calibration) loop() longwave.Loop {
	return longwave.Loop{Q: c.Q, QU: c.QU, TunedHz: c.TunedHz, TunedU: c.TunedU}
}

// Run measures the loop and keeps what it is.
func (c *calibrateLoopCmd) Run(p *program, file calibrationFile) error {
	if err := file.check(); err != nil {
		return err
	}
	progress := view.NewProgress(p.stderr)
	defer progress.End()
	var noise *longwave.Noise
	var keyed *longwave.Keyed
	name := ""
	err := c.read(p, progress, func(info capture.Info) error {
		switch {
		case info.Rate < longwave.DirectRate:
			return fmt.Errorf("at %d Hz no carrier on long wave is in the samples: %d or more are needed", info.Rate, longwave.DirectRate)
		case info.Channels < c.ReceiverChannel:
			return fmt.Errorf("there is no channel %d", c.ReceiverChannel)
		}
		name = info.Name
		noise, keyed = longwave.NewNoise(float64(info.Rate)), longwave.NewKeyed(float64(info.Rate))
		return nil
	}, func(b *capture.Block) {
		if x := b.Channels[c.ReceiverChannel-1]; c.Generator {
			keyed.Process(x)
		} else {
			noise.Process(x)
		}
	})
	if err != nil {
		return err
	}
	var loop longwave.Loop
	method := "its noise"
	if c.Generator {
		var edges int
		var fault longwave.KeyedFault
		if loop, edges, fault = keyed.Loop(); fault != longwave.KeyedFine {
			return noCalibration(p, text.KeyedFault(fault))
		}
		method = fmt.Sprintf("%d edges of a generator's carrier", edges)
	} else {
		var ok bool
		if loop, ok = noise.Loop(); !ok {
			return noCalibration(p, "no resonance stands out of the noise: the antenna is not tuned, or too little was heard")
		}
	}
	delay := loop.Delay(loop.TunedHz)
	kept := calibration{
		DelaySeconds: delay, USeconds: delay * math.Hypot(loop.QU/loop.Q, loop.TunedU/loop.TunedHz), Date: time.Now().UTC().Truncate(time.Second),
		Method: method, Q: loop.Q, QU: loop.QU, TunedHz: loop.TunedHz, TunedU: loop.TunedU,
	}
	if c.File == "" {
		kept.Input = name
	}
	return keepCalibration(p, file, loopName.named(c.Receiver), kept, c.Yes)
}
