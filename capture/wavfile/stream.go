package wavfile

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
)

const (
	chunkHeader = 8         // bytes of a chunk's header: identifier and size
	unknownSize = 1<<32 - 1 // a 32-bit size that means "look elsewhere" or "never written"
)

// stream is the input as a sequence of bytes with a place. It can be
// positioned when the input can; a pipe only goes on.
type stream struct {
	r    *bufio.Reader
	src  io.Reader
	seek io.Seeker // nil for a pipe
	base int64     // where in src the recording begins
	pos  int64     // place of the next byte, from base
	size int64     // bytes from base to the end; -1 for a pipe
}

func newStream(src io.Reader) *stream {
	s := &stream{src: input{src}, size: -1}
	s.r = bufio.NewReaderSize(s.src, 1<<15)
	seeker, ok := src.(io.Seeker)
	if !ok {
		return s
	}
	here, err := seeker.Seek(0, io.SeekCurrent)
	if err != nil {
		return s // an *os.File that is a pipe
	}
	end, err := seeker.Seek(0, io.SeekEnd)
	if err != nil {
		return s
	}
	if _, err := seeker.Seek(here, io.SeekStart); err != nil {
		return s
	}
	s.seek, s.base, s.size = seeker, here, max(end-here, 0)
	return s
}

// input says of a read that failed what a person can do. It hides the path in
// the error: whoever reports it names the recording.
type input struct{ io.Reader }

func (in input) Read(p []byte) (int, error) {
	n, err := in.Reader.Read(p)
	if err != nil && err != io.EOF {
		var at *fs.PathError
		if errors.As(err, &at) {
			err = at.Err
		}
		err = fmt.Errorf("reading failed: %w: copy the file to another disk and try again", err)
	}
	return n, err
}

// Read implements io.Reader.
func (s *stream) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	s.pos += int64(n)
	return n, err
}

// goTo moves to place pos, for a pipe only forwards. A place beyond the end of
// the input gives io.EOF, there or at the next Read.
func (s *stream) goTo(pos int64) error {
	ahead := pos - s.pos
	switch {
	case ahead >= 0 && ahead <= int64(s.r.Buffered()):
		s.r.Discard(int(ahead))
	case s.seek != nil:
		if _, err := s.seek.Seek(s.base+pos, io.SeekStart); err != nil {
			return err
		}
		s.r.Reset(s.src)
	default:
		if n, err := io.CopyN(io.Discard, s.r, ahead); err != nil {
			s.pos += n
			return err
		}
	}
	s.pos = pos
	return nil
}

// rest is the number of bytes still ahead, -1 when that is unknown.
func (s *stream) rest() int64 {
	if s.size < 0 {
		return -1
	}
	return max(s.size-s.pos, 0)
}

// chunkID is the four characters that name a chunk.
type chunkID string

// known tells the identifiers that are likely next to sound data. One of them
// is believed to begin a chunk whatever size it claims.
var known = map[chunkID]bool{
	"fmt ": true, "data": true, "fact": true, "ds64": true, "bext": true, "LIST": true, "cue ": true,
	"JUNK": true, "junk": true, "PAD ": true, "FLLR": true, "iXML": true, "axml": true, "chna": true,
	"id3 ": true, "ID3 ": true, "smpl": true, "inst": true, "PEAK": true, "levl": true, "_PMX": true,
}

// chunkFollows tells whether a chunk begins skip bytes ahead, without moving.
// Sound that happens to look like one is told apart by the size it claims,
// where the size of the input is known.
func (s *stream) chunkFollows(skip int) bool {
	p, _ := s.r.Peek(skip + chunkHeader)
	if len(p) < skip+chunkHeader {
		return false
	}
	p = p[skip:]
	id := chunkID(p[:4])
	if known[id] {
		return true
	}
	for _, c := range []byte(id) {
		if c < ' ' || c > '~' {
			return false
		}
	}
	size := int64(binary.LittleEndian.Uint32(p[4:]))
	return s.size < 0 || size <= s.rest()-int64(skip)-chunkHeader
}

// skipPad stands after a chunk of an odd size. RIFF pads it with a byte; some
// writers do not.
func (s *stream) skipPad() error {
	p, _ := s.r.Peek(1 + chunkHeader)
	if len(p) >= 5 && !known[chunkID(p[1:5])] && known[chunkID(p[:4])] {
		return nil
	}
	return s.goTo(s.pos + 1)
}
