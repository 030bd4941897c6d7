package text

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"timeball/align"
	"timeball/cmd/timeball/internal/testkit"
)

// Advice for a fix of long ago does not say now; a clock on time is not ahead by 0.
func TestAdviceAndZero(t *testing.T) {
	f := spoken()["full"]
	f.Advice = &align.Advice{Station: "wwv", CarrierHz: 10e6, HalfNow: 1.1e-3, HalfThen: 0.4e-3}
	if got, want := Advice(f, true), "a few minutes of WWV on 10 MHz as well, at 18:23 UTC that day, would have taken the interval from ±1.1 ms to about ±0.4 ms (timeball combine)"; got != want {
		t.Error(got)
	}
	var b bytes.Buffer
	if err := WriteFix(&b, f); err != nil || !strings.Contains(b.String(), "would have taken") {
		t.Error(err, b.String())
	}
	if got := Advice(f, false); !strings.Contains(got, "WWV on 10 MHz now would take") {
		t.Error(got)
	}
	if got, want := Stands(SecondUnits[1], 2e-9, [2]float64{-0.3e-3, 0.3e-3}, "UTC"), "on UTC, ± 0.30 ms"; got != want {
		t.Error(got)
	}
	if got, want := offBy(-1e-9, 0.3e-3), "on UTC, ± 300 µs"; got != want {
		t.Error(got)
	}
}

// spoken are fixes with nearly everything in them, and with nearly nothing.
func spoken() map[string]align.Fix {
	at := time.Date(2026, 3, 14, 18, 23, 7, 0, time.UTC)
	recording := align.Recording{Path: "gannet-head.wav", RateHz: 48000, Seconds: 180, Gaps: []align.Gap{{At: 60.2, LostFrames: 1024}}}
	full := align.Fix{
		Recording: recording, Verdict: align.Found,
		Offset: new(-12.345e-3), U: new(4.2e-5), CI95: &[2]float64{-12.427e-3, -12.263e-3}, DoF: new(41.0), Sense: align.Behind, At: &at,
		Rate: &align.Rate{Y: 1.2e-9, U: 4e-9}, WholeSeconds: new(-2),
		Budget: []align.BudgetLine{
			{Source: "tick average", Type: "A", U: 2e-5, DoF: new(41.0)},
			{Source: "path delay wwv", Type: "B", U: 3.7e-5, Note: "as given"},
		},
		Stations: []align.StationFix{{
			ID: "wwv", ToneHz: 1000, TicksExpected: 174, TicksUsed: 169, SNRdB: new(12.34), Offset: new(-12.345e-3), U: new(4.2e-5),
			Path: &align.PathUsed{Delay: 7.2e-3, U: 3.7e-5, Mode: "given"}, Arrivals: []align.Arrival{{}, {Excess: 1.02e-3, Level: -4}},
		}},
		Marker:      &align.MarkerFix{Channel: 2, Edge: "rising", Pulses: 178, Missed: 2, Jitter: 2e-7, Steps: []align.Step{{At: 100.3, By: 12e-3}, {At: 120, By: -1e-3}}},
		SampleClock: &align.SampleClock{PPMvsUTC: new(23.0), PPMvsMarker: new(23.1)},
		UTC:         &align.UTC{Second: at, DUT1: new(-0.2), Leap: "none", From: "100 Hz code"},
		Warnings:    []string{"the receiver channel clips"},
	}
	deaf := align.Fix{Recording: recording, Verdict: align.NoTick, Reason: "no station's ticks were found in the receiver channel", Marker: full.Marker, SampleClock: &align.SampleClock{PPMvsMarker: new(23.1)}}
	return map[string]align.Fix{"full": full, "deaf": deaf}
}

func TestPrintFix(t *testing.T) {
	for name, f := range spoken() {
		var out bytes.Buffer
		if err := WriteFix(&out, f); err != nil {
			t.Fatal(err)
		}
		testkit.Golden(t, filepath.Join("testdata", "replay", name+".txt"), out.String())
	}
}

// The words must go with the sign: an offset is local minus UTC.
func TestHeadline(t *testing.T) {
	for _, tt := range []struct {
		offset, half float64
		want         string
	}{
		{-12.345e-3, 0.08e-3, "the local clock is behind UTC by 12.345 ms ± 0.080 ms (95 %): advance it"},
		{0.4, 0.0996, "the local clock is ahead of UTC by 400 ms ± 100 ms (95 %): retard it"},
		{3e-6, 5e-6, "the local clock is ahead of UTC by 3.0 µs ± 5.0 µs (95 %): leave it, that may be nothing"},
	} {
		f := align.Fix{Verdict: align.Found, Offset: &tt.offset, CI95: &[2]float64{tt.offset - tt.half, tt.offset + tt.half}, Sense: align.Ahead}
		if tt.offset < 0 {
			f.Sense = align.Behind
		}
		if got := Headline(f); got != tt.want {
			t.Errorf("%g ± %g: %q, want %q", tt.offset, tt.half, got, tt.want)
		}
	}
	if got := Headline(align.Fix{Verdict: align.NoMarker, Reason: "no pulse"}); !strings.HasPrefix(got, "no fix: no pulse") {
		t.Errorf("%q", got)
	}
}

// A change of the clocks is told where it is announced.
func TestSummerTimeAnnounced(t *testing.T) {
	at := time.Date(2026, 3, 29, 0, 20, 0, 0, time.UTC)
	f := align.Fix{Verdict: align.NoTick, UTC: &align.UTC{Second: at, Leap: "none", SummerTime: "begins", From: "DCF77 code"}}
	var out bytes.Buffer
	if err := WriteFix(&out, f); err != nil {
		t.Fatal(err)
	}
	if want := "2026-03-29 00:20:00 UTC, DUT1 not read, leap second: none, summer time begins today, from the DCF77 code"; !strings.Contains(out.String(), want) {
		t.Errorf("%s\nwant %s", &out, want)
	}
}

// An inserted second has a number of its own (Rec. ITU-R TF.460).
func TestInsertedSecond(t *testing.T) {
	u := align.UTC{Second: time.Date(2017, 1, 1, 0, 0, 0, 0, time.UTC), Inserted: true}
	if got := Time(u, "2006-01-02 15:04:05 UTC"); got != "2016-12-31 23:59:60 UTC" {
		t.Errorf("%s", got)
	}
	u.Inserted = false
	if got := Time(u, "15:04:05Z"); got != "00:00:00Z" {
		t.Errorf("%s", got)
	}
}
