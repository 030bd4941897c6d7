package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// endless repeats a text.
type endless string

func (e endless) Read(p []byte) (int, error) {
	n := 0
	for n+len(e) <= len(p) {
		n += copy(p[n:], e)
	}
	return n, nil
}

// What does not end is refused, in one line.
func TestBounded(t *testing.T) {
	for _, c := range []struct{ text, say string }{{"\x00", "a line of more than 16 MiB"}, {"# \n", "more than 64 MiB"}} {
		if n, err := io.Copy(io.Discard, &bounded{Reader: endless(c.text), most: mostTable}); err == nil || !strings.Contains(err.Error(), c.say) || n > mostTable {
			t.Errorf("%q: %d bytes, %v", c.text, n, err)
		}
	}
	if text, err := io.ReadAll(&bounded{Reader: strings.NewReader("at = 1\n"), most: 7}); err != nil || len(text) != 7 {
		t.Errorf("%q, %v", text, err)
	}
}

func TestEndlessFiles(t *testing.T) {
	const zero = "/dev/zero"
	if _, err := os.Stat(zero); err != nil {
		t.Skip(err)
	}
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	t.Setenv("XDG_DATA_HOME", t.TempDir())
	csv := filepath.Join(t.TempDir(), "zero.csv")
	if err := os.Symlink(zero, csv); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"stations", "--config", zero},
		{"stations", "--stations", zero},
		{"path", "--station", "wwv", "--carrier", "10MHz", "--at", "50.2,-5.6", "--ionosonde-file", zero},
		{"log", "import", zero},
		{"log", "import", csv},
		{"log", "export", "--salvage", "--logbook", zero},
		{"log", "list", "--logbook", zero},
		{"rate", "--data", zero},
	} {
		status, out, said := runWith(t, args...)
		if status != exitFailed && status != exitUsage || out != "" || strings.Count(said, "\n") != 1 || !strings.Contains(said, zero) && !strings.Contains(said, csv) {
			t.Errorf("%q: status %d, %s%s", args, status, out, said)
		} else {
			t.Logf("%q: %s", args, said)
		}
	}
}
