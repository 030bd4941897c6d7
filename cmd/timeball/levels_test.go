package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/detect/levels"
)

var someChecks = []levels.Check{
	{Name: "channel 1 level", Verdict: levels.Poor, Finding: "low: peak -52 dBFS, rms -60 dBFS", Remedy: "turn the receiver or the input up"},
	{Name: "channel 1 hum", Verdict: levels.Good, Finding: "none"},
	{Name: "marker", Verdict: levels.Bad, Finding: "the channels are swapped: the marker is on channel 1", Remedy: "swap the leads, or leave --receiver-channel and --marker-channel out"},
}

func TestCheckList(t *testing.T) {
	want := `poor channel 1 level     low: peak -52 dBFS, rms -60 dBFS
            turn the receiver or the input up
good channel 1 hum       none
bad  marker              the channels are swapped: the marker is on channel 1
            swap the leads, or leave --receiver-channel and --marker-channel out
`
	if got := (&checkList{}).text(someChecks); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	list := &checkList{checks: someChecks}
	for w := 20; w < 120; w += 7 {
		for h := 2; h < 20; h++ {
			rows := list.lines(w, h)
			text := ""
			for _, r := range rows {
				text += r.text + "\n"
			}
			if len(rows) > h {
				t.Errorf("%dx%d: %d lines", w, h, len(rows))
			}
			// What is good leaves first.
			if h == 6 && w > 90 && (strings.Contains(text, "hum") || !strings.Contains(text, "swapped")) {
				t.Errorf("%dx%d:\n%s", w, h, text)
			}
		}
	}
}

func TestWrapped(t *testing.T) {
	text := "turn the receiver, or a very-long-word-of-its-own, up"
	got := wrapped(text, 14)
	if strings.Join(got, " ") != text {
		t.Errorf("%q", got)
	}
	for _, l := range got {
		if utf8.RuneCountInString(l) > 14 && strings.Contains(l, " ") {
			t.Errorf("%q", l)
		}
	}
}

// closing is a simulated input.
type closing struct{ *simulate.Source }

func (closing) Close() error { return nil }

func TestLevelsSurvey(t *testing.T) {
	src, err := simulate.New(simulate.Config{Seconds: 15, Marker: &simulate.Marker{}, SNRdB: 10,
		SoundCard: simulate.SoundCard{Losses: []simulate.Loss{{Gap: capture.Gap{At: 96000, Lost: 1000}}}}})
	if err != nil {
		t.Fatal(err)
	}
	var lengths []float64
	err = (&levelsCmd{}).survey(t.Context(), closing{src}, time.Second, func(r levels.Report) error {
		lengths = append(lengths, r.Seconds)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// Nothing from before the loss counts, and no more than the window.
	last := lengths[len(lengths)-1]
	if len(lengths) < 13 || lengths[2] > 1.3 || last > 12 || last < 11.5 {
		t.Errorf("%v", lengths)
	}
	stop := errors.New("stop")
	if err := (&levelsCmd{}).survey(context.Background(), &fakeInput{closed: make(chan struct{})}, time.Second, func(levels.Report) error { return stop }); err != stop {
		t.Errorf("%v", err)
	}
	if err := (&levelsCmd{}).survey(context.Background(), &fakeInput{closed: make(chan struct{})}, time.Second, func(levels.Report) error { return io.EOF }); err != nil {
		t.Errorf("%v", err)
	}
}

func TestLevelsJSON(t *testing.T) {
	var out bytes.Buffer
	x := make([]float32, 96000) // silence: no number may be infinite
	if err := printLevelsJSON(&out, levels.Analyse(48000, [][]float32{x, x}), someChecks); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Schema string
		Checks []levels.Check
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Schema != "timeball.levels/1" || len(got.Checks) != len(someChecks) || got.Checks[0] != someChecks[0] {
		t.Errorf("%+v", got)
	}
}
