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
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
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
// schema is refused, and so is a database that is no logbook: nothing is
// written to it.
func Open(path string) (*Book, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("logbook: %w", err)
	}
	b, _, err := look(path, "_pragma=page_size(16384)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)&_txlock=immediate")
	if err != nil {
		return nil, err
	}
	if _, err = b.db.Exec(`PRAGMA journal_mode = WAL`); err == nil {
		err = b.migrate(migrations)
	}
	if err != nil {
		b.db.Close()
		return nil, b.explain(err)
	}
	return b, nil
}

// OpenReadOnly opens the logbook at path, which must be there, for reading
// alone. It may lie where nothing can be written, unless it is of an older
// schema, which is brought up to date first.
func OpenReadOnly(path string) (*Book, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("logbook: %w", err)
	}
	b, version, err := look(path, "mode=ro")
	if errors.Is(err, ErrFull) && !empty(path+"-wal") {
		// There is no room for the locks beside it, which stand in memory where nobody
		// else reads or writes.
		b, version, err = look(path, "_pragma=locking_mode(EXCLUSIVE)")
	}
	if (errors.Is(err, ErrReadOnly) || errors.Is(err, ErrFull) || primaryCode(err) == sqlite3.SQLITE_CANTOPEN) && empty(path+"-wal") {
		// Beside it no file for locks can be made. Nobody writes there, unless a
		// log is left of somebody who did.
		b, version, err = look(path, "mode=ro&immutable=1")
	}
	if err != nil || version == len(migrations) {
		return b, err
	}
	b.Close()
	if b, err = Open(path); err != nil {
		return nil, err
	}
	b.Close()
	return OpenReadOnly(path)
}

// empty reports whether a file holds nothing, or is not there.
func empty(path string) bool {
	info, err := os.Stat(path)
	return errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0
}

// look opens a database and looks what it is.
func look(path, query string) (b *Book, version int, err error) {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return nil, 0, fmt.Errorf("logbook %s: it is no file: name another with --logbook", path)
	}
	if b, err = connect(path, query); err != nil {
		return nil, 0, err
	}
	if version, err = b.version(b.db, len(migrations)); err != nil {
		b.db.Close()
		return nil, 0, b.explain(err)
	}
	return b, version, nil
}

// connect opens a database without looking into it.
func connect(path, query string) (*Book, error) {
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("logbook: %w", err)
	}
	name := url.URL{Scheme: "file", Path: absolute, RawQuery: "_pragma=busy_timeout(10000)&" + query}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return nil, fmt.Errorf("logbook %s: %w", path, err)
	}
	db.SetMaxOpenConns(1) // one file, one writer; reads are short
	return &Book{path: path, db: db}, nil
}

// Close closes the logbook.
func (b *Book) Close() error { return b.explain(b.db.Close()) }

// ErrDamaged is in the chain of errors from a file that SQLite cannot read.
var ErrDamaged = errors.New("the file is damaged; save what can be read with: timeball log export --salvage")

// ErrFull is in the chain of errors from a full disk.
var ErrFull = errors.New("the disk is full; nothing was added: free some space and try again")

// ErrBusy is in the chain of errors from a file another program holds.
var ErrBusy = errors.New("another program is writing to it; try again when it has finished")

// ErrReadOnly is in the chain of errors from a file that may not be written.
var ErrReadOnly = errors.New("it may only be read, and nothing was added: copy it to where you may write and use that with --logbook")

// ErrForeign is in the chain of errors from a database of another program.
var ErrForeign = errors.New("this is no logbook but a database of another program, and nothing was written to it: name another file with --logbook")

// explain names the file and turns SQLite's codes for the world's faults into
// what to do about them.
func (b *Book) explain(err error) error {
	if err == nil {
		return nil
	}
	switch primaryCode(err) {
	case sqlite3.SQLITE_CORRUPT:
		err = ErrDamaged
	case sqlite3.SQLITE_NOTADB:
		err = fmt.Errorf("this is no logbook, or %w", ErrDamaged)
	case sqlite3.SQLITE_FULL:
		err = ErrFull
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		err = ErrBusy
	case sqlite3.SQLITE_READONLY:
		err = ErrReadOnly
	case sqlite3.SQLITE_IOERR:
		if code := (*sqlite.Error)(nil); errors.As(err, &code) && code.Code() == sqlite3.SQLITE_IOERR_SHMSIZE {
			err = ErrFull // no room for the locks beside the file
		}
	}
	return fmt.Errorf("logbook %s: %w", b.path, err)
}

// primaryCode is SQLite's result code, without what extends it; 0 when err is
// not SQLite's.
func primaryCode(err error) int {
	var code *sqlite.Error
	if errors.As(err, &code) {
		return code.Code() & 0xff
	}
	return 0
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
`, `
-- Of all the other columns, so that a rotten one is not taken for a measurement.
ALTER TABLE fix ADD COLUMN digest BLOB NOT NULL DEFAULT '';
UPDATE fix SET digest = ` + fixDigest + `;
`}

// fixDigest is the digest of a row of table fix, in SQL.
const fixDigest = `row_digest(entry_id, clock_id, at_ns, offset_s, u_s, common_s, whole_s, stations)`

// The SQL function row_digest is the SHA-256 of its arguments.
func init() {
	sqlite.MustRegisterDeterministicScalarFunction("row_digest", -1, func(_ *sqlite.FunctionContext, columns []driver.Value) (driver.Value, error) {
		h := sha256.New()
		for _, v := range columns {
			switch v := v.(type) {
			case int64:
				binary.Write(h, binary.LittleEndian, v)
			case float64:
				binary.Write(h, binary.LittleEndian, v+0) // -0 is stored as 0
			default: // text, ended as no text is; or NULL
				fmt.Fprintf(h, "%v\x00", v)
			}
		}
		return h.Sum(nil), nil
	})
}

// version reads the schema's version, at most known; 0 is a new file.
func (b *Book) version(q querier, known int) (int, error) {
	var version, tables, ours int
	// In one statement: between two another program may have made the tables.
	err := q.QueryRow(`SELECT (SELECT user_version FROM pragma_user_version), count(*), count(*) FILTER (WHERE type = 'table' AND name IN ('clock', 'entry', 'fix')) FROM sqlite_schema`).Scan(&version, &tables, &ours)
	switch {
	case err != nil:
		return 0, err
	case version < 0, version == 0 && tables > 0, version > 0 && ours != 3:
		return 0, ErrForeign
	case version > known:
		return 0, fmt.Errorf("its schema is version %d, this program knows up to %d: use the newer program", version, known)
	}
	return version, nil
}

// migrate applies the steps the file lacks, in one transaction.
func (b *Book) migrate(steps []string) error {
	tx, err := b.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	version, err := b.version(tx, len(steps))
	if err != nil || version == len(steps) {
		return err
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
