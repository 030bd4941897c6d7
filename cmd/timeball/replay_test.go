package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"timeball/align"
	"timeball/capture/simulate"
)

const demoFile = "../../testdata/gannet-head.wav"

// replayJSON measures a recording and returns its JSON.
func replayJSON(t *testing.T, file string, args ...string) (line string, fix align.Fix) {
	t.Helper()
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	var out, errs bytes.Buffer
	if !strings.Contains(strings.Join(args, " "), "--station=") { // it may repeat, and then adds
		args = append(args, "--station=wwv")
	}
	args = append([]string{"replay", "--json", "--receiver-delay=0.5ms±0.1ms", file}, args...)
	if code := run(context.Background(), args, strings.NewReader(""), &out, &errs); errs.Len() > 0 || code != exitOK && code != exitNoFix {
		t.Fatalf("status %d: %s", code, errs.String())
	}
	line = strings.TrimSuffix(out.String(), "\n")
	if strings.Contains(line, "\n") {
		t.Fatalf("not one line: %s", line)
	}
	if err := json.Unmarshal([]byte(line), &fix); err != nil {
		t.Fatal(err)
	}
	return line, fix
}

// The demo's fix must hold what the simulator knows of its recording.
func TestDemoHoldsTruth(t *testing.T) {
	text, err := os.ReadFile(strings.TrimSuffix(demoFile, ".wav") + ".truth.json")
	if err != nil {
		t.Fatal(err)
	}
	var truth simulate.Truth
	if err := json.Unmarshal(text, &truth); err != nil {
		t.Fatal(err)
	}
	for _, path := range [][]string{{"--at=50.2,-5.6", "--carrier=10MHz"}, {"--path-delay=25.1ms±0.05ms"}} {
		_, f := replayJSON(t, demoFile, path...)
		if f.Verdict != align.Found || f.Sense != align.Behind {
			t.Fatalf("%v: verdict %s, %s", path, f.Verdict, f.Sense)
		}
		if want := truth.Marker.Offset; f.CI95[0] > want || want > f.CI95[1] {
			t.Errorf("%v: %.6f s in %v; the truth is %.6f s", path, *f.Offset, *f.CI95, want)
		}
		if want := truth.Start.Add(time.Duration(truth.Marker.LastPulse * 1e9)).Round(time.Second); f.At == nil || !f.At.Equal(want) {
			t.Errorf("%v: at %v, want %v", path, f.At, want)
		}
		if ppm := *f.SampleClock.PPMvsUTC; math.Abs(ppm-truth.SampleClock.PPM) > 0.5 {
			t.Errorf("%v: sample clock %g ppm, want %g", path, ppm, truth.SampleClock.PPM)
		}
		m := f.Marker
		if m.Pulses != truth.Marker.Pulses || len(m.Steps) != 1 || math.Abs(m.Steps[0].By-truth.Marker.Steps[0].By) > 1e-5 {
			t.Errorf("%v: marker %+v, truth %+v", path, m, truth.Marker)
		}
	}
}

func TestContract(t *testing.T) {
	short := filepath.Join(t.TempDir(), "short.wav") // for a marker to be told
	if code, _, errs := simulateRun(t, "--output", short, "--for", "4s", "--sample-rate", "8000"); code != exitOK {
		t.Fatal(errs)
	}
	for _, tt := range []struct {
		verdict align.Verdict
		file    string
		args    []string
	}{
		{align.Found, demoFile, []string{"--path-delay=25.1ms"}},
		{align.NoPath, demoFile, nil},
		{align.NoTick, demoFile, []string{"--station=hla"}},
		{align.NoMarker, short, nil},
	} {
		line, f := replayJSON(t, tt.file, tt.args...)
		validate(t, line)
		if f.Verdict != tt.verdict {
			t.Errorf("%s instead of %s", f.Verdict, tt.verdict)
		}
		if (f.Reason == "") != (f.Verdict == align.Found) {
			t.Errorf("%s: reason %q", f.Verdict, f.Reason)
		}
	}
}

func TestReplayInterrupted(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	var out, errs bytes.Buffer
	code := run(ctx, []string{"replay", demoFile}, strings.NewReader(""), &out, &errs)
	if code != exitFailed || errs.String() != "timeball: "+demoFile+": interrupted\n" || out.Len() > 0 {
		t.Errorf("status %d, %q, %q", code, out.String(), errs.String())
	}
}
