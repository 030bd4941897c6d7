package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/wavfile"
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

// Several recordings are measured side by side, and told of in their order as if each
// were alone; the worst counts.
func TestReplaySeveral(t *testing.T) {
	short := filepath.Join(t.TempDir(), "short.wav")
	if code, _, errs := simulateRun(t, "--output", short, "--for", "4s", "--sample-rate", "8000"); code != exitOK {
		t.Fatal(errs)
	}
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	replay := func(files ...string) (code int, lines []string, errs string) {
		var out, said bytes.Buffer
		args := append([]string{"replay", "--json", "--station=wwv", "--path-delay=25.1ms"}, files...)
		code = run(context.Background(), args, strings.NewReader(""), &out, &said)
		return code, strings.SplitAfter(out.String(), "\n"), said.String()
	}
	_, one, _ := replay(demoFile)
	_, other, _ := replay(short)
	none := filepath.Join(t.TempDir(), "none.wav")
	for _, tt := range []struct {
		code  int
		files []string
		want  []string
	}{
		{exitNoFix, []string{demoFile, short, short}, []string{one[0], other[0], other[0], ""}},
		{exitFailed, []string{demoFile, none, short}, []string{one[0], other[0], ""}},
	} {
		code, lines, errs := replay(tt.files...)
		if code != tt.code || !slices.Equal(lines, tt.want) {
			t.Errorf("%v: status %d, %q; want %d, %q", tt.files, code, lines, tt.code, tt.want)
		}
		if (errs != "") != slices.Contains(tt.files, none) || strings.Count(errs, "\n") > 1 {
			t.Errorf("%v: %q", tt.files, errs)
		}
	}
}

func TestReplayInterrupted(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	for _, files := range [][]string{{demoFile}, {demoFile, demoFile, demoFile}} {
		var out, errs bytes.Buffer
		code := run(ctx, append([]string{"replay"}, files...), strings.NewReader(""), &out, &errs)
		if code != exitFailed || errs.String() != "timeball: "+demoFile+": interrupted\n" || out.Len() > 0 {
			t.Errorf("status %d, %q, %q", code, out.String(), errs.String())
		}
	}
}

// What a recording holds of its measurement is what it is measured with years
// later, whatever the settings and calibrations are by then; the command line
// comes before it.
func TestReplayTakesWhatTheRecordingHolds(t *testing.T) {
	home := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", home)
	folder := filepath.Join(home, "timeball")
	if err := os.MkdirAll(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	src, err := wavfile.Open(demoFile)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	flags := measureFlags{Station: []string{"wwv"}, Carrier: 10e6, MarkerEdge: "auto", ReceiverChannel: 1, PathDelay: []stationDelay{{"", delay{25.1e-3, new(0.1e-3)}}}}
	told, err := flags.settings("")
	if err != nil {
		t.Fatal(err)
	}
	told.ReceiverDelay = &align.Quantity{Value: 0.7123456789e-3, U: 31e-6}
	told.Skew = &align.Quantity{Value: -2.5e-6, U: 1e-6}
	info := src.Info()
	kept := filepath.Join(t.TempDir(), "kept.wav")
	w, err := wavfile.Create(kept, wavfile.Format{Rate: info.Rate, Channels: info.Channels, Bits: info.Bits, Start: info.Start, Settings: flags.recorded(told)})
	if err != nil {
		t.Fatal(err)
	}
	if err := measureAll(&program{ctx: t.Context(), stderr: io.Discard}, src.Info(), blocksAhead, src.Read, func(b *capture.Block) {
		if err := w.Write(b); err != nil {
			t.Fatal(err)
		}
	}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	measure := func(file string, args ...string) (f align.Fix) {
		t.Helper()
		status, out, errs := runWith(t, append([]string{"replay", "--json", file}, args...)...)
		if status != exitOK {
			t.Fatalf("status %d: %s", status, errs)
		}
		validate(t, out)
		if err := json.Unmarshal([]byte(out), &f); err != nil {
			t.Fatal(err)
		}
		return f
	}
	want := measure(demoFile, "--station=wwv", "--carrier=10MHz", "--receiver-channel=1", "--path-delay", "25.1ms±0.196ms", "--receiver-delay=0.7123456789ms±0.06076ms", "--skew=-2.5us±1.96us")
	// Another calibration and another place by now.
	for name, text := range map[string]string{
		"config.toml":      "at = \"-33.9,18.4\"\nstation = \"chu\"\n",
		"calibration.toml": "[receiver_delay]\ndelay_s = 0.01\nu_s = 1e-5\ndate = 2030-01-01T00:00:00Z\nmethod = \"generator\"\n",
	} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	got := measure(kept)
	if math.Abs(*got.Offset-*want.Offset) > 1e-12 || math.Abs(*got.U-*want.U) > 1e-9 {
		t.Errorf("%v ± %v, when it was recorded %v ± %v", *got.Offset, *got.U, *want.Offset, *want.U)
	}
	if !slices.Contains(got.Recording.Settings, "station=wwv") || !slices.Contains(got.Recording.Settings, "receiver-channel=1") {
		t.Errorf("it says that it took %q from the recording", got.Recording.Settings)
	}
	if status, out, _ := runWith(t, "replay", kept, "--station=wwvh"); status != exitNoFix {
		t.Errorf("another station than the recording's, given, is not looked for: %d, %s", status, out)
	}
	over := measure(kept, "--path-delay", "24.1ms±0.2ms")
	if d := *over.Offset - *got.Offset; math.Abs(d-1e-3) > 1e-6 {
		t.Errorf("with a path shorter by 1 ms the offset is %v later", d)
	}
}
