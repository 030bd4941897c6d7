package wavfile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"time"

	"timeball/capture"
)

// Format tells how a recording is to be written.
type Format struct {
	Rate     int       // frames a second, Hz
	Channels int       // channels in a frame
	Bits     int       // 16 or 24: integers; 32: IEEE 754 floats
	Start    time.Time // UTC of the first frame; zero when unknown
	Note     string    // description of the recorder's settings, at most 256 bytes
	Settings string    // those of the measurement, one line of at most mostSettings bytes
}

// sampleFormat is f as the samples are stored.
func (f Format) sampleFormat() sampleFormat {
	return sampleFormat{rate: f.Rate, channels: f.Channels, bits: f.Bits, width: f.Bits / 8, float: f.Bits == 32}
}

// check tells what is wrong with f, or nil.
func (f Format) check() error {
	switch {
	case f.Rate < minRate || f.Rate > maxRate:
		return fmt.Errorf("cannot record %d Hz: choose %d to %d Hz", f.Rate, minRate, maxRate)
	case f.Channels < 1 || f.Channels > 1<<10:
		return fmt.Errorf("cannot record %d channels: choose 1 to %d", f.Channels, 1<<10)
	case f.Bits != 16 && f.Bits != 24 && f.Bits != 32:
		return fmt.Errorf("cannot record samples of %d bits: choose 16, 24, or 32 for floats", f.Bits)
	case len(f.Settings) > mostSettings || strings.ContainsAny(f.Settings, "\r\n\x00"):
		return fmt.Errorf("settings of %d bytes: a recording holds one line of %d", len(f.Settings), mostSettings)
	case len(f.Note) > bextOriginator:
		return fmt.Errorf("the note has %d bytes and a recording holds %d: shorten it", len(f.Note), bextOriginator)
	}
	return nil
}

// Quantise rounds and clips the frames of b to what a file of format f holds,
// so that what is measured live is what a replay will measure.
func (f Format) Quantise(b *capture.Block) {
	for _, c := range b.Channels {
		switch f.Bits {
		case 16:
			for i, x := range c {
				c[i] = float32(toInteger(x, scale16)) / scale16
			}
		case 24:
			for i, x := range c {
				c[i] = float32(toInteger(x, scale24)) / scale24
			}
		default:
			for i, x := range c {
				c[i] = finite(x)
			}
		}
	}
}

// headerSize is where the sound data begins: a whole number of disk blocks,
// with room for about 900 gaps.
const headerSize = 1 << 15

// mostSettings leaves nine tenths of the coding history to losses.
const mostSettings = headerSize / 10

// maxRIFF is the largest size that RIFF can state; beyond it the file is RF64.
const maxRIFF = 1<<32 - 2

// Places in the header of a file we write.
const (
	atRIFF     = 0
	atDS64     = 12 // JUNK until the file passes 4 GiB, EBU Tech 3306
	ds64Size   = 28 // no table
	atFormat   = atDS64 + chunkHeader + ds64Size
	formatSize = 18
	atFact     = atFormat + chunkHeader + formatSize
	factSize   = 4
	atBext     = atFact + chunkHeader + factSize
	atHistory  = atBext + chunkHeader + bextSize
	atData     = headerSize - chunkHeader
)

// Writer writes a recording. The file is a valid one at every moment: sizes
// are brought up to date about once a second of sound, a gap before the frames
// that follow it. A program killed at any time loses the last second at most.
// (Against a power cut nothing is done: the data may still be on its way to
// the disk.)
//
// The file is a Broadcast Wave file with start and note in chunk bext and gaps
// in its coding history. It turns into RF64 when it passes 4 GiB.
type Writer struct {
	f        *os.File
	name     string
	format   Format
	samples  sampleFormat
	header   []byte // as it stands in the file, but for the sizes
	history  int    // end of the coding history in header
	frames   int64  // written
	counted  int64  // of them in the sizes on file
	position int64  // frames written and lost
	riffMax  int64  // maxRIFF but in tests
	raw      []byte
	err      error // why nothing more is written
}

// Create begins a recording at path, where there must be no file yet
// (otherwise the error is fs.ErrExist).
func Create(path string, format Format) (*Writer, error) {
	if err := format.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s: %w, and no recording is overwritten: choose another name", path, fs.ErrExist)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: choose a folder you may write to", err)
	}
	w := &Writer{f: f, name: path, format: format, samples: format.sampleFormat(), header: newHeader(format), riffMax: maxRIFF}
	w.history = atHistory + copy(w.header[atHistory:], historyHead(format))
	if err := w.update(); err != nil {
		w.Close()
		return nil, w.explain(err)
	}
	if _, err := f.Seek(headerSize, 0); err != nil {
		w.Close()
		return nil, w.explain(err)
	}
	return w, nil
}

// newHeader is the header of an empty recording.
func newHeader(f Format) []byte {
	h := make([]byte, headerSize)
	s := f.sampleFormat()
	chunk := func(at int, id chunkID, size int) []byte {
		copy(h[at:], id)
		binary.LittleEndian.PutUint32(h[at+4:], uint32(size))
		return h[at+chunkHeader:]
	}
	copy(chunk(atRIFF, "RIFF", 0), "WAVE")
	chunk(atDS64, "JUNK", ds64Size)

	b := chunk(atFormat, "fmt ", formatSize)
	tag := uint16(tagPCM)
	if s.float {
		tag = tagFloat
	}
	binary.LittleEndian.PutUint16(b, tag)
	binary.LittleEndian.PutUint16(b[2:], uint16(s.channels))
	binary.LittleEndian.PutUint32(b[4:], uint32(s.rate))
	binary.LittleEndian.PutUint32(b[8:], uint32(s.rate*s.frameBytes()))
	binary.LittleEndian.PutUint16(b[12:], uint16(s.frameBytes()))
	binary.LittleEndian.PutUint16(b[14:], uint16(s.bits))

	chunk(atFact, "fact", factSize)
	putBext(chunk(atBext, "bext", atData-atBext-chunkHeader), f.Rate, f.Start, f.Note)
	chunk(atData, "data", 0)
	return h
}

// Write appends the frames of b, whose number of channels must be the
// recording's, after noting the frames lost before it. Once it has failed it
// goes on failing; the file then holds the whole frames written until then. A
// full disk can be told by errors.Is(err, syscall.ENOSPC).
func (w *Writer) Write(b *capture.Block) error {
	if len(b.Channels) != w.format.Channels {
		panic(fmt.Sprintf("wavfile: block of %d channels for a recording of %d", len(b.Channels), w.format.Channels))
	}
	if w.err != nil {
		return w.err
	}
	if b.Lost > 0 {
		if err := w.noteGap(b.Lost, b.Inexact); err != nil {
			return w.fail(err)
		}
	}
	size := b.Len() * w.samples.frameBytes()
	if cap(w.raw) < size {
		w.raw = make([]byte, size)
	}
	raw := w.raw[:size]
	w.samples.encode(raw, b.Channels)
	n, err := w.f.Write(raw)
	frames := int64(n / w.samples.frameBytes())
	w.frames += frames
	w.position += frames
	if err != nil {
		return w.fail(err)
	}
	if w.frames-w.counted >= int64(w.format.Rate) {
		if err := w.update(); err != nil {
			return w.fail(err)
		}
	}
	return nil
}

// errManyGaps: the room reserved in the header is used up.
var errManyGaps = errors.New("frames were lost too often to go on recording: close other programs, or record at a lower rate, and start again")

// noteGap puts on file that frames are lost between the last one written and
// the next; inexact says that their number is an estimate.
func (w *Writer) noteGap(lost int64, inexact bool) error {
	form := historyGap
	if inexact {
		form = historyEstimate
	}
	line := fmt.Sprintf(form+"\r\n", lost, w.position)
	if w.history+len(line) >= atData {
		return errManyGaps
	}
	w.history += copy(w.header[w.history:], line)
	w.position += lost
	return w.update()
}

// update brings the header on file up to date.
func (w *Writer) update() error {
	data := w.frames * int64(w.samples.frameBytes())
	riff := headerSize - chunkHeader + data + data%2
	le, h := binary.LittleEndian, w.header
	if riff <= w.riffMax {
		le.PutUint32(h[atRIFF+4:], uint32(riff))
		le.PutUint32(h[atFact+chunkHeader:], uint32(w.frames))
		le.PutUint32(h[atData+4:], uint32(data))
	} else {
		copy(h[atRIFF:], "RF64")
		le.PutUint32(h[atRIFF+4:], unknownSize)
		copy(h[atDS64:], "ds64")
		le.PutUint64(h[atDS64+chunkHeader:], uint64(riff))
		le.PutUint64(h[atDS64+chunkHeader+8:], uint64(data))
		le.PutUint64(h[atDS64+chunkHeader+16:], uint64(w.frames))
		le.PutUint32(h[atFact+chunkHeader:], unknownSize)
		le.PutUint32(h[atData+4:], unknownSize)
	}
	_, err := w.f.WriteAt(h, 0)
	if err == nil {
		w.counted = w.frames
	}
	return err
}

// fail ends the recording after err and saves what there is.
func (w *Writer) fail(err error) error {
	w.update() // may fail for the same reason; the sizes of a second ago will do
	w.err = w.explain(err)
	return w.err
}

// explain says what a person can do about err.
func (w *Writer) explain(err error) error {
	remedy := "check the disk"
	switch {
	case errors.Is(err, errManyGaps):
		return fmt.Errorf("%s: %w", w.name, err)
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		remedy = "free some space or record to another disk"
	}
	return fmt.Errorf("%w: %s", err, remedy) // err names the file
}

// Close completes the file. A recording without a frame is removed.
func (w *Writer) Close() error {
	if w.f == nil {
		return nil
	}
	f := w.f
	defer func() { w.f = nil }()
	if w.frames == 0 {
		f.Close()
		return os.Remove(w.name)
	}
	data := w.frames * int64(w.samples.frameBytes())
	// A write that failed may have left part of a frame; an odd size wants a byte of padding.
	err := f.Truncate(headerSize + data + data%2)
	if e := w.update(); err == nil {
		err = e
	}
	if e := f.Sync(); err == nil {
		err = e
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return w.explain(err)
	}
	return nil
}
