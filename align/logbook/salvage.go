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
	Untrue int // lines found loose that are not what was logged: left out
}

// Whole reports whether all that is known to have been logged was found.
func (s Salvaged) Whole() bool { return s.Untrue == 0 && s.Lost <= s.Carved }

// mostSalvaged is the largest file that is searched, bytes: it is held in memory. A
// quarter of a million fixes take as much.
const mostSalvaged = 1 << 30

// Salvage writes what can be read of a damaged logbook as JSON lines, fit for
// ImportLines into a new one. It changes nothing. Entries are read one by one
// by number and checked against their digest; if any is lost, the bytes of the
// file and of its write-ahead log are searched for whole lines as well. Each
// line's digest stands there too, in the line's row and in an index: a line
// whose digest stands nowhere was changed since, and is left out.
func Salvage(path, clock string, w io.Writer) (Salvaged, error) {
	var done Salvaged
	for _, file := range []string{path, path + "-wal"} {
		switch info, err := os.Stat(file); {
		case err != nil && (file == path || !os.IsNotExist(err)):
			return done, fmt.Errorf("logbook: %w", err)
		case err == nil && !info.Mode().IsRegular():
			return done, fmt.Errorf("logbook: %s is no file", file)
		case err == nil && info.Size() > mostSalvaged:
			return done, fmt.Errorf("logbook: %s has %d MiB, and at most %d are searched", file, info.Size()>>20, mostSalvaged>>20)
		}
	}
	seen := map[string]bool{}
	whole, err := salvageEntries(path, clock, w, seen, &done)
	if err != nil || whole {
		return done, err
	}
	var raw [][]byte
	for _, file := range []string{path, path + "-wal"} {
		bytes, err := os.ReadFile(file)
		if err != nil && !os.IsNotExist(err) {
			return done, fmt.Errorf("logbook: %w", err)
		}
		raw = append(raw, bytes)
	}
	type loose struct {
		digest string
		line   []byte
	}
	var found []loose
	stands := map[string]bool{} // digests of what was found: whether they are in the file
	for _, bytes := range raw {
		for _, line := range carve(bytes) {
			digest := hexDigest(line)
			if _, again := stands[digest]; seen[digest] || again {
				continue
			}
			stands[digest] = false
			found = append(found, loose{digest, line})
		}
	}
	for _, bytes := range raw {
		findDigests(bytes, stands)
	}
	for _, l := range found {
		if !stands[l.digest] {
			done.Untrue++
			continue
		}
		if _, err := fmt.Fprintf(w, "%s\n", l.line); err != nil {
			return done, err
		}
		done.Carved++
	}
	return done, nil
}

// findDigests marks those of the digests, in hexadecimal, that stand in raw bytes.
func findDigests(raw []byte, stands map[string]bool) {
	const length = 2 * sha256.Size
	run := 0 // of hexadecimal digits
	for i, c := range raw {
		if c >= '0' && c <= '9' || c >= 'a' && c <= 'f' {
			run++
		} else {
			run = 0
		}
		if run < length {
			continue
		}
		if _, sought := stands[string(raw[i+1-length:i+1])]; sought {
			stands[string(raw[i+1-length:i+1])] = true
		}
	}
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
		from = open + int(decoder.InputOffset()) // what is within it is no entry of its own
	}
}

func hexDigest(line []byte) string {
	sum := sha256.Sum256(line)
	return hex.EncodeToString(sum[:])
}
