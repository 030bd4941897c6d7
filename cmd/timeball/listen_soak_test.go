//go:build cgo && linux

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/soundcard/pulsetest"
	"timeball/capture/wavfile"
)

// BenchmarkListenSoak listens, for TIMEBALL_SOAK (1m by default), to a simulated
// recording that is played in real time into a sink of a sound server's own,
// recording it and printing JSON. It prints the frames that the program says it
// has lost; the frames of its recording that are not those played, which it
// cannot know; its share of a core; its peak memory and by how much that of the
// last quarter exceeds that of the second; and the longest that a second was
// printed after its pulse. The recording must replay to the same fix.
func BenchmarkListenSoak(b *testing.B) {
	length := time.Minute
	if v := os.Getenv("TIMEBALL_SOAK"); v != "" {
		var err error
		if length, err = time.ParseDuration(v); err != nil {
			b.Fatal(err)
		}
	}
	dir := b.TempDir()
	program, played, recorded := filepath.Join(dir, "timeball"), filepath.Join(dir, "played.wav"), filepath.Join(dir, "recorded.wav")
	measure := func(command string, more ...string) *exec.Cmd {
		c := exec.Command(program, append([]string{command, "--json", "--path-delay", "25.1ms"}, more...)...)
		c.Stderr = os.Stderr
		return c
	}
	for _, c := range []*exec.Cmd{
		exec.Command("go", "build", "-o", program, "."),
		exec.Command(program, "simulate", "--output", played, "--for", (length + 30*time.Second).String(), "--path-delay", "25.1ms",
			"--fading", "mid-moderate", "--snr", "12", "--sample-clock", "23", "--step", (length/2).String()+"=5ms"),
	} {
		if out, err := c.CombinedOutput(); err != nil {
			b.Fatalf("%v: %v\n%s", c, err, out)
		}
	}
	for b.Loop() {
		os.Remove(recorded)
		server := pulsetest.Start(b, card)
		stop := server.PlayFile(card, played)
		c := measure("listen", "--no-log", "--input", card.Name, "--for", length.String(), "--record", recorded)
		out, err := c.StdoutPipe()
		if err != nil {
			b.Fatal(err)
		}
		if err := c.Start(); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { c.Process.Kill() })
		var memory []float64
		var begun time.Time
		latest := 0.0
		var last []byte
		for lines := bufio.NewScanner(out); lines.Scan(); {
			last = bytes.Clone(lines.Bytes())
			var s align.Second
			if err := json.Unmarshal(last, &s); err != nil {
				b.Fatalf("%v: %s", err, last)
			}
			if s.Schema == align.SecondSchema {
				memory = append(memory, residentMiB(b, c.Process.Pid))
				if begun.IsZero() {
					begun = startOf(b, recorded)
				}
				latest = max(latest, time.Since(begun).Seconds()-s.T)
			}
		}
		if err := c.Wait(); err != nil {
			b.Fatalf("%v: %s", err, last)
		}
		stop()
		server.Kill()
		fix := decodeFix(b, last)
		again, err := measure("replay", recorded).Output()
		if err != nil {
			b.Fatalf("replay: %v\n%s", err, again)
		}
		if r := decodeFix(b, again); *r.Offset != *fix.Offset || *r.U != *fix.U {
			b.Errorf("live %v ± %v, replayed %v ± %v", *fix.Offset, *fix.U, *r.Offset, *r.U)
		}
		b.Logf("offset %v ± %v s from %v s; marker %+v", *fix.Offset, *fix.U, fix.Recording.Seconds, fix.Marker)
		lost := int64(0)
		for _, g := range fix.Recording.Gaps {
			lost += g.LostFrames
		}
		used := c.ProcessState.UserTime() + c.ProcessState.SystemTime()
		quarter := len(memory) / 4
		b.ReportMetric(float64(lost), "frames-lost")
		b.ReportMetric(float64(unlike(b, recorded, played)), "frames-unlike")
		b.ReportMetric(100*used.Seconds()/length.Seconds(), "%core")
		b.ReportMetric(float64(c.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)/1024, "MiB-peak")
		b.ReportMetric(mean(memory[3*quarter:])-mean(memory[quarter:2*quarter]), "MiB-growth")
		b.ReportMetric(latest, "s-latest")
	}
}

// startOf is when a recording in progress began.
func startOf(b *testing.B, path string) time.Time {
	b.Helper()
	r, err := wavfile.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	return r.Info().Start
}

// residentMiB is the memory that a running process has in use.
func residentMiB(b *testing.B, pid int) float64 {
	b.Helper()
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/statm")
	if err != nil {
		b.Fatal(err)
	}
	pages, err := strconv.Atoi(strings.Fields(string(text))[1])
	if err != nil {
		b.Fatal(err)
	}
	return float64(pages*os.Getpagesize()) / (1 << 20)
}

func mean(all []float64) float64 {
	sum := 0.0
	for _, x := range all {
		sum += x
	}
	return sum / float64(len(all))
}

// unlike counts the frames of a recording that are not those that were played,
// from that on which the recording began.
func unlike(b *testing.B, recorded, played string) int64 {
	b.Helper()
	const probe = 64 // frames: no stretch of noise is like another so long
	open := func(path string) (*frames, func() error) {
		r, err := wavfile.Open(path)
		if err != nil {
			b.Fatal(err)
		}
		return &frames{src: r}, r.Close
	}
	got, closeGot := open(recorded)
	defer closeGot()
	want, closeWant := open(played)
	defer closeWant()
	var begin, window [][2]int
	for len(begin) < probe {
		f, ok := got.next()
		if !ok {
			b.Fatal("the recording is empty")
		}
		// Before the player was at work there was silence.
		if f != [2]int{} || len(begin) > 0 {
			begin = append(begin, f)
		}
	}
	for {
		f, ok := want.next()
		if !ok {
			b.Fatal("nothing that was played is at the recording's beginning")
		}
		window = append(window, f)
		if len(window) > probe {
			window = window[1:]
		}
		if len(window) == probe && [probe][2]int(window) == [probe][2]int(begin) {
			break
		}
	}
	n := int64(0)
	for {
		f, ok := got.next()
		if !ok {
			return n
		}
		if w, _ := want.next(); f != w {
			n++
		}
	}
}

// frames reads a two-channel source frame by frame, as 16-bit samples.
type frames struct {
	src capture.Source
	b   capture.Block
	at  int
}

func (f *frames) next() (frame [2]int, ok bool) {
	if f.at == f.b.Len() {
		if f.src.Read(&f.b) != nil {
			return frame, false
		}
		f.at = 0
	}
	for i, c := range f.b.Channels {
		frame[i] = int(math.Round(float64(c[f.at]) * 32768))
	}
	f.at++
	return frame, true
}
