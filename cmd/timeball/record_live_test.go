//go:build cgo && unix

package main

import (
	"math"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"timeball/capture/soundcard/pulsetest"
)

var card = pulsetest.Sink{Name: "card", Rate: 48000, Channels: 2}

// counting counts frames from 1: low 15 bits on one channel, high on the other.
func counting(seconds int) []int16 {
	var s []int16
	for k := 1; k <= seconds*card.Rate; k++ {
		s = append(s, int16(k&0x7fff), int16(k>>15))
	}
	return s
}

// checkCounting checks that a recording counts on without a break.
func checkCounting(t *testing.T, samples [][]float32) {
	t.Helper()
	number := func(i int) int {
		return int(math.Round(float64(samples[0][i])*32768)) | int(math.Round(float64(samples[1][i])*32768))<<15
	}
	for i := range samples[0] {
		if n := number(i); n != number(0)+i {
			t.Fatalf("frame %d is number %d, the first was %d", i, n, number(0))
		}
	}
}

func TestSoundcardRecord(t *testing.T) {
	t.Parallel()
	server := pulsetest.Beside(t, card)
	server.Play(card, counting(60))
	folder := t.TempDir()

	t.Run("for a time", func(t *testing.T) {
		file := filepath.Join(folder, "a.wav")
		status, out, errs := runBeside(t, server, "record", "--input=card", "--for=1500ms", "--record="+file)
		if status != exitOK || !strings.Contains(out, "1.5 s of card, no frames lost") || errs != "" {
			t.Errorf("%d, %q, %q", status, out, errs)
		}
		info, samples := readFile(t, file)
		if len(samples[0]) != 72000 || info.Rate != 48000 || info.Channels != 2 || info.Bits != 24 {
			t.Errorf("%d frames, %+v", len(samples[0]), info)
		}
		if age := time.Since(info.Start); age < 1500*time.Millisecond || age > time.Minute {
			t.Errorf("began %v ago", age)
		}
		checkCounting(t, samples)
	})

	t.Run("in pieces", func(t *testing.T) {
		status, _, errs := runBeside(t, server, "record", "--input=card", "--for=1500ms", "--rotate=1s", "--record="+filepath.Join(folder, "b.wav"))
		if status != exitOK {
			t.Fatalf("%d, %s", status, errs)
		}
		one, first := readFile(t, filepath.Join(folder, "b-0001.wav"))
		two, second := readFile(t, filepath.Join(folder, "b-0002.wav"))
		if len(first[0]) != 48000 || len(second[0]) != 24000 {
			t.Errorf("%d and %d frames", len(first[0]), len(second[0]))
		}
		if d := two.Start.Sub(one.Start); (d - time.Second).Abs() > time.Millisecond {
			t.Errorf("second begins %v after first", d)
		}
		checkCounting(t, [][]float32{append(first[0], second[0]...), append(first[1], second[1]...)})
	})

	t.Run("interrupted", func(t *testing.T) {
		file := filepath.Join(folder, "c.wav")
		cmd := child(t, server, "record", "--input=card", "--record="+file)
		waitFor(t, file, 200_000)
		cmd.Process.Signal(syscall.SIGINT)
		if err := cmd.Wait(); err != nil {
			t.Errorf("%v", err)
		}
		_, samples := readFile(t, file)
		checkCounting(t, samples)
	})

	t.Run("killed", func(t *testing.T) {
		file := filepath.Join(folder, "d.wav")
		cmd := child(t, server, "record", "--input=card", "--record="+file)
		waitFor(t, file, 600_000) // two seconds
		cmd.Process.Kill()
		cmd.Wait()
		_, samples := readFile(t, file)
		if len(samples[0]) < 48000 {
			t.Errorf("%d frames", len(samples[0]))
		}
		checkCounting(t, samples)
	})
}
