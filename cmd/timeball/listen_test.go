package main

import (
	"bytes"
	"errors"
	"strings"
	"syscall"
	"testing"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/testkit"
	"timeball/cmd/timeball/internal/view"
)

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
	afar  bool
}

func (s *shown) Second(align.Second) { s.count++ }
func (s *shown) Say(m string)        { s.said = append(s.said, m) }
func (s *shown) Typed(string)        {}
func (s *shown) Aim(float64)         {}
func (s *shown) Afar()               { s.afar = !s.afar }
func (s *shown) End()                {}

// A full disk ends the recording, not the measurement, and the person is told.
func TestListenOnFullDisk(t *testing.T) {
	rec := &fakeRecorder{full: 450}
	src := &fakeInput{closed: make(chan struct{})}
	show := &shown{}
	m := &countingMeasurement{}
	c := &listenCmd{For: 2 * time.Second}
	on := &tape{recorder: rec}
	err := c.follow(t.Context(), src, m, on, wavfile.Format{Rate: 1000, Channels: 2, Bits: 24}, show, &view.Keyboard{}, &hints{})
	if err != nil {
		t.Fatal(err)
	}
	if rec.frames != 400 || m.frames != 2000 {
		t.Errorf("%d frames recorded, %d measured", rec.frames, m.frames)
	}
	if len(show.said) != 1 || !strings.Contains(show.said[0], syscall.ENOSPC.Error()) || !strings.Contains(show.said[0], "the measurement goes on") {
		t.Errorf("%q", show.said)
	}
	fix := align.Fix{Recording: align.Recording{RateHz: 1000, Seconds: 2}}
	if err := on.finish(&fix); !errors.Is(err, syscall.ENOSPC) || !strings.HasPrefix(err.Error(), "only 0.4 s of the 2.0 s measured were recorded") ||
		fix.Recording.Recorded == nil || *fix.Recording.Recorded != 0.4 {
		t.Errorf("%v, %+v", err, fix.Recording)
	}
}

func TestListenJSON(t *testing.T) {
	var out bytes.Buffer
	d := view.Open(&out, &out, view.Options{JSON: true})
	d.Second(testkit.Second(-0.01, 1e-4))
	d.Second(align.Second{Schema: align.SecondSchema, Verdict: align.NoMarker, Reason: "none",
		Radio: align.Reception{State: align.NeverHeard}, Stations: []align.StationState{}, Levels: []align.ChannelLevel{}})
	for line := range strings.Lines(out.String()) {
		validate(t, line)
	}
}

func TestListenUsage(t *testing.T) {
	for _, args := range [][]string{
		{"--tolerance=0us"}, {"--tolerance=5"}, {"--for=-1s"}, {"--sample-rate=1"}, {"--receiver-channel=1", "--marker-channel=1"},
	} {
		if status, _, errs := runWith(t, append([]string{"listen"}, args...)...); status != exitUsage || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: %d, %q", args, status, errs)
		}
	}
}
