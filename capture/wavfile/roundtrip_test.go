package wavfile_test

import (
	"bytes"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/iotest"
	"time"

	"pgregory.net/rapid"

	"timeball/capture"
	"timeball/capture/capturetest"
	"timeball/capture/wavfile"
)

// TestRoundTrip records random frames in random blocks with random losses and
// reads them back, from the file and through a pipe of odd steps.
func TestRoundTrip(t *testing.T) {
	dir := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		format := wavfile.Format{
			Rate:     rapid.IntRange(8000, 192000).Draw(t, "rate"),
			Channels: rapid.IntRange(1, 5).Draw(t, "channels"),
			Bits:     rapid.SampledFrom([]int{16, 24, 32}).Draw(t, "bits"),
			Note:     rapid.StringMatching(`[ -~µΩ]{0,100}`).Draw(t, "note"),
		}
		if rapid.Bool().Draw(t, "start known") {
			format.Start = time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "start"), rapid.Int64Range(0, 999999999).Draw(t, "ns")).UTC()
		}
		path := filepath.Join(dir, "a.wav")
		os.Remove(path)
		w, err := wavfile.Create(path, format)
		if err != nil {
			t.Fatal(err)
		}
		var b capture.Block
		var gaps []capture.Gap
		want := make([][]float32, format.Channels)
		position := int64(0)
		for range rapid.IntRange(1, 8).Draw(t, "blocks") {
			b.Lost, b.Inexact = 0, false
			if rapid.Bool().Draw(t, "gap") {
				b.Lost = rapid.Int64Range(1, 1<<40).Draw(t, "lost")
				b.Inexact = rapid.Bool().Draw(t, "inexact")
				gaps = append(gaps, capture.Gap{At: position, Lost: b.Lost, Inexact: b.Inexact})
			}
			b.Resize(format.Channels, rapid.IntRange(1, 20000).Draw(t, "frames"))
			seed := rapid.Uint32().Draw(t, "seed")
			for c := range b.Channels {
				for i := range b.Channels[c] {
					seed = seed*1664525 + 1013904223
					b.Channels[c][i] = float32(int32(seed)) / (1 << 30) // ±2: some clip
				}
			}
			if err := w.Write(&b); err != nil {
				t.Fatal(err)
			}
			format.Quantise(&b)
			for c := range want {
				want[c] = append(want[c], b.Channels[c]...)
			}
			position += b.Lost + int64(b.Len())
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}

		r, err := wavfile.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		info := r.Info()
		if info.Rate != format.Rate || info.Channels != format.Channels || info.Bits != format.Bits ||
			info.Note != format.Note || info.Frames != int64(len(want[0])) || !slices.Equal(info.Gaps, gaps) {
			t.Fatalf("Info %+v\nwritten as %+v with gaps %v", info, format, gaps)
		}
		if off := info.Start.Sub(format.Start).Seconds(); math.Abs(off) > 1/float64(format.Rate) {
			t.Fatalf("start is out by %v s", off)
		}
		sameFrames(t, r, want)

		file, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		pipe, err := wavfile.NewReader("pipe", iotest.HalfReader(file))
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(pipe.Info().Gaps, gaps) || pipe.Info().Frames != -1 {
			t.Fatalf("from a pipe: %+v", pipe.Info())
		}
		sameFrames(t, pipe, want)
	})
}

// fataler is what testing.T and rapid.T share.
type fataler interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
}

// sameFrames reads src to its end and compares the frames with want.
func sameFrames(t fataler, src capture.Source, want [][]float32) {
	t.Helper()
	var b capture.Block
	at := 0
	for {
		err := src.Read(&b)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for c := range want {
			if at+b.Len() > len(want[c]) {
				t.Fatalf("%d frames and more, want %d", at+b.Len(), len(want[c]))
			}
			for i, x := range b.Channels[c] {
				if w := want[c][at+i]; x != w {
					t.Fatalf("frame %d of channel %d is %v, want %v", at+i, c, x, w)
				}
			}
		}
		at += b.Len()
	}
	if len(want) > 0 && at != len(want[0]) {
		t.Fatalf("%d frames, want %d", at, len(want[0]))
	}
}

func TestReaderKeepsContract(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := wavfile.Create(path, wavfile.Format{Rate: 48000, Channels: 2, Bits: 16})
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	b.Resize(2, 50000)
	for range 3 {
		b.Lost += 17
		if err := w.Write(&b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Run("file", func(t *testing.T) {
		capturetest.TestSource(t, func() capture.Source {
			r, err := wavfile.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { r.Close() })
			return r
		})
	})
	t.Run("pipe", func(t *testing.T) {
		capturetest.TestSource(t, func() capture.Source {
			r, err := wavfile.NewReader("pipe", iotest.DataErrReader(bytes.NewBuffer(file)))
			if err != nil {
				t.Fatal(err)
			}
			return r
		})
	})
}
