//go:build cgo && unix

package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"timeball/capture/simulate"
	"timeball/capture/soundcard/pulsetest"
	"timeball/capture/station"
)

// At a terminal and a sound card, from an empty home to a fix: all that is typed is the
// place, the input and Enter.
func TestSoundcardBegin(t *testing.T) {
	t.Parallel()
	tmux := terminals(t)
	if tmux == nil {
		t.Skip("tmux is not installed")
	}
	server := pulsetest.Beside(t, card)
	wwv, _ := station.Find("wwv")
	file := write(t, simulate.Config{Rate: card.Rate, Seconds: 75, Seed: 4, Station: wwv, SNRdB: 25,
		Marker: &simulate.Marker{OffsetSeconds: liveOffset, NoiseRMS: 3e-4}})
	home := t.TempDir()
	cmd := selfProgram(server, "begin", "--for=15s")
	cmd.Env = append(cmd.Env, "XDG_CONFIG_HOME="+home+"/config", "XDG_DATA_HOME="+home+"/data")
	tmux(append(append([]string{"new-session", "-d", "-s", "clock", "-x", "120", "-y", "100", "-c", home}, ownEnv(cmd)...),
		"sh", "-c", cmd.Path+"; echo status $?; sleep 60")...)
	defer tmux("kill-server")
	screen := func() string { return tmux("capture-pane", "-p", "-J", "-t", "clock:") }
	until := time.Now().Add(3 * time.Minute) // of which 27 s are listened
	answer := func(prompt, text string) {
		t.Helper()
		for !strings.Contains(screen(), prompt) {
			if time.Now().After(until) {
				t.Fatalf("no %q on\n%s", prompt, screen())
			}
			time.Sleep(100 * time.Millisecond)
		}
		tmux("send-keys", "-t", "clock:", "-l", text)
		tmux("send-keys", "-t", "clock:", "Enter")
	}
	answer("Latitude and longitude", "40.65,-105.05") // two miles from WWV
	answer("tuned to [1]?", "")
	server.PlayFile(card, file)
	answer("Which input", card.Name)
	answer("Empty: go on.", "")
	wired := screen()
	for _, want := range []string{"1) WWV on ", "good marker              on channel 2", "good ticks               ticks heard, taken for WWV's, as named, "} {
		if !strings.Contains(wired, want) {
			t.Errorf("no %q on\n%s", want, wired)
		}
	}
	answer("File to record it in", "kept.wav")
	answer("status ", "")
	ended := screen()
	t.Logf("%s\n%s", wired, ended)
	for _, want := range []string{"--input=" + card.Name, "the local clock is ", "ahead of UTC", "status 0"} {
		if !strings.Contains(ended, want) {
			t.Errorf("no %q on\n%s", want, ended)
		}
	}
	var ms, half float64
	_, said, _ := strings.Cut(ended, "ahead of UTC by ")
	if _, err := fmt.Sscanf(said, "%g ms ± %g ms", &ms, &half); err != nil || math.Abs(ms-1e3*liveOffset) > half || half > 1 {
		t.Errorf("%g ± %g ms, the truth is %g ms: %v", ms, half, 1e3*liveOffset, err)
	}
	for _, kept := range []string{"kept.wav", "config/timeball/config.toml", "data/timeball/logbook.sqlite"} {
		if _, err := os.Stat(filepath.Join(home, kept)); err != nil {
			t.Error(err)
		}
	}
}
