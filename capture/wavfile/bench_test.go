package wavfile_test

import (
	"io"
	"path/filepath"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/wavfile"
)

// BenchmarkRead reads a minute of 48 kHz stereo over and over.
func BenchmarkRead(b *testing.B) {
	for _, bits := range []int{16, 24, 32} {
		b.Run(map[int]string{16: "16bit", 24: "24bit", 32: "float"}[bits], func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "a.wav")
			const rate, seconds = 48000, 60
			w, err := wavfile.Create(path, wavfile.Format{Rate: rate, Channels: 2, Bits: bits})
			if err != nil {
				b.Fatal(err)
			}
			var block capture.Block
			block.Resize(2, rate)
			for c := range block.Channels {
				for i := range block.Channels[c] {
					block.Channels[c][i] = float32(i%1000)/1000 - float32(c)
				}
			}
			for range seconds {
				if err := w.Write(&block); err != nil {
					b.Fatal(err)
				}
			}
			if err := w.Close(); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				r, err := wavfile.Open(path)
				if err != nil {
					b.Fatal(err)
				}
				for err == nil {
					err = r.Read(&block)
				}
				if err != io.EOF {
					b.Fatal(err)
				}
				r.Close()
			}
			perFile := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(rate*2*seconds/perFile/1e6, "Msample/s")
			b.ReportMetric(seconds/perFile, "×realtime")
		})
	}
}

// BenchmarkWrite writes a second of 48 kHz 16-bit stereo at a time.
func BenchmarkWrite(b *testing.B) {
	const rate = 48000
	w, err := wavfile.Create(filepath.Join(b.TempDir(), "a.wav"), wavfile.Format{Rate: rate, Channels: 2, Bits: 16, Start: time.Unix(0, 0)})
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	var block capture.Block
	block.Resize(2, rate)
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Write(&block); err != nil {
			b.Fatal(err)
		}
	}
	perSecond := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(rate*2/perSecond/1e6, "Msample/s")
	b.ReportMetric(1/perSecond, "×realtime")
}
