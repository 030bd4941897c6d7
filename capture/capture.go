// Package capture defines where samples come from: a sound card, a WAV file or
// the simulator, all behind one interface, so that what was recorded live
// gives the same numbers when it is replayed.
//
// The sample clock is the only time base: a position is a count of frames since
// the first one, lost frames included. Packages below this one hold the sources;
// this one holds only what passes between a source and its user.
package capture

import "time"

// Source delivers the frames of one recording or sound input in order.
//
// Read fills b with the next frames, reusing its memory, and returns
//
//  1. nil with at least one frame in b;
//  2. io.EOF with no frame, at the end and at every call after it;
//  3. any other error with no frame: the source has failed and stays failed.
type Source interface {
	// Info is known before the first Read and does not change.
	Info() Info
	Read(b *Block) error
}

// Info describes a source.
type Info struct {
	Name     string    // path or device name, for people
	Rate     int       // nominal frames a second, Hz
	Channels int       // channels in a frame
	Bits     int       // resolution of the stored samples, bits
	Frames   int64     // total frames if known, else -1
	Start    time.Time // UTC of the first frame as the recorder noted it; zero when unknown
	Note     string    // the recorder's description of its settings
	Settings string    // what the measurement was told beside which this was recorded, for a program to read
	Gaps     []Gap     // losses the recorder noted, in order of position
}

// Gap is a loss of frames: the frame that would have had position At, and
// Lost-1 after it, were never recorded.
type Gap struct {
	At   int64 // position on the sample clock, frames, losses before it included
	Lost int64 // frames lost, > 0
	// Inexact says that Lost was estimated from the computer's clock, as when a
	// device went away and came back. It may be some milliseconds out, so that
	// marker and ticks on the far side must be found anew.
	Inexact bool
}

// Block is a run of consecutive frames.
type Block struct {
	Position int64       // position of the first frame on the sample clock, frames
	Lost     int64       // frames lost between the previous block and this one; Position counts them already
	Inexact  bool        // Lost was estimated: see Gap
	Channels [][]float32 // one slice for each channel, all of the same length, full scale ±1
}

// Len is the number of frames in b.
func (b *Block) Len() int {
	if len(b.Channels) == 0 {
		return 0
	}
	return len(b.Channels[0])
}

// Resize gives b the shape channels by frames, reusing its memory. The
// contents are undefined.
func (b *Block) Resize(channels, frames int) {
	if cap(b.Channels) < channels {
		b.Channels = append(b.Channels[:cap(b.Channels)], make([][]float32, channels-cap(b.Channels))...)
	}
	b.Channels = b.Channels[:channels]
	for i, c := range b.Channels {
		if cap(c) < frames {
			c = make([]float32, frames)
		}
		b.Channels[i] = c[:frames]
	}
}
