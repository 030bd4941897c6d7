package main

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
)

func TestCalibration(t *testing.T) {
	file := calibrationFile(filepath.Join(t.TempDir(), "new", "calibration.toml"))
	if got, err := file.load(); err != nil || !reflect.DeepEqual(got, calibrations{}) {
		t.Errorf("no file: %+v, %v", got, err)
	}
	skew := calibration{
		DelaySeconds: 1.3e-6, USeconds: 4e-8,
		Date:   time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC),
		Method: "same pulse on both channels, 100 s", Input: "line in",
	}
	delay := calibration{
		DelaySeconds: 4.1e-4, USeconds: 2e-5,
		Date: time.Date(2026, 3, 15, 9, 0, 0, 0, time.UTC), Method: "typed in",
	}
	if err := file.update(func(c *calibrations) { c.Skew = &skew }); err != nil {
		t.Fatal(err)
	}
	if err := file.update(func(c *calibrations) { c.ReceiverDelay = &delay }); err != nil {
		t.Fatal(err)
	}
	got, err := file.load()
	if err != nil {
		t.Fatal(err)
	}
	if got.Skew == nil || *got.Skew != skew {
		t.Errorf("skew %+v", got.Skew)
	}
	if got.ReceiverDelay == nil || *got.ReceiverDelay != delay {
		t.Errorf("receiver delay %+v", got.ReceiverDelay)
	}
	if left, _ := os.ReadDir(filepath.Dir(string(file))); len(left) != 1 {
		t.Errorf("files left behind: %v", left)
	}
}

func TestCalibrationWrong(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"[skew]\ndelay_s = 1us\n", "line 2"},
		{"[skew]\n\ndelay_s = 'much'\n", "line 3"},
		{"[skew]\ndelay = 1\n", "skew.delay is not known"},
		{"[receiver.attic]\ndelay_s = 1e-3\n[receiver.attic.response]\nhigh_hz = 300.0\n", "no response of a receiver"},
	} {
		file := calibrationFile(writeFile(t, "calibration.toml", c.text))
		_, err := file.load()
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v", c.text, err)
		}
		if err := file.update(func(*calibrations) {}); err == nil {
			t.Errorf("%q: overwritten", c.text)
		}
	}
}
