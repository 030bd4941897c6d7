package main

import (
	"errors"
	"fmt"
	"math"
	"time"

	"timeball/capture"
	"timeball/cmd/timeball/internal/view"
	"timeball/detect/longwave"
)

type calibrateLoopCmd struct {
	calibrationSource `embed:""`

	Receiver        string `placeholder:"NAME" help:"Keep it for one antenna of several; listen and replay then take the same flag."`
	ReceiverChannel int    `default:"1" placeholder:"N" help:"Channel of the loop (default: 1)."`
}

// Help is kong's long help.
func (calibrateLoopCmd) Help() string {
	return `Finds the resonance of a tuned loop, or of its preamplifier, in the noise of an antenna that is sampled itself, at 96 or 192 kHz. No station is needed: carriers and their keying are left out; of a station in the loop's band the noise between its marks is taken. It keeps the loaded quality and where the loop is tuned, and listen and replay use them for stations within its band, unless --loop-q says otherwise. Measure it in the place and the weather in which it is used: a rod's tuning moves with temperature.

Example: timeball calibrate loop --input 2 --sample-rate 192000`
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
	progress := view.NewProgress(p.stderr)
	defer progress.End()
	var noise *longwave.Noise
	name := ""
	err := c.read(p, progress, func(info capture.Info) error {
		switch {
		case info.Rate < longwave.DirectRate:
			return fmt.Errorf("at %d Hz no carrier on long wave is in the samples: %d or more are needed", info.Rate, longwave.DirectRate)
		case info.Channels < c.ReceiverChannel:
			return fmt.Errorf("there is no channel %d", c.ReceiverChannel)
		}
		name = info.Name
		noise = longwave.NewNoise(float64(info.Rate))
		return nil
	}, func(b *capture.Block) { noise.Process(b.Channels[c.ReceiverChannel-1]) })
	if err != nil {
		return err
	}
	loop, ok := noise.Loop()
	if !ok {
		return noCalibration(p, "no resonance stands out of the noise: the antenna is not tuned, or too little was heard")
	}
	delay := loop.Delay(loop.TunedHz)
	kept := calibration{
		DelaySeconds: delay, USeconds: delay * math.Hypot(loop.QU/loop.Q, loop.TunedU/loop.TunedHz), Date: time.Now().UTC().Truncate(time.Second),
		Method: "its noise", Q: loop.Q, QU: loop.QU, TunedHz: loop.TunedHz, TunedU: loop.TunedU,
	}
	if c.File == "" {
		kept.Input = name
	}
	return keepCalibration(p, file, loopName.named(c.Receiver), kept, c.Yes)
}
