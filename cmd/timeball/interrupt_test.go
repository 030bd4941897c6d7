//go:build unix

package main

import (
	"bytes"
	"context"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Who waits for a recording that does not come can be told to stop waiting: at the
// opening of a pipe that nobody writes to, in the header, and in the sound.
func TestInterruptedWaiting(t *testing.T) {
	fifo := filepath.Join(t.TempDir(), "pipe")
	if err := unix.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, file, head string
	}{
		{"pipe", fifo, ""},
		{"header", "-", "RIFF\xff\xff\xff\xffWAVE"},
		{"sound", "-", "RIFF\xff\xff\xff\xffWAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x40\x1f\x00\x00\x00\x7d\x00\x00\x04\x00\x10\x00data\xff\xff\xff\xff\x00\x00\x00\x00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, w := io.Pipe()
			defer w.Close()
			go io.WriteString(w, c.head)
			ctx, cancel := context.WithCancel(t.Context())
			defer time.AfterFunc(300*time.Millisecond, cancel).Stop()
			var out, errs bytes.Buffer
			if code := run(ctx, []string{"replay", c.file}, r, &out, &errs); code != exitFailed || !strings.Contains(errs.String(), "interrupted") {
				t.Errorf("exit %d, %q", code, errs.String())
			}
		})
	}
}
