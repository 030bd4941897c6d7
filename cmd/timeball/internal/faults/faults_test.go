//go:build linux && amd64

package faults

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// script is set in the environment of the copy of this test that is watched.
const script = "TIMEBALL_TEST_SCRIPT"

// TestMain is also the program that is watched: it writes "one", syncs it,
// writes "two" and renames the file.
func TestMain(m *testing.M) {
	Main()
	folder := os.Getenv(script)
	if folder == "" {
		os.Exit(m.Run())
	}
	name := filepath.Join(folder, "part")
	f, err := os.Create(name)
	check := func(err error) {
		if err != nil {
			os.Stdout.WriteString(err.Error())
			os.Exit(1)
		}
	}
	check(err)
	_, err = f.WriteString("one.")
	check(err)
	check(f.Sync())
	_, err = f.WriteString("two.")
	check(err)
	check(f.Close())
	check(os.Rename(name, filepath.Join(folder, "whole")))
	d, err := os.Open(folder)
	check(err)
	check(d.Sync())
	os.Exit(0)
}

func TestRun(t *testing.T) {
	const count = 7 // open, write, sync, write, rename, open, sync
	for _, tt := range []struct {
		n     int
		fault Fault
		says  string // or "killed"
		files string // afterwards
	}{
		{-1, None, "", "whole=one.two."},
		{0, NoSpace, "no space left", "old="},
		{1, IOError, "input/output error", "part="},
		{2, IOError, "input/output error", "part=one."},
		{3, NoSpace, "no space left", "part=one."},
		{3, Tear, "killed", "part=one.tw"},
		{1, Tear, "killed", "part=on"},
		{3, Kill, "killed", "part=one."},
		{4, IOError, "input/output error", "part=one.two."},
		{4, Kill, "killed", "part=one.two."},
		{5, Kill, "killed", "whole=one.two."},
		{5, PowerCut, "killed", "old="},         // its name was never synced
		{count, PowerCut, "", "whole=one.two."}, // not reached
		{2, Tear, "", "whole=one.two."},         // no write
	} {
		folder := t.TempDir()
		old := filepath.Join(folder, "old")
		if err := os.WriteFile(old, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		exe, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), script+"="+folder)
		var out strings.Builder
		cmd.Stdout, cmd.Stderr = &out, &out
		ops, waited, err := Run(cmd, folder, tt.n, tt.fault)
		if errors.Is(err, ErrUnavailable) {
			t.Skip(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		if tt.says == "" && len(ops) != count {
			t.Errorf("operations: %v", ops)
		}
		if killed := waited != nil && strings.Contains(waited.Error(), "killed"); killed != (tt.says == "killed") {
			t.Errorf("%d, %v: %v", tt.n, tt.fault, waited)
		} else if !killed && !strings.Contains(out.String(), tt.says) || (out.Len() == 0) != (tt.says == "" || killed) {
			t.Errorf("%d, %v: %q", tt.n, tt.fault, out.String())
		}
		var files []string
		entries, _ := os.ReadDir(folder)
		for _, e := range entries {
			content, err := os.ReadFile(filepath.Join(folder, e.Name()))
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, e.Name()+"="+string(content))
		}
		want := tt.files
		if want != "old=" {
			want = "old= " + want
		}
		if got := strings.Join(files, " "); got != want {
			t.Errorf("%d, %v: %s, want %s", tt.n, tt.fault, got, want)
		}
	}
}
