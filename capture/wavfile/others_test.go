package wavfile_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"

	"timeball/capture"
	"timeball/capture/wavfile"
)

// These tests compare with other programs: SoX where it is installed, and
// go-audio/wav 1.1.0 on files it is right about.

// sox runs SoX, or skips the test.
func sox(t *testing.T, args ...string) []byte {
	t.Helper()
	if _, err := exec.LookPath("sox"); err != nil {
		t.Skip("SoX is not installed")
	}
	var out, complaint bytes.Buffer
	cmd := exec.Command("sox", args...)
	cmd.Stdout, cmd.Stderr = &out, &complaint
	if err := cmd.Run(); err != nil {
		t.Fatalf("sox %v: %v\n%s", args, err, complaint.Bytes())
	}
	return out.Bytes()
}

// soxReads is what SoX reads from path, by channel. It works with integers of
// 32 bits, which these doubles hold.
func soxReads(t *testing.T, path string, channels int) [][]float32 {
	t.Helper()
	raw := sox(t, path, "-t", "f64", "-")
	out := make([][]float32, channels)
	for i := 0; i+8 <= len(raw); i += 8 {
		c := i / 8 % channels
		out[c] = append(out[c], float32(math.Float64frombits(binary.LittleEndian.Uint64(raw[i:]))))
	}
	return out
}

// TestReadsSoX has SoX write noise in many formats, to a file and to a pipe
// (where it leaves the sizes open), and compares with what SoX itself reads.
func TestReadsSoX(t *testing.T) {
	for _, c := range []struct{ rate, channels, encoding, bits string }{
		{"8000", "1", "unsigned-integer", "8"},
		{"11025", "2", "unsigned-integer", "8"},
		{"44100", "1", "signed-integer", "16"},
		{"48000", "2", "signed-integer", "16"},
		{"48000", "6", "signed-integer", "16"}, // extensible
		{"96000", "2", "signed-integer", "24"}, // extensible
		{"192000", "2", "signed-integer", "32"},
		{"48000", "2", "floating-point", "32"},
		{"48000", "3", "floating-point", "64"},
	} {
		t.Run(c.encoding+c.bits+"x"+c.channels, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "a.wav")
			format := []string{"-t", "wav", "-e", c.encoding, "-b", c.bits}
			sox(t, append(append([]string{"-R", "-n", "-r", c.rate, "-c", c.channels}, format...), path, "synth", "0.4", "pinknoise")...)
			channels, _ := strconv.Atoi(c.channels)
			want := soxReads(t, path, channels)

			r, err := wavfile.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			if rate, _ := strconv.Atoi(c.rate); r.Info().Rate != rate || r.Info().Frames != int64(len(want[0])) || len(want[0]) != rate*4/10 {
				t.Errorf("Info %+v; SoX has %d frames", r.Info(), len(want[0]))
			}
			sameFrames(t, r, want)

			piped := sox(t, append(append([]string{path}, format...), "-")...)
			if r, err = wavfile.NewReader("pipe", bytes.NewBuffer(piped)); err != nil {
				t.Fatal(err)
			}
			sameFrames(t, r, want)
		})
	}
}

// record writes frames that reach beyond full scale, in all, to a file of so
// many bits, and returns them as they should be there.
func record(t *testing.T, bits int) (path string, want [][]float32) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "a.wav")
	f := wavfile.Format{Rate: 48000, Channels: 2, Bits: bits, Note: "10 MHz, AM"}
	w, err := wavfile.Create(path, f)
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	b.Resize(2, 48001)
	for i := range b.Len() {
		b.Channels[0][i] = float32(1.2 * math.Sin(float64(i)/7))
		b.Channels[1][i] = float32(i-24000) / 24000
	}
	if err := w.Write(&b); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f.Quantise(&b)
	return path, b.Channels
}

func TestSoXReads(t *testing.T) {
	for _, bits := range []int{16, 24, 32} {
		path, want := record(t, bits)
		got := soxReads(t, path, 2)
		if len(got[0]) != len(want[0]) {
			t.Fatalf("%d bits: SoX reads %d frames, want %d", bits, len(got[0]), len(want[0]))
		}
		for c := range want {
			for i, w := range want[c] {
				w = max(-1, min(w, 1)) // SoX clips floats, and rounds them to 32 bits
				if d := math.Abs(float64(got[c][i] - w)); d > 1.0/(1<<31) {
					t.Fatalf("%d bits, frame %d, channel %d: SoX reads %v, want %v", bits, i, c, got[c][i], w)
				}
			}
		}
	}
}

func TestLibraryReads(t *testing.T) {
	for _, bits := range []int{16, 24} {
		path, want := record(t, bits)
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		d := wav.NewDecoder(f)
		got, err := d.FullPCMBuffer()
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Data) != 2*len(want[0]) || d.SampleRate != 48000 || d.NumChans != 2 || int(d.BitDepth) != bits {
			t.Fatalf("%d bits: %d samples of %d bits, %d Hz, %d channels", bits, len(got.Data), d.BitDepth, d.SampleRate, d.NumChans)
		}
		for i, v := range got.Data {
			if x := float32(v) / float32(int(1)<<(bits-1)); x != want[i%2][i/2] {
				t.Fatalf("%d bits, sample %d: %v, want %v", bits, i, x, want[i%2][i/2])
			}
		}
	}
}

// TestReadsLibrary reads what the library's encoder leaves, completed and
// killed before it could be.
func TestReadsLibrary(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const frames = 5000
	e := wav.NewEncoder(f, 8000, 16, 2, 1)
	buf := &audio.IntBuffer{Format: &audio.Format{NumChannels: 2, SampleRate: 8000}, Data: make([]int, 2*frames)}
	want := [][]float32{make([]float32, frames), make([]float32, frames)}
	for i := range buf.Data {
		v := int16(i * 7919)
		buf.Data[i] = int(v)
		want[i%2][i/2] = float32(v) / 32768
	}
	if err := e.Write(buf); err != nil {
		t.Fatal(err)
	}
	for _, state := range []string{"killed", "completed"} {
		if state == "completed" {
			if err := e.Close(); err != nil {
				t.Fatal(err)
			}
		}
		r, err := wavfile.Open(path)
		if err != nil {
			t.Fatalf("%s: %v", state, err)
		}
		defer r.Close()
		if n := r.Info().Frames; n != frames {
			t.Fatalf("%s: %d frames, want %d", state, n, frames)
		}
		sameFrames(t, r, want)
	}
}
