package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/wavfile"
	"timeball/detect/levels"
)

var updateGolden = flag.Bool("update-golden", false, "write the golden files anew")

// golden compares text with a file in testdata.
func golden(t *testing.T, name, text string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *updateGolden {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		t.Errorf("%s: got\n%s\nwant\n%s", name, text, want)
	}
}

// aSecond is a second with an offset.
func aSecond(x, half float64) align.Second {
	u, snr := half/2, 12.4
	at := time.Date(2026, 3, 14, 18, 23, 7, 0, time.UTC)
	s := align.Second{
		Schema: align.SecondSchema, T: 123.4, Count: 121, Verdict: align.Found, Offset: &x, U: &u,
		CI95: &[2]float64{x - half, x + half}, Sense: align.Behind, At: &at,
		Radio:  align.Reception{State: align.HeardNow},
		Marker: align.MarkerState{Channel: 2, Edge: "rising"},
		Stations: []align.StationState{
			{ID: "wwv", ToneHz: 1000, SNRdB: &snr, Reception: align.Reception{State: align.HeardNow}},
			{ID: "wwvh", ToneHz: 1200, Reception: align.Reception{State: align.Fading, Gone: 7}},
		},
		Levels: []align.ChannelLevel{
			{Channel: 1, Role: "receiver", Level: levels.Level{Peak: 0.25, RMS: 0.05}},
			{Channel: 2, Role: "marker", Level: levels.Level{Peak: 1, RMS: 0.2, Clipped: 4800}},
		},
	}
	if x >= 0 {
		s.Sense = align.Ahead
	}
	return s
}

func TestListenView(t *testing.T) {
	fading := aSecond(0.0123456, 0.12e-3)
	fading.Radio = align.Reception{State: align.Coasting, Gone: 95}
	fading.Stations = fading.Stations[:1]
	fading.Stations[0].Reception = fading.Radio
	utc := &align.UTC{Second: *fading.At, Leap: "none", From: "100 Hz code"}
	hands := -2
	fading.UTC, fading.WholeSeconds, fading.Hands = utc, &hands, "pull the seconds forward by 2"
	deaf := align.Second{T: 30, Count: 28, Verdict: align.NoTick, Reason: "no station's ticks were found in the receiver channel", Radio: align.Reception{State: align.NeverHeard}}
	near := aSecond(-4.2e-6, 3e-6)
	wire := aSecond(3.2104e-6, 8e-9)
	wire.Radio, wire.Stations = align.Reception{State: align.ByWire}, nil

	for _, size := range [][2]int{{38, 10}, {80, 24}, {150, 40}} {
		for _, c := range []struct {
			name string
			v    view
		}{
			{"behind", view{now: ptr(aSecond(-0.4123456, 0.2e-3)), tolerance: 1e-3, recording: "gannet-head.wav"}},
			{"coasting", view{now: &fading, tolerance: 1e-3, messages: []string{"the input has stopped; waiting for it to come back"}}},
			{"deaf", view{now: &deaf, tolerance: 1e-3, ask: (&listenCmd{}).askHands()}},
			{"typing", view{now: &near, tolerance: 10e-6, ask: (&listenCmd{}).askHands(), typed: "18:20"}},
			{"reached", view{now: &near, tolerance: 10e-6}},
			{"wire", view{now: &wire, tolerance: 1e-6}},
			{"waiting", view{}},
		} {
			name := fmt.Sprintf("%s-%dx%d", c.name, size[0], size[1])
			t.Run(name, func(t *testing.T) {
				var b strings.Builder
				rows := c.v.lines(size[0], size[1])
				for _, r := range rows {
					if n := utf8.RuneCountInString(r.text); n > size[0] {
						t.Errorf("%d characters: %s", n, r.text)
					}
					fmt.Fprintln(&b, r.text)
				}
				if len(rows) > size[1] {
					t.Errorf("%d lines", len(rows))
				}
				golden(t, "listen/"+name+".txt", b.String())
			})
		}
	}
}

func ptr[T any](v T) *T { return &v }

// However small the screen, there is nothing that does not fit, nor a panic.
func TestViewFitsAnyScreen(t *testing.T) {
	s := aSecond(-0.4123456, 0.2e-3)
	v := view{now: &s, tolerance: 1e-3, messages: []string{"one", "two", "three"}}
	for w := 1; w < 130; w += 3 {
		for h := 1; h < 50; h++ {
			rows := v.lines(w, h)
			if len(rows) > h {
				t.Fatalf("%dx%d: %d lines", w, h, len(rows))
			}
			for _, r := range rows {
				if utf8.RuneCountInString(r.text) > w {
					t.Fatalf("%dx%d: %q", w, h, r.text)
				}
			}
		}
	}
}

func TestBigOffset(t *testing.T) {
	for _, c := range []struct {
		x    float64
		wire bool
		want string
	}{
		{-0.4123456, false, "-412.35 ms"},
		{0.0123456, false, "+12.346 ms"},
		{1.2345678e-3, false, "+1.2346 ms"},
		{-0.99996e-3, false, "-1000.0 us"},
		{12.34e-6, false, "+12.3 us"},
		{0, false, "+0.0 us"},
		{3.2104e-6, true, "+3.210 us"},
		{-42.4e-9, true, "-42 ns"},
	} {
		if got := bigOffset(c.x, c.wire); got != c.want {
			t.Errorf("%v: %s, want %s", c.x, got, c.want)
		}
	}
	for _, text := range []string{"+-0123456789. ms", "us ns", "no marker", "no tick", "retard", "advance", "good"} {
		for _, r := range text {
			if _, ok := glyphs[r]; !ok {
				t.Errorf("%q has no large form", r)
			}
		}
	}
}

func TestSecondLine(t *testing.T) {
	s := aSecond(-0.0123456, 0.16e-3)
	want := "18:23:07Z  -12.346 ms ± 160 us  behind: advance  radio heard  WWV 12 dB  WWVH fading for 7 s"
	if got := secondLine(s, 1e-3); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestPainted(t *testing.T) {
	r := row{"good", good}
	if r.painted(false) != "good" || r.painted(true) != "\x1b[32mgood\x1b[0m" {
		t.Errorf("%q, %q", r.painted(false), r.painted(true))
	}
}

func TestPitch(t *testing.T) {
	for _, c := range []struct{ x, want float64 }{{0, nearHz}, {-1e-3, nearHz}, {1, farHz}, {-1e-1, nearHz * math.Pow(farHz/nearHz, 2./3)}} {
		if got := pitch(c.x, 1e-3); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v: %v Hz, want %v", c.x, got, c.want)
		}
	}
}

// countingMeasurement counts the frames it is given.
type countingMeasurement struct{ frames int }

func (m *countingMeasurement) Process(b *capture.Block) (align.Second, bool) {
	m.frames += b.Len()
	return align.Second{}, true
}

func (m *countingMeasurement) Fix() align.Fix { return align.Fix{} }

// shown collects what is shown.
type shown struct {
	count int
	said  []string
}

func (s *shown) second(align.Second) { s.count++ }
func (s *shown) say(m string)        { s.said = append(s.said, m) }
func (s *shown) typed(string)        {}
func (s *shown) aim(float64)         {}
func (s *shown) end()                {}

// A full disk ends the recording, not the measurement, and the person is told.
func TestListenOnFullDisk(t *testing.T) {
	rec := &fakeRecorder{full: 450}
	src := &fakeInput{closed: make(chan struct{})}
	show := &shown{}
	m := &countingMeasurement{}
	c := &listenCmd{For: 2 * time.Second}
	err := c.follow(t.Context(), src, m, rec, wavfile.Format{Rate: 1000, Channels: 2, Bits: 24}, show, &keyboard{})
	if err != nil {
		t.Fatal(err)
	}
	if rec.frames != 400 || m.frames != 2000 {
		t.Errorf("%d frames recorded, %d measured", rec.frames, m.frames)
	}
	if len(show.said) != 1 || !strings.Contains(show.said[0], syscall.ENOSPC.Error()) || !strings.Contains(show.said[0], "the measurement goes on") {
		t.Errorf("%q", show.said)
	}
}

func TestListenJSON(t *testing.T) {
	var out bytes.Buffer
	d := jsonDisplay{json.NewEncoder(&out), &out}
	d.second(aSecond(-0.01, 1e-4))
	d.second(align.Second{Schema: align.SecondSchema, Verdict: align.NoMarker, Reason: "none", Stations: []align.StationState{}})
	for line := range strings.Lines(out.String()) {
		var got map[string]any
		if err := json.Unmarshal([]byte(line), &got); err != nil {
			t.Fatal(err)
		}
		for _, key := range []string{"schema", "t_s", "count", "verdict", "reason", "offset_s", "u_s", "ci95_s", "sense", "rate", "marker", "radio", "stations", "levels", "at", "whole_seconds", "utc", "second_of_minute"} {
			if _, ok := got[key]; !ok {
				t.Errorf("no %s in %s", key, line)
			}
		}
	}
}

func TestListenUsage(t *testing.T) {
	for _, args := range [][]string{
		{"--tolerance=0us"}, {"--tolerance=5"}, {"--for=-1s"}, {"--rate=1"}, {"--receiver-channel=1", "--marker-channel=1"},
	} {
		if status, _, errs := runWith(t, append([]string{"listen"}, args...)...); status != exitUsage || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: %d, %q", args, status, errs)
		}
	}
}
