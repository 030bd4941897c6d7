package wavfile

import (
	"errors"
	"fmt"
	"io"
	"os"

	"timeball/capture"
)

// blockFrames is how many frames Read delivers, unless a gap or the end comes
// first, or the frames are so wide that blockSamples says less.
const (
	blockFrames  = 1 << 14
	blockSamples = 1 << 18
)

// Reader reads a WAV file or stream. It is a [capture.Source].
//
// Info().Frames counts the frames stored, without those lost, and is -1 for a
// pipe. Info().Start takes the date and time of a Broadcast Wave file for UTC,
// as Writer writes them; the standard leaves the zone open, so another
// recorder may have meant local time.
type Reader struct {
	s      *stream
	close  func() error
	info   capture.Info
	format sampleFormat
	size   int64         // bytes of sound data; from a pipe only claimed
	left   int64         // of them ahead; -1: all to the end of the stream
	next   int64         // position of the next frame on the sample clock
	gaps   []capture.Gap // those ahead
	raw    []byte
	err    error // why there is no more
}

var _ capture.Source = (*Reader)(nil)

// Open opens the recording at path. An error says what is wrong with it and
// what to do.
func Open(path string) (*Reader, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w: check the name of the recording", err)
	}
	if st, err := f.Stat(); err == nil && st.IsDir() {
		f.Close()
		return nil, fmt.Errorf("%s: a folder, not a recording: name a WAV file in it", path)
	}
	r, err := NewReader(path, f)
	if err != nil {
		f.Close()
		return nil, err
	}
	r.close = f.Close
	return r, nil
}

// NewReader reads a recording from src, which may be a pipe; name stands for
// it in messages. If src is an io.Seeker that can seek, the recording is what
// lies between its present place and its end.
func NewReader(name string, src io.Reader) (*Reader, error) {
	r := &Reader{s: newStream(src), close: func() error { return nil }}
	l, err := readLayout(r.s)
	if err == nil {
		err = r.begin(name, l)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return r, nil
}

// begin goes to the first frame and fills in what is known beforehand.
func (r *Reader) begin(name string, l layout) error {
	frame := int64(l.format.frameBytes())
	r.format, r.size, r.left = l.format, l.size, l.size
	r.info = capture.Info{Name: name, Rate: l.format.rate, Channels: l.format.channels, Bits: l.format.bits, Frames: -1}
	r.info.Start, r.info.Note = parseBext(l.bext, l.format.rate)
	if len(l.bext) > bextSize {
		r.gaps, r.info.Settings = parseHistory(l.bext[bextSize:])
	}

	if err := r.s.goTo(l.data); err != nil {
		return err
	}
	_, err := r.s.r.Peek(int(min(frame, 1<<14)))
	if err != nil && err != io.EOF {
		return err
	}
	if err == io.EOF || l.size >= 0 && l.size < frame {
		return errors.New("no sound in it: nothing was recorded, or the file was cut short; record again or use another copy")
	}
	if r.s.size >= 0 {
		r.info.Frames = l.size / frame
		r.gaps = gapsWithin(r.gaps, r.info.Frames)
	}
	r.info.Gaps = r.gaps
	return nil
}

// Info implements [capture.Source].
func (r *Reader) Info() capture.Info { return r.info }

// Close closes a file opened by Open.
func (r *Reader) Close() error { return r.close() }

// Read implements [capture.Source].
func (r *Reader) Read(b *capture.Block) error {
	if r.err != nil {
		b.Resize(r.format.channels, 0)
		return r.err
	}
	b.Lost, b.Inexact = 0, false
	if len(r.gaps) > 0 && r.gaps[0].At == r.next {
		b.Lost, b.Inexact = r.gaps[0].Lost, r.gaps[0].Inexact
		r.next += b.Lost
		r.gaps = r.gaps[1:]
	}
	frames := max(min(blockFrames, blockSamples/r.format.channels), 1)
	if len(r.gaps) > 0 {
		frames = int(min(int64(frames), r.gaps[0].At-r.next))
	}
	raw, err := r.fill(frames)
	frames = len(raw) / r.format.frameBytes()
	b.Resize(r.format.channels, frames)
	if err != nil {
		r.err = err
		if err != io.EOF {
			r.err = fmt.Errorf("%s: frame %d: %w", r.info.Name, r.next+int64(frames), err)
		}
		if frames == 0 {
			return r.err
		}
	}
	b.Position = r.next
	r.format.decode(b.Channels, raw)
	if i, c, found := r.format.beyond(b.Channels); found {
		r.err = fmt.Errorf("%s: frame %d of channel %d is %.3g where full scale is 1: the file is damaged, or its floats are integers; write it anew in 16 or 24 bits",
			r.info.Name, r.next+int64(i), c+1, b.Channels[c][i])
		b.Resize(r.format.channels, 0)
		return r.err
	}
	r.next += int64(frames)
	return nil
}

// fill reads the bytes of so many frames, or what is left of them with the
// reason why.
func (r *Reader) fill(frames int) ([]byte, error) {
	want := frames * r.format.frameBytes()
	if cap(r.raw) < want {
		r.raw = make([]byte, want)
	}
	raw, got := r.raw[:want], 0
	for got < want {
		part := raw[got:]
		if r.left >= 0 {
			part = part[:min(int64(len(part)), r.left)]
		}
		if len(part) == 0 {
			// The claimed size is used up. Only now can one see from a pipe whether it is true.
			if r.s.size >= 0 || endsHere(r.s, r.size) {
				return raw[:got], io.EOF
			}
			r.left = -1
			continue
		}
		n, err := io.ReadFull(r.s, part)
		got += n
		if r.left >= 0 {
			r.left -= int64(n)
		}
		if err == io.ErrUnexpectedEOF {
			err = io.EOF
		}
		if err != nil {
			return raw[:got], err
		}
	}
	return raw, nil
}
