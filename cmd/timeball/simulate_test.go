package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/wavfile"
)

func simulateRun(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(context.Background(), append([]string{"simulate"}, args...), strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}

// The recording must hold the pulse where the flags, not the truth, put it.
func TestSimulateWritesRecordingAndTruth(t *testing.T) {
	file := filepath.Join(t.TempDir(), "gannet-head.wav")
	status, stdout, stderr := simulateRun(t, "--output", file, "--for", "5s", "--sample-rate", "8000",
		"--start", "2026-03-14T18:20:07.25Z", "--offset", "12.5ms", "--step", "2.5s=100ms", "--path-delay", "wwv=7.2ms", "--dut1=-0.2")
	if status != exitOK || stderr != "" || !strings.Contains(stdout, "gannet-head.truth.json") {
		t.Fatalf("status %d, %q, %q", status, stdout, stderr)
	}
	text, err := os.ReadFile(strings.TrimSuffix(file, ".wav") + ".truth.json")
	if err != nil {
		t.Fatal(err)
	}
	var truth simulate.Truth
	if err := json.Unmarshal(text, &truth); err != nil {
		t.Fatal(err)
	}
	if truth.Schema != "timeball.truth/1" || math.Abs(truth.Marker.Offset-(0.0125-0.1)) > 1e-9 || truth.Marker.Pulses != 5 {
		t.Errorf("truth %s", text)
	}
	if d := truth.Signals[0].Paths[0].DelaySeconds; d != 0.0072 {
		t.Errorf("path delay %g", d)
	}

	src, err := wavfile.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	info := src.Info()
	if want := time.Date(2026, 3, 14, 18, 20, 7, 250e6, time.UTC); info.Rate != 8000 || info.Channels != 2 || info.Bits != 16 || !info.Start.Equal(want) {
		t.Errorf("%+v", info)
	}
	var marker []float32
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		marker = append(marker, b.Channels[1]...)
	}
	if len(marker) != 5*8000 {
		t.Fatalf("%d frames", len(marker))
	}
	// UTC seconds fall 0.75 s after the start and on; ahead means before them.
	var edges []float64
	for i := 1; i < len(marker); i++ {
		if marker[i-1] < 0.25 && marker[i] >= 0.25 {
			edges = append(edges, float64(i)/8000)
		}
	}
	want := []float64{0.75 - 0.0125, 1.75 - 0.0125, 2.75 - 0.0125 + 0.1, 3.75 - 0.0125 + 0.1, 4.75 - 0.0125 + 0.1}
	if len(edges) != len(want) {
		t.Fatalf("edges at %v, want %v", edges, want)
	}
	for i, e := range edges {
		if math.Abs(e-want[i]) > 1.5/8000 {
			t.Errorf("edge %d at %.4f s, want %.4f", i, e, want[i])
		}
	}
}

func TestSimulatePrintsTruth(t *testing.T) {
	file := filepath.Join(t.TempDir(), "a.wav")
	status, stdout, _ := simulateRun(t, "--output", file, "--for", "1s", "--json", "--no-marker", "--station", "none")
	var truth simulate.Truth
	if err := json.Unmarshal([]byte(stdout), &truth); status != exitOK || err != nil {
		t.Fatalf("status %d: %v: %q", status, err, stdout)
	}
	if truth.Marker != nil || len(truth.Signals) != 0 || truth.Seconds != 1 {
		t.Errorf("truth %s", stdout)
	}
	if _, err := os.Stat(strings.TrimSuffix(file, ".wav") + ".truth.json"); err == nil {
		t.Error("the truth was written beside the recording as well")
	}
}

func TestSimulateRefuses(t *testing.T) {
	dir := t.TempDir()
	there := filepath.Join(dir, "there.wav")
	if err := os.WriteFile(there, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{"--for", "1s"}, exitUsage, "--output"},
		{[]string{"--output", filepath.Join(dir, "a.wav"), "--station", "nosuch"}, exitUsage, `no station "nosuch"`},
		{[]string{"--output", filepath.Join(dir, "a.wav"), "--fading", "mild"}, exitUsage, "mid-near-vertical"},
		{[]string{"--output", filepath.Join(dir, "a.wav"), "--step", "12ms"}, exitUsage, "60s=12ms"},
		{[]string{"--output", filepath.Join(dir, "a.wav"), "--path-delay", "7"}, exitUsage, "7.2ms"},
		{[]string{"--output", filepath.Join(dir, "a.wav"), "--station", "rwm"}, exitUsage, "ssb"},
		{[]string{"--output", filepath.Join(dir, "a.wav"), "--station", "msf", "--detector", "ssb"}, exitUsage, "--mistuning"},
		{[]string{"--output", filepath.Join(dir, "a.wav"), "--station", "bpc", "--detector", "ssb", "--mistuning", "1500", "--leap-at", "2027-01-01T00:00:00Z"}, exitUsage, "leap second"},
		{[]string{"--output", there, "--for", "1s"}, exitFailed, "there.wav"},
	} {
		status, _, stderr := simulateRun(t, tt.args...)
		if status != tt.status || !strings.Contains(stderr, tt.says) || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%v: status %d, %q; want %d and one line with %q", tt.args, status, stderr, tt.status, tt.says)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "a.wav")); err == nil {
		t.Error("a refused run left a recording")
	}
}
