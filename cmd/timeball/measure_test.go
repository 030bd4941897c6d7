package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"timeball/align"
)

const ownStations = `
[[station]]
id = "gannet"
name = "Gannet Head lighthouse museum, workshop transmitter"
keying = "tone"
tone_hz = 1000
emission_s = 1e-6
depth = 1
quiet_before_s = 0.01
quiet_after_s = 0.02
sources = ["id: the museum's own"]

[[station.mark]]
seconds = "0-59"
length_s = 0.005

[[station.carrier]]
hz = 3.5e6
lat = 50.2
lon = -5.6
`

// ids lists stations as "bpm chu wwv".
func ids(s align.Settings) string {
	var all []string
	for _, st := range s.Stations {
		all = append(all, st.ID)
	}
	return strings.Join(all, " ")
}

func TestChooseStations(t *testing.T) {
	own := filepath.Join(t.TempDir(), "own.toml")
	if err := os.WriteFile(own, []byte(ownStations), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		flags measureFlags
		want  string
	}{
		{measureFlags{Station: []string{"WWV", "chu", "wwv"}}, "chu wwv"},
		// Rec. ITU-R TF.768: these are on 20 MHz and 7.85 MHz.
		{measureFlags{Station: []string{"auto"}, Carrier: 20e6}, "wwv"},
		{measureFlags{Station: []string{"auto"}, Carrier: 7.85e6}, "chu"},
		{measureFlags{Station: []string{"auto"}, Carrier: 3.5e6, stationsFlags: stationsFlags{own}}, "gannet"},
		{measureFlags{Station: []string{"gannet", "wwv"}, stationsFlags: stationsFlags{own}}, "gannet wwv"},
	} {
		s, err := tt.flags.settings("")
		if err != nil || ids(s) != tt.want {
			t.Errorf("%v: %q, %v; want %q", tt.flags.Station, ids(s), err, tt.want)
		}
	}
	s, err := (&measureFlags{Station: []string{"auto"}}).settings("")
	if err != nil {
		t.Fatal(err)
	}
	for _, st := range s.Stations {
		if st.Lookalike {
			t.Errorf("auto takes %s, which cannot be told from another", st.ID)
		}
	}
	if len(s.Stations) < 4 {
		t.Errorf("auto takes %s only", ids(s))
	}
}

// The measuring commands take the ITU's maps as path does.
func TestMeasureWithTheITUsMaps(t *testing.T) {
	f := measureFlags{Station: []string{"wwv"}, ionosphereFlags: ionosphereFlags{Ionosphere: t.TempDir()}}
	if _, err := f.settings(""); err == nil || !strings.Contains(err.Error(), f.Ionosphere) {
		t.Errorf("an empty folder: %v", err)
	}
	f.Ionosphere = ituMaps(t)
	if s, err := f.settings(""); err != nil || s.Maps == nil {
		t.Errorf("no maps, %v", err)
	}
}

func TestCalibratedDelays(t *testing.T) {
	file := calibrationFile(filepath.Join(t.TempDir(), "calibration.toml"))
	err := file.update(func(c *calibrations) {
		c.ReceiverDelay = &calibration{DelaySeconds: 0.41e-3, USeconds: 2e-5, Date: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Method: "split pulse"}
	})
	if err != nil {
		t.Fatal(err)
	}
	f := measureFlags{Station: []string{"wwv"}}
	s, err := f.settings(file)
	if err != nil {
		t.Fatal(err)
	}
	if q := s.ReceiverDelay; q == nil || *q != (align.Quantity{Value: 0.41e-3, U: 2e-5, Known: align.Told("calibrated 2026-03-01 by split pulse")}) || s.Skew != nil {
		t.Errorf("receiver delay %+v, skew %+v", s.ReceiverDelay, s.Skew)
	}
	// What is said now goes before what was measured once.
	f.ReceiverDelay = &delay{seconds: 1e-3}
	if s, err = f.settings(file); err != nil || s.ReceiverDelay.Value != 1e-3 || !strings.HasPrefix(string(s.ReceiverDelay.Known.(align.Told)), "as given") {
		t.Errorf("receiver delay %+v, %v", s.ReceiverDelay, err)
	}
}
