package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// runPath runs a command line and returns what it says and its exit status.
func runPath(args ...string) (stdout, stderr string, code int) {
	var out, err bytes.Buffer
	code = run(context.Background(), args, strings.NewReader(""), &out, &err)
	return out.String(), err.String(), code
}

// anchorage is a path with a published distance: R. Reeve's from the 10 MHz
// antenna of WWV.
var anchorage = []string{"path", "--station=wwv", "--carrier=10MHz", "--at=61.2,-149.9", "--time=2026-03-14T22:00:00Z", "--sunspots=50old"}

func TestPathJSON(t *testing.T) {
	out, errs, code := runPath(append(anchorage, "--json")...)
	if code != exitOK || errs != "" {
		t.Fatalf("status %d, %s", code, errs)
	}
	var o pathJSON
	if err := json.Unmarshal([]byte(out), &o); err != nil {
		t.Fatal(err)
	}
	// WGS-84 from WWV's 10 MHz antenna to 61.2 N 149.9 W, by Vincenty's method.
	if math.Abs(o.DistanceM-3775656.3) > 5 {
		t.Errorf("distance %.1f m", o.DistanceM)
	}
	if o.Schema != "timeball.path/1" || o.Station != "wwv" || *o.CarrierHz != 10e6 || o.Time.Format("2006-01-02T15:04") != "2026-03-14T22:00" {
		t.Errorf("object %+v", o)
	}
	if !(o.CI95[0] < o.Delay && o.Delay < o.CI95[1]) || o.U <= 0 || len(o.Modes) < 2 || len(o.Causes) < 2 {
		t.Errorf("object %+v", o)
	}
	for _, field := range []string{`"distance_m":`, `"delay_s":`, `"u_s":`, `"ci95_s":`, `"modes":[{"mode":`, `"elevation_deg":`, `"height_m":`, `"probability":`} {
		if !strings.Contains(out, field) {
			t.Errorf("no field %s", field)
		}
	}
}

func TestPathJSONWithoutCarrier(t *testing.T) {
	out, errs, code := runPath("path", "--station=wwv", "--at=61.2,-149.9", "--time=2026-03-14T22:00:00Z", "--json")
	if code != exitOK {
		t.Fatal(errs)
	}
	if !strings.Contains(out, `"carrier_hz":null`) {
		t.Errorf("the carrier is not null in %s", out)
	}
}

func TestPathTable(t *testing.T) {
	out, errs, code := runPath(anchorage...)
	if code != exitOK {
		t.Fatal(errs)
	}
	for _, part := range []string{"WWV, 10 MHz, to 61.2°N 149.9°W at 2026-03-14 22:00 UTC", "3775.7 km, 12.594 ms at the speed of light", "71 as published since July 2015, R12 = 50 on the scale before", "2F2", "rays inside a mode"} {
		if !strings.Contains(out, part) {
			t.Errorf("no %q in\n%s", part, out)
		}
	}
}

func TestPathUsage(t *testing.T) {
	evening := func(rows string) string {
		name := filepath.Join(t.TempDir(), "evening.csv")
		if err := os.WriteFile(name, []byte("time,foF2,hmF2\n"+rows), 0o644); err != nil {
			t.Fatal(err)
		}
		return name
	}
	holed := evening("2026-03-14T21:00:00Z,7.9,285\n2026-03-14T21:15:00Z,,290\n")
	twice := evening("2026-03-14T21:00:00Z,7.9,285\n2026-03-14T21:00:00Z,5.9,285\n")
	commas := evening("2026-03-14T21:00:00Z,7,9,285\n")
	good := map[string]string{"--station": "wwv", "--carrier": "10MHz", "--at": "50.2,-5.6", "--time": "2026-03-14T22:00:00Z"}
	for _, c := range []struct {
		flag, value, says string
		code              int
	}{
		{"--station", "abc", `no station "abc"`, exitUsage},
		{"--carrier", "11MHz", "no carrier on 11 MHz", exitUsage},
		{"--carrier", "-3", "no frequency", exitUsage},
		{"--at", "95,0", "no place", exitUsage},
		{"--at", "50.2", "no place", exitUsage},
		{"--at", "NaN,0", "no place", exitUsage},
		{"--time", "noon", "--time", exitUsage},
		{"--sunspots", "-1", "smoothed sunspot number", exitUsage},
		{"--sunspots", "NaN", "smoothed sunspot number", exitUsage},
		{"--fof2", "79MHz", "between 0.5 and 30 MHz", exitUsage},
		{"--hmf2", "285", "no height", exitUsage},
		{"--ionosonde", "50,5", "say what it measured", exitUsage},
		{"--ionosonde-file", holed, "row 3", exitFailed},
		{"--ionosonde-file", twice, "row 3 has the same time as row 2", exitFailed},
		{"--ionosonde-file", commas, "line 2: want three columns", exitFailed},
		{"--plot", "hops.gif", ".png or .svg", exitUsage},
		{"--plot", filepath.Join("no", "such", "folder.png"), "no such file", exitFailed},
		{"--ionosphere", t.TempDir(), "must hold COEFF01W.txt", exitFailed},
	} {
		args := []string{"path"}
		for flag, value := range good {
			if flag != c.flag {
				args = append(args, flag+"="+value)
			}
		}
		out, errs, code := runPath(append(args, c.flag+"="+c.value)...)
		if code != c.code || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 || out != "" {
			t.Errorf("%s %s: status %d, %q, %q", c.flag, c.value, code, errs, out)
		}
	}
}

// What is taken of an ionosonde, and what is doubted, is said; chances sum to 1.
func TestPathTells(t *testing.T) {
	t.Parallel()
	evening := filepath.Join(t.TempDir(), "evening.csv")
	if err := os.WriteFile(evening, []byte("time,foF2,hmF2\n2026-03-14T21:00:00Z,7.9,285\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	rwm := []string{"path", "--station=rwm", "--carrier=9996kHz", "--at=50.2,-5.6"}
	for _, c := range []struct {
		says string
		args []string
	}{
		{"1 of 1 measurements taken\n", []string{"--time=2026-03-14T18:00:00Z", "--ionosonde-file", evening}},
		{"none of 1 measurements is of the day", []string{"--time=2026-03-17T18:00:00Z", "--ionosonde-file", evening}},
		{"is it right?", []string{"--time=2026-03-14T18:00:00Z", "--fof2=0.9MHz"}},
		{"beyond 9000 km", []string{"--time=2026-03-14T18:00:00Z", "--at=-38,145"}},
	} {
		out, errs, code := runPath(append(slices.Clone(rwm), c.args...)...)
		if code != exitOK || !strings.Contains(out, c.says) {
			t.Errorf("%v: status %d, %q: no %q in\n%s", c.args, code, errs, c.says, out)
		}
		sum, rows := 0, 0
		for _, m := range regexp.MustCompile(`(?m)([0-9]+) %$`).FindAllStringSubmatch(strings.Split(out, "The uncertainty")[0], -1) {
			n, _ := strconv.Atoi(m[1])
			sum, rows = sum+n, rows+1
		}
		if math.Abs(float64(sum-100)) > float64(rows)/2 {
			t.Errorf("%v: chances of being the first sum to %d %% in\n%s", c.args, sum, out)
		}
	}
}

func TestPathPlots(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, name := range []string{"hops.png", "hops.svg"} {
		file := filepath.Join(dir, name)
		if _, errs, code := runPath(append(anchorage, "--plot", file)...); code != exitOK {
			t.Fatal(errs)
		}
		checkDrawing(t, file)
	}
}

// checkDrawing wants a well-formed picture with something in several colours on it.
func checkDrawing(t *testing.T, file string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if filepath.Ext(file) == ".svg" {
		shapes := 0
		for d := xml.NewDecoder(f); ; {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if e, ok := token.(xml.StartElement); ok && e.Name.Local == "path" {
				shapes++
			}
		}
		if shapes < 50 {
			t.Errorf("%s has %d shapes", file, shapes)
		}
		return
	}
	picture, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	painted := map[color.Color]int{}
	for y := range picture.Bounds().Dy() {
		for x := range picture.Bounds().Dx() {
			painted[picture.At(x, y)]++
		}
	}
	if picture.Bounds().Dx() < 600 || len(painted) < 20 {
		t.Errorf("%s is %v with %d colours", file, picture.Bounds(), len(painted))
	}
}

// ituMaps is the folder of the ITU's coefficients, which the project does not hold.
func ituMaps(t *testing.T) string {
	dir := os.Getenv("TIMEBALL_ITU")
	if dir == "" {
		t.Skip("set TIMEBALL_ITU to a folder with the ITU's coefficient files, as DEVELOPERS.md says")
	}
	return dir
}

func TestPathWithTheITUsMaps(t *testing.T) {
	dir := ituMaps(t)
	var with, without pathJSON
	for _, c := range []struct {
		into  *pathJSON
		extra []string
	}{{&without, nil}, {&with, []string{"--ionosphere=" + dir}}} {
		out, errs, code := runPath(append(append(anchorage[:len(anchorage):len(anchorage)], "--json"), c.extra...)...)
		if code != exitOK {
			t.Fatal(errs)
		}
		if err := json.Unmarshal([]byte(out), c.into); err != nil {
			t.Fatal(err)
		}
	}
	// The built-in fit must not move a delay by anything like its uncertainty.
	if math.Abs(with.Delay-without.Delay) > 0.3*without.U || with.Delay == without.Delay {
		t.Errorf("delay %g s with the maps, %g ± %g s without", with.Delay, without.Delay, without.U)
	}
}

func TestFrequency(t *testing.T) {
	for text, want := range map[string]frequency{"10MHz": 10e6, "7850kHz": 7.85e6, "9.996 mhz": 9996000, "2500000": 2.5e6, "5e6Hz": 5e6} {
		var f frequency
		if err := f.UnmarshalText([]byte(text)); err != nil || f != want {
			t.Errorf("%q is %v, %v", text, float64(f), err)
		}
	}
	for _, text := range []string{"", "MHz", "0", "-5MHz", "ten", "NaN", "Inf"} {
		if err := new(frequency).UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q was taken for a frequency", text)
		}
	}
}

func TestPlaceComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lat, lon := rapid.Float64Range(-90, 90).Draw(t, "lat"), rapid.Float64Range(-180, 180).Draw(t, "lon")
		text, err := json.Marshal([]float64{lat, lon})
		if err != nil {
			t.Fatal(err)
		}
		var p place
		if err := p.UnmarshalText(bytes.Trim(text, "[]")); err != nil || p.Lat != lat || p.Lon != lon {
			t.Fatalf("%s became %v, %v", text, p.LatLon, err)
		}
	})
}
