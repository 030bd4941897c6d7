package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"time"

	"timeball/align"
	"timeball/align/logbook"
	"timeball/align/rate"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/text"
)

// keep enters a fix in the logbook, with what it was made from: the recording's
// file, if there is one, and the settings; and the notes that were made on the
// page, about the fix. It says on stderr where that stands. Only a trustworthy
// fix against UTC is kept; without one the notes are about the clock.
func (f bookFlags) keep(p *program, fix align.Fix, recording string, settings align.Settings, notes []page.Event) error {
	trusted := fix.Verdict == align.Found && fix.Wire == nil
	if !trusted && len(notes) == 0 {
		return nil
	}
	book, err := f.open()
	if err != nil {
		return err
	}
	defer book.Close()
	about := ""
	if trusted {
		id, err := f.enter(p, book, fix, recording, settings)
		if err != nil {
			return err
		}
		if len(notes) > 0 {
			e, err := f.find(book, id)
			if err != nil {
				return err
			}
			about = e.Digest
		}
	}
	for _, n := range notes {
		note := rate.Adjustment{Kind: rate.Noted, At: time.Now().UTC().Truncate(time.Second), Note: n.Text, Entry: about}
		if n.At != nil {
			note.At = n.At.UTC()
		}
		if n.Offset != nil {
			note.Note += fmt.Sprintf(" (offset then %s)", text.Short(*n.Offset))
		}
		ids, err := book.Adjust(f.Clock, note)
		if known := (*logbook.KnownError)(nil); errors.As(err, &known) { // said twice within a second
			ids, err = []int64{known.ID}, nil
		}
		if err != nil {
			return err
		}
		fmt.Fprintf(p.stderr, "note of the page logged as entry %d\n", ids[0])
	}
	return nil
}

// enter enters a fix, and returns the number of the entry that holds it.
func (f bookFlags) enter(p *program, book *logbook.Book, fix align.Fix, recording string, settings align.Settings) (int64, error) {
	from := logbook.Provenance{Settings: map[string]string{}, Program: programVersion()}
	for _, s := range text.Settings(settings) {
		from.Settings[s[0]] = s[1]
	}
	var err error
	if from.SHA256, err = hashFile(recording); err != nil {
		return 0, err
	}
	id, err := book.Append(f.Clock, fix, from)
	var known *logbook.KnownError
	switch {
	case errors.As(err, &known):
		id = known.ID
		fmt.Fprintf(p.stderr, "%s is in the logbook already, as entry %d of clock %s\n", fix.Recording.Path, id, f.Clock)
	case err != nil:
		return 0, err
	default:
		fmt.Fprintf(p.stderr, "logged as entry %d of clock %s\n", id, f.Clock)
	}
	return id, nil
}

// programVersion is the version the program was built from.
func programVersion() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "timeball"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return "timeball " + s.Value
		}
	}
	return "timeball " + info.Main.Version
}

// hashFile is the SHA-256 of a file; of none it is empty.
func hashFile(name string) (string, error) {
	if name == "" {
		return "", nil
	}
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return fmt.Sprintf("%x", h.Sum(nil)), nil
}
