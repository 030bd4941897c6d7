package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/cmd/timeball/internal/text"
	"timeball/detect/levels"
)

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
	checks := []text.Check{{Name: "marker", Verdict: levels.Bad, Finding: "the channels are swapped", Remedy: "swap the leads"}}
	x := make([]float32, 96000) // silence: no number may be infinite
	if err := printLevelsJSON(&out, levels.Analyse(48000, [][]float32{x, x}), checks); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Schema string
		Checks []text.Check
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Schema != "timeball.levels/1" || len(got.Checks) != len(checks) || got.Checks[0] != checks[0] {
		t.Errorf("%+v", got)
	}
}
