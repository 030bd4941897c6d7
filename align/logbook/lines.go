package logbook

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
)

// Imported counts what an import did.
type Imported struct {
	Added int
	Known int // were in the logbook already
}

// ImportLines adds JSON lines to a clock: fixes as `replay --json` prints them,
// and adjustments as ExportLines does. Lines that are in the logbook already
// are counted and passed over. It is all or nothing: an error names the line,
// and nothing is added.
func (b *Book) ImportLines(clock string, r io.Reader) (Imported, error) {
	return b.importAll(clock, func(add func([]byte) error) error {
		in := bufio.NewReaderSize(r, 1<<16)
		for n := 1; ; n++ {
			line, err := in.ReadBytes('\n')
			if err != nil && err != io.EOF {
				return fmt.Errorf("line %d: %w", n, err)
			}
			end := err == io.EOF
			line = bytes.TrimSuffix(line, []byte("\n"))
			if len(bytes.TrimSpace(line)) > 0 {
				if err := add(line); err != nil {
					return fmt.Errorf("line %d: %w", n, err)
				}
			}
			if end {
				return nil
			}
		}
	})
}

// importAll runs one import in one transaction.
func (b *Book) importAll(clock string, each func(add func(line []byte) error) error) (Imported, error) {
	var done Imported
	tx, err := b.db.Begin()
	if err != nil {
		return done, b.explain(err)
	}
	defer tx.Rollback()
	w, err := b.newWriter(tx, clock)
	if err != nil {
		return done, err
	}
	err = each(func(line []byte) error {
		_, err := w.add(line)
		var known *KnownError
		switch {
		case errors.As(err, &known):
			done.Known++
			return nil
		case err != nil:
			return err
		}
		done.Added++
		return nil
	})
	if err == nil {
		err = b.explain(tx.Commit())
	}
	if err != nil {
		return Imported{}, err
	}
	return done, nil
}

// ExportLines writes all entries of a clock as they came, one JSON object a
// line, in the order of logging. What is written stands for the logbook from
// then on, so the whole file is checked first.
func (b *Book) ExportLines(clock string, w io.Writer) error {
	if err := b.check(); err != nil {
		return err
	}
	id, err := b.clockID(b.db, clock)
	if err != nil || id == 0 {
		return err
	}
	rows, err := b.db.Query(`SELECT id, digest, line FROM entry WHERE clock_id = ? ORDER BY id`, id)
	if err != nil {
		return b.explain(err)
	}
	defer rows.Close()
	out := bufio.NewWriterSize(w, 1<<16)
	for rows.Next() {
		var e Entry
		if err := rows.Scan(&e.ID, &e.Digest, &e.Line); err != nil {
			return b.explain(err)
		}
		if err := e.verify(); err != nil {
			return b.damaged(e.ID, err)
		}
		out.Write(e.Line)
		out.WriteByte('\n')
	}
	if err := rows.Err(); err != nil {
		return b.explain(err)
	}
	return out.Flush()
}

// check has SQLite check the whole file: an entry that one index knows and
// another does not would be missed by who asks the latter.
func (b *Book) check() error {
	var verdict string
	if err := b.db.QueryRow(`PRAGMA integrity_check(1)`).Scan(&verdict); err != nil {
		return b.explain(err)
	}
	if verdict != "ok" {
		return fmt.Errorf("logbook %s: %s: %w", b.path, verdict, ErrDamaged)
	}
	return nil
}
