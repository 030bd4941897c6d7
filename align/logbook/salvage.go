package logbook

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
)

// Salvaged counts what Salvage found.
type Salvaged struct {
	Read   int // entries of the clock that SQLite could still read
	Lost   int // entry numbers that it could not, of any clock
	Carved int // lines found loose in the file; which clock they belong to is not known
}

// Salvage writes what can be read of a damaged logbook as JSON lines, fit for
// ImportLines into a new one. It changes nothing. Entries are read one by one
// by number and checked against their digest; if any is lost, the bytes of the
// file and of its write-ahead log are searched for whole lines as well.
func Salvage(path, clock string, w io.Writer) (Salvaged, error) {
	var done Salvaged
	if _, err := os.Stat(path); err != nil {
		return done, fmt.Errorf("logbook: %w", err)
	}
	seen := map[string]bool{}
	whole, err := salvageEntries(path, clock, w, seen, &done)
	if err != nil || whole {
		return done, err
	}
	for _, file := range []string{path, path + "-wal"} {
		raw, err := os.ReadFile(file)
		if os.IsNotExist(err) {
			continue
		}
		if err != nil {
			return done, fmt.Errorf("logbook: %w", err)
		}
		for _, line := range carve(raw) {
			digest := hexDigest(line)
			if seen[digest] {
				continue
			}
			seen[digest] = true
			if _, err := fmt.Fprintf(w, "%s\n", line); err != nil {
				return done, err
			}
			done.Carved++
		}
	}
	return done, nil
}

// salvageEntries reads entries by number. It reports whether all were read;
// errors are those of writing only.
func salvageEntries(path, clock string, w io.Writer, seen map[string]bool, done *Salvaged) (whole bool, err error) {
	absolute, err := filepath.Abs(path)
	if err != nil {
		return false, fmt.Errorf("logbook: %w", err)
	}
	name := url.URL{Scheme: "file", Path: absolute, RawQuery: "mode=ro&_pragma=busy_timeout(10000)"}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return false, fmt.Errorf("logbook %s: %w", path, err)
	}
	defer db.Close()
	var clockID int64
	if db.QueryRow(`SELECT id FROM clock WHERE name = ?`, clock).Scan(&clockID) != nil {
		return false, nil
	}
	whole = true
	var last int64
	if db.QueryRow(`SELECT seq FROM sqlite_sequence WHERE name = 'entry'`).Scan(&last) != nil {
		whole = false
	}
	// Without the sequence, go on until a long run of numbers gives nothing.
	const longRun = 10000
	for id, missed := int64(1), 0; id <= last || !whole && missed < longRun; id++ {
		var owner int64
		var digest string
		var line []byte
		err := db.QueryRow(`SELECT clock_id, digest, line FROM entry WHERE id = ?`, id).Scan(&owner, &digest, &line)
		if err == sql.ErrNoRows && id <= last && whole {
			continue // a number given out in a transaction that was rolled back
		}
		if err != nil || hexDigest(line) != digest {
			missed++
			if id <= last {
				whole = false
				done.Lost++
			}
			continue
		}
		missed = 0
		seen[digest] = true
		if owner != clockID {
			continue
		}
		if _, err := fmt.Fprintf(w, "%s\n", line); err != nil {
			return false, err
		}
		done.Read++
	}
	return whole, nil
}

// carve finds whole lines of schemas known here in raw bytes.
func carve(raw []byte) [][]byte {
	var lines [][]byte
	for from := 0; ; {
		k := bytes.Index(raw[from:], []byte(`"schema"`))
		if k < 0 {
			return lines
		}
		k += from
		from = k + 1
		open := bytes.LastIndexByte(raw[:k], '{')
		if open < 0 || len(bytes.TrimSpace(raw[open+1:k])) > 0 {
			continue // the lines written here begin with their schema
		}
		decoder := json.NewDecoder(bytes.NewReader(raw[open:]))
		var value json.RawMessage
		if decoder.Decode(&value) != nil {
			continue
		}
		e := Entry{Line: value}
		if e.parse() != nil {
			continue
		}
		lines = append(lines, value)
	}
}

func hexDigest(line []byte) string {
	sum := sha256.Sum256(line)
	return hex.EncodeToString(sum[:])
}
