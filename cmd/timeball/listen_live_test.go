//go:build cgo && unix

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/soundcard/pulsetest"
	"timeball/capture/station"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/sound"
)

// The session that is played: the clock is retarded by liveStep half-way.
const (
	liveSeconds = 66
	liveOffset  = 0.0123
	liveStep    = 3e-3
	liveStepAt  = 35.4
)

// session writes the simulated session as a file.
func session(t *testing.T, sink pulsetest.Sink) string {
	t.Helper()
	wwv, ok := station.Find("wwv")
	if !ok {
		t.Fatal("no such station")
	}
	return write(t, simulate.Config{
		Rate: sink.Rate, Seconds: liveSeconds, Seed: 21, Station: wwv, SNRdB: 15,
		Receiver: simulate.Receiver{Detector: simulate.Linear},
		Marker: &simulate.Marker{OffsetSeconds: liveOffset, NoiseRMS: 3e-4,
			Steps: []simulate.Step{{AtSeconds: liveStepAt, BySeconds: liveStep}}},
		SoundCard: simulate.SoundCard{ClockPPM: 20},
	})
}

// write writes a simulated recording as a file.
func write(t *testing.T, c simulate.Config) string {
	t.Helper()
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "session.wav")
	w, err := wavfile.Create(path, wavfile.Format{Rate: c.Rate, Channels: 2, Bits: 16})
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for src.Read(&b) == nil {
		if err := w.Write(&b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// knownDelays leave no correction in doubt.
var knownDelays = []string{"--station=wwv", "--path-delay=0ms±0.001ms", "--receiver-delay=0ms±0.001ms", "--skew=0us"}

// replayed measures a recording.
func replayed(t *testing.T, path string) align.Fix {
	t.Helper()
	status, out, errs := runWith(t, append(append([]string{"replay", "--json"}, knownDelays...), path)...)
	if status != exitOK {
		t.Fatalf("replay: %d, %s%s", status, errs, out)
	}
	return decodeFix(t, []byte(out))
}

// replaysTheSame checks that a recording replays to the fix that its live
// measurement ended with, in all that is said of it.
func replaysTheSame(t *testing.T, path string, live align.Fix) {
	t.Helper()
	want, err := json.MarshalIndent(live, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	again := replayed(t, path)
	again.Recording.Settings = nil // which only a replay takes from the file
	got, err := json.MarshalIndent(again, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("live %s\nreplayed %s", want, got)
	}
}

// selfProgram is timeball as a process of its own, not yet started, on the inputs
// of a server.
func selfProgram(server *pulsetest.Server, args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childArgs+"="+strings.Join(args, "\n"))
	cmd.Env = append(cmd.Env, server.Env...)
	return cmd
}

// runBeside runs timeball like runWith, on the inputs of a server.
func runBeside(t testing.TB, server *pulsetest.Server, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	cmd := selfProgram(server, args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); cmd.ProcessState == nil {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), out.String(), errs.String()
}

func TestSoundcardListen(t *testing.T) {
	t.Parallel()
	server := pulsetest.Beside(t, card)
	file := session(t, card)
	folder := t.TempDir()
	listen := func(more ...string) []string {
		return append(append([]string{"listen", "--input=card"}, knownDelays...), more...)
	}
	server.PlayFile(card, file)
	recording := filepath.Join(folder, "whole.wav")
	cmd := selfProgram(server, listen("--json", "--for=58s", "--record="+recording)...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	// Beside it one that is killed in the middle, and one on each of three screens.
	cut := filepath.Join(folder, "cut.wav")
	victim := child(t, server, listen("--record="+cut)...)
	time.AfterFunc(30*time.Second, func() { victim.Process.Kill() })
	shots := make(chan map[string]string, 1)
	go func() {
		defer close(shots)
		shots <- screenshots(t, server, listen("--for=90s", "--tolerance=20ms"))
	}()
	t.Cleanup(func() {
		for range shots { // a test that has failed must not end before they do
		}
	})

	// And one that checks the wiring.
	wiring := selfProgram(server, "levels", "--input=card", "--once", "--receiver-channel=2", "--marker-channel=1")
	var wiringOut bytes.Buffer
	wiring.Stdout = &wiringOut
	if err := wiring.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { wiring.Process.Kill(); wiring.Wait() })

	type arrived struct {
		second align.Second
		when   time.Time
	}
	var all []arrived
	var last []byte
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		last = bytes.Clone(lines.Bytes())
		var s align.Second
		if err := json.Unmarshal(last, &s); err != nil {
			t.Fatalf("%v: %s", err, last)
		}
		if s.Schema == align.SecondSchema {
			all = append(all, arrived{s, time.Now()})
		}
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("listen: %v; %slast line %s", err, errs.String(), last)
	}
	fix := decodeFix(t, last)

	t.Run("fix", func(t *testing.T) {
		if fix.Verdict != align.Found {
			t.Fatalf("%s: %s", fix.Verdict, fix.Reason)
		}
		e := *fix.Offset - (liveOffset - liveStep)
		t.Logf("off by %.1f us, u = %.1f us", e*1e6, *fix.U*1e6)
		if math.Abs(e) > 3**fix.U || *fix.U > 100e-6 {
			t.Errorf("off by %v s, u = %v s", e, *fix.U)
		}
		if len(fix.Recording.Gaps) > 0 {
			t.Errorf("frames were lost: %+v", fix.Recording.Gaps)
		}
	})
	t.Run("step", func(t *testing.T) {
		info, _ := readFile(t, recording)
		if !strings.HasPrefix(info.Note, "input card; stations listened for WWV; path delay 0.0 ") {
			t.Errorf("note %q", info.Note)
		}
		for i, a := range all {
			if a.second.Marker.Step == 0 || a.second.Offset == nil || i == 0 || all[i-1].second.Offset == nil {
				continue
			}
			if d := a.second.Marker.Step - liveStep; math.Abs(d) > 1e-6 {
				t.Errorf("the marker's step shows as %v s, it was %v s", a.second.Marker.Step, liveStep)
			}
			// The radio's fit may be renewed in between.
			if d := *all[i-1].second.Offset - *a.second.Offset; math.Abs(d-liveStep) > 3**fix.U {
				t.Errorf("the step shows as %v s, it was %v s", d, liveStep)
			}
			if len(fix.Marker.Steps) != 1 {
				t.Fatalf("steps: %+v", fix.Marker.Steps)
			}
			pulse := info.Start.Add(time.Duration(fix.Marker.Steps[0].At * 1e9))
			t.Logf("shown %.2f s after its first pulse", a.when.Sub(pulse).Seconds())
			// By the sample clock: how busy this machine is does not count. Between the
			// turn and the pulse there is up to a second.
			if late := a.second.T - fix.Marker.Steps[0].At; late > 1.2 {
				t.Errorf("shown %v s after its first pulse", late)
			}
			return
		}
		t.Error("no second shows the step")
	})
	t.Run("replay", func(t *testing.T) {
		replaysTheSame(t, recording, fix)
	})
	t.Run("killed", func(t *testing.T) {
		victim.Wait()
		f := replayed(t, cut)
		if f.Recording.Seconds < 10 || math.Abs(*f.Offset-liveOffset) > 3**f.U {
			t.Errorf("%v ± %v from %v s", *f.Offset, *f.U, f.Recording.Seconds)
		}
	})
	t.Run("levels", func(t *testing.T) {
		wiring.Wait()
		text := wiringOut.String()
		if wiring.ProcessState.ExitCode() != exitNoFix || !strings.Contains(text, "the channels are swapped: the marker is on channel 2") ||
			!strings.Contains(text, "good channel 1 level") || !strings.Contains(text, "rising edge, 100 ms wide") {
			t.Errorf("%d\n%s", wiring.ProcessState.ExitCode(), text)
		}
	})
	t.Run("screens", func(t *testing.T) {
		got := <-shots
		for name, text := range got {
			t.Logf("%s:\n%s", name, text)
			// A dumb terminal gets lines.
			if lacks := wrongOn(name, text); lacks != "" {
				t.Errorf("%s: %s:\n%s", name, lacks, text)
			}
			// What fits is not cut off, nor wrapped by the terminal.
			if name == resized && !strings.Contains(text, "AHEAD: STOP\n") {
				t.Errorf("%s is not laid out anew:\n%s", name, text)
			}
		}
	})
}

func decodeFix(t testing.TB, text []byte) align.Fix {
	t.Helper()
	var f align.Fix
	if err := json.Unmarshal(text, &f); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	if f.Schema != align.Schema || f.Offset == nil || f.U == nil {
		t.Fatalf("no fix: %s", text)
	}
	return f
}

// wrongOn is what is wrong with the screen of a terminal when the clock stands within the
// tolerance; empty when nothing is.
func wrongOn(name, text string) string {
	if large := strings.Count(text, "█") > 40; large == (name == dumb) {
		return fmt.Sprintf("large figure %v", large)
	}
	if lines := strings.Count(text, "ahead: stop") > 3; lines != (name == dumb) {
		return fmt.Sprintf("lines %v", lines)
	}
	for _, want := range []string{"ahead of UTC by", "within ±20 ms, certain", "radio heard"} {
		if name != dumb && !strings.Contains(text, want) {
			return fmt.Sprintf("lacks %q", want)
		}
	}
	return ""
}

// screenshots runs timeball on terminals of three sizes, on one that is then
// made narrower and on one that can only print, and returns what is on them as soon as
// it is right, at the latest after a minute; nothing where there is no tmux.
func screenshots(t *testing.T, server *pulsetest.Server, args []string) map[string]string {
	tmux := terminals(t)
	if tmux == nil {
		t.Log("tmux is not installed: no screens are looked at")
		return nil
	}
	got := map[string]string{"200x60": "", "80x24": "", "40x20": "", resized: "", dumb: ""}
	for name := range got {
		cmd := selfProgram(server, args...)
		start := []string{"new-session", "-d", "-s", name, "-x", "200", "-y", "60"}
		if w, h, ok := strings.Cut(name, "x"); ok {
			start[5], start[7] = w, h
		}
		start = append(start, ownEnv(cmd)...)
		program := []string{cmd.Path}
		if name == dumb {
			program = []string{"env", "TERM=dumb", cmd.Path}
		}
		tmux(append(start, program...)...)
	}
	defer tmux("kill-server")
	capture := func() (right bool) {
		right = true
		for name := range got {
			got[name] = tmux("capture-pane", "-p", "-t", name+":")
			right = right && wrongOn(name, got[name]) == ""
		}
		return right
	}
	for range 60 {
		time.Sleep(time.Second)
		if capture() {
			break
		}
	}
	tmux("resize-window", "-t", resized+":", "-x", "50", "-y", "15")
	for range 10 {
		time.Sleep(time.Second)
		if capture() && strings.Contains(got[resized], "AHEAD: STOP\n") {
			break
		}
	}
	return got
}

// terminals runs tmux with a server of the test's own; nil where it is not installed.
func terminals(t *testing.T) func(args ...string) string {
	if _, err := exec.LookPath("tmux"); err != nil {
		return nil
	}
	socket := filepath.Join(t.TempDir(), "tmux")
	return func(args ...string) string {
		out, err := exec.Command("tmux", append([]string{"-S", socket, "-f", "/dev/null"}, args...)...).CombinedOutput()
		if err != nil {
			t.Errorf("tmux %v: %v: %s", args, err, out)
		}
		return string(out)
	}
}

// ownEnv is what a command's environment has to itself, for tmux new-session.
func ownEnv(cmd *exec.Cmd) (args []string) {
	for _, e := range cmd.Env {
		if name, _, _ := strings.Cut(e, "="); name == childArgs || strings.HasPrefix(name, "PULSE") || name == "HOME" || strings.HasPrefix(name, "XDG_") {
			args = append(args, "-e", e)
		}
	}
	return args
}

// Screens that are not merely of some size.
const resized, dumb = "narrowed", "dumb"

// The card is unplugged, the server killed: the attempt goes on with what comes
// after, though nobody knows to the millisecond how long that took.
func TestSoundcardListenUnplugged(t *testing.T) {
	t.Parallel()
	server := pulsetest.Beside(t, card)
	file := session(t, card)
	stop := server.PlayFile(card, file)
	recording := filepath.Join(t.TempDir(), "unplugged.wav")
	cmd := selfProgram(server, append([]string{"listen", "--json", "--input=card", "--for=52s", "--record=" + recording}, knownDelays...)...)
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	time.Sleep(17 * time.Second)
	server.Unload(card.Name)
	time.Sleep(2 * time.Second)
	server.Load(card)
	stop()
	stop = server.PlayFile(card, file)
	time.Sleep(15 * time.Second)
	server.Kill()
	stop()
	server.Restart()
	server.PlayFile(card, file)
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, said.String())
	}
	all := bytes.Split(bytes.TrimSpace(out.Bytes()), []byte("\n"))
	f := decodeFix(t, all[len(all)-1])
	t.Logf("%s%+v", said.String(), f.Recording.Gaps)
	if e := *f.Offset - liveOffset; math.Abs(e) > 3**f.U || *f.U > 100e-6 {
		t.Errorf("off by %v s, u = %v s", e, *f.U)
	}
	if len(f.Recording.Gaps) < 2 || len(f.Marker.Steps) > 0 {
		t.Errorf("gaps %+v, steps %+v", f.Recording.Gaps, f.Marker.Steps)
	}
	replaysTheSame(t, recording, f)
}

// Ctrl-C ends with the fix, or with the word that there is none.
func TestSoundcardListenInterrupted(t *testing.T) {
	t.Parallel()
	server := pulsetest.Beside(t, card)
	server.Play(card, counting(60))
	var said, out [2]bytes.Buffer
	var cmds []*exec.Cmd
	for i := range said {
		cmd := selfProgram(server, "listen", "--input=card")
		cmd.Stdout, cmd.Stderr = &out[i], &said[i]
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
		cmds = append(cmds, cmd)
	}
	time.Sleep(9 * time.Second)
	for i, sig := range []os.Signal{syscall.SIGINT, syscall.SIGTERM} {
		cmds[i].Process.Signal(sig)
		err := cmds[i].Wait()
		if cmds[i].ProcessState.ExitCode() != exitNoFix || !strings.Contains(out[i].String(), "no fix: ") {
			t.Errorf("%v: %v, %q, %q", sig, err, out[i].String(), said[i].String())
		}
	}
}

// With every pulse there sounds what to do: low tones for a clock that is ahead, high
// ones once it is behind, more of them as it is nearer, and a stop at the tolerance.
func TestSoundcardBeep(t *testing.T) {
	t.Parallel()
	speaker := pulsetest.Sink{Name: "speaker", Rate: toneTestRate, Channels: 1}
	server := pulsetest.Beside(t, card, speaker)
	file := write(t, simulate.Config{
		Rate: card.Rate, Seconds: 34, Seed: 5, Wire: &simulate.Marker{NoiseRMS: 3e-4},
		Marker: &simulate.Marker{OffsetSeconds: 20e-3, NoiseRMS: 3e-4, Steps: []simulate.Step{{AtSeconds: 15.5, BySeconds: 22e-3}, {AtSeconds: 20.5, BySeconds: -2e-3}}},
	})
	server.PlayFile(card, file)
	server.Env = append(server.Env, "PULSE_SINK="+speaker.Name) // the output "default" is then this
	heard := server.Record(speaker)
	status, out, errs := runBeside(t, server, "listen", "--input=card", "--wired", "--beep", "--for=27s", "--tolerance=100us", "--no-log")
	if status != exitOK || errs != "" {
		t.Fatalf("%d, %q, %q", status, out, errs)
	}
	all := tones(heard())
	t.Logf("%+v", all)
	// 200 times the tolerance off it is two tones a second, 20 times four.
	if err := soundRight(all, 2*strings.Count(out, ": retard"), 4*strings.Count(out, ": advance"), strings.Count(out, ": stop")); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// heardTone is a tone in a recording.
type heardTone struct {
	hz      float64 // mean
	seconds float64
}

// mostStrays is how many tones may be none that was played: under load a sound server
// stumbles now and then, and cuts or joins some.
const mostStrays = 4

// soundRight checks that low tones, then high ones, then stops were heard, about so
// many of each.
func soundRight(all []heardTone, low, high, stops int) error {
	order, strays := "", 0
	for _, h := range all {
		short := h.seconds > 0.05 && h.seconds < 0.12 // a stop begins low: what it was cut to is none
		switch {
		case short && math.Abs(h.hz-sound.RetardHz) < 5:
			order += "l"
		case short && math.Abs(h.hz-sound.AdvanceHz) < 5:
			order += "h"
		case h.seconds > 0.7 && h.seconds < 0.9 && math.Abs(h.hz-(sound.RetardHz+sound.AdvanceHz)/2) < 15:
			order += "s"
		default:
			strays++
		}
	}
	if strays > mostStrays || !regexp.MustCompile("^l+h+s+$").MatchString(order) {
		return fmt.Errorf("heard %s and %d others", order, strays)
	}
	for letter, want := range map[string]int{"l": low, "h": high, "s": stops} {
		// The latest second's may be cut off, and a cue be overtaken by the next; what
		// still sounds when the recording of it ends is lost.
		least := want*2/3 - 1
		if letter == "s" {
			least = min(least, 3)
		}
		if n := strings.Count(order, letter); n < least || n > want+1 {
			return fmt.Errorf("heard %d of %s in %s, want %d", n, letter, order, want)
		}
	}
	return nil
}

// The check of what is heard takes a stumble for what it is, but nothing wrong for
// right.
func TestSoundRight(t *testing.T) {
	low, high, stop := heardTone{350.4, 0.068}, heardTone{699, 0.066}, heardTone{526, 0.79}
	of := func(all ...any) (list []heardTone) {
		for i := 0; i < len(all); i += 2 {
			for range all[i].(int) {
				list = append(list, all[i+1].(heardTone))
			}
		}
		return list
	}
	for _, c := range []struct {
		name  string
		heard []heardTone
		right bool
	}{
		{"right", of(10, low, 20, high, 5, stop), true},
		{"a stray or two", of(4, low, 1, heardTone{278.5, 0.1}, 6, low, 12, high, 1, heardTone{350, 0.2}, 8, high, 5, stop), true},
		{"the last stop cut off", of(10, low, 20, high, 5, stop, 1, heardTone{352, 0.04}), true},
		{"wrong pitch", of(10, heardTone{400, 0.068}, 20, high, 5, stop), false},
		{"wrong order", of(20, high, 10, low, 5, stop), false},
		{"turned round for a second", of(10, low, 10, high, 2, low, 10, high, 5, stop), false},
		{"no stop", of(10, low, 20, high), false},
		{"a stop that is one pitch", of(10, low, 20, high, 5, heardTone{350, 0.79}), false},
		{"too few", of(4, low, 20, high, 5, stop), false},
		{"as many far as near", of(10, low, 10, high, 5, stop), false},
		{"nothing", nil, false},
	} {
		if err := soundRight(c.heard, 10, 20, 5); (err == nil) != c.right {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

const toneTestRate = 48000

// tones returns each tone in a recording, its pitch by its zero crossings.
func tones(x []int16) []heardTone {
	const quiet = toneTestRate / 20 // samples of silence between two tones
	var all []heardTone
	first, last, rises := -1, -1, 0
	for i := 1; i <= len(x); i++ {
		if i == len(x) || last >= 0 && i-last > quiet {
			if rises > 10 {
				seconds := float64(last-first) / toneTestRate
				all = append(all, heardTone{float64(rises-1) / seconds, seconds})
			}
			first, last, rises = -1, -1, 0
		} else if x[i-1] < 0 && x[i] >= 0 {
			if first < 0 {
				first = i
			}
			last = i
			rises++
		}
	}
	return all
}
