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

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/soundcard"
	"timeball/capture/station"
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
	err = (&levelsCmd{}).survey(t.Context(), closing{src}, time.Second, time.Second, func(*capture.Block) {}, func(r levels.Report) error {
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
	if err := (&levelsCmd{}).survey(context.Background(), &fakeInput{closed: make(chan struct{})}, time.Second, time.Second, func(*capture.Block) {}, func(levels.Report) error { return stop }); err != stop {
		t.Errorf("%v", err)
	}
	if err := (&levelsCmd{}).survey(context.Background(), &fakeInput{closed: make(chan struct{})}, time.Second, time.Second, func(*capture.Block) {}, func(levels.Report) error { return io.EOF }); err != nil {
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

// levelsOnce is what levels --once says of a simulated input, and how much of it was heard.
func levelsOnce(t *testing.T, cfg simulate.Config, args ...string) (status int, out string, heard float64) {
	t.Helper()
	var src *simulate.Source
	open := func(context.Context, soundcard.Settings) (closer, error) {
		var err error
		cfg.Rate, cfg.Seconds, cfg.Seed = 8000, 45, 3
		src, err = simulate.New(cfg)
		return closing{src}, err
	}
	var b, errs bytes.Buffer
	status = (&program{t.Context(), strings.NewReader(""), &b, &errs, open}).run(append([]string{"levels", "--once"}, args...))
	var rest capture.Block
	if err := src.Read(&rest); err != nil {
		t.Fatalf("all was heard: %v\n%s%s", err, &b, &errs)
	}
	return status, b.String(), float64(rest.Position) / 8000
}

// The list says whether ticks are heard, and waits for them only where there is a hope.
func TestLevelsTellsOfTicks(t *testing.T) {
	t.Parallel()
	wwv, _ := station.Find("wwv")
	pulse := &simulate.Marker{OffsetSeconds: 0.2, NoiseRMS: 1e-4}
	for _, c := range []struct {
		name        string
		config      simulate.Config
		args        []string
		status      int
		want        string
		least, most float64 // s heard
	}{
		{"named", simulate.Config{Station: wwv, SNRdB: 20, Marker: pulse}, []string{"--station=wwv", "--carrier=10MHz", "--json"}, exitOK, `"name":"ticks","verdict":"good","finding":"ticks heard, taken for WWV's, as named, `, 12, 20},
		{"not yet known", simulate.Config{Station: wwv, SNRdB: 20, Marker: pulse}, nil, exitOK, "poor ticks               a tick is heard, not yet known as a station's\n            wait a minute", 12, 20},
		{"none", simulate.Config{SNRdB: 20, Marker: pulse}, nil, exitOK, "poor ticks               no tick heard in 31 s\n            look to tuning", 30, 31},
		{"no marker", simulate.Config{Marker: &simulate.Marker{MissingShare: 1, NoiseRMS: 1e-3}}, nil, exitNoFix, "poor ticks               not looked for\n            the marker first", 12, 12.5},
	} {
		status, out, heard := levelsOnce(t, c.config, c.args...)
		if status != c.status || !strings.Contains(out, c.want) || heard < c.least || heard > c.most {
			t.Errorf("%s: %d, %v s\n%s", c.name, status, heard, out)
		}
		if strings.HasPrefix(out, "{") {
			validate(t, out)
			if !strings.Contains(out, `"stations":[{"id":"wwv","snr_db":`) {
				t.Error(out)
			}
		}
	}
}

// When the leads are swapped, ticks are heard anew.
func TestLevelsTicksAfterSwap(t *testing.T) {
	t.Parallel()
	wwv, _ := station.Find("wwv")
	var w *tickWatch
	for i, marker := range []int{2, 1} {
		src, err := simulate.New(simulate.Config{Rate: 8000, Seconds: 14, Seed: 3, Station: wwv, SNRdB: 20,
			MarkerFirst: marker == 1, Marker: &simulate.Marker{OffsetSeconds: 0.2, NoiseRMS: 1e-4}})
		if err != nil {
			t.Fatal(err)
		}
		if w == nil {
			if w, err = (&levelsCmd{Station: []string{"wwv"}}).ticks(src.Info()); err != nil {
				t.Fatal(err)
			}
		}
		var b capture.Block
		position := w.end
		for begin := true; src.Read(&b) == nil; begin = false {
			b.Position += position
			if w.process(&b); begin && i > 0 { // the survey has noticed by its next list
				if got := w.state(marker); got.Seconds != 0 || len(got.Stations) > 0 {
					t.Errorf("just swapped: %+v", got)
				}
			}
		}
		if got := w.state(marker); len(got.Stations) != 1 || got.Stations[0].ID != "wwv" || got.Seconds > 14 {
			t.Errorf("marker on channel %d: %+v", marker, got)
		}
	}
}
