//go:build linux && amd64

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/soundcard"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/faults"
)

func init() { faults.Main() }

// fault is a run of the program in which one operation on a file went wrong.
type fault struct {
	folder string // where its files are
	before string // entries that the logbook held
	killed bool
	status int
	out    string // both outputs
}

// sweep is a command whose every operation on a file is made to go wrong.
type sweep struct {
	program string // as of programAs; default: timeball
	args    func(folder string) []string
	prepare func(t *testing.T, folder string)
	faults  []faults.Fault
	// check says what has been lost.
	check func(f fault) error
}

var allFaults = []faults.Fault{faults.IOError, faults.NoSpace, faults.Kill, faults.Tear, faults.PowerCut}

// TestFaults lets each read, write, sync, rename, opening and removal go wrong in turn,
// on a broken disk and on a full one, and kills the program and cuts the power
// at each. Nothing that had been committed is lost, and the next start works.
//
// TIMEBALL_FAULTS=all takes every one; else a sample of each command's, spread
// evenly.
func TestFaults(t *testing.T) {
	sample := 4 // of each command: as many as a test of a few seconds has time for
	if os.Getenv("TIMEBALL_FAULTS") == "all" {
		sample = 1 << 30
	}
	shared := t.TempDir()
	wired := wiredRecording(t)
	imported := filepath.Join(shared, "import.jsonl")
	if err := os.WriteFile(imported, []byte(manyFixes(20)), 0o600); err != nil {
		t.Fatal(err)
	}
	logbook := func(folder string) string { return filepath.Join(folder, "logbook.sqlite") }
	for name, s := range map[string]sweep{
		"log import": {
			args:    func(folder string) []string { return []string{"log", "import", "--logbook", logbook(folder), imported} },
			prepare: prepareBook,
			check:   func(f fault) error { return checkBook(f, 20, "20 entries imported") },
		},
		"log import into a new book": {
			args:  func(folder string) []string { return []string{"log", "import", "--logbook", logbook(folder), imported} },
			check: func(f fault) error { return checkBook(f, 20, "20 entries imported") },
		},
		"log adjust": {
			args: func(folder string) []string {
				return []string{"log", "adjust", "--retard", "12ms", "--celsius", "17", "--restarted", "--logbook", logbook(folder)}
			},
			prepare: prepareBook,
			check:   func(f fault) error { return checkBook(f, 3, "entry ") },
		},
		"listen": {
			program: "timeball-simulated",
			args: func(folder string) []string {
				return []string{"listen", "--for", "15s", "--station", "wwv", "--path-delay", "10ms", "--sample-rate", "8000", "--logbook", logbook(folder), "--report", filepath.Join(folder, "fix.html")}
			},
			prepare: prepareBook,
			check: func(f fault) error {
				refused := strings.Count(f.out, "\n") == 1 // before the attempt, in one line
				if !f.killed && !refused && !strings.Contains(f.out, saidAhead) {
					return fmt.Errorf("the fix was not printed: %s", f.out)
				}
				return checkBook(f, 1, "logged as entry")
			},
		},
		"log export": {
			args: func(folder string) []string {
				return []string{"log", "export", "--yes", "--logbook", logbook(folder), filepath.Join(folder, "backup.jsonl")}
			},
			prepare: func(t *testing.T, folder string) {
				prepareBook(t, folder)
				if err := os.WriteFile(filepath.Join(folder, "backup.jsonl"), []byte("the last good one\n"), 0o600); err != nil {
					t.Fatal(err)
				}
			},
			check: func(f fault) error {
				got, err := os.ReadFile(filepath.Join(f.folder, "backup.jsonl"))
				if err != nil {
					return err
				}
				if text := string(got); text != fixLines && (f.status == exitOK || text != "the last good one\n") {
					return fmt.Errorf("the backup is %q", text)
				}
				return checkBook(f, 0, "")
			},
		},
		"calibrate": {
			args: func(string) []string { return []string{"calibrate", "skew", wired} },
			prepare: func(t *testing.T, folder string) {
				if err := calibrationFile(filepath.Join(folder, "timeball", "calibration.toml")).update(func(c *calibrations) {
					c.ReceiverDelay = &calibration{DelaySeconds: 0.4e-3, USeconds: 1e-5, Method: "by ear"}
				}); err != nil {
					t.Fatal(err)
				}
			},
			check: func(f fault) error {
				file := calibrationFile(filepath.Join(f.folder, "timeball", "calibration.toml"))
				c, err := file.load()
				if err != nil {
					return err
				}
				if c.ReceiverDelay == nil || c.ReceiverDelay.DelaySeconds != 0.4e-3 || f.status == exitOK && c.Skew == nil {
					return fmt.Errorf("kept: %+v", c)
				}
				return file.update(func(*calibrations) {})
			},
		},
		"record": {
			program: "timeball-simulated",
			args: func(folder string) []string {
				return []string{"record", "--for", "15s", "--sample-rate", "8000", "--record", filepath.Join(folder, "gannet-head.wav")}
			},
			faults: []faults.Fault{faults.IOError, faults.NoSpace, faults.Kill, faults.Tear}, // no recording is promised to survive a power cut
			check:  checkRecording,
		},
	} {
		t.Run(name, func(t *testing.T) { s.run(t, sample) })
	}
}

// run sweeps.
func (s sweep) run(t *testing.T, sample int) {
	if s.program == "" {
		s.program = "timeball"
	}
	if s.faults == nil {
		s.faults = allFaults
	}
	program := programAs(t, s.program)
	template := t.TempDir()
	if s.prepare != nil {
		s.prepare(t, template)
	}
	once := func(n int, what faults.Fault) ([]faults.Op, fault, error) {
		f := fault{folder: t.TempDir()}
		defer os.RemoveAll(f.folder)
		if _, err := os.Stat(filepath.Join(template, "logbook.sqlite")); err == nil {
			f.before = fixLines
		}
		if err := os.CopyFS(f.folder, os.DirFS(template)); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(program, s.args(f.folder)...)
		cmd.Env = append(os.Environ(), "XDG_CONFIG_HOME="+f.folder)
		var out bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &out
		ops, waited, err := faults.Run(cmd, f.folder, n, what)
		if errors.Is(err, faults.ErrUnavailable) {
			t.Skip(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		var exit *exec.ExitError
		if errors.As(waited, &exit) {
			f.status = exit.ExitCode()
			f.killed = f.status < 0
		}
		f.out = out.String()
		if strings.Contains(f.out, "goroutine ") {
			return ops, f, errors.New("it panicked: " + f.out)
		}
		if !f.killed && f.status != exitOK && !strings.Contains(f.out, "timeball: ") {
			return ops, f, fmt.Errorf("status %d and nothing said: %q", f.status, f.out)
		}
		return ops, f, s.check(f)
	}
	ops, f, err := once(-1, faults.None)
	if err != nil || f.status != exitOK {
		t.Fatalf("without a fault: status %d, %v\n%s", f.status, err, f.out)
	}
	type point struct {
		n    int
		what faults.Fault
	}
	var points []point
	for n, op := range ops {
		for _, what := range s.faults {
			if what.Fits(op.Kind) {
				points = append(points, point{n, what})
			}
		}
	}
	tried, lost := map[faults.Fault]int{}, 0
	for k := range min(sample, len(points)) {
		p := points[k*len(points)/min(sample, len(points))]
		tried[p.what]++
		if _, _, err := once(p.n, p.what); err != nil {
			lost++
			t.Errorf("%v at operation %d, %s of %s: %v", p.what, p.n, ops[p.n].Kind, filepath.Base(ops[p.n].Path), err)
		}
	}
	t.Logf("%d operations (%s): %d faults of %d tried %v, %d lost something", len(ops), faults.Kinds(ops), min(sample, len(points)), len(points), tried, lost)
}

// manyFixes are lines of n fixes.
func manyFixes(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `{"schema":"timeball.fix/1","verdict":"fix","offset_s":%g,"u_s":8.1e-5,"at":"2026-04-%02dT18:23:07Z"}`+"\n", 1e-3*float64(i), i+1)
	}
	return b.String()
}

// prepareBook makes a logbook of the two entries of fixLines.
func prepareBook(t *testing.T, folder string) {
	book{t, filepath.Join(folder, "logbook.sqlite")}.run(exitOK, fixLines, "log", "import", "-")
}

// checkBook wants what was in the logbook to be there still, and of what is
// added, added entries, all or nothing; all, if it was acknowledged. It then
// adds a note.
func checkBook(f fault, added int, acknowledged string) error {
	call := func(args ...string) (string, error) {
		var out, errs bytes.Buffer
		args = append([]string{args[0], "--logbook", filepath.Join(f.folder, "logbook.sqlite")}, args[1:]...)
		if got := run(context.Background(), args, strings.NewReader(""), &out, &errs); got != exitOK {
			return "", fmt.Errorf("%v: status %d: %s", args, got, errs.String())
		}
		return out.String(), nil
	}
	if _, err := call("log", "note", "the next start"); err != nil {
		return err
	}
	all, err := call("log", "export")
	if err != nil {
		return err
	}
	rest, ok := strings.CutPrefix(all, f.before)
	if !ok {
		return fmt.Errorf("what was there is gone: %s", all)
	}
	more := strings.Count(rest, "\n") - 1 // less the note
	if more != 0 && more != added {
		return fmt.Errorf("%d entries of %d", more, added)
	}
	if acknowledged != "" && more == 0 && strings.Contains(f.out, acknowledged) {
		return fmt.Errorf("acknowledged and gone: %s", f.out)
	}
	if f.status == exitOK && more != added {
		return fmt.Errorf("it ended well and logged nothing: %s", f.out)
	}
	return nil
}

// checkRecording wants all of a recording that is on the disk to be read, less
// the last second, and to be what was heard.
func checkRecording(f fault) error {
	name := filepath.Join(f.folder, "gannet-head.wav")
	file, err := os.Stat(name)
	const header = 1 << 15
	if err != nil || file.Size() <= header { // not a frame yet
		return nil
	}
	src, err := wavfile.Open(name)
	if err != nil {
		return err
	}
	defer src.Close()
	info := src.Info()
	heard, err := openSimulated(context.Background(), soundcard.Settings{})
	if err != nil {
		return err
	}
	var got, want capture.Block
	used, frames := 0, int64(0)
	for {
		err := src.Read(&got)
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		for i := range got.Len() {
			if used == want.Len() {
				if err := heard.Read(&want); err != nil {
					return err
				}
				used = 0
			}
			for c := range want.Channels {
				if math.Abs(float64(got.Channels[c][i]-want.Channels[c][used])) > 1./(1<<15) {
					return fmt.Errorf("frame %d is not what was heard", frames)
				}
			}
			used++
			frames++
		}
	}
	frameBytes := info.Channels * info.Bits / 8
	if written := (file.Size() - header) / int64(frameBytes); frames < written-int64(info.Rate) {
		return fmt.Errorf("%d frames are on the disk, %d can be read", written, frames)
	}
	return nil
}

// wiredRecording is one of the same pulse on both channels.
func wiredRecording(t *testing.T) string {
	pulse := simulate.Marker{NoiseRMS: 5e-4, OffsetSeconds: 0.1}
	path, _ := simulated(t, simulate.Config{Rate: 8000, Seconds: 12, Seed: 2, Marker: &pulse, Wire: &pulse})
	return path
}
