package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/pprof"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"timeball/align"
)

// hour builds the program and writes an hour of 48 kHz 16-bit stereo.
func hour(b *testing.B) (program, recording string) {
	dir := b.TempDir()
	program, recording = filepath.Join(dir, "timeball"), filepath.Join(dir, "hour.wav")
	steps := [][]string{
		{"go", "build", "-o", program, "."},
		{program, "simulate", "--output", recording, "--for", "1h", "--path-delay", "25.1ms", "--fading", "mid-moderate", "--snr", "12", "--sample-clock", "23"},
	}
	for _, s := range steps {
		if out, err := exec.Command(s[0], s[1:]...).CombinedOutput(); err != nil {
			b.Fatalf("%v: %v\n%s", s, err, out)
		}
	}
	return program, recording
}

// cost is what running a process took: wall clock and processor, s, and peak
// memory, MiB.
type cost struct{ seconds, processor, peak float64 }

// add runs a process and adds its cost to c; of memory the most counts.
func (c *cost) add(b *testing.B, command ...string) (stdout []byte) {
	x := exec.Command(command[0], command[1:]...)
	began := time.Now()
	out, err := x.Output()
	if err != nil {
		b.Fatalf("%v: %v\n%s", command, err, out)
	}
	c.seconds += time.Since(began).Seconds()
	c.processor += (x.ProcessState.UserTime() + x.ProcessState.SystemTime()).Seconds()
	if u, ok := x.ProcessState.SysUsage().(*syscall.Rusage); ok {
		c.peak = max(c.peak, float64(u.Maxrss)/1024) // Linux counts kibibytes
	}
	return out
}

// BenchmarkReplayHour measures an hour as a person would, in a process of its
// own, and tells that process's time and memory.
func BenchmarkReplayHour(b *testing.B) {
	program, recording := hour(b)
	for _, station := range []string{"wwv", "auto"} {
		b.Run(station, func(b *testing.B) {
			var c cost
			for b.Loop() {
				c.add(b, program, "replay", "--json", "--station", station, "--path-delay", "25.1ms", recording)
			}
			b.ReportMetric(c.seconds/float64(b.N), "s/hour")
			b.ReportMetric(c.processor/float64(b.N), "cpu-s/hour")
			b.ReportMetric(c.peak, "MiB")
		})
	}
}

// BenchmarkAgainstFold compares the program with the plainest script that finds
// a tick in the same hour, and prints in which packages the program's time goes.
func BenchmarkAgainstFold(b *testing.B) {
	const python = "/usr/bin/python3" // Debian's, to which python3-scipy belongs
	if exec.Command(python, "-c", "import scipy.signal").Run() != nil {
		b.Skip("python3-scipy is missing: use make bench-fold")
	}
	program, recording := hour(b)
	replay := []string{"replay", "--json", "--station", "wwv", "--path-delay", "25.1ms", recording}
	var ours, script cost
	for b.Loop() {
		var fix align.Fix
		if err := json.Unmarshal(ours.add(b, append([]string{program}, replay...)...), &fix); err != nil || fix.Offset == nil {
			b.Fatalf("no offset: %v", err)
		}
		lag, err := strconv.ParseFloat(strings.TrimSpace(string(script.add(b, python, "testdata/fold.py", recording))), 64)
		if err != nil {
			b.Fatal(err)
		}
		// A script that finds something else would be no measure.
		off := lag - 25.1e-3 - *fix.Offset
		off -= math.Round(off)
		if math.Abs(off) > 2e-3 {
			b.Fatalf("the script's tick is %.2f ms from where the program has it", off*1e3)
		}
		b.Logf("the script's tick is %.2f ms later than the program's", off*1e3)
	}
	b.ReportMetric(0, "ns/op")
	n := float64(b.N)
	b.ReportMetric(ours.seconds/n, "s")
	b.ReportMetric(ours.processor/n, "cpu-s")
	b.ReportMetric(ours.peak, "MiB")
	b.ReportMetric(script.seconds/n, "script-s")
	b.ReportMetric(script.processor/n, "script-cpu-s")
	b.ReportMetric(script.peak, "script-MiB")
	b.ReportMetric(script.seconds/ours.seconds, "times")

	profile := filepath.Join(b.TempDir(), "cpu")
	f, err := os.Create(profile)
	if err != nil {
		b.Fatal(err)
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		b.Fatal(err)
	}
	var out, errs strings.Builder
	status := run(context.Background(), replay, strings.NewReader(""), &out, &errs)
	pprof.StopCPUProfile()
	if err := f.Close(); err != nil || status != exitOK {
		b.Fatalf("%v, status %d: %s", err, status, errs.String())
	}
	b.Log("processor time by package:\n" + byPackage(b, profile))
}

// byPackage lists the packages in which a profile's time was spent.
func byPackage(b *testing.B, profile string) string {
	// Columns: flat, flat%, sum%, cum, cum%, function.
	out, err := exec.Command("go", "tool", "pprof", "-top", "-unit=ms", "-nodecount=1000000", "-nodefraction=0", profile).Output()
	if err != nil {
		b.Fatal(err)
	}
	share := map[string]float64{}
	var packages []string
	for line := range strings.Lines(string(out)) {
		cells := strings.Fields(line)
		if len(cells) < 6 {
			continue
		}
		percent, err := strconv.ParseFloat(strings.TrimSuffix(cells[1], "%"), 64)
		if err != nil {
			continue
		}
		name := cells[5]
		slash := strings.LastIndex(name, "/") + 1
		pkg, _, _ := strings.Cut(name[slash:], ".")
		pkg = name[:slash] + pkg
		if share[pkg] == 0 {
			packages = append(packages, pkg)
		}
		share[pkg] += percent
	}
	slices.SortFunc(packages, func(a, b string) int { return int(1e3 * (share[b] - share[a])) })
	var list strings.Builder
	for _, p := range packages {
		if share[p] >= 1 {
			fmt.Fprintf(&list, "%5.1f %% %s\n", share[p], p)
		}
	}
	return list.String()
}
