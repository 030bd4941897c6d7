package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
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

// shape is what a JSON value must look like: a kind, a list of one shape, or an
// object of named shapes. A kind that ends in ? may be null.
type (
	list   [1]any
	object map[string]any
)

// contract is the form of timeball.fix/1.
var contract = object{
	"schema":    "text",
	"recording": object{"path": "text", "rate_hz": "number", "seconds": "number", "gaps": list{object{"at_s": "number", "lost_frames": "number"}}},
	"verdict":   "text", "reason": "text",
	"offset_s": "number?", "u_s": "number?", "ci95_s": "pair?", "dof": "number?", "sense": "text?", "at": "time?",
	"rate": "rate?", "whole_seconds": "number?",
	"budget": list{"budget"},
	"stations": list{object{"id": "text", "tone_hz": "number", "ticks_expected": "number", "ticks_used": "number", "snr_db": "number?",
		"offset_s": "number?", "u_s": "number?", "path": "path?", "arrivals": list{object{"excess_s": "number", "level_db": "number"}}}},
	"marker":       "marker?",
	"sample_clock": "clock?",
	"utc":          "utc?",
	"warnings":     list{"text"},
}

var contractParts = map[string]any{
	"rate":   object{"y": "number", "u": "number"},
	"path":   object{"delay_s": "number", "u_s": "number", "mode": "text"},
	"clock":  object{"ppm_vs_utc": "number?", "ppm_vs_marker": "number?"},
	"utc":    object{"second": "time", "dut1_s": "number?", "leap": "text", "from": "text"},
	"marker": object{"channel": "number", "edge": "text", "pulses": "number", "missed": "number", "jitter_s": "number", "steps": list{object{"at_s": "number", "by_s": "number"}}},
}

// mismatch says where v does not have the form want; empty when it does.
func mismatch(where string, v, want any) string {
	wrong := func() string { return fmt.Sprintf("%s is %v, want %v", where, v, want) }
	switch want := want.(type) {
	case object:
		o, ok := v.(map[string]any)
		if !ok {
			return wrong()
		}
		for name, form := range want {
			field, ok := o[name]
			if !ok {
				return where + "." + name + " is missing"
			}
			if m := mismatch(where+"."+name, field, form); m != "" {
				return m
			}
		}
	case list:
		l, ok := v.([]any)
		if !ok {
			return wrong()
		}
		for i, item := range l {
			if m := mismatch(fmt.Sprintf("%s[%d]", where, i), item, want[0]); m != "" {
				return m
			}
		}
	case string:
		kind, optional := strings.CutSuffix(want, "?")
		if v == nil {
			if optional {
				return ""
			}
			return wrong()
		}
		if part, ok := contractParts[kind]; ok {
			return mismatch(where, v, part)
		}
		ok := false
		switch kind {
		case "text":
			_, ok = v.(string)
		case "number":
			_, ok = v.(float64)
		case "pair":
			l, _ := v.([]any)
			ok = len(l) == 2 && mismatch(where, v, list{"number"}) == ""
		case "time":
			s, _ := v.(string)
			_, err := time.Parse(time.RFC3339, s)
			ok = err == nil && strings.HasSuffix(s, "Z")
		case "budget": // type A lines have degrees of freedom unless they are infinite
			l, _ := v.(map[string]any)
			if m := mismatch(where, v, object{"source": "text", "type": "text", "u_s": "number"}); m != "" {
				return m
			}
			_, finite := l["dof"]
			ok = l["type"] == "A" || l["type"] == "B" && !finite
		}
		if !ok {
			return wrong()
		}
	}
	return ""
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
		var v any
		if err := json.Unmarshal([]byte(line), &v); err != nil {
			t.Fatal(err)
		}
		if m := mismatch(string(tt.verdict), v, contract); m != "" {
			t.Errorf("%s\n%s", m, line)
		}
		if f.Verdict != tt.verdict {
			t.Errorf("%s instead of %s", f.Verdict, tt.verdict)
		}
		if (f.Reason == "") != (f.Verdict == align.Found) {
			t.Errorf("%s: reason %q", f.Verdict, f.Reason)
		}
	}
}

// The check of the contract must itself find what is wrong.
func TestMismatch(t *testing.T) {
	line, _ := replayJSON(t, demoFile, "--path-delay=25.1ms")
	for _, change := range [][2]string{
		{`"u_s":`, `"u":`}, {`"verdict":"fix"`, `"verdict":null`}, {`"steps":[`, `"steps":null,"s":[`}, {`"sense":"behind"`, `"sense":-1`},
	} {
		var v any
		if err := json.Unmarshal([]byte(strings.Replace(line, change[0], change[1], 1)), &v); err != nil {
			t.Fatal(err)
		}
		if mismatch("fix", v, contract) == "" {
			t.Errorf("%s for %s is not found out", change[1], change[0])
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
