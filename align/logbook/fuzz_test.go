package logbook

import (
	"bytes"
	"strconv"
	"strings"
	"testing"
)

// careless is a logbook that does not wait for the disk.
func careless(f *testing.F) *Book {
	b := fresh(f)
	if _, err := b.db.Exec(`PRAGMA synchronous = OFF`); err != nil {
		f.Fatal(err)
	}
	return b
}

// FuzzImportLines: whatever is fed in, an accepted file comes out again.
func FuzzImportLines(f *testing.F) {
	f.Add(foreign)
	f.Add(`{"schema":"timeball.adjustment/1","kind":"note","at":"2026-03-14T18:23:07Z"}`)
	b := careless(f)
	n := 0
	f.Fuzz(func(t *testing.T, text string) {
		n++
		clock := strconv.Itoa(n)
		done, err := b.ImportLines(clock, strings.NewReader(text))
		if err != nil || done.Known > 0 || done.Added == 0 {
			return
		}
		entries, err := b.Entries(clock)
		if err != nil {
			t.Fatal(err)
		}
		var got, want strings.Builder
		for _, e := range entries {
			got.Write(append(e.Line, '\n'))
		}
		for line := range strings.SplitSeq(text, "\n") {
			if strings.TrimSpace(line) != "" {
				want.WriteString(line + "\n")
			}
		}
		if got.String() != want.String() {
			t.Errorf("imported %q, exported %q", text, got.String())
		}
		if _, _, err := b.History(clock); err != nil {
			t.Errorf("%q: %v", text, err)
		}
	})
}

// FuzzImportTable: an accepted table, exported, imports as the same again.
func FuzzImportTable(f *testing.F) {
	f.Add("kind,at,offset_s,u_s,stations\nfix,2026-03-14T18:23:07Z,-0.0123,1e-4,wwv chu\n")
	f.Add("row,kind,at,step_s,about,note\n1,step,2026-03-14T18:23:07Z,0.1,,\n2,note,2026-03-14T18:23:08Z,,1,\"a\n\"\"b\"\"\"\n")
	f.Add("at,kind,celsius,whole_seconds,verdict\n2026-03-14T18:23:07.5+01:00,temperature,17.5,,\n,fix,,-2,no-tick\n")
	b := careless(f)
	n := 0
	f.Fuzz(func(t *testing.T, text string) {
		n++
		clock := strconv.Itoa(n)
		if done, err := b.ImportTable(clock, strings.NewReader(text)); err != nil || done.Added == 0 || done.Known > 0 {
			return
		}
		var first, second bytes.Buffer
		if err := b.ExportTable(clock, &first); err != nil {
			t.Fatal(err)
		}
		if _, err := b.ImportTable(clock+" again", bytes.NewReader(first.Bytes())); err != nil {
			t.Fatalf("%q exported as %q: %v", text, first.String(), err)
		}
		if err := b.ExportTable(clock+" again", &second); err != nil {
			t.Fatal(err)
		}
		if plain := func(b *bytes.Buffer) string { return strings.ReplaceAll(b.String(), "\r", "") }; plain(&first) != plain(&second) {
			t.Errorf("%q exported as %q, again as %q", text, first.String(), second.String())
		}
	})
}

// FuzzCarve: what is salvaged from raw bytes stood there, and is an entry.
func FuzzCarve(f *testing.F) {
	f.Add([]byte("\x00\xa5" + foreign + "\xff{\"schema\""))
	f.Add([]byte(strings.Repeat(`{"schema":`, 30)))
	f.Fuzz(func(t *testing.T, raw []byte) {
		for _, line := range carve(raw) {
			e := Entry{Line: line}
			if err := e.parse(); err != nil || !bytes.Contains(raw, line) {
				t.Errorf("carved %q from %q: %v", line, raw, err)
			}
		}
	})
}
