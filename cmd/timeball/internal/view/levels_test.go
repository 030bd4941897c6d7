package view

import (
	"strings"
	"testing"
	"unicode/utf8"

	"timeball/cmd/timeball/internal/text"
	"timeball/detect/levels"
)

var someChecks = []text.Check{
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
	if got := LevelsText(someChecks); got != want {
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
