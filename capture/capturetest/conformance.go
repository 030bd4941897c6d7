// Package capturetest holds what tests of sources and of their users need: the
// contract of [capture.Source] as one check, and fakes.
package capturetest

import (
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"testing"

	"timeball/capture"
)

// CheckSource returns the first breach found of the contract of
// [capture.Source] by the sources open returns, read from the first frame to
// the end, which they must have. Each must deliver the same. Where Info names
// gaps, the blocks must show just these.
func CheckSource(open func() capture.Source) error {
	if err := checkInfo(open().Info()); err != nil {
		return fmt.Errorf("Info: %w", err)
	}
	var want *recording
	for _, reuse := range []struct {
		how   string
		block func() *capture.Block
	}{
		{"a new block for each Read", func() *capture.Block { return new(capture.Block) }},
		{"one block for all", one(new(capture.Block))},
		{"one block, dirty and of another shape", one(dirty())},
	} {
		got, err := readAll(open(), reuse.block)
		if err != nil {
			return fmt.Errorf("with %s: %w", reuse.how, err)
		}
		if want == nil {
			want = got
		} else if !reflect.DeepEqual(got, want) {
			return fmt.Errorf("with %s: frames, gaps or info differ from those read before", reuse.how)
		}
	}
	return nil
}

// TestSource fails t if [CheckSource] finds anything.
func TestSource(t *testing.T, open func() capture.Source) {
	t.Helper()
	if err := CheckSource(open); err != nil {
		t.Error(err)
	}
}

// one returns the same block whenever it is asked.
func one(b *capture.Block) func() *capture.Block { return func() *capture.Block { return b } }

// dirty is a block with something left over in it.
func dirty() *capture.Block {
	b := &capture.Block{Position: -7, Lost: 99, Inexact: true}
	b.Resize(5, 100_000)
	for _, c := range b.Channels {
		for i := range c {
			c[i] = float32(math.NaN())
		}
	}
	return b
}

// recording is all that came out of a source.
type recording struct {
	info     capture.Info
	channels [][]float32
	gaps     []capture.Gap
}

// readAll reads src to its end and tells the first breach of the contract.
func readAll(src capture.Source, block func() *capture.Block) (*recording, error) {
	info := src.Info()
	rec := &recording{info: info, channels: make([][]float32, info.Channels)}
	next := int64(0)
	var err error
	for n := 0; ; n++ {
		b := block()
		if err = src.Read(b); err != nil {
			if b.Len() != 0 {
				return nil, fmt.Errorf("Read %d: %d frames with error %v", n, b.Len(), err)
			}
			break
		}
		switch {
		case b.Len() == 0:
			return nil, fmt.Errorf("Read %d: no frame and no error", n)
		case len(b.Channels) != info.Channels:
			return nil, fmt.Errorf("Read %d: %d channels, Info says %d", n, len(b.Channels), info.Channels)
		case b.Lost < 0:
			return nil, fmt.Errorf("Read %d: %d frames lost", n, b.Lost)
		case b.Inexact && b.Lost == 0:
			return nil, fmt.Errorf("Read %d: an estimate of no loss", n)
		case b.Position != next+b.Lost:
			return nil, fmt.Errorf("Read %d: position %d after frame %d and %d lost", n, b.Position, next, b.Lost)
		}
		if b.Lost > 0 {
			rec.gaps = append(rec.gaps, capture.Gap{At: next, Lost: b.Lost, Inexact: b.Inexact})
		}
		next = b.Position + int64(b.Len())
		for c, samples := range b.Channels {
			if len(samples) != b.Len() {
				return nil, fmt.Errorf("Read %d: channel %d has %d frames, channel 0 has %d", n, c, len(samples), b.Len())
			}
			for i, x := range samples {
				if math.IsNaN(float64(x)) || math.IsInf(float64(x), 0) {
					return nil, fmt.Errorf("Read %d: sample %d of channel %d is %v", n, i, c, x)
				}
			}
			rec.channels[c] = append(rec.channels[c], samples...)
		}
	}
	for range 3 {
		b := block()
		if again := src.Read(b); !errors.Is(again, err) || b.Len() != 0 {
			return nil, fmt.Errorf("Read after %v: %v with %d frames", err, again, b.Len())
		}
	}
	if err != io.EOF {
		return nil, fmt.Errorf("no end: %w", err)
	}
	if got := frames(rec.channels); info.Frames >= 0 && info.Frames != int64(got) {
		return nil, fmt.Errorf("%d frames came, Info says %d", got, info.Frames)
	}
	if len(info.Gaps) > 0 && !slices.Equal(rec.gaps, info.Gaps) {
		return nil, fmt.Errorf("gaps %v came, Info says %v", rec.gaps, info.Gaps)
	}
	if after := src.Info(); !reflect.DeepEqual(after, info) {
		return nil, fmt.Errorf("Info changed while reading from %+v to %+v", info, after)
	}
	return rec, nil
}

// checkInfo tells what is wrong with an Info.
func checkInfo(info capture.Info) error {
	switch {
	case info.Name == "":
		return errors.New("no name")
	case info.Rate <= 0:
		return fmt.Errorf("rate %d", info.Rate)
	case info.Channels <= 0:
		return fmt.Errorf("%d channels", info.Channels)
	case info.Bits <= 0:
		return fmt.Errorf("%d bits", info.Bits)
	case info.Frames < -1:
		return fmt.Errorf("%d frames", info.Frames)
	}
	end := int64(0)
	for _, g := range info.Gaps {
		if g.At < end || g.Lost <= 0 {
			return fmt.Errorf("gaps out of order or empty: %v", info.Gaps)
		}
		end = g.At + g.Lost
	}
	return nil
}

// frames is the number of frames in channels.
func frames(channels [][]float32) int {
	if len(channels) == 0 {
		return 0
	}
	return len(channels[0])
}
