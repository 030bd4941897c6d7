package main

import (
	"io"
	"path/filepath"
	"testing"
	"time"

	"timeball/cmd/timeball/internal/page"
)

// "I adjusted" twice within a second loses nothing of what comes later.
func TestKeepSameNoteTwice(t *testing.T) {
	f := bookFlags{Clock: "main", Logbook: filepath.Join(t.TempDir(), "logbook.sqlite")}
	at := time.Date(2026, 3, 14, 18, 23, 7, 0, time.UTC)
	notes := []page.Event{{Text: "I adjusted the clock", At: &at}, {Text: "I adjusted the clock", At: &at}, {Text: "lamp room warm", At: &at}}
	if err := f.keep(&program{stderr: io.Discard}, &outcome{notes: notes}, true); err != nil {
		t.Fatal(err)
	}
	b, err := f.open()
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	entries, err := b.Entries("main")
	if err != nil || len(entries) != 2 || entries[1].Adjustment.Note != "lamp room warm" {
		t.Errorf("%+v, %v", entries, err)
	}
}
