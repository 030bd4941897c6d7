package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/soundcard"
	"timeball/capture/station"
	"timeball/capture/wavfile"
)

// simulatedSeconds is how much a simulatedSound delivers: enough for a fix.
const simulatedSeconds = 18

// simulatedSound stands in for a sound input: a strong station beside a clock
// 12.3 ms ahead, as fast as it is read. Then nothing comes until it is closed.
type simulatedSound struct {
	*simulate.Source
	closed chan struct{}
}

func openSimulated(_ context.Context, s soundcard.Settings) (closer, error) {
	wwv, _ := station.Find("wwv")
	paths, err := simulate.Channel("steady", 0.01)
	if err != nil {
		return nil, err
	}
	src, err := simulate.New(simulate.Config{
		Rate: 8000, Seconds: simulatedSeconds, Start: time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC), Seed: 1,
		Station: wwv, Paths: paths, SNRdB: 25, SoundCard: simulate.SoundCard{NoiseRMS: 1e-4},
		Marker: &simulate.Marker{OffsetSeconds: 12.3e-3, WidthSeconds: 0.1, NoiseRMS: 1e-4},
	})
	if err != nil {
		return nil, err
	}
	return &simulatedSound{src, make(chan struct{})}, nil
}

func (s *simulatedSound) Read(b *capture.Block) error {
	err := s.Source.Read(b)
	if err == io.EOF {
		<-s.closed
	}
	return err
}

func (s *simulatedSound) Close() error {
	select {
	case <-s.closed:
	default:
		close(s.closed)
	}
	return nil
}

// mainSimulated is main with that input.
func mainSimulated() { os.Exit(start(openSimulated)) }

// programAs is a link to this test program by which it is the named one.
func programAs(t *testing.T, name string) string {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), name)
	if err := os.Symlink(exe, link); err != nil {
		t.Fatal(err)
	}
	return link
}

// attempt is a live attempt in a process of its own.
type attempt struct {
	t      *testing.T
	book   book
	cmd    *exec.Cmd
	out    *bufio.Reader
	stdout *os.File // our end
	stderr bytes.Buffer
}

// listen begins an attempt and waits until all there is has been measured.
func listen(t *testing.T, flags ...string) *attempt {
	t.Helper()
	a := &attempt{t: t, book: newBook(t)}
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	args := append([]string{"listen", "--station", "wwv", "--path-delay", "10ms", "--receiver-delay", "0ms", "--sample-rate", "8000", "--logbook", a.book.path}, flags...)
	a.cmd = exec.Command(programAs(t, "timeball-simulated"), args...)
	a.cmd.Stdout, a.cmd.Stderr = w, &a.stderr
	if err := a.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.cmd.Process.Kill() })
	w.Close()
	a.stdout, a.out = r, bufio.NewReader(r)
	for n := 0; n < simulatedSeconds-3; n++ { // at the last marker or before
		if _, err := a.out.ReadString('\n'); err != nil {
			t.Fatalf("after %d seconds: %v\n%s", n, err, a.stderr.String())
		}
	}
	return a
}

// end waits for the end, wants a status and the fix in the logbook, and returns
// what was printed last.
func (a *attempt) end(status int) string {
	a.t.Helper()
	printed, _ := io.ReadAll(a.out)
	err := a.cmd.Wait()
	var exit *exec.ExitError
	got := 0
	if errors.As(err, &exit) {
		got = exit.ExitCode() // -1: killed
	}
	if got != status {
		a.t.Errorf("status %d, want %d\n%s", got, status, a.stderr.String())
	}
	lines, _ := a.book.run(exitOK, "", "log", "export")
	if strings.Count(lines, "\n") != 1 || !strings.Contains(lines, `"verdict":"fix"`) {
		a.t.Errorf("in the logbook: %q", lines)
	}
	return string(printed)
}

const saidAhead = "the local clock is ahead of UTC by 12."

// However an attempt is ended, it ends with a fix in the logbook, and printed
// if anybody reads.
func TestListenEndsWithFix(t *testing.T) {
	t.Parallel()
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP} {
		if signal.Ignored(sig) {
			continue // as under nohup, and a program begun here ignores it too
		}
		a := listen(t)
		a.cmd.Process.Signal(sig)
		if printed := a.end(exitOK); !strings.Contains(printed, saidAhead) {
			t.Errorf("%v: %s", sig, printed)
		}
	}
	t.Run("a viewer of the page goes", func(t *testing.T) {
		a := listen(t)
		a.cmd.Process.Signal(syscall.SIGPIPE) // as writing to its connection raises
		a.stdout.SetReadDeadline(time.Now().Add(300 * time.Millisecond))
		if more, err := io.ReadAll(a.out); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("the attempt has ended: %s, %v", more, err)
		}
		a.stdout.SetReadDeadline(time.Time{})
		a.cmd.Process.Signal(syscall.SIGINT)
		if printed := a.end(exitOK); !strings.Contains(printed, saidAhead) {
			t.Error(printed)
		}
	})
	t.Run("listen | tee, Ctrl-C", func(t *testing.T) {
		a := listen(t)
		a.stdout.Close() // tee is gone at once
		a.cmd.Process.Signal(syscall.SIGINT)
		a.end(exitFailed)
	})
}

// A report that cannot be written is told before the attempt, and if it turns
// out later, costs neither the fix nor the entry.
func TestListenReportFails(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "binder")
	report := filepath.Join(folder, "fix.html")
	b := newBook(t)
	out, stderr := b.run(exitFailed, "", "listen", "--report", report)
	if out != "" || !strings.Contains(stderr, "choose a folder you may write to") || strings.Count(stderr, "\n") != 1 {
		t.Errorf("%q, %q", out, stderr)
	}
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	a := listen(t, "--report", report)
	if err := os.Remove(folder); err != nil {
		t.Fatal(err)
	}
	a.cmd.Process.Signal(syscall.SIGINT)
	if printed := a.end(exitFailed); !strings.Contains(printed, saidAhead) {
		t.Error(printed)
	}
	if said := a.stderr.String(); !strings.Contains(said, "fix.html") {
		t.Error(said)
	}
}

// The same of replay, whose picture may fail, too.
func TestReplayTargets(t *testing.T) {
	t.Parallel()
	b := newBook(t)
	demo := []string{"--log", "--station", "wwv", "--path-delay", "25.1ms", demoFile}
	for _, flag := range []string{"--plot", "--report"} {
		target := filepath.Join(t.TempDir(), "none", map[string]string{"--plot": "fix.png", "--report": "fix.html"}[flag])
		out, stderr := b.run(exitFailed, "", append([]string{"replay", flag, target}, demo...)...)
		if out != "" || !strings.Contains(stderr, "choose a folder you may write to") {
			t.Errorf("%s: %q, %q", flag, out, stderr)
		}
	}
	if _, err := os.Stat(b.path); err == nil {
		t.Error("a logbook was made before the recording was measured")
	}
	// Nobody can read what is printed: it is logged all the same.
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(err)
	}
	defer full.Close()
	picture := filepath.Join(t.TempDir(), "fix.png")
	var stderr bytes.Buffer
	args := append([]string{"replay", "--logbook", b.path, "--plot", picture}, demo...)
	if got := run(t.Context(), args, strings.NewReader(""), full, &stderr); got != exitFailed || !strings.Contains(stderr.String(), "no space left") {
		t.Errorf("status %d, %s", got, stderr.String())
	}
	if lines, _ := b.run(exitOK, "", "log", "export"); strings.Count(lines, "\n") != 1 {
		t.Errorf("in the logbook: %q", lines)
	}
	if _, err := os.Stat(picture); err != nil {
		t.Error(err)
	}
}

// What was measured once is not written over by a picture, a report or a table, by
// whatever name, and nothing is measured or logged before that is said.
func TestTargetsAreNoOriginals(t *testing.T) {
	t.Parallel()
	b := newBook(t)
	b.run(exitOK, fixLines, "log", "import", "-")
	folder := filepath.Dir(b.path)
	in := func(name string) string { return filepath.Join(folder, name) }
	sound, err := os.ReadFile(demoFile)
	if err != nil {
		t.Fatal(err)
	}
	logged, err := os.ReadFile(b.path)
	if err != nil {
		t.Fatal(err)
	}
	wire := in("wire.wav")
	before := map[string][]byte{wire: sound, in("other.png"): sound, in("copy.html"): logged, b.path: logged}
	for name, content := range before {
		if err := os.WriteFile(name, content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for name, to := range map[string]string{
		"s.png": wire, "s.html": b.path, "w.html": "wire.wav", "p.html": "p.png", "new.html": "new.wav",
		"wal.html": "logbook.sqlite-wal", "n.html": "n.sqlite",
	} {
		if err := os.Symlink(to, in(name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Link(wire, in("hard.png")); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		say  string
		args []string
	}{
		{"is a recording", []string{"replay", "--plot", in("s.png"), wire}},
		{"is a recording", []string{"replay", "--plot", in("hard.png"), wire}},
		{"is a recording", []string{"replay", "--plot", in("other.png"), in("other.png")}},
		{"is a recording", []string{"replay", "--report", in("w.html"), wire}},
		{"is the logbook itself", []string{"replay", "--log", "--report", in("s.html"), wire}},
		{"is the logbook itself", []string{"replay", "--log", "--report", in("wal.html"), wire}},
		{"is a logbook or another", []string{"replay", "--log", "--report", in("copy.html"), wire}},
		{"is the logbook itself", []string{"replay", "--log", "--logbook", in("n.html"), "--report", in("n.html"), wire}},
		{"is the logbook itself", []string{"replay", "--log", "--logbook", in("n.sqlite"), "--report", in("n.html"), wire}},
		{"p.html is " + in("p.png"), []string{"replay", "--plot", in("p.png"), "--report", in("p.html"), wire}},
		{"new.html is " + in("new.wav"), []string{"listen", "--record", in("new.wav"), "--report", in("new.html")}},
		{"is the logbook itself", []string{"listen", "--report", in("s.html")}},
		{"is the logbook itself", []string{"rate", "--report", in("s.html")}},
		{"is a recording", []string{"rate", "--plot", in("s.png")}},
		{"is a recording", []string{"outlook", "--at", "50.2,-5.6", "--plot", in("s.png")}},
		{"is a recording", []string{"path", "--station", "wwv", "--carrier", "10MHz", "--at", "50.2,-5.6", "--plot", in("s.png")}},
		{"is a recording", []string{"log", "export", "--yes", wire}},
		{"is a logbook or another", []string{"log", "export", "--yes", in("copy.html")}},
		{"is the logbook itself", []string{"log", "export", "--yes", b.path + "-journal"}},
	} {
		args := c.args
		if !slices.Contains(args, "--logbook") && args[0] != "outlook" && args[0] != "path" {
			args = append([]string{args[0], "--logbook", b.path}, args[1:]...)
		}
		status, out, said := runWith(t, args...)
		if status != exitUsage || out != "" || !strings.Contains(said, c.say) || strings.Count(said, "\n") != 1 {
			t.Errorf("%q: status %d\n%s%swant %q", c.args, status, out, said, c.say)
		}
		for name, was := range before {
			if is, err := os.ReadFile(name); err != nil || !bytes.Equal(is, was) {
				t.Fatalf("%q changed %s, %v", c.args, name, err)
			}
		}
	}
}

// A disk that fills up ends the recording and fails the command; the fix is of
// all that was heard, is logged where there is room, and says how much of it is
// on file.
func TestListenFillsDisk(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, "size=256k"); err != nil {
		t.Skip("cannot mount a tmpfs: ", err)
	}
	defer syscall.Unmount(folder, 0)
	recording := filepath.Join(folder, "gannet-head.wav")
	a := listen(t, "--record", recording)
	a.cmd.Process.Signal(syscall.SIGINT)
	printed := a.end(exitFailed)
	if !strings.Contains(printed, saidAhead) || !strings.Contains(printed, "of the 18.0 s measured") {
		t.Error(printed)
	}
	if said := a.stderr.String(); !strings.Contains(said, "s of the 18.0 s measured were recorded") || !strings.Contains(said, "free some space") {
		t.Error(said)
	}
	lines, _ := a.book.run(exitOK, "", "log", "export")
	var entry struct {
		Recording struct {
			Recorded float64 `json:"recorded_s"`
		}
	}
	if err := json.Unmarshal([]byte(lines), &entry); err != nil {
		t.Fatal(err)
	}
	src, err := wavfile.Open(recording)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	held := float64(src.Info().Frames) / float64(src.Info().Rate)
	if said := entry.Recording.Recorded; said <= 0 || said > held || held-said > 1 {
		t.Errorf("the fix says %.2f s were recorded, the file holds %.2f s", said, held)
	}
	t.Logf("%.2f s on file", held)

	// The logbook on the same disk: printed all the same.
	var out, stderr bytes.Buffer
	cmd := exec.Command(programAs(t, "timeball"), "replay", "--log", "--logbook", filepath.Join(folder, "logbook.sqlite"), "--station", "wwv", "--path-delay", "25.1ms", demoFile)
	cmd.Stdout, cmd.Stderr = &out, &stderr
	if err := cmd.Run(); cmd.ProcessState.ExitCode() != exitFailed {
		t.Errorf("%v: %s", err, stderr.String())
	}
	if !strings.Contains(out.String(), "the local clock is behind UTC") || !strings.Contains(stderr.String(), "the disk is full; nothing was added") {
		t.Errorf("%s\n%s", out.String(), stderr.String())
	}
}
