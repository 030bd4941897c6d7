package wavfile_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"timeball/capture"
	"timeball/capture/capturetest"
	"timeball/capture/wavfile"
)

// TestCases reads every crafted file: as a file, and through a pipe that gives
// a byte at a time.
func TestCases(t *testing.T) {
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			check(t, c, bytes.NewReader(c.file), c.err)
		})
		t.Run(c.name+"/pipe", func(t *testing.T) {
			if c.pipeErr != "" {
				c.err = c.pipeErr
			}
			check(t, c, iotest.OneByteReader(bytes.NewReader(c.file)), c.err)
		})
	}
}

func check(t *testing.T, c testCase, src io.Reader, wantErr string) {
	_, seekable := src.(io.Seeker)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	r, err := wavfile.NewReader("a.wav", src)
	runtime.ReadMemStats(&after)
	// 32 KiB of buffer and up to 64 KiB of a bext chunk, twice over as it grows.
	if used := after.TotalAlloc - before.TotalAlloc; used > 1<<18 {
		t.Errorf("%d bytes allocated for a file of %d", used, len(c.file))
	}
	if wantErr != "" {
		if err == nil || !strings.Contains(err.Error(), wantErr) || !strings.HasPrefix(err.Error(), "a.wav: ") || strings.Contains(err.Error(), "\n") {
			t.Fatalf("error %v, want one line with %q after the name", err, wantErr)
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	want := c.info
	want.Name = "a.wav"
	want.Frames = -1
	if seekable {
		want.Frames = int64(len(c.samples[0]))
	}
	if got := r.Info(); (seekable || !c.pipeDiffers) && !reflect.DeepEqual(got, want) {
		t.Errorf("Info %+v\nwant %+v", got, want)
	}
	sameFrames(t, r, c.samples)
}

func TestCasesKeepContract(t *testing.T) {
	for _, c := range cases {
		if c.err != "" {
			continue
		}
		err := capturetest.CheckSource(func() capture.Source {
			r, err := wavfile.NewReader(c.name, bytes.NewReader(c.file))
			if err != nil {
				t.Fatal(err)
			}
			return r
		})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestPaths(t *testing.T) {
	dir := t.TempDir()
	if _, err := wavfile.Open(dir); err == nil || !strings.Contains(err.Error(), dir+": a folder") {
		t.Errorf("folder: %v", err)
	}
	path := filepath.Join(dir, "none.wav")
	if _, err := wavfile.Open(path); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), path) {
		t.Errorf("missing file: %v", err)
	}
	if err := os.WriteFile(path, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := wavfile.Open(path); err == nil || !strings.HasPrefix(err.Error(), path+": empty file") {
		t.Errorf("empty file: %v", err)
	}
}

// TestStandardInput reads from a real pipe and from a file that stands past
// something else, as a shell may leave them.
func TestStandardInput(t *testing.T) {
	in, out, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		out.Write(cases[0].file)
		out.Close()
	}()
	r, err := wavfile.NewReader("standard input", in)
	if err != nil {
		t.Fatal(err)
	}
	sameFrames(t, r, frames5)

	path := filepath.Join(t.TempDir(), "a.wav")
	if err := os.WriteFile(path, append([]byte("skipped"), cases[0].file...), 0o666); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.Seek(7, io.SeekStart); err != nil {
		t.Fatal(err)
	}
	if r, err = wavfile.NewReader("standard input", f); err != nil {
		t.Fatal(err)
	}
	if n := r.Info().Frames; n != 5 {
		t.Errorf("%d frames, want 5", n)
	}
	sameFrames(t, r, frames5)
}

// TestReadFails has the medium fail at every byte of a file in turn.
func TestReadFails(t *testing.T) {
	broken := errors.New("sector not found")
	whole := file("RIFF", stereo16, chunk("data", pcm...))
	for n := range whole {
		r, err := wavfile.NewReader("a.wav", io.MultiReader(bytes.NewReader(whole[:n]), iotest.ErrReader(broken)))
		var b capture.Block
		delivered := 0
		for err == nil {
			if err = r.Read(&b); err == nil {
				delivered += b.Len()
			}
		}
		if !errors.Is(err, broken) || !strings.HasPrefix(err.Error(), "a.wav: ") {
			t.Errorf("after %d bytes: %v", n, err)
		}
		if want := max(n-44, 0) / 4; delivered != want {
			t.Errorf("after %d bytes: %d frames delivered, want %d", n, delivered, want)
		}
	}
}

// TestManyChannels checks that a block stays within its size however many
// channels a header claims.
func TestManyChannels(t *testing.T) {
	const channels, frames = 32767, 50
	body := make([]byte, frames*channels*2)
	r, err := wavfile.NewReader("a.wav", bytes.NewReader(file("RIFF", chunk("fmt ", fmtBody(1, channels, 8000, 16, 2)...), chunk("data", body...))))
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	total := 0
	for r.Read(&b) == nil {
		if n := len(b.Channels) * b.Len(); n > 1<<18 {
			t.Fatalf("a block of %d samples", n)
		}
		total += b.Len()
	}
	if total != frames {
		t.Errorf("%d frames, want %d", total, frames)
	}
}

// FuzzReader wants every input, as a file and through a pipe, to end in an
// error at once or to keep the contract.
// Floats may pass full scale as a mixer's do; integers stored as floats, or a damaged
// exponent, are no sound, and are refused before they spoil what is measured.
func TestFloatsFarBeyondFullScale(t *testing.T) {
	for _, c := range []struct {
		worst float32
		err   string
	}{{999, ""}, {-1001, "frame 2 of channel 1 is -1e+03"}, {3e37, "frame 2 of channel 1 is 3e+37"}} {
		samples := []float32{0.5, 0.25, c.worst, -0.5}
		b := file("RIFF", chunk("fmt ", fmtBody(3, 1, 48000, 32, 4)...), chunk("data", le(samples)...))
		r, err := wavfile.NewReader("x.wav", bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		var block capture.Block
		if err = r.Read(&block); c.err == "" {
			if err != nil || block.Channels[0][2] != c.worst {
				t.Errorf("%g: %v, %v", c.worst, block.Channels, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), c.err) || block.Len() != 0 {
			t.Errorf("%g: %d frames, %v, want %q", c.worst, block.Len(), err, c.err)
		}
		if again := r.Read(&block); again != err {
			t.Errorf("%g: then %v", c.worst, again)
		}
	}
}

func FuzzReader(f *testing.F) {
	for _, c := range cases {
		f.Add(c.file)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if _, err := wavfile.NewReader("fuzz", bytes.NewReader(data)); err == nil {
			capturetest.TestSource(t, func() capture.Source {
				r, err := wavfile.NewReader("fuzz", bytes.NewReader(data))
				if err != nil {
					t.Fatal(err)
				}
				return r
			})
		}
		r, err := wavfile.NewReader("fuzz", bytes.NewBuffer(data))
		if err != nil {
			return
		}
		var b capture.Block
		for total := 0; ; total += b.Len() {
			if err := r.Read(&b); err == io.EOF {
				return
			} else if err != nil {
				t.Fatal(err)
			}
			if b.Len() == 0 || total > len(data) {
				t.Fatalf("%d frames, then %d, from %d bytes", total, b.Len(), len(data))
			}
		}
	})
}

// zeros is an input that begins with a head and goes on with zeros for ever.
type zeros struct {
	head  io.Reader
	taken int
}

func (z *zeros) Read(p []byte) (int, error) {
	n, err := z.head.Read(p)
	if err == io.EOF {
		clear(p)
		n = len(p)
	}
	z.taken += n
	return n, nil
}

// A header of zeros, as of a file that was laid out and never written, is given up.
func TestEndlessHeader(t *testing.T) {
	z := &zeros{head: bytes.NewReader(file("RIFF"))}
	if _, err := wavfile.NewReader("zeros", z); err == nil {
		t.Error("zeros are a recording")
	}
	if z.taken > 1<<18 {
		t.Errorf("%d bytes were looked at", z.taken)
	}
}
