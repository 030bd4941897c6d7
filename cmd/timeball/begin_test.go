package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"timeball/capture/wavfile"
)

// From an empty home to a fix: the place is asked for and kept, the nearest station
// is offered, wiring is looked at, and the attempt ends with a fix on record.
func TestBeginLeadsToAFix(t *testing.T) {
	home := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", home)
	t.Setenv("XDG_DATA_HOME", home)
	t.Chdir(home)
	begin := func(answers string) (int, string, string) {
		var out, errs bytes.Buffer
		p := &program{t.Context(), strings.NewReader(answers), &out, &errs, openSimulated}
		code := p.run([]string{"begin", "--input=simulated", "--for=15s"})
		return code, out.String(), errs.String()
	}
	// Two miles from WWV, where its ground wave is sure.
	code, out, errs := begin("here\n40.65,-105.05\n9\n1\nagain\n\nkept.wav\n")
	if code != exitOK {
		t.Fatalf("status %d\n%s%s", code, out, errs)
	}
	for _, want := range []string{"is no place", "1) WWV on ", "AM, beat oscillator off", "Give a number from 1", "$ timeball levels --once --input=simulated",
		"$ timeball listen --at=40.65,-105.05 --station=wwv --carrier=", "--record=kept.wav", "never lift a safety earth", "the local clock is "} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	if n := strings.Count(out, "$ timeball levels"); n != 2 {
		t.Errorf("levels were looked at %d times, want 2", n)
	}
	if r, err := wavfile.Open(filepath.Join(home, "kept.wav")); err != nil {
		t.Error(err)
	} else {
		r.Close()
	}
	config, err := os.ReadFile(filepath.Join(home, "timeball", "config.toml"))
	if err != nil || string(config) != "at = \"40.65,-105.05\"\n" {
		t.Errorf("kept: %s, %v", config, err)
	}
	// The second time it is not asked for, and every step can be skipped.
	code, out, errs = begin("\n\n-\n")
	if code != exitOK || !strings.Contains(out, "It is 40.65") || strings.Contains(out, "Latitude") {
		t.Errorf("status %d\n%s%s", code, out, errs)
	}
}
