// Package logbook keeps fixes and adjustments of clocks in one SQLite file.
//
// Entries are only ever added. Each holds its own JSON line, byte for byte, and
// everything else in the file can be made again from these lines. A mistaken
// entry is withdrawn by another entry.
//
// The file is written through a write-ahead log with a sync at every commit:
// what Append has returned survives a kill and a power cut. Several programs
// may use one logbook at a time; a writer waits for its turn up to ten seconds.
package logbook

import (
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// DefaultPath is the logbook in the user's data folder, as the XDG Base
// Directory Specification places it.
func DefaultPath() (string, error) {
	data := os.Getenv("XDG_DATA_HOME")
	if !filepath.IsAbs(data) { // the specification: a relative path is to be ignored
		home, err := os.UserHomeDir()
		if err != nil {
			return "", fmt.Errorf("no folder for the logbook: %w; set XDG_DATA_HOME", err)
		}
		data = filepath.Join(home, ".local", "share")
	}
	return filepath.Join(data, "timeball", "logbook.sqlite"), nil
}

// Book is an open logbook.
type Book struct {
	path string
	db   *sql.DB
}

// Open opens the logbook at path and makes it, with its folders, if there is
// none. A logbook of an older schema is brought up to date; one of a newer
// schema is refused.
func Open(path string) (*Book, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("logbook: %w", err)
	}
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("logbook: %w", err)
	}
	name := url.URL{Scheme: "file", Path: absolute, RawQuery: "_pragma=busy_timeout(10000)&_pragma=page_size(16384)&_pragma=journal_mode(WAL)" +
		"&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)&_txlock=immediate"}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return nil, fmt.Errorf("logbook %s: %w", path, err)
	}
	db.SetMaxOpenConns(1) // one file, one writer; reads are short
	b := &Book{path: path, db: db}
	if err := b.migrate(migrations); err != nil {
		db.Close()
		return nil, b.explain(err)
	}
	return b, nil
}

// Close closes the logbook.
func (b *Book) Close() error { return b.explain(b.db.Close()) }

// ErrDamaged is in the chain of errors from a file that SQLite cannot read.
var ErrDamaged = errors.New("the file is damaged; save what can be read with: timeball log export --salvage")

// ErrFull is in the chain of errors from a full disk.
var ErrFull = errors.New("the disk is full; nothing was added: free some space and try again")

// ErrBusy is in the chain of errors from a file another program holds.
var ErrBusy = errors.New("another program is writing to it; try again when it has finished")

// explain names the file and turns SQLite's codes for the world's faults into
// what to do about them.
func (b *Book) explain(err error) error {
	if err == nil {
		return nil
	}
	var code *sqlite.Error
	if errors.As(err, &code) {
		switch code.Code() & 0xff { // the low byte is the primary code
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			err = ErrDamaged
		case sqlite3.SQLITE_FULL:
			err = ErrFull
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			err = ErrBusy
		}
	}
	return fmt.Errorf("logbook %s: %w", b.path, err)
}

// migrations bring the schema from one version to the next: migrations[v] from
// v to v+1. What has been released never changes.
var migrations = []string{`
CREATE TABLE clock (
	id   INTEGER PRIMARY KEY,
	name TEXT NOT NULL UNIQUE
);
-- One line of the logbook, and all that is known of it.
CREATE TABLE entry (
	id        INTEGER PRIMARY KEY AUTOINCREMENT,
	clock_id  INTEGER NOT NULL REFERENCES clock,
	kind      TEXT NOT NULL,    -- fix or adjustment
	logged_at TEXT NOT NULL,    -- RFC 3339, UTC
	digest    TEXT NOT NULL,    -- SHA-256 of line, hexadecimal
	recording TEXT,             -- SHA-256 of the recording's file, hexadecimal
	line      BLOB NOT NULL,    -- JSON, without the line end
	UNIQUE (clock_id, digest)
);
CREATE INDEX entry_recording ON entry (clock_id, recording) WHERE recording IS NOT NULL;
CREATE INDEX entry_adjustment ON entry (clock_id) WHERE kind = 'adjustment';
-- What the analysis reads of a fix, taken out of its line.
CREATE TABLE fix (
	entry_id INTEGER PRIMARY KEY REFERENCES entry,
	clock_id INTEGER NOT NULL REFERENCES clock,
	at_ns    INTEGER NOT NULL,  -- Unix time, nanoseconds
	offset_s REAL NOT NULL,     -- local clock minus UTC
	u_s      REAL NOT NULL,
	common_s REAL NOT NULL,     -- part of u_s shared by all fixes
	whole_s  INTEGER            -- hands minus UTC
);
`, `
-- IDs of the stations it rests on, joined by spaces.
ALTER TABLE fix ADD COLUMN stations TEXT NOT NULL DEFAULT '';
UPDATE fix SET stations = coalesce((
	SELECT group_concat(json_extract(s.value, '$.id'), ' ')
	FROM entry, json_each(CAST(entry.line AS TEXT), '$.stations') AS s
	WHERE entry.id = fix.entry_id), '');
`}

// migrate applies the steps the file lacks, in one transaction.
func (b *Book) migrate(steps []string) error {
	tx, err := b.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	var version int
	if err := tx.QueryRow(`PRAGMA user_version`).Scan(&version); err != nil {
		return err
	}
	switch {
	case version == len(steps):
		return nil
	case version > len(steps):
		return fmt.Errorf("its schema is version %d, this program knows up to %d: use the newer program", version, len(steps))
	}
	for _, step := range steps[version:] {
		if _, err := tx.Exec(step); err != nil {
			return err
		}
	}
	if _, err := tx.Exec(fmt.Sprintf(`PRAGMA user_version = %d`, len(steps))); err != nil {
		return err
	}
	return tx.Commit()
}
