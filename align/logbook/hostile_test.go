package logbook

import (
	"bytes"
	"database/sql"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"timeball/align/rate"
)

// closed makes a logbook of a fix and two adjustments and closes it, so that
// all of it is in the one file.
func closed(t testing.TB, path string) {
	t.Helper()
	b, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Append("main", fix(0), Provenance{SHA256: "abc"}); err != nil {
		t.Fatal(err)
	}
	step := rate.Adjustment{At: *fix(0).At, Kind: rate.StepMade, Step: pointer(-0.0123)}
	trim := rate.Adjustment{At: *fix(1).At, Kind: rate.Trimmed, Trim: pointer(3e-10)}
	if _, err := b.Adjust("main", step, trim); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
}

// readAll reads a logbook in every way there is.
func readAll(b *Book) map[string]error {
	_, entries := b.Entries("main")
	_, _, history := b.History("main")
	return map[string]error{
		"entries": entries, "history": history,
		"lines": b.ExportLines("main", io.Discard), "table": b.ExportTable("main", io.Discard),
	}
}

// TestRottenValue: one value changed behind the logbook's back, which SQLite
// takes for sound, is never given out by whoever reads it.
func TestRottenValue(t *testing.T) {
	for change, noticed := range map[string][]string{
		`UPDATE entry SET line = replace(line, '0.001', '0.182') WHERE kind = 'fix'`:                           {"entries", "lines", "table"},
		`UPDATE entry SET line = replace(line, '-0.0123', '-0.9123') WHERE CAST(line AS TEXT) LIKE '%step_s%'`: {"entries", "history", "lines", "table"},
		`UPDATE fix SET offset_s = 0.182`:         {"history"},
		`UPDATE fix SET u_s = u_s * 1.0000001`:    {"history"},
		`UPDATE fix SET at_ns = at_ns + 1`:        {"history"},
		`UPDATE fix SET stations = 'chu'`:         {"history"},
		`UPDATE fix SET whole_s = 1`:              {"history"},
		`UPDATE fix SET common_s = 0`:             {"history"},
		`UPDATE fix SET digest = zeroblob(32)`:    {"history"},
		`UPDATE entry SET digest = upper(digest)`: {"entries", "history", "lines", "table"},
	} {
		path := filepath.Join(t.TempDir(), "logbook.sqlite")
		closed(t, path)
		b := open(t, path)
		result, err := b.db.Exec(change)
		if err != nil {
			t.Fatal(err)
		}
		if n, _ := result.RowsAffected(); n == 0 {
			t.Fatalf("%s changed nothing", change)
		}
		got := readAll(b)
		for _, way := range noticed {
			if !errors.Is(got[way], ErrDamaged) {
				t.Errorf("%s: %s: %v, want ErrDamaged", change, way, got[way])
			}
			delete(got, way)
		}
		for way, err := range got {
			if err != nil {
				t.Errorf("%s: %s: %v", change, way, err)
			}
		}
	}
}

// TestRottenByte flips every fifth byte in use in turn, all with TIMEBALL_FAULTS=all:
// nothing that was not logged comes out, and what cannot be read does not pass for
// an empty book when it is exported.
func TestRottenByte(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	closed(t, path)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var sound bytes.Buffer
	if err := open(t, path).ExportLines("main", &sound); err != nil {
		t.Fatal(err)
	}
	rotten := filepath.Join(t.TempDir(), "rotten.sqlite")
	step := 5 // odd: each bit comes up
	if os.Getenv("TIMEBALL_FAULTS") == "all" {
		step = 1
	}
	used, tried, refused := 0, 0, 0
	for at := range whole {
		if whole[at] == 0 { // room not in use
			continue
		}
		if used++; used%step != 0 {
			continue
		}
		tried++
		raw := bytes.Clone(whole)
		raw[at] ^= 1 << (at % 8)
		if err := os.WriteFile(rotten, raw, 0o600); err != nil {
			t.Fatal(err)
		}
		b, err := OpenReadOnly(rotten)
		if err != nil {
			refused++
			continue
		}
		var out bytes.Buffer
		if err := b.ExportLines("main", &out); err != nil {
			refused++
		} else if out.Len() > 0 && out.String() != sound.String() {
			t.Errorf("byte %d: exported without an error:\n%s", at, out.String())
		}
		fixes, _, err := b.History("main")
		if err == nil && len(fixes) > 0 && (fixes[0].Offset != *fix(0).Offset || fixes[0].U != *fix(0).U || !fixes[0].At.Equal(*fix(0).At)) {
			t.Errorf("byte %d: history %+v", at, fixes[0])
		}
		b.Close()
	}
	t.Logf("%d bytes flipped one by one, %d refused, the others did not matter", tried, refused)
}

// TestForeignDatabase: a database of another program is refused and not one
// byte of it changes.
func TestForeignDatabase(t *testing.T) {
	for name, make := range map[string]string{
		"another's":         `CREATE TABLE entry (id INTEGER); INSERT INTO entry VALUES (41)`,
		"with a version":    `CREATE TABLE moth (id INTEGER); PRAGMA user_version = 2`,
		"negative version":  `CREATE TABLE clock (id INTEGER); CREATE TABLE entry (id INTEGER); CREATE TABLE fix (id INTEGER); PRAGMA user_version = -3`,
		"negative and none": `PRAGMA user_version = -1`,
	} {
		path := filepath.Join(t.TempDir(), "lamp.sqlite")
		db, err := sql.Open("sqlite", path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.Exec(make); err != nil {
			t.Fatal(err)
		}
		db.Close()
		before, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for way, open := range map[string]func(string) (*Book, error){"open": Open, "read only": OpenReadOnly} {
			if _, err := open(path); !errors.Is(err, ErrForeign) {
				t.Errorf("%s, %s: %v, want ErrForeign", name, way, err)
			}
		}
		if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
			t.Errorf("%s: the file was changed, %v", name, err)
		}
	}
}

// readLogbook is set in the environment of the copies of this test program that
// TestReadOnly starts: the logbook to read.
const readLogbook = "TIMEBALL_TEST_READ"

// TestReadOnly: a logbook that may not be written, in a folder that may not
// either, is read all the same, by somebody who is not its owner.
func TestReadOnly(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "logbook.sqlite")
	closed(t, path)
	program := filepath.Join(folder, "read")
	raw, err := os.ReadFile("/proc/self/exe")
	if err == nil {
		err = os.WriteFile(program, raw, 0o555)
	}
	if err != nil {
		t.Skip(err)
	}
	os.Chmod(path, 0o444)
	os.Chmod(filepath.Dir(folder), 0o755) // of this test
	os.Chmod(folder, 0o555)
	defer os.Chmod(folder, 0o755)
	cmd := exec.Command(program)
	cmd.Env = []string{readLogbook + "=" + path}
	if os.Getuid() == 0 {
		const nobody = 65534
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	}
	out, err := cmd.CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != "3 entries" {
		t.Errorf("%s, %v", out, err)
	}
	if names, _ := filepath.Glob(path + "*"); len(names) != 1 {
		t.Errorf("left beside it: %v", names)
	}
}

// A reader sees what a writer has committed and not yet folded into the file,
// and does not make a logbook where there is none.
func TestReadOnlyBesideWriter(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	if _, err := OpenReadOnly(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no logbook: %v", err)
	}
	w := open(t, path)
	if _, err := w.Append("main", fix(0), Provenance{}); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if entries, err := r.Entries("main"); err != nil || len(entries) != 1 {
		t.Errorf("%d entries, %v", len(entries), err)
	}
	if _, err := r.Append("main", fix(1), Provenance{}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("writing through a reader: %v", err)
	}
}

// A reader brings an older schema up to date, and is a reader still.
func TestReadOnlyOfOlderSchema(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	closed(t, path)
	b := open(t, path)
	if _, err := b.db.Exec(`ALTER TABLE fix DROP COLUMN digest; PRAGMA user_version = 2`); err != nil {
		t.Fatal(err)
	}
	b.Close()
	r, err := OpenReadOnly(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for way, err := range readAll(r) {
		if err != nil {
			t.Errorf("%s: %v", way, err)
		}
	}
	if _, err := r.Append("main", fix(1), Provenance{}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("writing through a reader: %v", err)
	}
}

// TestAdjustIsAllOrNone: of several adjustments the last is not one, or is
// known already: none is kept.
func TestAdjustIsAllOrNone(t *testing.T) {
	b := fresh(t)
	step := rate.Adjustment{At: *fix(0).At, Kind: rate.StepMade, Step: pointer(-0.0123)}
	if _, err := b.Adjust("main", step, rate.Adjustment{At: *fix(0).At, Kind: rate.Temperature}); err == nil {
		t.Fatal("a temperature without one was taken")
	}
	note := rate.Adjustment{At: *fix(0).At, Kind: rate.Noted, Note: "oiled"}
	if _, err := b.Adjust("main", note); err != nil {
		t.Fatal(err)
	}
	var known *KnownError
	if _, err := b.Adjust("main", step, note); !errors.As(err, &known) {
		t.Errorf("the same note again: %v", err)
	}
	if entries, err := b.Entries("main"); err != nil || len(entries) != 1 {
		t.Errorf("%d entries, %v; want the note alone", len(entries), err)
	}
	if ids, err := b.Adjust("main", step, rate.Adjustment{At: *fix(0).At, Kind: rate.Stopped}); err != nil || len(ids) != 2 || ids[1] != ids[0]+1 {
		t.Errorf("entries %v, %v", ids, err)
	}
}
