package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// book runs commands on a logbook of its own.
type book struct {
	t    *testing.T
	path string
}

func newBook(t *testing.T) book { return book{t, filepath.Join(t.TempDir(), "logbook.sqlite")} }

// run runs a command on the logbook, with stdin, and wants the given status.
func (b book) run(status int, stdin string, args ...string) (stdout, stderr string) {
	b.t.Helper()
	var out, errs bytes.Buffer
	args = append(args[:1:1], append([]string{"--logbook", b.path}, args[1:]...)...)
	if got := run(context.Background(), args, strings.NewReader(stdin), &out, &errs); got != status {
		b.t.Fatalf("%v: status %d, want %d\n%s%s", args, got, status, out.String(), errs.String())
	}
	return out.String(), errs.String()
}

const fixLines = `{"schema":"timeball.fix/1","recording":{"path":"gannet-1.wav","rate_hz":48000,"seconds":180.0,"gaps":[]},"verdict":"fix","offset_s":-0.0123450,"u_s":8.1e-5,"at":"2026-03-14T18:23:07Z","stations":[{"id":"wwv"}]}
{"schema":"timeball.fix/1","recording":{"path":"gannet-2.wav"},"verdict":"no-tick","reason":"no station was heard","offset_s":null,"u_s":null,"at":"2026-03-15T18:23:07Z"}
`

func TestLogRoundTrip(t *testing.T) {
	b := newBook(t)
	if out, _ := b.run(exitOK, fixLines, "log", "import", "-"); out != "-: 2 entries imported\n" {
		t.Errorf("import: %q", out)
	}
	if out, _ := b.run(exitOK, fixLines, "log", "import", "-"); out != "-: 0 entries imported, 2 were in the logbook already\n" {
		t.Errorf("second import: %q", out)
	}
	if out, _ := b.run(exitOK, "", "log", "export"); out != fixLines {
		t.Errorf("export:\n%s", out)
	}
	table := filepath.Join(t.TempDir(), "log.csv")
	b.run(exitOK, "", "log", "export", table)
	b.run(exitOK, "", "log", "import", "--clock", "copy", table)
	again, _ := b.run(exitOK, "", "log", "export", "--clock", "copy", "--csv")
	if first, err := os.ReadFile(table); err != nil || string(first) != again {
		t.Errorf("CSV:\n%s\nagain:\n%s%v", first, again, err)
	}
}

func TestLogByHand(t *testing.T) {
	b := newBook(t)
	b.run(exitOK, fixLines, "log", "import", "-")
	b.run(exitOK, "", "log", "adjust", "--retard", "12ms±0.196ms", "--lower", "3e-10", "--anticlockwise", "1.5", "--celsius", "17.5", "--time", "2026-03-14T19:00:00Z")
	b.run(exitOK, "", "log", "adjust", "--advance", "1.5s", "--raise", "2e-9±1.96e-10", "--time", "2026-03-15T19:00:00Z")
	b.run(exitOK, "", "log", "adjust", "--restarted", "--moved", "--note", "to the lamp room", "--time", "2026-03-16T19:00:00Z")
	b.run(exitOK, "", "log", "dial", "--time", "2026-03-16T19:00:00Z", "--", "-2.5e-10")
	b.run(exitOK, "", "log", "note", "fog signal was on", "--entry", "1", "--time", "2026-03-16T19:00:00Z")
	b.run(exitOK, "", "log", "withdraw", "2", "receiver was off", "--time", "2026-03-16T19:00:00Z")
	out, _ := b.run(exitOK, "", "log", "export")
	for _, want := range []string{
		`"at":"2026-03-14T19:00:00Z","kind":"step","step_s":-0.012,"u":0.0001}`,
		`"kind":"trim","trim_y":-3e-10,"divisions":-1.5}`,
		`"kind":"temperature","celsius":17.5}`,
		`"kind":"step","step_s":1.5}`,
		`"kind":"trim","trim_y":2e-9,"u":1e-10}`,
		`"kind":"stop","note":"to the lamp room"}`,
		`"kind":"move","note":"to the lamp room"}`,
		`"kind":"dial","trim_y":-2.5e-10}`,
	} {
		if !strings.Contains(out, want) {
			t.Errorf("export lacks %s:\n%s", want, out)
		}
	}
	list, _ := b.run(exitOK, "", "log", "list")
	for _, want := range []string{"-12.35 ± 0.16 ms", "note: fog signal was on", "withdrawn by entry 12", "retarded by 12.00 ± 0.20 ms", "1.5 divisions anticlockwise", "17.5 °C"} {
		if !strings.Contains(list, want) {
			t.Errorf("list lacks %q:\n%s", want, list)
		}
	}
	list, _ = b.run(exitOK, "", "log", "list", "--kind", "fix", "--until", "2026-03-15T00:00:00Z", "--json")
	if list != fixLines[:strings.Index(fixLines, "\n")+1] {
		t.Errorf("filtered: %s", list)
	}
	if show, _ := b.run(exitOK, "", "log", "show", "1"); !strings.Contains(show, "gannet-1.wav") || !strings.Contains(show, "fog signal") {
		t.Errorf("show: %s", show)
	}
}

func TestLogMistakes(t *testing.T) {
	for _, c := range []struct {
		status int
		says   string
		args   []string
	}{
		{exitUsage, "say what was done", []string{"log", "adjust"}},
		{exitUsage, "12ms", []string{"log", "adjust", "--retard=-3ms"}},
		{exitUsage, "opposite flag", []string{"log", "adjust", "--raise=-3e-10"}},
		{exitUsage, "3e-10", []string{"log", "adjust", "--raise", "a little"}},
		{exitUsage, "retard", []string{"log", "adjust", "--retard", "1ms", "--advance", "1ms"}},
		{exitUsage, "temperature", []string{"log", "adjust", "--celsius", "nan"}},
		{exitUsage, "between -90 and 100", []string{"log", "adjust", "--celsius", "101"}},
		{exitUsage, "divisions", []string{"log", "adjust", "--clockwise", "nan"}},
		{exitUsage, "divisions", []string{"log", "adjust", "--anticlockwise", "+inf"}},
		{exitUsage, "divisions", []string{"log", "adjust", "--clockwise", "1.1e6"}},
		{exitUsage, "would do nothing", []string{"log", "dial", "0"}},
		{exitUsage, "between -0.001 and 0.001", []string{"log", "dial", "0.0011"}},
		{exitUsage, "there are fix, step, trim", []string{"log", "list", "--kind", "bogus"}},
		{exitFailed, "there is no logbook", []string{"log", "note", "text", "--entry", "7"}},
		{exitFailed, "there is no logbook", []string{"log", "list"}},
		{exitFailed, "there is no logbook", []string{"log", "withdraw", "7", "mistyped"}},
		{exitUsage, "2026-03-14 for the beginning of a day", []string{"log", "list", "--since", "yesterday"}},
		{exitUsage, "is no time: give it as 2026-03-14T18:20:07Z (see timeball log adjust --help)", []string{"log", "adjust", "--retard", "1ms", "--time", "2026-03-14"}},
		{exitFailed, "this is no logbook", []string{"log", "list", "--logbook", demoFile}},
		{exitFailed, "nowhere.jsonl", []string{"log", "import", "nowhere.jsonl"}},
	} {
		b := newBook(t)
		if _, errs := b.run(c.status, "", c.args...); !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: %q, want one line that says %q", c.args, errs, c.says)
		}
		if _, err := os.Stat(b.path); err == nil && c.args[1] != "import" {
			t.Errorf("%v: a logbook was made", c.args)
		}
	}
}

func TestDamagedLogbookIsReportedAndSalvaged(t *testing.T) {
	b := newBook(t)
	b.run(exitOK, fixLines, "log", "import", "-")
	raw, err := os.ReadFile(b.path)
	if err != nil {
		t.Fatal(err)
	}
	copy(raw, strings.Repeat("x", 100))
	if err := os.WriteFile(b.path, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, errs := b.run(exitFailed, "", "log", "list"); !strings.Contains(errs, "--salvage") {
		t.Errorf("list: %s", errs)
	}
	if out, errs := b.run(exitOK, "", "log", "export", "--salvage"); len(out) != len(fixLines) || !strings.Contains(errs, "2 entries found loose") {
		t.Errorf("salvage: %s%s", out, errs)
	}
}

// A backup that cannot be made anew is not lost: not to a mistyped clock, not
// to a damaged logbook, not to a salvage that finds nothing.
func TestExportKeepsLastBackup(t *testing.T) {
	b := newBook(t)
	b.run(exitOK, fixLines, "log", "import", "-")
	backup := filepath.Join(t.TempDir(), "backup.jsonl")
	b.run(exitOK, "", "log", "export", backup)
	kept := func(after string) {
		t.Helper()
		if got, err := os.ReadFile(backup); err != nil || string(got) != fixLines {
			t.Errorf("the backup after %s: %q, %v", after, got, err)
		}
		if names, _ := filepath.Glob(backup + "*"); len(names) != 1 {
			t.Errorf("left behind after %s: %v", after, names)
		}
	}
	if _, stderr := b.run(exitFailed, "", "log", "export", backup); !strings.Contains(stderr, "backup.jsonl exists: --yes writes over it") {
		t.Error(stderr)
	}
	kept("no leave to overwrite it")
	if _, stderr := b.run(exitFailed, "", "log", "export", "--yes", "--clock", "mian", backup); !strings.Contains(stderr, `no entries of a clock "mian"; it has: main`) {
		t.Error(stderr)
	}
	kept("a mistyped clock")
	if _, stderr := (book{t, b.path + ".other"}).run(exitFailed, "", "log", "export", "--yes", backup); !strings.Contains(stderr, "there is no logbook ") {
		t.Error(stderr)
	}
	kept("a logbook that is not there")
	b.run(exitOK, "", "log", "export", "--yes", backup)
	kept("another backup")
	noise := book{t, filepath.Join(t.TempDir(), "noise")}
	if err := os.WriteFile(noise.path, bytes.Repeat([]byte{0xa5}, 1<<15), 0o600); err != nil {
		t.Fatal(err)
	}
	noise.run(exitFailed, "", "log", "export", "--yes", "--salvage", backup)
	kept("a salvage of nothing")

	raw, err := os.ReadFile(b.path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.LastIndex(raw, []byte("-0.0123450"))
	raw[at+3]++ // 1 ms: -0.1123450
	if err := os.WriteFile(b.path, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, way := range [][]string{{"log", "export", "--yes", backup}, {"log", "export", "--yes", "--csv", backup}, {"log", "list"}, {"log", "show", "1"}} {
		if out, stderr := b.run(exitFailed, "", way...); !strings.Contains(stderr, "entry 1") || !strings.Contains(stderr, "damaged") || out != "" {
			t.Errorf("%v of a rotten logbook: %q, %s", way, out, stderr)
		}
		kept(way[1])
	}
	// What the digest refutes is not salvaged, and that is said.
	saved := filepath.Join(t.TempDir(), "saved.jsonl")
	_, stderr := b.run(exitFailed, "", "log", "export", "--salvage", saved)
	if got, err := os.ReadFile(saved); err != nil || string(got) != strings.SplitAfter(fixLines, "\n")[1] || !strings.Contains(stderr, "1 entries left out: they are not what was logged") {
		t.Errorf("salvaged %q, %v: %s", got, err, stderr)
	}
}

func TestExportRefusesLogbookItself(t *testing.T) {
	b := newBook(t)
	b.run(exitOK, fixLines, "log", "import", "-")
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(b.path, link); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(b.path)
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{b.path, link} {
		for _, flag := range []string{"--csv=false", "--salvage"} {
			if _, stderr := b.run(exitUsage, "", "log", "export", flag, file); !strings.Contains(stderr, "is the logbook itself") {
				t.Error(stderr)
			}
		}
	}
	if after, err := os.ReadFile(b.path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the logbook was changed, %v", err)
	}
}

// Several things adjusted at once are logged together or not at all.
func TestAdjustTogether(t *testing.T) {
	b := newBook(t)
	at := []string{"--time", "2026-03-14T19:00:00Z"}
	b.run(exitOK, "", append([]string{"log", "adjust", "--celsius", "17.5"}, at...)...)
	_, stderr := b.run(exitFailed, "", append([]string{"log", "adjust", "--retard", "12ms", "--celsius", "17.5"}, at...)...)
	if !strings.Contains(stderr, "in the logbook already as entry 1") {
		t.Error(stderr)
	}
	if out, _ := b.run(exitOK, "", "log", "export"); strings.Count(out, "\n") != 1 {
		t.Errorf("half of it was logged:\n%s", out)
	}
}

// A spreadsheet's mark at the beginning does no harm; what cannot be is refused, with
// its line.
func TestImportTablePlausible(t *testing.T) {
	const header = "kind,at,offset_s,u_s,u_common_s,dof,celsius,trim_y\n"
	b := newBook(t)
	b.run(exitOK, "\ufeff"+header+"fix,2026-03-14T18:23:07Z,-0.01,1e-4,5e-5,12,,\ntemperature,2026-03-14T18:23:07Z,,,,,100,\n", "log", "import", "--csv", "-")
	for _, c := range []struct{ row, says string }{
		{"fix," + time.Now().AddDate(0, 0, 2).UTC().Format(time.RFC3339) + ",-0.01,1e-4,,,,", "in the past"},
		{"fix,2026-03-14T18:23:07Z,-0.01,1e-4,,0.9,,", "dof"},
		{"fix,2026-03-14T18:23:07Z,-0.01,1e-4,1.1e-4,,,", "u_common_s"},
		{"temperature,2026-03-14T18:23:07Z,,,,,-91,", "temperature"},
		{"dial,2026-03-14T18:23:07Z,,,,,,0.01", "division"},
	} {
		if _, said := b.run(exitFailed, header+c.row+"\n", "log", "import", "--csv", "-"); !strings.Contains(said, "line 2") || !strings.Contains(said, c.says) || strings.Count(said, "\n") != 1 {
			t.Errorf("%s: %s", c.row, said)
		}
	}
}

// What somebody wrote into a note does not steer the terminal of who reads it.
func TestNotesAreShownHarmless(t *testing.T) {
	b := newBook(t)
	const evil = "oiled\x1b[2J\x1b]0;owned\a\nentry 99\u009b31m\u202e"
	b.run(exitOK, fixLines, "log", "import", "-")
	b.run(exitOK, "", "log", "note", evil, "--entry", "1")
	b.run(exitOK, "", "log", "note", evil, "--clock", "a\x1bb")
	for _, way := range [][]string{{"log", "list"}, {"log", "show", "1"}, {"log", "show", "3"}, {"log", "show", "4", "--clock", "a\x1bb"}} {
		out, _ := b.run(exitOK, "", way...)
		if strings.ContainsAny(out, "\x1b\a\u009b\u202e") || strings.Contains(out, "\nentry 99") || !strings.Contains(out, `oiled\u001b`) {
			t.Errorf("%v: %q", way, out)
		}
	}
	if _, stderr := b.run(exitFailed, "", "log", "list", "--clock", "none"); strings.ContainsAny(stderr, "\x1b") || !strings.Contains(stderr, `a\u001bb`) {
		t.Errorf("%q", stderr)
	}
	_, stderr := b.run(exitOK, "", "replay", "--log", "--clock", "a\x1bb", "--station", "wwv", "--path-delay", "25.1ms", demoFile)
	if strings.Contains(stderr, "\x1b") || !strings.Contains(stderr, `of clock a\u001bb`) {
		t.Errorf("%q", stderr)
	}
	// Kept as it came.
	if out, _ := b.run(exitOK, "", "log", "export"); !strings.Contains(out, `oiled\u001b[2J`) {
		t.Errorf("%q", out)
	}
}
