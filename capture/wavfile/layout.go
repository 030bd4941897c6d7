package wavfile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Only so much of a chunk is read into memory, whatever it claims to hold, and only
// so many chunks are looked at: zeros are a chunk of no length every eight bytes.
const (
	maxChunks = 4096             // some hundred times what recorders write (common practice)
	maxFormat = 40               // bytes of the extensible format chunk
	maxBext   = bextSize + 1<<16 // bytes of a bext chunk with its coding history
)

// layout is what the chunks of a file say.
type layout struct {
	format sampleFormat // zero until a fmt chunk is met
	data   int64        // place of the first sample; 0 until a data chunk is met
	// size of the sound data in bytes. From a pipe it is only a claim, and
	// -1 means that there is none.
	size     int64
	bext     []byte // the bext chunk; nil if there is none
	longSize int64  // size of the sound data by ds64; -1 if that does not count
}

// Errors that name no detail.
var (
	errEmpty    = errors.New("empty file: nothing was recorded in it; record again")
	errNoData   = errors.New("no sound data in it (no data chunk): the file is damaged or cut short; use another copy")
	errNoFormat = errors.New("no sample format before its sound data (no fmt chunk): the file is damaged; use another copy")
)

// readLayout walks the chunks: of a file all, of a pipe those up to the first
// sample, where it then stands.
func readLayout(s *stream) (layout, error) {
	long, err := readForm(s)
	if err != nil {
		return layout{}, err
	}
	l := layout{longSize: -1}
	if long {
		l.longSize = 0
	}
	for n := 0; n < maxChunks && (l.data == 0 || s.size >= 0); n++ {
		var h [chunkHeader]byte
		if _, err = io.ReadFull(s, h[:]); err != nil {
			break
		}
		id, size := chunkID(h[:4]), int64(binary.LittleEndian.Uint32(h[4:]))
		body := s.pos
		if size, err = l.readChunk(s, id, size); err != nil {
			break
		}
		if l.data > 0 && s.size < 0 {
			break
		}
		if err = s.goTo(body + size); err != nil {
			break
		}
		if size%2 != 0 {
			if err = s.skipPad(); err != nil {
				break
			}
		}
	}
	switch {
	case err != nil && err != io.EOF && err != io.ErrUnexpectedEOF:
		return layout{}, err
	case l.data == 0:
		return layout{}, errNoData
	case l.format.channels == 0:
		return layout{}, errNoFormat
	}
	return l, nil
}

// readForm reads the head of the file. A long one states its sizes in 64 bits.
func readForm(s *stream) (long bool, err error) {
	var head [12]byte
	n, err := io.ReadFull(s, head[:])
	if err == io.EOF {
		return false, errEmpty
	}
	if err != nil && err != io.ErrUnexpectedEOF {
		return false, err
	}
	form, kind := string(head[:4]), string(head[8:])
	if kind != "WAVE" || form != "RIFF" && form != "RF64" && form != "BW64" {
		return false, fmt.Errorf("not a WAV file (it begins with %q): give a WAV recording, or convert it to WAV first", head[:min(n, 4)])
	}
	return form != "RIFF", nil
}

// readChunk takes what counts from a chunk, or from the first of its kind, and
// returns its true size. The stream is left somewhere in it.
func (l *layout) readChunk(s *stream, id chunkID, claimed int64) (size int64, err error) {
	switch {
	case id == "ds64" && l.longSize == 0:
		var b [16]byte // size of the file, size of the sound data
		if _, err = io.ReadFull(s, b[:min(claimed, 16)]); err == nil {
			if n := binary.LittleEndian.Uint64(b[8:]); n <= 1<<62 {
				l.longSize = int64(n)
			}
		}
	case id == "fmt " && l.format.channels == 0:
		var b []byte
		if b, err = readUpTo(s, min(claimed, maxFormat)); err == nil {
			l.format, err = parseFormat(b)
		}
	case id == "bext" && l.bext == nil:
		l.bext, err = readUpTo(s, min(claimed, maxBext))
	case id == "data" && l.data == 0:
		l.data = s.pos
		if claimed == unknownSize && l.longSize >= 0 {
			claimed = l.longSize
		}
		l.size, err = dataSize(s, claimed)
		return l.size, err
	}
	return claimed, err
}

// dataSize decides how many bytes of sound there are where the header claims
// that many; the stream stands at the first of them. A recorder that was
// killed leaves 0, a placeholder or the size of a while ago; one that passed
// 4 GiB leaves the size less a multiple of that. So a claim counts only if the
// input ends where it says or a chunk begins there; otherwise all that is left
// is sound. From a pipe the claim is returned as it is, and -1 for a claim to
// hold nothing that is not true.
func dataSize(s *stream, claimed int64) (int64, error) {
	if s.size < 0 {
		if claimed == 0 && !s.chunkFollows(0) {
			return -1, nil
		}
		return claimed, nil
	}
	rest := s.rest()
	if claimed >= rest {
		return rest, nil
	}
	start := s.pos
	if err := s.goTo(start + claimed); err != nil {
		return 0, err
	}
	believed := endsHere(s, claimed)
	if err := s.goTo(start); err != nil {
		return 0, err
	}
	if believed {
		return claimed, nil
	}
	return rest, nil
}

// endsHere tells whether sound data of a claimed size, now behind, may have
// ended here: what follows is a chunk, or too short to be one.
func endsHere(s *stream, claimed int64) bool {
	if p, _ := s.r.Peek(chunkHeader); len(p) < chunkHeader {
		return true
	}
	return s.chunkFollows(0) || claimed%2 != 0 && s.chunkFollows(1)
}

// readUpTo reads n bytes, or what there is of them.
func readUpTo(s *stream, n int64) ([]byte, error) {
	return io.ReadAll(io.LimitReader(s, n))
}
