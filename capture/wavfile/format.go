package wavfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/go-audio/wav"
)

// Format tags of a WAV file's fmt chunk.
const (
	tagPCM        = 0x0001
	tagFloat      = 0x0003
	tagExtensible = 0xFFFE
)

// Rates accepted, in hertz.
const (
	minRate = 8000
	maxRate = 192000
)

// subFormatTail is what follows the format tag in the sub-format identifier
// (GUID) of an extensible header.
var subFormatTail = []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}

// sampleFormat tells how frames are stored.
type sampleFormat struct {
	rate     int // Hz
	channels int
	bits     int  // that carry signal, at the upper end of a sample
	width    int  // bytes of a sample
	float    bool // IEEE 754, otherwise integers
}

// frameBytes is the size of a frame.
func (f sampleFormat) frameBytes() int { return f.channels * f.width }

// parseFormat reads the body of a fmt chunk.
func parseFormat(body []byte) (sampleFormat, error) {
	if len(body) < 16 {
		return sampleFormat{}, errors.New("its sample format is cut short (fmt chunk): the file is damaged; use another copy")
	}
	tag, f := decodeFormat(body[:16])
	align := int(binary.LittleEndian.Uint16(body[12:])) // bytes of a frame

	if tag == tagExtensible && len(body) >= 40 {
		tag = int(binary.LittleEndian.Uint16(body[24:]))
		if !bytes.Equal(body[26:40], subFormatTail) {
			return sampleFormat{}, errors.New("its sample format is not a known one (extensible, foreign sub-format): convert it to 16-bit PCM")
		}
	}
	switch tag {
	case tagPCM:
	case tagFloat:
		f.float = true
	default:
		return sampleFormat{}, fmt.Errorf("its sound is compressed or of an unknown kind (format 0x%04X): convert it to 16-bit PCM", tag)
	}
	switch {
	case f.channels == 0:
		return sampleFormat{}, errors.New("its header says it has no channels: the file is damaged; use another copy")
	case f.rate < minRate || f.rate > maxRate:
		return sampleFormat{}, fmt.Errorf("its header says %d Hz, and a recording has %d to %d Hz: convert it, or use another copy if it is damaged", f.rate, minRate, maxRate)
	}

	f.width = (f.bits + 7) / 8
	if align%f.channels == 0 && align/f.channels > f.width {
		f.width = align / f.channels // samples in a wider container, at its upper end
	}
	switch {
	case f.float && (f.bits == 32 || f.bits == 64) && f.width == f.bits/8:
	case !f.float && f.bits >= 8 && f.width <= 4:
	default:
		return sampleFormat{}, fmt.Errorf("its samples have %d bits in %d bytes, which is not supported: convert it to 16-bit PCM", f.bits, f.width)
	}
	if align != f.frameBytes() {
		return sampleFormat{}, fmt.Errorf("its header contradicts itself (%d channels of %d bytes, frames of %d bytes): the file is damaged; use another copy", f.channels, f.width, align)
	}
	if tagged := binary.LittleEndian.Uint16(body); tagged == tagExtensible && !f.float {
		if valid := int(binary.LittleEndian.Uint16(body[18:])); valid > 0 && valid < f.bits {
			f.bits = valid
		}
	}
	return f, nil
}

// decodeFormat has go-audio/wav decode the first 16 bytes of a fmt chunk, as
// the only chunk of a file: it never sees a size that is not ours.
func decodeFormat(body []byte) (tag int, f sampleFormat) {
	file := append([]byte("RIFF\x1c\x00\x00\x00WAVEfmt \x10\x00\x00\x00"), body...)
	d := wav.NewDecoder(bytes.NewReader(file))
	d.ReadInfo()
	return int(d.WavAudioFormat), sampleFormat{
		rate:     int(d.SampleRate),
		channels: int(d.NumChans),
		bits:     int(d.BitDepth),
	}
}
