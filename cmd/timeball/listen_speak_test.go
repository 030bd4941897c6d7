package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"timeball/cmd/timeball/internal/testkit"
)

// Figures are spoken by what is on the PATH, and without anything the attempt goes on.
func TestSpeak(t *testing.T) {
	folder := t.TempDir()
	t.Setenv("PATH", folder)
	show := &shown{}
	if d, err := newSpeaker(show, 1e-3); d != show || err != errNoSpeaker {
		t.Errorf("with no program: %v, %v", d, err)
	}
	said := filepath.Join(folder, "said")
	const program = "#!/bin/sh\necho \"$*\" >>\"${0%/*}/said\"\n"
	if err := os.WriteFile(filepath.Join(folder, "spd-say"), []byte(program), 0o755); err != nil {
		t.Fatal(err)
	}
	d, err := newSpeaker(show, 1e-3)
	if err != nil {
		t.Fatal(err)
	}
	speak := func(x, at float64) {
		s := testkit.Second(x, 0.1e-3)
		s.T = at
		d.Second(s)
		for d.(*speaker).busy.Load() {
			time.Sleep(time.Millisecond)
		}
	}
	for i := range 8 { // once, and again after a while
		speak(12e-3, float64(i))
	}
	speak(-5e-3, 8) // at once
	for i := range 20 {
		speak(0.1e-3, float64(9+i))
	}
	d.Aim(50e-6)
	speak(0.3e-3, 30)
	text, _ := os.ReadFile(said)
	want := "--wait retard, 12 milliseconds\n--wait retard, 12 milliseconds\n--wait advance, 5 milliseconds\n--wait stop\n--wait retard, 300 microseconds\n"
	if string(text) != want {
		t.Errorf("spoken:\n%swant:\n%s", text, want)
	}
	if show.count != 8+1+20+1 {
		t.Errorf("%d seconds were passed on", show.count)
	}
}
