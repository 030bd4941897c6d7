package text

import (
	"testing"

	"timeball/cmd/timeball/internal/testkit"
)

// JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty, and
// the estimate to the same place. Its example: y = 10.057 62 Ω with u = 27 mΩ is
// 10.058 Ω. The other values are worked by hand at the boundaries.
func TestRounded(t *testing.T) {
	for _, tt := range []struct {
		value, half float64
		v, h        string
	}{
		{10.05762, 0.027, "10.058", "0.027"},
		{12.3456, 0.0994, "12.346", "0.099"},
		{12.3456, 0.0996, "12.35", "0.10"}, // two digits, not three
		{12.3456, 0.995, "12.35", "0.99"},  // 0.995 is a little less in binary
		{12.3456, 0.996, "12.3", "1.0"},
		{12.3456, 9.94, "12.3", "9.9"},
		{12.3456, 9.96, "12", "10"},
		{123.456, 99.6, "120", "100"},
		{1234.5, 123, "1230", "120"},
		{0.04, 0.5, "0.04", "0.50"},
		{-0.004, 0.5, "0.00", "0.50"}, // no negative zero
		{12.3456, 0, "12.35", ""},
	} {
		if v, h := rounded(tt.value, tt.half); v != tt.v || h != tt.h {
			t.Errorf("%g ± %g: %s ± %s, want %s ± %s", tt.value, tt.half, v, h, tt.v, tt.h)
		}
	}
}

// One statement has one unit, that of the largest in it; µs is written us where there
// is only ASCII.
func TestUnitsOfAStatement(t *testing.T) {
	s := testkit.Second(-1.1e-3, 0.05e-3)
	if got := Target(&s, 1e-3, UnitFor(1e-3, SecondUnits)); got != "0.1 ms to go to ±1 ms" {
		t.Error(got)
	}
	s = testkit.Second(0.9e-3, 1e-9)
	if got := Target(&s, 1e-6, UnitFor(0.9e-3, SecondUnits)); got != "899 µs to go to ±1 µs" {
		t.Error(got)
	}
	if got, want := Moved(-24.6e-3), "advanced by 24.6 ms"; got != want {
		t.Error(got)
	}
	if got := decibels(-0.3); got != "0 dB" {
		t.Error(got)
	}
	if got, sized := Short(0.9996e-3), size(147e-6); got != "1000 µs" || sized != "150 µs" {
		t.Errorf("%s, %s", got, sized)
	}
}
