// Package testkit holds what the tests of several packages need.
package testkit

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"timeball/align"
	"timeball/detect/levels"
)

// Update is the flag -update.
var Update = flag.Bool("update", false, "write the expected outputs anew")

// Golden fails t unless text is what the file holds.
func Golden(t *testing.T, file, text string) {
	t.Helper()
	if *Update {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		t.Errorf("%s (go test -update writes it anew): got\n%s\nwant\n%s", file, text, want)
	}
}

// Second is a second with an offset and its half-width, s.
func Second(x, half float64) align.Second {
	u, snr := half/2, 12.4
	at := time.Date(2026, 3, 14, 18, 23, 7, 0, time.UTC)
	s := align.Second{
		Schema: align.SecondSchema, T: 123.4, Count: 121, Verdict: align.Found, Offset: &x, U: &u,
		CI95: &[2]float64{x - half, x + half}, Sense: align.Behind, At: &at,
		Prospect: &align.Prospect{Limit: 0.6 * half, From: "path delay wwv", Noise: 0.8 * half, Averaged: 100},
		Radio:    align.Reception{State: align.HeardNow},
		Marker:   align.MarkerState{Channel: 2, Edge: "rising"},
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
