package wavfile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Only so much of a chunk is read into memory, whatever it claims to hold.
const (
	maxFormat = 40               // bytes of the extensible format chunk
	maxBext   = bextSize + 1<<16 // bytes of a bext chunk with its coding history
)

// layout is what the chunks of a file say.
type layout struct {
	format sampleFormat
	data   int64 // place of the first sample
	// size of the sound data in bytes. From a pipe it is only a claim, and
	// -1 means that there is none.
	size int64
	bext []byte // the bext chunk; nil if there is none
}

// errEmpty: there is not a byte in the file.
var errEmpty = errors.New("empty file: nothing was recorded in it; record again")

// readLayout walks the chunks. On return a pipe stands at the first sample.
func readLayout(s *stream) (layout, error) {
	var l layout
	var head [12]byte
	n, err := io.ReadFull(s, head[:])
	if err == io.EOF {
		return l, errEmpty
	}
	if err != nil && err != io.ErrUnexpectedEOF {
		return l, err
	}
	form := string(head[:4])
	if n < len(head) || form != "RIFF" && form != "RF64" && form != "BW64" || string(head[8:]) != "WAVE" {
		return l, fmt.Errorf("not a WAV file (it begins with %q): give a WAV recording, or convert it to WAV first", head[:min(n, 4)])
	}

	var (
		formatSeen, dataSeen bool
		longSize             uint64 // size of the sound data in ds64
	)
	for s.size >= 0 || !dataSeen {
		var h [chunkHeader]byte
		if _, err := io.ReadFull(s, h[:]); err != nil {
			if err == io.EOF || err == io.ErrUnexpectedEOF {
				break
			}
			return l, err
		}
		id, size := chunkID(h[:4]), int64(binary.LittleEndian.Uint32(h[4:]))
		body := s.pos
		switch {
		case id == "ds64":
			var b [16]byte // size of the file and of the sound data, EBU Tech 3306
			if _, err := io.ReadFull(s, b[:min(size, 16)]); err == nil {
				longSize = binary.LittleEndian.Uint64(b[8:])
			}
		case id == "fmt " && !formatSeen:
			b, err := readUpTo(s, min(size, maxFormat))
			if err != nil {
				return l, err
			}
			if l.format, err = parseFormat(b); err != nil {
				return l, err
			}
			formatSeen = true
		case id == "bext" && l.bext == nil:
			if l.bext, err = readUpTo(s, min(size, maxBext)); err != nil {
				return l, err
			}
		case id == "data" && !dataSeen:
			dataSeen = true
			l.data = body
			if size == unknownSize && form != "RIFF" && longSize <= 1<<62 {
				size = int64(longSize)
			}
			if l.size, err = dataSize(s, size); err != nil {
				return l, err
			}
			size = l.size
		}
		if s.size < 0 && dataSeen {
			break
		}
		if err := s.goTo(body + size); err != nil {
			if err == io.EOF {
				break
			}
			return l, err
		}
		if size%2 != 0 {
			if err := s.skipPad(); err != nil && err != io.EOF {
				return l, err
			}
		}
	}

	switch {
	case !dataSeen:
		return l, errors.New("no sound data in it (no data chunk): the file is damaged or cut short; use another copy")
	case !formatSeen:
		return l, errors.New("no sample format before its sound data (no fmt chunk): the file is damaged; use another copy")
	}
	return l, nil
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
