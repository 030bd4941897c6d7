package main

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"

	"timeball/cmd/timeball/internal/view"
	"timeball/detect/timecode"
)

func TestHandsReading(t *testing.T) {
	for _, tt := range []struct {
		text string
		at   float64
		ok   bool
	}{
		{"18:20:41", math.NaN(), true},
		{"41@12.5s", 12.5, true},
		{"20:41@1m2s", 62, true},
		{"20:41@key", math.NaN(), true},
		{"18:20:41@", 0, false},
		{"18:20:41@-1s", 0, false},
		{"@12s", 0, false},
		{"18:20:41@noon", 0, false},
	} {
		var h handsReading
		err := h.UnmarshalText([]byte(tt.text))
		if (err == nil) != tt.ok {
			t.Errorf("%q: %v", tt.text, err)
		}
		if tt.ok && (!h.given || h.shown.Second != 41 || h.at != tt.at && !(math.IsNaN(h.at) && math.IsNaN(tt.at))) {
			t.Errorf("%q: %+v", tt.text, h)
		}
	}
	var z zone
	if err := z.UnmarshalText([]byte("Gannet/Head")); err == nil {
		t.Error("an unknown zone is taken")
	}
	if err := z.UnmarshalText([]byte("Europe/London")); err != nil || z.String() != "Europe/London" {
		t.Errorf("%v, %v", z.Location, err)
	}
}

// A measurement that takes the hands alone.
type handsOnly struct {
	measurement
	shown []timecode.Hands
}

func (h *handsOnly) HandsNow(s timecode.Hands) { h.shown = append(h.shown, s) }

func TestHandsAtAKey(t *testing.T) {
	c, show, m := &listenCmd{}, &shown{}, &handsOnly{}
	c.Dial = 12
	c.heed(view.Typing{Text: "18:2", Entered: false}, m, show)
	c.heed(view.Typing{Text: "18:20:99", Entered: true}, m, show)
	c.heed(view.Typing{Text: "06:20:41", Entered: true}, m, show)
	c.heed(view.Typing{Text: "", Entered: true}, m, show)
	if err := c.Hands.UnmarshalText([]byte("20:41@key")); err != nil {
		t.Fatal(err)
	}
	c.heed(view.Typing{Text: "7", Entered: true}, m, show)
	want := []timecode.Hands{
		{Hour: 6, Minute: 20, Second: 41, TwelveHours: true}, {Hour: -1, Minute: -1, TwelveHours: true}, {Hour: -1, Minute: 20, Second: 41, TwelveHours: true},
	}
	if !slices.Equal(m.shown, want) {
		t.Errorf("taken %+v, want %+v", m.shown, want)
	}
	if len(show.said) != 4 || !strings.Contains(show.said[0], "0 to 59") {
		t.Errorf("said %q", show.said)
	}
}

func TestHandsUsage(t *testing.T) {
	for _, args := range [][]string{
		{"replay", "--hands", "18:20:41@key", "x.wav"},
		{"replay", "--wired", "--hands", "18:20:41@1s", "x.wav"},
		{"listen", "--wired", "--hands", "18:20:41@key"},
		{"listen", "--hands", "18:20:41"},
	} {
		var out, fault bytes.Buffer
		if code := run(t.Context(), args, strings.NewReader(""), &out, &fault); code != exitUsage || !strings.Contains(fault.String(), "--hands") {
			t.Errorf("%q: status %d, %s", args, code, &fault)
		}
	}
}
