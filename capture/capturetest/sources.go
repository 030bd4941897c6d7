package capturetest

import (
	"io"

	"timeball/capture"
)

// Frames is a source of frames in memory, with the losses Description.Gaps
// tells of. Use a pointer to a new one for every reading.
type Frames struct {
	Description capture.Info // Channels and Frames are filled in from Samples
	Samples     [][]float32  // one slice for each channel
	BlockFrames int          // frames a Read delivers at most; 0: 1000

	read int   // frames delivered
	lost int64 // frames lost before them
}

// Info implements [capture.Source].
func (f *Frames) Info() capture.Info {
	info := f.Description
	info.Channels = len(f.Samples)
	info.Frames = int64(frames(f.Samples))
	return info
}

// Read implements [capture.Source].
func (f *Frames) Read(b *capture.Block) error {
	left := frames(f.Samples) - f.read
	if left == 0 {
		b.Resize(len(f.Samples), 0)
		return io.EOF
	}
	n := f.BlockFrames
	if n == 0 {
		n = 1000
	}
	n = min(n, left)
	b.Lost, b.Inexact = 0, false
	for _, g := range f.Description.Gaps {
		position := int64(f.read) + f.lost
		if g.At == position {
			b.Lost += g.Lost
			b.Inexact = b.Inexact || g.Inexact
			f.lost += g.Lost
		} else if g.At > position {
			n = int(min(int64(n), g.At-position))
			break
		}
	}
	b.Position = int64(f.read) + f.lost
	b.Resize(len(f.Samples), n)
	for c := range b.Channels {
		copy(b.Channels[c], f.Samples[c][f.read:])
	}
	f.read += n
	return nil
}

// FailAfter is src, but fails with err once n frames have been delivered, as
// an input that is pulled out.
func FailAfter(src capture.Source, n int64, err error) capture.Source {
	return &failing{src, n, err}
}

type failing struct {
	capture.Source
	left int64
	err  error
}

func (f *failing) Read(b *capture.Block) error {
	if f.left == 0 {
		b.Resize(f.Info().Channels, 0)
		return f.err
	}
	if err := f.Source.Read(b); err != nil {
		return err
	}
	if int64(b.Len()) > f.left {
		b.Resize(len(b.Channels), int(f.left))
	}
	f.left -= int64(b.Len())
	return nil
}
