package wavfile_test

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/wavfile"
)

// recordVariable makes the test binary record to the file it names until it is
// killed.
const recordVariable = "WAVFILE_TEST_RECORD"

func TestMain(m *testing.M) {
	if path := os.Getenv(recordVariable); path != "" {
		recordForEver(path)
	}
	os.Exit(m.Run())
}

// stamp fills b with frames that tell their position on the sample clock.
func stamp(b *capture.Block) {
	for i := range b.Len() {
		v := float32(int16((b.Position+int64(i))*7919)) / 32768
		b.Channels[0][i] = v
		b.Channels[1][i] = -v / 2
	}
}

// readStamped checks every frame and gap of the file at path and returns the
// number of frames.
func readStamped(t *testing.T, path string) (frames, lost int64) {
	t.Helper()
	r, err := wavfile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var b, want capture.Block
	for {
		err := r.Read(&b)
		if err == io.EOF {
			return frames, lost
		}
		if err != nil {
			t.Fatal(err)
		}
		want.Position = b.Position
		want.Resize(2, b.Len())
		stamp(&want)
		wavfile.Format{Bits: r.Info().Bits}.Quantise(&want)
		if !reflect.DeepEqual(b.Channels, want.Channels) {
			t.Fatalf("frames from position %d on are not those recorded there", b.Position)
		}
		frames += int64(b.Len())
		lost += b.Lost
	}
}

var twoChannels = wavfile.Format{Rate: 8000, Channels: 2, Bits: 16}

// recordForEver records blocks of 100 frames, and a gap now and then, and says
// on standard output how many frames it has handed over.
func recordForEver(path string) {
	w, err := wavfile.Create(path, twoChannels)
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	var b capture.Block
	b.Resize(2, 100)
	total := 0
	for n := 1; ; n++ {
		b.Lost = 0
		if n%200 == 0 { // every 2.5 s
			b.Lost = int64(n)
		}
		b.Position += b.Lost
		stamp(&b)
		if err := w.Write(&b); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		b.Position += int64(b.Len())
		total += b.Len()
		fmt.Println(total)
		time.Sleep(200 * time.Microsecond)
	}
}

// TestKilled kills a recorder at various moments and wants all but the last
// second back: by the sizes in the header alone, as any reader sees the file,
// and by ours.
func TestKilled(t *testing.T) {
	for _, after := range []int{1, 40, 79, 81, 199, 200, 333, 1000} {
		path := filepath.Join(t.TempDir(), "a.wav")
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), recordVariable+"="+path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		var written int64
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			if n == after {
				if err := cmd.Process.Kill(); err != nil { // SIGKILL
					t.Fatal(err)
				}
			}
			if _, err := fmt.Sscan(lines.Text(), &written); err != nil {
				t.Fatalf("the recorder says %q", lines.Text())
			}
		}
		if err := cmd.Wait(); err == nil {
			t.Fatal("the recorder was not killed")
		}

		head, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		at := bytes.Index(head, []byte("data"))
		stated := int64(binary.LittleEndian.Uint32(head[at+4:])) / 4
		frames, _ := readStamped(t, path)
		if stated < written-int64(twoChannels.Rate) || frames < written {
			t.Errorf("of %d frames %d are in the header and %d came back", written, stated, frames)
		}
	}
}

func TestNeverOverwrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	if err := os.WriteFile(path, []byte("precious"), 0o666); err != nil {
		t.Fatal(err)
	}
	_, err := wavfile.Create(path, twoChannels)
	if !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), path) {
		t.Errorf("error %v, want one that says that %s exists", err, path)
	}
	if got, _ := os.ReadFile(path); string(got) != "precious" {
		t.Errorf("the file now holds %q", got)
	}
}

func TestCreateRefuses(t *testing.T) {
	for want, f := range map[string]wavfile.Format{
		"0 Hz":        {Channels: 2, Bits: 16},
		"0 channels":  {Rate: 48000, Bits: 16},
		"12 bits":     {Rate: 48000, Channels: 2, Bits: 12},
		"300 bytes":   {Rate: 48000, Channels: 2, Bits: 16, Note: strings.Repeat("x", 300)},
		"-1 channels": {Rate: 48000, Channels: -1, Bits: 16},
	} {
		path := filepath.Join(t.TempDir(), "a.wav")
		if _, err := wavfile.Create(path, f); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: error %v, want %q in it", f, err, want)
		}
		if _, err := os.Stat(path); err == nil {
			t.Errorf("%+v left a file", f)
		}
	}
}

// TestNothingRecorded: a recording in which nothing came leaves no file.
func TestNothingRecorded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := wavfile.Create(path, twoChannels)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Stat: %v", err)
	}
}

// TestTooManyGaps loses frames before every frame until the header is full:
// what was recorded until then must be whole.
func TestTooManyGaps(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := wavfile.Create(path, twoChannels)
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	b.Resize(2, 1)
	written := int64(0)
	for err == nil {
		b.Lost = 1000
		b.Position += b.Lost
		stamp(&b)
		if err = w.Write(&b); err == nil {
			written++
			b.Position++
		}
	}
	if !strings.Contains(err.Error(), "lost too often") || !strings.HasPrefix(err.Error(), path) {
		t.Fatal(err)
	}
	if again := w.Write(&b); again != err {
		t.Errorf("the next Write: %v", again)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if frames, lost := readStamped(t, path); frames != written || lost != 1000*written || written < 800 {
		t.Errorf("%d frames and %d lost, wrote %d", frames, lost, written)
	}
}

func TestWriteWantsItsChannels(t *testing.T) {
	w, err := wavfile.Create(filepath.Join(t.TempDir(), "a.wav"), twoChannels)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	defer func() {
		if recover() == nil {
			t.Error("a block of one channel was taken")
		}
	}()
	var b capture.Block
	b.Resize(1, 10)
	w.Write(&b)
}

// TestRF64 lets the file turn into RF64 at 40 KiB and looks at it as EBU Tech
// 3306 has it, both finished and as a kill would leave it.
func TestRF64(t *testing.T) {
	const headerSize = 1 << 15
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := wavfile.Create(path, twoChannels)
	if err != nil {
		t.Fatal(err)
	}
	w.SetMaxRIFF(40 << 10)
	var b capture.Block
	b.Resize(2, 3000)
	for n := range 10 {
		b.Lost = int64(n)
		b.Position += b.Lost
		stamp(&b)
		if err := w.Write(&b); err != nil {
			t.Fatal(err)
		}
		b.Position += int64(b.Len())
		if frames, lost := readStamped(t, path); frames != int64(n+1)*3000 || lost != int64(n*(n+1)/2) {
			t.Fatalf("after %d blocks: %d frames, %d lost", n+1, frames, lost)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	want := slices.Concat([]byte("RF64\xff\xff\xff\xffWAVE"), ds64(uint64(len(got)-8), 30000*4, 30000))
	if !bytes.HasPrefix(got, want) {
		t.Errorf("the file begins with % x\nwant % x", got[:len(want)], want)
	}
	if !bytes.Equal(got[headerSize-8:headerSize], []byte("data\xff\xff\xff\xff")) || len(got) != headerSize+30000*4 {
		t.Errorf("data chunk % x in a file of %d bytes", got[headerSize-8:headerSize], len(got))
	}
}

// TestBeyond4GiB reads the last frames of files of 5 GiB that are all holes:
// RF64, and RIFF whose sizes have wrapped.
func TestBeyond4GiB(t *testing.T) {
	const size = 5 << 30
	for name, head := range map[string][]byte{
		"RF64":         slices.Concat([]byte("RF64\xff\xff\xff\xffWAVE"), ds64(size+200, size, size/4), stereo16, claim("data", 0xFFFFFFFF)),
		"RIFF wrapped": slices.Concat([]byte("RIFF\x24\x00\x00\x40WAVE"), stereo16, claim("data", size&0xFFFFFFFF)),
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "a.wav")
			f, err := os.Create(path)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			if _, err := f.Write(head); err != nil {
				t.Fatal(err)
			}
			if _, err := f.WriteAt(pcm, int64(len(head))+size-int64(len(pcm))); err != nil {
				t.Skip("no holes in files here: ", err)
			}
			r, err := wavfile.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			if n := r.Info().Frames; n != size/4 {
				t.Fatalf("%d frames, want %d", n, size/4)
			}
			if err := r.Skip(size/4 - 5); err != nil {
				t.Fatal(err)
			}
			var b capture.Block
			if err := r.Read(&b); err != nil {
				t.Fatal(err)
			}
			if b.Position != size/4-5 || !reflect.DeepEqual(b.Channels, frames5) {
				t.Errorf("at %d: %v", b.Position, b.Channels)
			}
			if err := r.Read(&b); err != io.EOF {
				t.Errorf("at the end: %v", err)
			}
		})
	}
}

func TestRotating(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "watch.wav")
	start := time.Date(2026, 3, 14, 23, 59, 58, 0, time.UTC)
	f := twoChannels
	f.Start = start
	w, err := wavfile.CreateRotating(path, f, 2*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	write := func(lost int64, frames int) {
		t.Helper()
		var b capture.Block
		b.Lost, b.Inexact = lost, lost == 2000
		b.Resize(2, frames)
		for i := range frames {
			b.Channels[0][i] = float32(i) / 65536
		}
		if err := w.Write(&b); err != nil {
			t.Fatal(err)
		}
	}
	write(0, 20000)    // over one boundary
	write(1000, 10000) // a loss within file 2
	write(2000, 3000)  // a loss over the boundary of files 2 and 3
	write(40000, 100)  // a stretch wholly lost
	write(0, 40000)    // over two boundaries
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}

	type part struct {
		start  time.Time
		frames int64
		gaps   []capture.Gap
	}
	at := func(seconds int) time.Time { return start.Add(time.Duration(seconds) * time.Second) }
	// Positions: 0 … 20000, 21000 … 31000, 33000 … 36000, 76000 … 116100; a file is 16000 long.
	want := []part{
		{at(0), 16000, nil},
		{at(2), 4000 + 10000, []capture.Gap{{At: 4000, Lost: 1000}}},
		{at(4), 3000, []capture.Gap{{At: 0, Lost: 1000, Inexact: true}}},
		{at(8), 4000, []capture.Gap{{At: 0, Lost: 12000}}},
		{at(10), 16000, nil},
		{at(12), 16000, nil},
		{at(14), 4100, nil},
	}
	for n, want := range want {
		name := filepath.Join(dir, fmt.Sprintf("watch-%04d.wav", n+1))
		r, err := wavfile.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		info := r.Info()
		if got := (part{info.Start, info.Frames, info.Gaps}); !reflect.DeepEqual(got, want) {
			t.Errorf("file %d: %v, want %v", n+1, got, want)
		}
		r.Close()
	}
	if files, _ := filepath.Glob(filepath.Join(dir, "*")); len(files) != len(want) {
		t.Errorf("files %v", files)
	}

	if err := os.Remove(filepath.Join(dir, "watch-0001.wav")); err != nil {
		t.Fatal(err)
	}
	if _, err := wavfile.CreateRotating(path, f, time.Second); !errors.Is(err, fs.ErrExist) {
		t.Errorf("with files of that name about: %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "watch-0001.wav")); err == nil {
		t.Error("a refused recording left a file")
	}
}
