package wavfile_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"timeball/capture"
	"timeball/capture/wavfile"
)

// namespaceVariable tells the test that it runs where it may mount.
const namespaceVariable = "WAVFILE_TEST_NAMESPACE"

// TestDiskFull records to a disk of 256 KiB. It runs itself again in a mount
// namespace of its own, in which it may mount one.
func TestDiskFull(t *testing.T) {
	if os.Getenv(namespaceVariable) == "" {
		cmd := exec.Command(os.Args[0], "-test.run=^TestDiskFull$", "-test.v")
		cmd.Env = append(os.Environ(), namespaceVariable+"=1")
		cmd.SysProcAttr = &syscall.SysProcAttr{
			Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
			UidMappings: []syscall.SysProcIDMap{{HostID: os.Getuid(), Size: 1}},
			GidMappings: []syscall.SysProcIDMap{{HostID: os.Getgid(), Size: 1}},
		}
		out, err := cmd.CombinedOutput()
		switch {
		case strings.Contains(string(out), "--- SKIP"), err != nil && len(out) == 0:
			t.Skipf("no small disk to be had here: %v\n%s", err, out)
		case err != nil:
			t.Fatalf("%v\n%s", err, out)
		}
		return
	}

	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=256k"); err != nil {
		t.Skip("mount: ", err)
	}
	defer syscall.Unmount(dir, syscall.MNT_DETACH)

	path := filepath.Join(dir, "a.wav")
	w, err := wavfile.Create(path, wavfile.Format{Rate: 8000, Channels: 2, Bits: 24})
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	b.Resize(2, 777)
	written := int64(0)
	for err == nil {
		b.Lost = 3
		b.Position += b.Lost
		stamp(&b)
		if err = w.Write(&b); err == nil {
			written += int64(b.Len())
			b.Position += int64(b.Len())
		}
	}
	if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "free some space") {
		t.Fatal(err)
	}
	if again := w.Write(&b); again != err {
		t.Errorf("the next Write: %v", again)
	}
	// As it stands, as if killed now, and completed.
	for _, state := range []string{"open", "closed"} {
		if state == "closed" {
			if err := w.Close(); err != nil {
				t.Error(err)
			}
		}
		if frames, _ := readStamped(t, path); frames < written || frames > written+777 {
			t.Errorf("%s: %d frames, wrote %d", state, frames, written)
		}
	}

	other := filepath.Join(dir, "b.wav")
	if _, err := wavfile.Create(other, twoChannels); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("creating on a full disk: %v", err)
	}
	if _, err := os.Stat(other); err == nil {
		t.Error("a recording that could not begin left a file")
	}
}
