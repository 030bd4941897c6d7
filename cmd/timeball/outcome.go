package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"timeball/align"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/report"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/wholefile"
)

// outcome is what a measurement has come to.
type outcome struct {
	fix       align.Fix
	picture   func() align.Picture
	settings  align.Settings
	recording string       // file of the sound; empty: none is kept
	notes     []page.Event // made on the page
	events    []page.Event // shown there
}

// deliver takes the steps in turn, whatever comes of each: a fix that cannot be
// printed is logged all the same. before is what has gone wrong until then.
func (o *outcome) deliver(before error, steps ...func() error) error {
	err := before
	for _, step := range steps {
		err = errors.Join(err, step())
	}
	if err == nil && o.fix.Verdict != align.Found {
		return errNoFix
	}
	return err
}

// printFix prints a fix in words or as an object.
func (p *program) printFix(f align.Fix, object bool) error {
	if object {
		return json.NewEncoder(p.stdout).Encode(f)
	}
	return text.WriteFix(p.stdout, f)
}

// report writes a report, if path names one.
func (o *outcome) report(path string) error {
	if path == "" {
		return nil
	}
	hash, err := hashFile(o.recording)
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	picture := o.picture()
	picture.Fix = o.fix // with the recording's name
	return report.WriteFix(path, picture, o.settings, hash, o.events)
}

// checkEnding refuses a file name that does not end as what is written into it.
func checkEnding(flag, name, ending string) error {
	if name == "" || strings.EqualFold(filepath.Ext(name), ending) {
		return nil
	}
	return usageError{fmt.Errorf("%s %s: the name must end in %s", flag, name, ending)}
}

// checkTarget finds out before the work whether its result can be written, and that it
// does not replace a recording or a logbook.
func checkTarget(path string) error {
	if path == "" {
		return nil
	}
	err := wholefile.Check(path)
	if original := (*wholefile.OriginalError)(nil); errors.As(err, &original) {
		return usageError{err}
	}
	return err
}

// checkTargets is checkTarget for all files that a command is to write, of which none may
// be another, or part of the logbook, by whatever name.
func (f bookFlags) checkTargets(targets ...string) error {
	book, err := f.path()
	for i, target := range targets {
		if target == "" {
			continue
		}
		for _, part := range []string{"", "-wal", "-shm", "-journal"} {
			if err == nil && sameFile(target, book+part) {
				return usageError{fmt.Errorf("%s is the logbook itself: name another file", target)}
			}
		}
		for _, other := range targets[:i] {
			if other != "" && sameFile(target, other) {
				return usageError{fmt.Errorf("%s is %s: name another file", target, other)}
			}
		}
		if err := checkTarget(target); err != nil {
			return err
		}
	}
	return nil
}

// sameFile reports whether two names are, or will be, those of one file.
func sameFile(a, b string) bool {
	if infoA, err := os.Stat(a); err == nil {
		infoB, err := os.Stat(b)
		return err == nil && os.SameFile(infoA, infoB)
	}
	return destination(a) == destination(b)
}

// destination is where a file would be made by this name: links followed, also those to
// what is not there yet.
func destination(path string) string {
	for range 40 { // as many links as Linux follows, path_resolution(7)
		to, err := os.Readlink(path)
		if err != nil {
			break
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(filepath.Dir(path), to)
		}
		path = to
	}
	if folder, err := filepath.EvalSymlinks(filepath.Dir(path)); err == nil {
		path = filepath.Join(folder, filepath.Base(path))
	}
	if whole, err := filepath.Abs(path); err == nil {
		path = whole
	}
	return path
}

// checkNew is checkTarget for a recording, which is never overwritten.
func checkNew(path string) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%s: it exists already, and no recording is overwritten: choose another name", path)
	}
	return checkTarget(path)
}
