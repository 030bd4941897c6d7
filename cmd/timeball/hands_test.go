package main

import (
	"bytes"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

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

// Keys come as a raw terminal sends them: a rubout, an arrow, Enter.
func TestKeyboard(t *testing.T) {
	for _, tt := range []struct {
		keys   []string
		anyKey bool
		want   []typing
	}{
		{[]string{"4", "2", "\x7f", "\x1b[A", "1", "\r", "\r"}, false,
			[]typing{{"4", false}, {"42", false}, {"4", false}, {"4", false}, {"41", false}, {"41", true}, {"", true}}},
		{[]string{" "}, true, []typing{{"", true}}},
	} {
		r, w := io.Pipe()
		k := &keyboard{lines: make(chan typing)}
		go k.readKeys(r, tt.anyKey)
		for i, key := range tt.keys {
			go w.Write([]byte(key))
			if have := <-k.lines; have != tt.want[i] {
				t.Errorf("key %d, %q: %+v, want %+v", i, key, have, tt.want[i])
			}
		}
		w.Close()
	}
	k := openKeyboard(strings.NewReader("18:20:41\n\n"), true, false) // no terminal
	for _, want := range []string{"18:20:41", ""} {
		if have := <-k.lines; have != (typing{want, true}) {
			t.Errorf("line %+v, want %q", have, want)
		}
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
	c.heed(typing{"18:2", false}, m, show)
	c.heed(typing{"18:20:99", true}, m, show)
	c.heed(typing{"06:20:41", true}, m, show)
	c.heed(typing{"", true}, m, show)
	if err := c.Hands.UnmarshalText([]byte("20:41@key")); err != nil {
		t.Fatal(err)
	}
	c.heed(typing{"7", true}, m, show)
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
