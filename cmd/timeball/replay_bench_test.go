package main

import (
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// BenchmarkReplayHour measures an hour of 48 kHz 16-bit stereo as a person
// would, in a process of its own, and tells that process's time and memory.
func BenchmarkReplayHour(b *testing.B) {
	dir := b.TempDir()
	program, recording := filepath.Join(dir, "timeball"), filepath.Join(dir, "hour.wav")
	steps := [][]string{
		{"go", "build", "-o", program, "."},
		{program, "simulate", "--output", recording, "--for", "1h", "--path-delay", "25.1ms", "--fading", "mid-moderate", "--snr", "12", "--sample-clock", "23"},
	}
	for _, s := range steps {
		if out, err := exec.Command(s[0], s[1:]...).CombinedOutput(); err != nil {
			b.Fatalf("%v: %v\n%s", s, err, out)
		}
	}
	for _, station := range []string{"wwv", "auto"} {
		b.Run(station, func(b *testing.B) {
			peak, processor := 0.0, 0.0
			for b.Loop() {
				c := exec.Command(program, "replay", "--json", "--station", station, "--path-delay", "25.1ms", recording)
				if out, err := c.CombinedOutput(); err != nil {
					b.Fatalf("%v\n%s", err, out)
				}
				processor += (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds()
				if u, ok := c.ProcessState.SysUsage().(*syscall.Rusage); ok {
					peak = max(peak, float64(u.Maxrss)/1024) // Linux counts kibibytes
				}
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/hour")
			b.ReportMetric(processor/float64(b.N), "cpu-s/hour")
			b.ReportMetric(peak, "MiB")
		})
	}
}
