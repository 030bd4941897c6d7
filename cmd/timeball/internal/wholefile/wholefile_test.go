package wholefile

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func content(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func says(text string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, text); return err }
}

func TestWrite(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "log.jsonl")
	if err := Write(path, says("old")); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o666&^umask() {
		t.Errorf("permissions %v, %v", info.Mode(), err)
	}
	os.Chmod(path, 0o640)
	link := filepath.Join(folder, "link")
	if err := os.Symlink("log.jsonl", link); err != nil {
		t.Fatal(err)
	}
	torn := errors.New("torn")
	if err := Write(link, func(w io.Writer) error { io.WriteString(w, "ha"); return torn }); !errors.Is(err, torn) {
		t.Errorf("error %v", err)
	}
	if got := content(t, path); got != "old" {
		t.Errorf("after a failure: %q", got)
	}
	if err := Write(link, says("new")); err != nil {
		t.Fatal(err)
	}
	if got := content(t, path); got != "new" {
		t.Errorf("through a link: %q", got)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Error("the link was replaced")
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("permissions %v, %v", info.Mode(), err)
	}
	if names, _ := os.ReadDir(folder); len(names) != 2 {
		t.Errorf("left behind: %v", names)
	}
}

func umask() os.FileMode {
	old := syscall.Umask(0)
	syscall.Umask(old)
	return os.FileMode(old)
}

// What is no file is not replaced by one.
func TestWriteToPipe(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Skip(err)
	}
	read := make(chan string)
	go func() {
		b, _ := os.ReadFile(pipe)
		read <- string(b)
	}()
	if err := errors.Join(Check(pipe), Write(pipe, says("tick"))); err != nil {
		t.Fatal(err)
	}
	if got := <-read; got != "tick" {
		t.Errorf("%q", got)
	}
	if info, err := os.Lstat(pipe); err != nil || info.Mode()&os.ModeNamedPipe == 0 {
		t.Error("the pipe was replaced")
	}
}

func TestCheck(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "report.html")
	if err := Check(path); err != nil {
		t.Error(err)
	}
	if names, _ := os.ReadDir(folder); len(names) != 0 {
		t.Errorf("left behind: %v", names)
	}
	for bad, want := range map[string]string{
		folder:                              "is a folder",
		filepath.Join(folder, "no", "such"): "choose a folder you may write to",
		"/proc/report.html":                 "choose a folder you may write to",
	} {
		for _, err := range []error{Check(bad), Write(bad, says(""))} {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v, want %q", bad, err, want)
			}
		}
	}
}

// What was measured is not replaced; what only begins alike is.
func TestOriginals(t *testing.T) {
	path := filepath.Join(t.TempDir(), "report.html")
	for head, original := range map[string]bool{
		"RIFF\x00\x00\x00\x00WAVEfmt ": true, "RF64\xff\xff\xff\xffWAVE": true, "BW64\xff\xff\xff\xffWAVE": true, "SQLite format 3\x00\x10\x00": true,
		"\x37\x7f\x06\x82\x00\x2d\xe2\x18": true, "\xd9\xd5\x05\xf9\x20\xa1\x63\xd7": true,
		"": false, "RIFF\x00\x00\x00\x00WEBP": false, "RIFF": false, "SQLite format 3.": false, "<!doctype html>": false,
	} {
		if err := os.WriteFile(path, []byte(head), 0o644); err != nil {
			t.Fatal(err)
		}
		for _, err := range []error{Check(path), Write(path, says("new"))} {
			if refused := (*OriginalError)(nil); errors.As(err, &refused) != original || !original && err != nil {
				t.Errorf("%q: %v", head, err)
			}
		}
		if kept := content(t, path) == head; kept != original {
			t.Errorf("%q: then %q", head, content(t, path))
		}
	}
}
