package main

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	"github.com/alecthomas/kong"
)

// parsed parses a command line and wants any error to be words on one line.
func parsed(t *testing.T, args ...string) error {
	t.Helper()
	parser, err := newParser(io.Discard, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	if _, err = parser.Parse(args); err == nil {
		return nil
	}
	if said := oneLine(err); strings.TrimSpace(said) == "" || strings.ContainsFunc(said, unicode.IsControl) {
		t.Errorf("%q: error %q", args, said)
	}
	return err
}

// FuzzFlags: any value of any flag is taken or refused in words.
func FuzzFlags(f *testing.F) {
	parser, err := newParser(io.Discard, io.Discard)
	if err != nil {
		f.Fatal(err)
	}
	type flag struct{ command, name string }
	var flags []flag
	kong.Visit(parser.Model, func(node kong.Visitable, next kong.Next) error {
		if n, ok := node.(*kong.Node); ok && n.Type == kong.CommandNode && n.Leaf() {
			for _, group := range n.AllFlags(true) {
				for _, fl := range group {
					if fl.Name != "help" && fl.Name != "version" && fl.Name != "config" { // which do something at once
						flags = append(flags, flag{strings.TrimPrefix(n.FullPath(), "timeball "), fl.Name})
					}
				}
			}
		}
		return next(nil)
	})
	for i := range flags {
		f.Add(uint16(i), "12ms±0.1ms")
	}
	for _, value := range []string{"", "nan", "-1", "1e999", "9999999h", "18:20:41@12.5s", "2026-02-30T00:00:00Z", "[::1]:70000", "wwv=7ms", "\x1b[2J", "\xff", "Europe/../../etc"} {
		f.Add(uint16(0), value)
		f.Add(uint16(len(flags)/2), value)
	}
	f.Fuzz(func(t *testing.T, n uint16, value string) {
		fl := flags[int(n)%len(flags)]
		parsed(t, append(strings.Fields(fl.command), "--"+fl.name+"="+value)...)
	})
}

// FuzzSettings: any file of settings is taken or refused in words.
func FuzzSettings(f *testing.F) {
	for _, text := range []string{
		"station = ['wwv', 'chu']\nat = '50.2,-5.6'\ncarrier = '10MHz'\n", "[listen]\ntolerance = 1e-3", "start = 2026-03-14T18:20:07Z", "dial = 12\nut1 = true",
		"at = nan", "at = [1, 2]", "path-delay = {wwv = '7ms'}", "\x00", "station = '\x1b'",
	} {
		f.Add(text)
	}
	file := filepath.Join(f.TempDir(), "config.toml")
	f.Fuzz(func(t *testing.T, text string) {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		parsed(t, "--config", file, "listen")
	})
}

// FuzzCalibrations: what is read from a file of calibrations is a delay.
func FuzzCalibrations(f *testing.F) {
	for _, text := range []string{
		"[skew]\ndelay_s = 1.3e-6\nu_s = 1e-8\ndate = 2026-03-14T18:20:07Z\nmethod = 'pulses'\n", "[receiver_delay]\ndelay_s = nan\nu_s = inf", "[skew]\nu_s = -1.0", "[[skew]]", "skew = 1",
	} {
		f.Add(text)
	}
	file := calibrationFile(filepath.Join(f.TempDir(), "calibration.toml"))
	f.Fuzz(func(t *testing.T, text string) {
		if err := os.WriteFile(string(file), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		all, err := file.load()
		if err != nil {
			return
		}
		for _, k := range []*calibration{all.Skew, all.ReceiverDelay} {
			if k != nil && !(math.Abs(k.DelaySeconds) < math.Inf(1) && k.USeconds >= 0 && k.USeconds < math.Inf(1)) {
				t.Errorf("%q gives %+v", text, *k)
			}
		}
	})
}

// FuzzColumn: a column of numbers comes in as finite numbers, one a line.
func FuzzColumn(f *testing.F) {
	for _, text := range []string{"1\n2\n", "# s\n1e-9\n\n-0x1p-3\n", "nan", "1 2", "1e400", strings.Repeat("1", 70000)} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		values, err := readColumn(strings.NewReader(text))
		if err != nil {
			return
		}
		if len(values) > strings.Count(text, "\n")+1 {
			t.Errorf("%d numbers in %q", len(values), text)
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%q gives %v", text, v)
			}
		}
	})
}
