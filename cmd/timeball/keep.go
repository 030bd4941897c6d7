package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"timeball/align"
	"timeball/align/logbook"
	"timeball/align/rate"
	"timeball/cmd/timeball/internal/text"
)

// keep enters what a measurement has come to in the logbook, if that is wanted:
// the fix, with what it was made from, and the notes that were made on the page,
// about the fix. It says on stderr where that stands. Only a trustworthy
// fix against UTC is kept; without one the notes are about the clock.
func (f bookFlags) keep(p *program, o *outcome, wanted bool) error {
	trusted := o.fix.Verdict == align.Found && o.fix.Wire == nil
	if !wanted || !trusted && len(o.notes) == 0 {
		return nil
	}
	book, err := f.open()
	if err != nil {
		return err
	}
	defer book.Close()
	about := ""
	var unread error // the recording
	if trusted {
		var id int64
		if id, unread, err = f.enter(p, book, o); err != nil {
			return err
		}
		if len(o.notes) > 0 {
			e, err := f.find(book, id)
			if err != nil {
				return err
			}
			about = e.Digest
		}
	}
	for _, n := range o.notes {
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
	return unread
}

// enter enters a fix, and returns the number of the entry that holds it. A
// recording that cannot be read keeps nothing out.
func (f bookFlags) enter(p *program, book *logbook.Book, o *outcome) (id int64, unread, err error) {
	from := logbook.Provenance{Settings: map[string]string{}, Program: text.Version()}
	for _, s := range text.Settings(o.settings, o.fix.Recording.RateHz) {
		from.Settings[s[0]] = s[1]
	}
	from.SHA256, unread = hashFile(o.recording)
	id, err = book.Append(f.Clock, o.fix, from)
	var known *logbook.KnownError
	switch {
	case errors.As(err, &known):
		id = known.ID
		fmt.Fprintf(p.stderr, "%s is in the logbook already, as entry %d of clock %s\n", text.Plain(o.fix.Recording.Path), id, text.Plain(f.Clock))
	case err != nil:
		return 0, nil, err
	default:
		fmt.Fprintf(p.stderr, "logged as entry %d of clock %s\n", id, text.Plain(f.Clock))
	}
	return id, unread, nil
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
