package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"timeball/capture"
	"timeball/capture/soundcard/pulsetest"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/view"
)

// fakeInput delivers blocks of 100 frames at 1 kHz, without end but for Close.
type fakeInput struct {
	next   int64
	lost   map[int64]int64 // frames lost before the one at a position
	dead   int64           // position at which no more frames come
	closed chan struct{}
}

func (f *fakeInput) Info() capture.Info {
	return capture.Info{Name: "fake", Rate: 1000, Channels: 2, Bits: 24, Frames: -1}
}

func (f *fakeInput) Read(b *capture.Block) error {
	if f.dead > 0 && f.next >= f.dead {
		<-f.closed
	}
	select {
	case <-f.closed:
		return io.EOF
	default:
	}
	b.Lost = f.lost[f.next]
	b.Position = f.next + b.Lost
	b.Resize(2, 100)
	for i := range 100 {
		b.Channels[0][i], b.Channels[1][i] = 0.1, -0.5
	}
	f.next = b.Position + 100
	return nil
}

func (f *fakeInput) Close() error {
	select {
	case <-f.closed:
	default:
		close(f.closed)
	}
	return nil
}

// fakeRecorder keeps the length of what it is given.
type fakeRecorder struct {
	frames, lost int64
	full         int64 // frames that it takes
}

func (f *fakeRecorder) Write(b *capture.Block) error {
	if f.frames+int64(b.Len()) > f.full {
		return fmt.Errorf("a.wav: %w", syscall.ENOSPC)
	}
	f.frames += int64(b.Len())
	f.lost += b.Lost
	return nil
}

func (f *fakeRecorder) Close() error { return nil }

func TestRecordCopy(t *testing.T) {
	silent := view.NewProgress(io.Discard)
	for _, c := range []struct {
		name         string
		length       time.Duration
		lost         map[int64]int64
		frames, gone int64
	}{
		{"whole blocks", time.Second, nil, 1000, 0},
		{"part of a block", 1234 * time.Millisecond, nil, 1234, 0},
		{"with a gap", time.Second, map[int64]int64{500: 250}, 750, 250},
		{"up to a gap", time.Second, map[int64]int64{900: 100}, 900, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			rec := &fakeRecorder{full: 1e6}
			src := &fakeInput{lost: c.lost, closed: make(chan struct{})}
			done, err := recordCmd{For: c.length}.copy(t.Context(), rec, src, silent)
			if err != nil {
				t.Fatal(err)
			}
			if rec.frames != c.frames || rec.lost != c.gone || done.lost != c.gone {
				t.Errorf("%d frames, %d lost, want %d and %d; %+v", rec.frames, rec.lost, c.frames, c.gone, done)
			}
			if c.gone > 0 && done.losses() != "0.25 s lost in 1 gap" {
				t.Errorf("%s", done.losses())
			}
		})
	}
	t.Run("full disk", func(t *testing.T) {
		rec := &fakeRecorder{full: 450}
		_, err := recordCmd{}.copy(t.Context(), rec, &fakeInput{closed: make(chan struct{})}, silent)
		if !errors.Is(err, syscall.ENOSPC) || rec.frames != 400 {
			t.Errorf("%d frames, %v", rec.frames, err)
		}
	})
	t.Run("interrupted while nothing comes", func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer cancel()
		rec := &fakeRecorder{full: 1e6}
		done, err := recordCmd{}.copy(ctx, rec, &fakeInput{dead: 300, closed: make(chan struct{})}, silent)
		if err != nil || done.end != 300 {
			t.Errorf("%+v, %v", done, err)
		}
	})
}

func TestTallyLine(t *testing.T) {
	done := tally{rate: 1000, peaks: make([]float32, 2)}
	b := capture.Block{Channels: [][]float32{make([]float32, 61500), make([]float32, 61500)}}
	b.Channels[0][7] = -0.5
	done.add(&b)
	if got, want := done.line(), "1m1s  peaks  -6 dBFS  silent  no frames lost  (Ctrl-C ends)"; got != want {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if done.due() || done.peaks[0] != 0 {
		t.Errorf("after a line: %+v", done)
	}
}

func TestNoteOf(t *testing.T) {
	settings := [][2]string{{"carrier", "10 MHz"}, {"place", strings.Repeat("far away ", 30)}, {"skew", "+1.3 ± 0.2 us"}}
	if got, want := noteOf("line in", settings), "input line in; carrier 10 MHz; skew +1.3 ± 0.2 us"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := noteOf(strings.Repeat("µ", 300), settings); len(got) > 256 || !utf8.ValidString(got) || !strings.Contains(got, "carrier") {
		t.Errorf("%q", got)
	}
}

func TestRecordKeepsWhatIsThere(t *testing.T) {
	file := writeFile(t, "a.wav", "precious")
	status, _, errs := runWith(t, "record", "--record", file)
	if status != exitFailed || !strings.Contains(errs, "exists") {
		t.Errorf("%d, %s", status, errs)
	}
}

// readFile returns what a recording holds.
func readFile(t *testing.T, path string) (capture.Info, [][]float32) {
	t.Helper()
	src, err := wavfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	all := make([][]float32, src.Info().Channels)
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return src.Info(), all
		}
		if err != nil {
			t.Fatal(err)
		}
		for i := range all {
			all[i] = append(all[i], b.Channels[i]...)
		}
	}
}

// childArgs in the environment makes the test program be timeball.
const childArgs = "TIMEBALL_TEST_ARGS"

func init() {
	if args := os.Getenv(childArgs); args != "" {
		os.Args = append(os.Args[:1], strings.Split(args, "\n")...)
		main()
	}
}

// child starts timeball as a process of its own.
func child(t *testing.T, server *pulsetest.Server, args ...string) *exec.Cmd {
	t.Helper()
	cmd := selfProgram(server, args...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	return cmd
}

// waitFor waits until path has more than size bytes.
func waitFor(t *testing.T, path string, size int64) {
	t.Helper()
	for range 200 {
		if st, err := os.Stat(path); err == nil && st.Size() > size {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("%s does not grow to %d bytes", filepath.Base(path), size)
}
