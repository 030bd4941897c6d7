package main

import (
	"math"
	"strings"
	"testing"

	"timeball/align"
)

func TestParseSeconds(t *testing.T) {
	for text, want := range map[string]float64{
		"7.2ms": 7.2e-3, "-1.3us": -1.3e-6, "1.3 µs": 1.3e-6, "1.3μs": 1.3e-6, " 5e1 ns ": 50e-9, "2s": 2, "+.5s": 0.5, "0": 0, "0.0": 0,
	} {
		if got, err := parseSeconds(text); err != nil || math.Abs(got-want) > 1e-15*math.Abs(want) {
			t.Errorf("%q: %g, %v; want %g", text, got, err, want)
		}
	}
	for _, text := range []string{"", "ms", "7.2", "7,2ms", "7.2m", "infs", "nans", "1e999s", "7.2msms", "7.2Hz", "--1s"} {
		if got, err := parseSeconds(text); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q is taken for %g (%v)", text, got, err)
		}
	}
}

func TestStationDelay(t *testing.T) {
	for _, tt := range []struct {
		text     string
		id       string
		value, u float64 // u < 0: not given
	}{
		{"7.2ms", "", 7.2e-3, -1},
		{"7.2ms±0.3ms", "", 7.2e-3, 0.3e-3 / 1.96},
		{"WWV=7.2ms+-0.3ms", "wwv", 7.2e-3, 0.3e-3 / 1.96},
		{"chu = 12 ms ± 0", "chu", 12e-3, 0},
	} {
		var d stationDelay
		if err := d.UnmarshalText([]byte(tt.text)); err != nil {
			t.Errorf("%q: %v", tt.text, err)
			continue
		}
		if d.id != tt.id || math.Abs(d.seconds-tt.value) > 1e-12 || (d.u == nil) != (tt.u < 0) || d.u != nil && math.Abs(*d.u-tt.u) > 1e-12 {
			t.Errorf("%q: %+v", tt.text, d)
		}
	}
	for _, text := range []string{"", "=7ms", "wwv", "wwv=", "7ms±", "7ms±-1ms", "7ms±1ms±1ms", "7ms±1"} {
		var d stationDelay
		if err := d.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q is taken for %+v", text, d)
		}
	}
}

// What is left out is never nothing: a stated default stands in, and says so.
func TestDelayWithoutSpread(t *testing.T) {
	zero := 0.0
	q := delay{seconds: 7e-3}.quantity(0.3e-3, "as given")
	if q.Value != 7e-3 || math.Abs(q.U-0.3e-3/1.96) > 1e-12 || q.Known != align.Told("as given, ± 300 µs assumed") {
		t.Errorf("%+v", q)
	}
	if q := (delay{seconds: 7e-3, u: &zero}).quantity(0.3e-3, "as given"); q.U != 0 || q.Known != align.Told("as given") {
		t.Errorf("%+v", q)
	}
}

func FuzzQuantities(f *testing.F) {
	for _, text := range []string{"7.2ms", "wwv=7.2ms±0.3ms", "+-", "±", "1e400s", "0x1p-2s", "10MHz", "50.2,-5.6", "nan,nan", "1_0ms"} {
		f.Add(text)
	}
	finite := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
	f.Fuzz(func(t *testing.T, text string) {
		if v, err := parseSeconds(text); err == nil && !finite(v) {
			t.Errorf("time %q is %g", text, v)
		}
		var d stationDelay
		if err := d.UnmarshalText([]byte(text)); err == nil && (!finite(d.seconds) || d.u != nil && !(finite(*d.u) && *d.u >= 0)) {
			t.Errorf("delay %q is %+v", text, d)
		}
		var hz frequency
		if err := hz.UnmarshalText([]byte(text)); err == nil && !(finite(float64(hz)) && hz >= 0) {
			t.Errorf("frequency %q is %v", text, hz)
		}
		var at place
		if err := at.UnmarshalText([]byte(text)); err == nil && !(math.Abs(at.Lat) <= 90 && math.Abs(at.Lon) <= 180) {
			t.Errorf("place %q is %v", text, at)
		}
	})
}
