package main

import (
	"math"
	"testing"
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
