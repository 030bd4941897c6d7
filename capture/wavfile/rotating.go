package wavfile

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"timeball/capture"
)

// Rotating writes a recording as a row of files of the same length, NAME-0001.wav,
// NAME-0002.wav and so on. File k covers the same stretch of the sample clock
// whatever was lost in it: its start is that of the stretch, and frames lost
// there are gaps of that file, at its beginning too. A stretch wholly lost has
// no file, but its time counts.
type Rotating struct {
	path   string
	format Format
	length int64 // frames of the sample clock a file covers

	w    *Writer
	file int   // number of the present file, from 1
	base int64 // position on the sample clock at which it begins
	next int64 // position of the next frame
	part capture.Block
}

// CreateRotating begins a recording in files that cover length each, named
// after path, NAME.wav. No such file may exist yet.
func CreateRotating(path string, format Format, length time.Duration) (*Rotating, error) {
	r := &Rotating{path: path, format: format, length: framesIn(length, format.Rate)}
	if r.length < 1 {
		return nil, fmt.Errorf("%s: files of %v hold no frame: choose a longer time", path, length)
	}
	// Looked for now, not when the recording gets there in an hour.
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		return nil, fmt.Errorf("%w: choose a folder that exists", err)
	}
	for _, e := range entries {
		name := filepath.Join(filepath.Dir(path), e.Name())
		var n int
		if _, err := fmt.Sscanf(strings.TrimPrefix(name, r.stem()), "-%04d", &n); err == nil && name == r.name(n) {
			return nil, fmt.Errorf("%s: %w, and no recording is overwritten: choose another name", name, fs.ErrExist)
		}
	}
	if err := r.begin(); err != nil {
		return nil, err
	}
	return r, nil
}

// stem is the path without the extension.
func (r *Rotating) stem() string {
	return strings.TrimSuffix(filepath.Clean(r.path), filepath.Ext(r.path))
}

// name is the path of file n.
func (r *Rotating) name(n int) string {
	return fmt.Sprintf("%s-%04d%s", r.stem(), n, filepath.Ext(r.path))
}

// begin creates the next file, at r.base.
func (r *Rotating) begin() error {
	f := r.format
	if !f.Start.IsZero() {
		f.Start = f.Start.Add(timeOf(r.base, f.Rate))
	}
	w, err := Create(r.name(r.file+1), f)
	if err != nil {
		return err
	}
	r.file++
	r.w = w
	return nil
}

// Write appends b as [Writer.Write] does.
func (r *Rotating) Write(b *capture.Block) error {
	r.next += b.Lost
	for done := 0; done < b.Len(); {
		if ahead := r.next - r.base; ahead >= r.length {
			if err := r.w.Close(); err != nil {
				return err
			}
			r.base += ahead / r.length * r.length
			if err := r.begin(); err != nil {
				return err
			}
		}
		n := int(min(int64(b.Len()-done), r.base+r.length-r.next))
		r.part.Lost = r.next - r.base - r.w.position
		r.part.Inexact = b.Inexact && r.part.Lost > 0
		r.part.Channels = r.part.Channels[:0]
		for _, c := range b.Channels {
			r.part.Channels = append(r.part.Channels, c[done:done+n])
		}
		if err := r.w.Write(&r.part); err != nil {
			return err
		}
		done += n
		r.next += int64(n)
	}
	return nil
}

// Close completes the last file.
func (r *Rotating) Close() error { return r.w.Close() }
