// Package pulsetest runs a PulseAudio server of a test's own, with null sinks
// in place of sound cards: what is played into a sink comes out of its monitor
// source, unchanged, at the pace of a real card.
//
// The server has its own runtime folder and socket, touches no other server,
// and is stopped at the end of the test.
package pulsetest

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Sink is a null sink. Its monitor appears to ALSA and PortAudio as an input
// of the sink's name that no other source can take the place of, beside the
// inputs "pulse" and "default", which mean whatever source the server likes.
type Sink struct {
	Name     string
	Rate     int // Hz
	Channels int
}

func (s Sink) module() string {
	return fmt.Sprintf("module-null-sink sink_name=%s format=s16le rate=%d channels=%d", s.Name, s.Rate, s.Channels)
}

// Server is a running server.
type Server struct {
	Env   []string // points a process at the server
	t     testing.TB
	dir   string
	sinks []Sink
	cmd   *exec.Cmd
	log   *os.File
}

// Start starts a server with sinks, and points this process and those it
// starts at it. It skips the test when PulseAudio is not installed.
func Start(t testing.TB, sinks ...Sink) *Server {
	t.Helper()
	s := Beside(t, sinks...)
	for _, e := range s.Env {
		name, value, _ := strings.Cut(e, "=")
		t.Setenv(name, value)
	}
	return s
}

// Beside starts a server like Start, but only processes that are given its Env
// find it: so tests may have a server each, side by side.
func Beside(t testing.TB, sinks ...Sink) *Server {
	t.Helper()
	for _, prog := range []string{"pulseaudio", "pactl", "pacat"} {
		if _, err := exec.LookPath(prog); err != nil {
			t.Skipf("%s is not installed: apt-get install pulseaudio pulseaudio-utils libasound2-plugins", prog)
		}
	}
	// Not t.TempDir: the path of a socket must be shorter than a test's name may be.
	dir, err := os.MkdirTemp("", "pulsetest")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	s := &Server{t: t, dir: dir, sinks: sinks}
	s.Env = []string{"HOME=" + dir, "XDG_RUNTIME_DIR=" + dir, "PULSE_RUNTIME_PATH=" + dir, "PULSE_SERVER=unix:" + s.socket()}
	var pcms strings.Builder
	for _, sink := range sinks {
		fmt.Fprintf(&pcms, "pcm.%s { type pulse device %[1]s.monitor hint { show on description \"test sink\" } }\n", sink.Name)
	}
	if err := os.WriteFile(filepath.Join(dir, ".asoundrc"), []byte(pcms.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	if s.log, err = os.Create(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.log.Close()
		if log, _ := os.ReadFile(s.log.Name()); t.Failed() {
			t.Logf("the sound server and what played into it said\n%s", log)
		}
	})
	t.Cleanup(s.Kill)
	s.Restart()
	return s
}

func (s *Server) socket() string { return filepath.Join(s.dir, "socket") }

// command is a program that finds the server.
func (s *Server) command(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), s.Env...)
	return cmd
}

// Restart starts the server again after Kill, with all its sinks.
func (s *Server) Restart() {
	s.t.Helper()
	os.Remove(s.socket())
	args := []string{
		"-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=30", // should the test crash
		"--realtime=no", "--high-priority=no",
		"-L", "module-native-protocol-unix auth-anonymous=1 socket=" + s.socket(),
	}
	for _, sink := range s.sinks {
		args = append(args, "-L", sink.module())
	}
	s.cmd = s.command("pulseaudio", args...)
	s.cmd.Stdout, s.cmd.Stderr = s.log, s.log
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	for range 100 {
		if s.command("pactl", "info").Run() == nil {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	log, _ := os.ReadFile(s.log.Name())
	s.t.Fatalf("pulseaudio does not start:\n%s", log)
}

// Kill ends the server at once, as a crash would.
func (s *Server) Kill() {
	if s.cmd == nil {
		return
	}
	s.cmd.Process.Kill()
	s.cmd.Wait()
	s.cmd = nil
}

// Freeze stops the server in its tracks, connections open, until Thaw.
func (s *Server) Freeze() { s.signal(syscall.SIGSTOP) }

// Thaw lets a frozen server go on.
func (s *Server) Thaw() { s.signal(syscall.SIGCONT) }

func (s *Server) signal(sig syscall.Signal) {
	s.t.Helper()
	if err := s.cmd.Process.Signal(sig); err != nil {
		s.t.Fatal(err)
	}
}

// Load adds a sink, such as one that was unloaded.
func (s *Server) Load(sink Sink) {
	s.t.Helper()
	s.pactl(append([]string{"load-module"}, strings.Fields(sink.module())...)...)
}

// Unload takes a sink and its monitor away, as unplugging a card would.
func (s *Server) Unload(name string) {
	s.t.Helper()
	for line := range strings.Lines(s.pactl("list", "short", "modules")) {
		if f := strings.Fields(line); len(f) > 2 && f[2] == "sink_name="+name {
			s.pactl("unload-module", f[0])
			return
		}
	}
	s.t.Fatalf("no sink %q is loaded", name)
}

func (s *Server) pactl(args ...string) string {
	s.t.Helper()
	out, err := s.command("pactl", args...).CombinedOutput()
	if err != nil {
		s.t.Fatalf("pactl %v: %v: %s", args, err, out)
	}
	return string(out)
}

// Play plays 16-bit frames, channels interleaved, into a sink, in real time
// and in the background, until they end, the test ends or stop is called.
func (s *Server) Play(sink Sink, samples []int16) (stop func()) {
	s.t.Helper()
	var raw bytes.Buffer
	binary.Write(&raw, binary.LittleEndian, samples)
	cmd := s.command("pacat", "--playback", "--raw", "--format=s16le", "--device="+sink.Name,
		"--rate="+strconv.Itoa(sink.Rate), "--channels="+strconv.Itoa(sink.Channels))
	cmd.Stdin = &raw
	return s.run(cmd)
}

// Record records what is played into a sink, as 16-bit frames with channels
// interleaved, until heard is called.
func (s *Server) Record(sink Sink) (heard func() []int16) {
	s.t.Helper()
	var raw bytes.Buffer
	cmd := s.command("pacat", "--record", "--raw", "--format=s16le", "--device="+sink.Name+".monitor",
		"--rate="+strconv.Itoa(sink.Rate), "--channels="+strconv.Itoa(sink.Channels))
	cmd.Stdout = &raw
	stop := s.run(cmd)
	return func() []int16 {
		stop()
		samples := make([]int16, raw.Len()/2)
		binary.Decode(raw.Bytes(), binary.LittleEndian, samples)
		return samples
	}
}

// PlayFile plays a WAV file like Play. Rate and channels should be the sink's own.
func (s *Server) PlayFile(sink Sink, path string) (stop func()) {
	s.t.Helper()
	return s.run(s.command("paplay", "--device="+sink.Name, path))
}

func (s *Server) run(cmd *exec.Cmd) (stop func()) {
	s.t.Helper()
	cmd.Stderr = s.log
	cmd.WaitDelay = time.Second
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() { cmd.Wait(); close(ended) }()
	stop = func() { cmd.Process.Kill(); <-ended }
	s.t.Cleanup(stop)
	return stop
}
