package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var gannetHeadDay = []string{"outlook", "--at=50.2,-5.6", "--time=2026-03-14T00:20:00Z", "--sunspots=60old"}

func TestOutlookJSON(t *testing.T) {
	out, errs, code := runPath(append(gannetHeadDay, "--station=rwm,chu", "--json")...)
	if code != exitOK || errs != "" {
		t.Fatalf("status %d, %s", code, errs)
	}
	var o outlookJSON
	if err := json.Unmarshal([]byte(out), &o); err != nil {
		t.Fatal(err)
	}
	if o.Schema != "timeball.outlook/1" || len(o.Slots) != 24*6 || o.Recommended == nil {
		t.Fatalf("schema %s, %d slots, recommended %v", o.Schema, len(o.Slots), o.Recommended)
	}
	if first := o.Slots[0].Time; !first.Equal(time.Date(2026, 3, 14, 0, 30, 0, 0, time.UTC)) {
		t.Errorf("the first slot is at %v", first)
	}
	if o.Recommended.Hearing != "likely" || !o.Recommended.Steady {
		t.Errorf("recommended %+v", *o.Recommended)
	}
}

func TestOutlookTable(t *testing.T) {
	out, errs, code := runPath(gannetHeadDay...)
	if code != exitOK {
		t.Fatal(errs)
	}
	lines := strings.Split(out, "\n")
	if !strings.Contains(lines[0], "50.2°N 5.6°W, 24 hours from 2026-03-14 00:00 UTC") {
		t.Errorf("first line %q", lines[0])
	}
	// Every carrier of every station has a row of 24 hours.
	for _, row := range []string{"wwv      10 ", "rwm      9.996 ", "chu      7.85 "} {
		if !strings.Contains(out, row) {
			t.Errorf("no row %q in\n%s", row, out)
		}
	}
	if !strings.Contains(out, "Recommended: ") {
		t.Errorf("no recommendation in\n%s", out)
	}
}

// Of named stations every hour in which they may be heard is listed, and what the
// outlook rests on is said.
func TestOutlookHours(t *testing.T) {
	out, errs, code := runPath(append(gannetHeadDay, "--station=rwm", "--environment=rural", "--antenna-gain=-3")...)
	if code != exitOK {
		t.Fatal(errs)
	}
	_, table, _ := strings.Cut(out, "station  MHz     hour, UTC")
	hours := strings.Count(table, "likely") + strings.Count(table, "maybe") - 1 // the recommendation says it, too
	if hours < 20 || hours > 72 {
		t.Errorf("%d hours in\n%s", hours, out)
	}
	if !strings.Contains(out, "Assumed: rural noise, a receiving antenna of -3 dBi") || !strings.Contains(out, "R12 = 60") {
		t.Errorf("the assumptions are not said in\n%s", out)
	}
	if all, _, _ := runPath(gannetHeadDay...); strings.Contains(all, "hour, UTC  heard") {
		t.Error("hours are listed of stations not named")
	}
}

// A person's own station, which has not told its power, is predicted too.
func TestOwnStation(t *testing.T) {
	own := filepath.Join(t.TempDir(), "own.toml")
	if err := os.WriteFile(own, []byte(ownStations), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"path", "--station=Gannet", "--stations", own, "--at=50.6,-5.6", "--time=2026-03-14T10:00:00Z"},
		{"outlook", "--station=gannet", "--stations", own, "--at=50.6,-5.6", "--time=2026-03-14T10:00:00Z"},
	} {
		out, errs, code := runPath(args...)
		if code != exitOK || !strings.Contains(out, "ground") {
			t.Errorf("%v: status %d, %s%s", args, code, errs, out)
		}
		out, errs, code = runPath(append(args, "--json")...)
		if code != exitOK || !json.Valid([]byte(out)) {
			t.Errorf("%v --json: status %d, %s%s", args, code, errs, out)
		}
	}
	out, errs, code := runPath("outlook", "--stations", own, "--at=50.6,-5.6", "--time=2026-03-14T10:00:00Z")
	if code != exitOK || !strings.Contains(out, "gannet   3.5") || !strings.Contains(out, "wwv      10") {
		t.Errorf("status %d, %s%s", code, errs, out)
	}
}

// In a city with a deaf antenna nothing is heard, and no hour is invented.
func TestOutlookOfNothing(t *testing.T) {
	out, errs, code := runPath(append(gannetHeadDay, "--environment=city", "--antenna-gain=-60")...)
	if code != exitOK || !strings.Contains(out, "No station is likely to be heard") {
		t.Errorf("status %d, %s\n%s", code, errs, out)
	}
}

func TestOutlookPlots(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, name := range []string{"day.png", "day.svg"} {
		file := filepath.Join(dir, name)
		if _, errs, code := runPath(append(gannetHeadDay, "--plot", file)...); code != exitOK {
			t.Fatal(errs)
		}
		checkDrawing(t, file)
	}
}

func TestOutlookUsage(t *testing.T) {
	for _, c := range []struct {
		flag, says string
		code       int
	}{
		{"--station=rwm,abc", `no station "abc"`, exitUsage},
		{"--environment=moon", "--environment", exitUsage},
		{"--required-snr=1000", "decibels between", exitUsage},
		{"--antenna-gain=NaN", "decibels between", exitUsage},
		{"--noise-maps=" + t.TempDir(), "must hold COEFF01W.txt to COEFF12W.txt", exitFailed},
	} {
		out, errs, code := runPath(append(gannetHeadDay, c.flag)...)
		if code != c.code || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 || out != "" {
			t.Errorf("%s: status %d, %q, %q", c.flag, code, errs, out)
		}
	}
}
