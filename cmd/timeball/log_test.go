package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
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
	for _, want := range []string{"-12.35 ± 0.16 ms", "note: fog signal was on", "withdrawn by entry 12", "-12.00 ± 0.20 ms", "1.5 divisions anticlockwise", "17.5 °C"} {
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
		{exitFailed, "no entry 7", []string{"log", "note", "text", "--entry", "7"}},
		{exitFailed, "logbook is empty", []string{"log", "list"}},
		{exitFailed, "nowhere.jsonl", []string{"log", "import", "nowhere.jsonl"}},
	} {
		if _, errs := newBook(t).run(c.status, "", c.args...); !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: %q, want one line that says %q", c.args, errs, c.says)
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
