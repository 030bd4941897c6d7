// Package wholefile writes files that are whole or not there: whatever stops
// the program or the machine, a name holds what it held before or all of what
// was to be written.
package wholefile

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Write writes what fill writes to the file at path, and replaces what is
// there once all of it is on the disk. It keeps a file's permissions and writes
// through links. What is no regular file, such as a pipe or /dev/stdout, is
// written to as it is. Recordings and logbooks are never replaced: see OriginalError.
func Write(path string, fill func(io.Writer) error) (err error) {
	path, special, err := resolve(path)
	if err != nil {
		return err
	}
	if special {
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		return errors.Join(fill(f), f.Close())
	}
	f, err := create(path)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if before, err := os.Stat(path); err == nil {
		if err := f.Chmod(before.Mode().Perm()); err != nil {
			return err
		}
	}
	out := bufio.NewWriterSize(f, 1<<16)
	if err := fill(out); err != nil {
		return err
	}
	if err := out.Flush(); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// Check tells whether Write could begin to write to path. It is for what takes
// long and must not be lost for a mistyped name.
func Check(path string) error {
	path, special, err := resolve(path)
	if err != nil || special {
		return err
	}
	f, err := create(path)
	if err != nil {
		return err
	}
	f.Close()
	return cannot(path, os.Remove(f.Name()))
}

// OriginalError is what Write and Check return for a file that holds what was measured
// and cannot be made again.
type OriginalError struct {
	Path string
	what string
}

func (e *OriginalError) Error() string {
	return fmt.Sprintf("%s is %s, which is never written over: name another file", e.Path, e.what)
}

// originals are the kinds of files that are never replaced, by how they begin; a dot stands
// for any byte. RIFF: EBU Tech 3285 and 3306; the others: "Database File Format",
// sqlite.org, 1.3.1, 3 and 4.1.
var originals = []struct{ begins, what string }{
	{"RIFF....WAVE", "a recording"},
	{"RF64....WAVE", "a recording"},
	{"BW64....WAVE", "a recording"},
	{"SQLite format 3\x00", "a logbook or another database"},
	{"\x37\x7f\x06\x82", "part of a logbook or of another database"},
	{"\x37\x7f\x06\x83", "part of a logbook or of another database"},
	{"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7", "part of a logbook or of another database"},
}

// checkOriginal refuses a regular file of one of the originals.
func checkOriginal(path, target string) error {
	f, err := os.Open(target)
	if err != nil {
		return cannot(path, err)
	}
	defer f.Close()
	head := make([]byte, 16)
	n, err := io.ReadFull(f, head)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return cannot(path, err)
	}
	for _, o := range originals {
		if n < len(o.begins) {
			continue
		}
		begins := bytes.Clone(head[:len(o.begins)])
		for i := range begins {
			if o.begins[i] == '.' {
				begins[i] = '.'
			}
		}
		if string(begins) == o.begins {
			return &OriginalError{path, o.what}
		}
	}
	return nil
}

// resolve follows links, refuses originals, and tells whether what is there is no regular file.
func resolve(path string) (target string, special bool, err error) {
	target, err = filepath.EvalSymlinks(path)
	if errors.Is(err, fs.ErrNotExist) {
		return path, false, nil
	}
	if err != nil {
		return "", false, err
	}
	info, err := os.Stat(target)
	switch {
	case err != nil:
		return "", false, err
	case info.IsDir():
		return "", false, fmt.Errorf("%s is a folder: name a file in it", path)
	}
	if !info.Mode().IsRegular() {
		return target, true, nil
	}
	return target, false, checkOriginal(path, target)
}

// create makes a file beside path, with the permissions a new file has here.
func create(path string) (*os.File, error) {
	f, err := os.OpenFile(path+"."+rand.Text()[:8]+".part", os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	return f, cannot(path, err)
}

// cannot is err without the name of a file that the person has not heard of.
func cannot(path string, err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return fmt.Errorf("cannot write %s: %w: choose a folder you may write to", path, p.Err)
	}
	return err
}

// syncFolder makes a folder's names durable.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) { // not every file system can, or need
		err = nil
	}
	return errors.Join(err, d.Close())
}
