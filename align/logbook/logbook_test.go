package logbook

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"pgregory.net/rapid"

	"timeball/align"
	"timeball/align/rate"
)

// appendForever is set in the environment of the copies of this test program
// that TestKill starts: the logbook to append to until killed.
const appendForever = "TIMEBALL_TEST_APPEND_FOREVER"

func TestMain(m *testing.M) {
	if path := os.Getenv(readLogbook); path != "" {
		b, err := OpenReadOnly(path)
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		for way, err := range readAll(b) {
			if err != nil {
				fmt.Println(way, err)
				os.Exit(1)
			}
		}
		entries, _ := b.Entries("main")
		fmt.Println(len(entries), "entries")
		os.Exit(0)
	}
	if path := os.Getenv(appendForever); path != "" {
		b, err := Open(path)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		for i := 0; ; i++ {
			id, err := b.Append("main", fix(i), Provenance{SHA256: fmt.Sprintf("%d-%d", os.Getpid(), i)})
			if err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
			fmt.Println(id)
		}
	}
	os.Exit(m.Run())
}

func pointer[T any](v T) *T { return &v }

// fix is the i-th of a row of fixes, an hour apart.
func fix(i int) align.Fix {
	return align.Fix{
		Recording: align.Recording{Path: fmt.Sprintf("gannet-%d.wav", i), RateHz: 48000, Seconds: 180},
		Verdict:   align.Found, Offset: pointer(1e-3 + 1e-6*float64(i)), U: pointer(1e-4), DoF: pointer(41.0), Sense: "ahead",
		At:       pointer(time.Date(2026, 3, 14, 18, 23, 7, 0, time.UTC).Add(time.Duration(i) * time.Hour)),
		Budget:   []align.BudgetLine{{Source: "tick average", Type: "A", U: 8e-5, DoF: pointer(41.0)}, {Source: "receiver delay", Type: "B", U: 6e-5}},
		Stations: []align.StationFix{{ID: "wwv", ToneHz: 1000, TicksExpected: 174, TicksUsed: 169}},
	}
}

func open(t testing.TB, path string) *Book {
	t.Helper()
	b, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

func fresh(t testing.TB) *Book { return open(t, filepath.Join(t.TempDir(), "logbook.sqlite")) }

func TestAppendAndHistory(t *testing.T) {
	b := fresh(t)
	p := Provenance{SHA256: "abc", Settings: map[string]string{"station": "wwv"}, Program: "1.0"}
	id, err := b.Append("main", fix(1), p)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Append("main", fix(0), Provenance{SHA256: "def"}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Append("regulator", fix(1), p); err != nil {
		t.Errorf("the same recording for another clock: %v", err)
	}
	silent := fix(2)
	silent.Verdict, silent.Offset, silent.U = align.NoTick, nil, nil
	if _, err := b.Append("main", silent, Provenance{}); err != nil {
		t.Fatal(err)
	}
	fixes, _, err := b.History("main")
	if err != nil {
		t.Fatal(err)
	}
	if len(fixes) != 2 || fixes[1].ID != id || !fixes[0].At.Before(fixes[1].At) {
		t.Fatalf("history: %+v", fixes)
	}
	if f := fixes[1]; f.Offset != 1e-3+1e-6 || f.U != 1e-4 || f.UCommon != 6e-5 || !f.At.Equal(*fix(1).At) {
		t.Errorf("fix: %+v", f)
	}
	entries, err := b.Entries("main")
	if err != nil {
		t.Fatal(err)
	}
	if e := entries[0]; e.Provenance.Settings["station"] != "wwv" || e.Provenance.Program != "1.0" || e.Fix.Budget[1].Source != "receiver delay" {
		t.Errorf("entry: %+v", e)
	}
	if clocks, err := b.Clocks(); err != nil || strings.Join(clocks, " ") != "main regulator" {
		t.Errorf("clocks: %v, %v", clocks, err)
	}
}

func TestSameRecordingIsNoticedUntilWithdrawn(t *testing.T) {
	b := fresh(t)
	first, err := b.Append("main", fix(1), Provenance{SHA256: "abc"})
	if err != nil {
		t.Fatal(err)
	}
	var known *KnownError
	other := fix(1)
	other.U = pointer(5e-5) // measured again with other settings
	if _, err := b.Append("main", other, Provenance{SHA256: "abc"}); !errors.As(err, &known) || known.ID != first || !known.Recording {
		t.Fatalf("second time: %v", err)
	}
	entries, err := b.Entries("main")
	if err != nil {
		t.Fatal(err)
	}
	withdrawal := rate.Adjustment{At: *fix(2).At, Kind: rate.Withdrawn, Entry: entries[0].Digest, Note: "wrong receiver delay"}
	if _, err := b.Adjust("main", withdrawal); err != nil {
		t.Fatal(err)
	}
	if fixes, _, _ := b.History("main"); len(fixes) != 0 {
		t.Errorf("withdrawn fix in the history: %+v", fixes)
	}
	if _, err := b.Append("main", other, Provenance{SHA256: "abc"}); err != nil {
		t.Errorf("after the withdrawal: %v", err)
	}
	// The withdrawal withdrawn: the first fix stands again.
	entries, _ = b.Entries("main")
	if _, err := b.Adjust("main", rate.Adjustment{At: *fix(3).At, Kind: rate.Withdrawn, Entry: entries[1].Digest}); err != nil {
		t.Fatal(err)
	}
	if fixes, adjustments, _ := b.History("main"); len(fixes) != 2 || len(adjustments) != 1 {
		t.Errorf("%d fixes, %d adjustments", len(fixes), len(adjustments))
	}
}

func TestNotes(t *testing.T) {
	b := fresh(t)
	if _, err := b.Append("main", fix(1), Provenance{}); err != nil {
		t.Fatal(err)
	}
	entries, _ := b.Entries("main")
	if _, err := b.Adjust("main", rate.Adjustment{At: *fix(1).At, Kind: rate.Noted, Entry: entries[0].Digest, Note: "lamp room warm"}); err != nil {
		t.Fatal(err)
	}
	entries, _ = b.Entries("main")
	if got := strings.Join(entries[0].Notes, "|"); got != "lamp room warm" {
		t.Errorf("notes %q", got)
	}
}

// foreign are lines as other tools might lay them out: spacing, unknown
// fields, digits that a decoder would shorten, a carriage return.
var foreign = strings.Join([]string{
	`{"schema":"timeball.fix/1","recording":{"path":"a.wav","rate_hz":48000,"seconds":180.0,"gaps":[]},"verdict":"fix","offset_s":-0.0123450000000000,"u_s":8.10e-5,"at":"2026-03-14T18:23:07Z","new_field":{"x":1}}`,
	`{ "schema" : "timeball.fix/1", "verdict":"no-tick", "offset_s":null, "u_s":null, "at":null }`,
	`{"schema":"timeball.adjustment/1","at":"2026-03-15T08:00:00+01:00","kind":"step","step_s":-0.0120}`,
	"{\"schema\":\"timeball.fix/1\",\"verdict\":\"fix\",\"offset_s\":0.5,\"u_s\":1e-6,\"at\":\"2026-03-14T18:23:07.250Z\"}\r",
}, "\n") + "\n"

func TestLinesRoundTripByteForByte(t *testing.T) {
	b := fresh(t)
	done, err := b.ImportLines("main", strings.NewReader(foreign))
	if err != nil || done.Added != 4 {
		t.Fatalf("%+v, %v", done, err)
	}
	var out bytes.Buffer
	if err := b.ExportLines("main", &out); err != nil {
		t.Fatal(err)
	}
	if out.String() != foreign {
		t.Errorf("exported\n%s\nimported\n%s", out.String(), foreign)
	}
	if done, err = b.ImportLines("main", strings.NewReader(foreign)); err != nil || done.Added != 0 || done.Known != 4 {
		t.Errorf("second import: %+v, %v", done, err)
	}
	if fixes, adjustments, err := b.History("main"); err != nil || len(fixes) != 2 || len(adjustments) != 1 {
		t.Errorf("history: %d fixes, %d adjustments, %v", len(fixes), len(adjustments), err)
	}
}

func TestAppendedFixesRoundTripToo(t *testing.T) {
	a, b := fresh(t), fresh(t)
	for i := range 3 {
		if _, err := a.Append("main", fix(i), Provenance{SHA256: strconv.Itoa(i), Program: "1.0"}); err != nil {
			t.Fatal(err)
		}
	}
	var first, second bytes.Buffer
	if err := a.ExportLines("main", &first); err != nil {
		t.Fatal(err)
	}
	if _, err := b.ImportLines("main", bytes.NewReader(first.Bytes())); err != nil {
		t.Fatal(err)
	}
	if err := b.ExportLines("main", &second); err != nil {
		t.Fatal(err)
	}
	if first.String() != second.String() {
		t.Error("lines changed on the way")
	}
	var known *KnownError
	if _, err := b.Append("main", fix(7), Provenance{SHA256: "1"}); !errors.As(err, &known) {
		t.Errorf("recording known from an import was taken again: %v", err)
	}
}

func TestBadImportAddsNothing(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"not JSON":       {foreign + "tick\n", "line 5"},
		"other schema":   {`{"schema":"timeball.fix/2"}`, "timeball.fix/2"},
		"offset too big": {`{"schema":"timeball.fix/1","verdict":"fix","offset_s":0.75,"u_s":1e-6}`, "(-0.5, 0.5]"},
		"no uncertainty": {`{"schema":"timeball.fix/1","verdict":"fix","offset_s":0.1,"u_s":0}`, "positive"},
		"empty step":     {`{"schema":"timeball.adjustment/1","at":"2026-03-14T18:23:07Z","kind":"step"}`, "step_s"},
		"unknown kind":   {`{"schema":"timeball.adjustment/1","at":"2026-03-14T18:23:07Z","kind":"oiled"}`, "oiled"},
		"ancient":        {`{"schema":"timeball.fix/1","verdict":"fix","at":"1066-10-14T09:00:00Z"}`, "out of range"},
	} {
		t.Run(name, func(t *testing.T) {
			b := fresh(t)
			_, err := b.ImportLines("main", strings.NewReader(c.text))
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
			if entries, err := b.Entries("main"); err != nil || len(entries) != 0 {
				t.Errorf("%d entries were added, %v", len(entries), err)
			}
		})
	}
}

func TestTableRoundTrip(t *testing.T) {
	path := t.TempDir()
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		a, err := Open(filepath.Join(path, fmt.Sprintf("a%d", n)))
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		when := rapid.Int64Range(-9e18, 17e17) // to 2023: a table holds what was
		finite := rapid.Float64().Filter(func(v float64) bool { return v-v == 0 })
		text := rapid.StringMatching("[ -~\n\"é]{0,12}")
		for range rapid.IntRange(0, 5).Draw(t, "entries") {
			at := time.Unix(0, when.Draw(t, "at")).UTC()
			if rapid.Bool().Draw(t, "fix") {
				f := align.Fix{Verdict: align.Found, At: &at, Offset: pointer(rapid.Float64Range(-0.4999, 0.5).Draw(t, "offset")),
					U: pointer(rapid.Float64Range(1e-12, 1).Draw(t, "u"))}
				if rapid.Bool().Draw(t, "common") {
					f.Budget = []align.BudgetLine{{Source: "receiver delay", U: rapid.Float64Range(1e-12, 1).Draw(t, "delay")},
						{Source: "skew", U: rapid.Float64Range(1e-12, 1e-3).Draw(t, "skew")}, {Source: "tick average", U: 1e-5}}
					f.Stations = []align.StationFix{{ID: "wwv"}, {ID: "chu"}}
				}
				if rapid.Bool().Draw(t, "whole") {
					f.WholeSeconds = pointer(rapid.Int().Draw(t, "seconds"))
				}
				_, err = a.Append("main", f, Provenance{})
			} else {
				_, err = a.Adjust("main", rate.Adjustment{At: at, Kind: rate.StepMade, Step: pointer(finite.Draw(t, "step")), Note: text.Draw(t, "note")})
			}
			var known *KnownError
			if err != nil && !errors.As(err, &known) {
				t.Fatal(err)
			}
		}
		if entries, _ := a.Entries("main"); len(entries) > 0 {
			_, err := a.Adjust("main", rate.Adjustment{At: time.Unix(0, 0), Kind: rate.Noted, Entry: entries[0].Digest, Note: "first"})
			if err != nil {
				t.Fatal(err)
			}
		}
		var first, second bytes.Buffer
		if err := a.ExportTable("main", &first); err != nil {
			t.Fatal(err)
		}
		if done, err := a.ImportTable("copy", bytes.NewReader(first.Bytes())); err != nil || done.Known > 0 {
			t.Fatalf("%+v, %v", done, err)
		}
		if err := a.ExportTable("copy", &second); err != nil {
			t.Fatal(err)
		}
		if strings.ReplaceAll(first.String(), "\r", "") != strings.ReplaceAll(second.String(), "\r", "") {
			t.Fatalf("exported\n%s\nagain\n%s", first.String(), second.String())
		}
		// The analysis cannot tell the copy from the original.
		fixes, _, err := a.History("main")
		if err != nil {
			t.Fatal(err)
		}
		copied, _, err := a.History("copy")
		if err != nil || len(copied) != len(fixes) {
			t.Fatalf("%d fixes of %d, %v", len(copied), len(fixes), err)
		}
		for i := range fixes {
			if copied[i].ID = fixes[i].ID; !reflect.DeepEqual(copied[i], fixes[i]) {
				t.Fatalf("fix %+v, copied %+v", fixes[i], copied[i])
			}
		}
	})
}

func TestBadTable(t *testing.T) {
	for text, says := range map[string]string{
		"":                              "no header",
		"at,offset_s\n":                 `"kind"`,
		"kind,at,colour\n":              "colour",
		"kind,at,offset_s\nfix,today,0": "line 2: column at",
		"kind,at,offset_s\nfix,,zero":   "not a number",
		"kind,at,step_s\nstep,,0.1":     "needs a time",
		"kind,at,about\nnote,2026-03-14T18:23:07Z,9": "earlier row",
	} {
		b := fresh(t)
		if _, err := b.ImportTable("main", strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: error %v, want one that says %q", text, err, says)
		}
	}
}

// TestKill: a program that is killed without warning while it appends loses no
// entry whose number it had printed.
func TestKill(t *testing.T) {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	acknowledged := map[int64]bool{}
	for round := range 12 {
		ctx, cancel := context.WithCancel(context.Background())
		cmd := exec.CommandContext(ctx, program, "-test.run=^$")
		cmd.Env = append(os.Environ(), appendForever+"="+path)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		in := bufio.NewScanner(out)
		for n := 0; in.Scan(); n++ {
			id, err := strconv.ParseInt(in.Text(), 10, 64)
			if err != nil {
				break // cut off by the kill
			}
			acknowledged[id] = true
			if n == 3+5*round {
				cancel() // SIGKILL
			}
		}
		cmd.Wait()
		cancel()
		b, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		var verdict string
		if err := b.db.QueryRow(`PRAGMA integrity_check`).Scan(&verdict); err != nil || verdict != "ok" {
			t.Fatalf("round %d: integrity %q, %v", round, verdict, err)
		}
		entries, err := b.Entries("main")
		if err != nil {
			t.Fatal(err)
		}
		held := map[int64]bool{}
		for _, e := range entries {
			held[e.ID] = true
		}
		for id := range acknowledged {
			if !held[id] {
				t.Fatalf("round %d: entry %d was acknowledged and is gone", round, id)
			}
		}
		b.Close()
	}
	if len(acknowledged) < 100 {
		t.Fatalf("only %d entries were written", len(acknowledged))
	}
	t.Logf("%d acknowledged entries survived 12 kills", len(acknowledged))
}

// TestConcurrentWriters: several handles, as several programs would have, add
// to one logbook at a time; every entry arrives and numbers are unique.
func TestConcurrentWriters(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	const writers, each = 4, 50
	var wg sync.WaitGroup
	ids := make(chan int64, writers*each)
	for w := range writers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			b, err := Open(path) // also the making and migrating of the file is contended
			if err != nil {
				t.Error(err)
				return
			}
			defer b.Close()
			for i := range each {
				id, err := b.Append("main", fix(i), Provenance{SHA256: fmt.Sprintf("%d/%d", w, i)})
				if err != nil {
					t.Error(err)
					return
				}
				ids <- id
			}
		}()
	}
	wg.Wait()
	close(ids)
	seen := map[int64]bool{}
	for id := range ids {
		seen[id] = true
	}
	entries, err := open(t, path).Entries("main")
	if err != nil || len(entries) != writers*each || len(seen) != writers*each {
		t.Errorf("%d entries, %d numbers, %v; want %d", len(entries), len(seen), err, writers*each)
	}
}

// TestFullDisk on a tmpfs of 256 KiB where it may be mounted, else with
// SQLite's own limit on the file's size, which reports the same code.
func TestFullDisk(t *testing.T) {
	fill := func(t *testing.T, b *Book) {
		var err error
		n := 0
		for ; n < 10000; n++ {
			if _, err = b.Append("main", fix(n), Provenance{SHA256: strconv.Itoa(n)}); err != nil {
				break
			}
		}
		if !errors.Is(err, ErrFull) {
			t.Fatalf("after %d entries: %v, want ErrFull", n, err)
		}
		if entries, err := b.Entries("main"); err != nil || len(entries) != n {
			t.Errorf("%d entries, %v; %d had been acknowledged", len(entries), err, n)
		}
	}
	t.Run("limit", func(t *testing.T) {
		b := fresh(t)
		if _, err := b.db.Exec(`PRAGMA max_page_count = 40`); err != nil {
			t.Fatal(err)
		}
		fill(t, b)
	})
	t.Run("tmpfs", func(t *testing.T) {
		dir := t.TempDir()
		if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=256k"); err != nil {
			t.Skip("cannot mount a tmpfs: ", err)
		}
		defer syscall.Unmount(dir, 0)
		b, err := Open(filepath.Join(dir, "logbook.sqlite"))
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		fill(t, b)
	})
	// Where there is no room even for the locks beside the file, it is read all the same.
	for name, killed := range map[string]bool{"not a byte left": false, "not a byte left, after a kill": true} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=512k"); err != nil {
				t.Skip("cannot mount a tmpfs: ", err)
			}
			defer syscall.Unmount(dir, 0)
			made, path := filepath.Join(t.TempDir(), "logbook.sqlite"), filepath.Join(dir, "logbook.sqlite")
			closed(t, made)
			parts, want := []string{""}, 3
			if killed { // the log is left
				b := open(t, made)
				if _, err := b.Append("main", fix(1), Provenance{SHA256: "def"}); err != nil {
					t.Fatal(err)
				}
				parts, want = append(parts, "-wal"), 4
			}
			for _, part := range parts {
				content, err := os.ReadFile(made + part)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path+part, content, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.WriteFile(filepath.Join(dir, "rest"), make([]byte, 1<<20), 0o600); !errors.Is(err, syscall.ENOSPC) {
				t.Fatal(err)
			}
			b, err := OpenReadOnly(path)
			if err != nil {
				t.Fatal(err)
			}
			for way, err := range readAll(b) {
				if err != nil {
					t.Errorf("%s: %v", way, err)
				}
			}
			if entries, err := b.Entries("main"); err != nil || len(entries) != want {
				t.Errorf("%d entries, want %d, %v", len(entries), want, err)
			}
			b.Close()
			if killed {
				return // the log is folded into the file, which leaves room
			}
			if b, err := Open(path); !errors.Is(err, ErrFull) {
				t.Errorf("writing: %v, want ErrFull", err)
				if err == nil {
					b.Close()
				}
			}
		})
	}
}

// TestDamage: a file cut short, and one with a page overwritten, are reported,
// and most entries are saved unchanged.
func TestDamage(t *testing.T) {
	const n = 400
	make := func(t *testing.T) (path string, lines map[string]bool) {
		path = filepath.Join(t.TempDir(), "logbook.sqlite")
		b, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		lines = map[string]bool{}
		for i := range n {
			if _, err := b.Append("main", fix(i), Provenance{SHA256: strconv.Itoa(i)}); err != nil {
				t.Fatal(err)
			}
		}
		entries, err := b.Entries("main")
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			lines[string(e.Line)] = true
		}
		if err := b.Close(); err != nil { // the last to close folds the log into the file
			t.Fatal(err)
		}
		return path, lines
	}
	for name, c := range map[string]struct {
		damage func(raw []byte) []byte
		least  float64 // share of the entries that must be saved
	}{
		"cut at 60 %":      {func(raw []byte) []byte { return raw[:len(raw)*6/10] }, 0.4},
		"cut inside page":  {func(raw []byte) []byte { return raw[:len(raw)/2+1234] }, 0.3},
		"a page destroyed": {func(raw []byte) []byte { copy(raw[len(raw)/2:], bytes.Repeat([]byte{0xa5}, 8192)); return raw }, 0.9},
		"a digit changed": {func(raw []byte) []byte {
			at := bytes.LastIndex(raw, []byte(`"offset_s":0.`)) + len(`"offset_s":0.`)
			raw[at] = '0' + (raw[at]-'0'+1)%10
			return raw
		}, 0.99},
		"header destroyed": {func(raw []byte) []byte { copy(raw, bytes.Repeat([]byte{0xa5}, 100)); return raw }, 0.9},
	} {
		t.Run(name, func(t *testing.T) {
			path, lines := make(t)
			raw, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, c.damage(raw), 0o600); err != nil {
				t.Fatal(err)
			}
			b, err := Open(path)
			if err == nil {
				_, err = b.Entries("main")
				b.Close()
			}
			if !errors.Is(err, ErrDamaged) {
				t.Errorf("reading: %v, want ErrDamaged", err)
			}
			var out bytes.Buffer
			done, err := Salvage(path, "main", &out)
			if err != nil {
				t.Fatal(err)
			}
			saved := 0
			for line := range strings.SplitSeq(strings.TrimSuffix(out.String(), "\n"), "\n") {
				if !lines[line] {
					t.Fatalf("salvaged a line that was never logged: %s", line)
				}
				saved++
			}
			t.Logf("%+v of %d", done, n)
			if saved != done.Read+done.Carved || float64(saved) < c.least*n || name == "a digit changed" && (done.Untrue != 1 || done.Whole()) {
				t.Errorf("saved %d of %d, counted %+v", saved, n, done)
			}
		})
	}
	t.Run("none", func(t *testing.T) {
		path, lines := make(t)
		var out bytes.Buffer
		done, err := Salvage(path, "main", &out)
		if err != nil || done != (Salvaged{Read: len(lines)}) {
			t.Errorf("%+v, %v", done, err)
		}
	})
}

func TestSchemaVersions(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	b := open(t, path)
	if _, err := b.Append("main", fix(1), Provenance{}); err != nil {
		t.Fatal(err)
	}
	// The next release's schema: entries stay.
	if err := b.migrate(append(append([]string{}, migrations...), `ALTER TABLE clock ADD COLUMN maker TEXT`)); err != nil {
		t.Fatal(err)
	}
	if entries, err := b.Entries("main"); err != nil || len(entries) != 1 {
		t.Fatalf("%d entries, %v", len(entries), err)
	}
	b.Close()
	if _, err := Open(path); err == nil || !strings.Contains(err.Error(), "newer program") {
		t.Errorf("a newer schema: %v", err)
	}
}

func TestMigrationIsAllOrNothing(t *testing.T) {
	b := fresh(t)
	if err := b.migrate(append(append([]string{}, migrations...), `CREATE TABLE extra (id INTEGER)`, `CREATE TABLE clock (id INTEGER)`)); err == nil {
		t.Fatal("made a table twice")
	}
	if _, err := b.db.Exec(`SELECT * FROM extra`); err == nil {
		t.Error("half a migration stayed")
	}
	if _, err := b.Append("main", fix(1), Provenance{}); err != nil {
		t.Error(err)
	}
}

func TestDefaultPath(t *testing.T) {
	t.Setenv("HOME", "/home/keeper")
	for data, want := range map[string]string{
		"/srv/data": "/srv/data/timeball/logbook.sqlite",
		"":          "/home/keeper/.local/share/timeball/logbook.sqlite",
		"relative":  "/home/keeper/.local/share/timeball/logbook.sqlite", // XDG Base Directory Specification
	} {
		t.Setenv("XDG_DATA_HOME", data)
		if got, err := DefaultPath(); err != nil || got != want {
			t.Errorf("XDG_DATA_HOME=%q: %q, %v; want %q", data, got, err, want)
		}
	}
}

func TestNumberReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64().Filter(func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }).Draw(t, "v")
		if got, err := strconv.ParseFloat(number(&v), 64); err != nil || got != v {
			t.Fatalf("%v -> %v, %v", v, got, err)
		}
	})
}

func BenchmarkAppend(b *testing.B) {
	book := fresh(b)
	for i := 0; b.Loop(); i++ {
		if _, err := book.Append("main", fix(i), Provenance{SHA256: strconv.Itoa(i)}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "fixes/s")
}

// A logbook of the first schema learns its fixes' stations from their lines.
func TestStationsOfOldFixes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	b := open(t, path)
	two := fix(1)
	two.Stations = append(two.Stations, align.StationFix{ID: "chu"})
	for _, f := range []align.Fix{fix(0), two} {
		if _, err := b.Append("main", f, Provenance{}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.db.Exec(`ALTER TABLE fix DROP COLUMN digest; ALTER TABLE fix DROP COLUMN stations; PRAGMA user_version = 1`); err != nil {
		t.Fatal(err)
	}
	b.Close()
	fixes, _, err := open(t, path).History("main")
	if err != nil || len(fixes) != 2 || fixes[0].Stations != "wwv" || fixes[1].Stations != "wwv chu" {
		t.Errorf("%+v, %v", fixes, err)
	}
}
