package noise

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"timeball/align/path/geodesic"
	"timeball/align/path/itu"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.5g, want %.5g ± %.2g", what, got, want, tolerance)
	}
}

func referenceMaps(t testing.TB) *ITUMaps {
	dir := os.Getenv("TIMEBALL_ITU")
	if dir == "" {
		t.Skip("set TIMEBALL_ITU to a folder with the ITU's coefficient files, as DEVELOPERS.md says")
	}
	m, err := ReadITUMaps(os.DirFS(dir))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// Figures printed by the ITU's programme, which counts its hours from 1 and takes
// whole hours of longitude: local = hour - 1 + int(lon/15).
func TestITUMaps(t *testing.T) {
	maps := referenceMaps(t)
	for _, c := range []struct {
		month                    time.Month
		lat, lon, hour, mhz      float64
		median, upper, lower, to float64
	}{
		{2, 40, 10, 8, 10, 34.24, 7.85, 6.46, 0.005},
		{5, 51.117, 7.267, 20, 6.1, 49.90, 8.74, 7.91, 0.005},
		{8, 51.117, 7.267, 1, 6.1, 52.33, 0, 0, 0.005}, {8, 51.117, 7.267, 9, 6.1, 26.38, 0, 0, 0.005},
		{8, 51.117, 7.267, 13, 6.1, 30.13, 0, 0, 0.005}, {8, 51.117, 7.267, 20, 6.1, 50.87, 0, 0, 0.005},
		{1, 40, 116.4, 2, 6.2, 25.823, 8.590, 7.214, 0.001},
	} {
		local := math.Mod(c.hour-1+math.Trunc(c.lon/15)+24, 24)
		f := maps.Atmospheric(geodesic.Point{Lat: c.lat, Lon: c.lon}, time.Date(2025, c.month, 15, 0, 0, 0, 0, time.UTC), local, c.mhz*1e6)
		near(t, "median", f.MedianDB, c.median, c.to)
		if c.upper > 0 {
			near(t, "upper decile", f.UpperDB, c.upper, c.to)
			near(t, "lower decile", f.LowerDB, c.lower, c.to)
		}
	}
}

// P.372 table 1 and equation 13, evaluated at frequencies of the standard-time band.
func TestManMadeAndGalactic(t *testing.T) {
	for _, c := range []struct {
		environment Environment
		mhz, want   float64
	}{{City, 2.5, 65.8}, {Residential, 5, 53.1}, {Rural, 10, 39.5}, {QuietRural, 25, 13.6}} {
		near(t, string(c.environment), ManMade(c.environment, c.mhz*1e6).MedianDB, c.want, 0.05)
	}
	g, arrives := Galactic(10e6, 8e6)
	near(t, "galactic", g.MedianDB, 29.0, 0.05)
	if _, hidden := Galactic(5e6, 8e6); !arrives || hidden {
		t.Error("galactic noise must arrive above the critical frequency only")
	}
}

func TestSum(t *testing.T) {
	// Two equal powers are 3.01 dB more than one.
	s := Sum(Figure{30, 9, 5}, Figure{30, 9, 5})
	near(t, "sum", s.MedianDB, 33.0103, 1e-4)
	near(t, "upper", s.UpperDB, 9, 1e-9)
	near(t, "lower", s.LowerDB, 5, 1e-9)
	// k·T0 is -204 dBW/Hz.
	near(t, "power", Figure{MedianDB: 40}.PowerDBW(3000), 40+34.77-204, 0.01)
}

// A season of fewer rows than the maps have is refused whatever the rows say.
func FuzzReadSeason(f *testing.F) {
	f.Add("P 0 0 1 2\n")
	f.Add("A 0 1 2\nM 11 1 1 1 1 1 1 1 1 1 1 1 1 1 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		var s ituSeason
		if err := s.read(strings.NewReader(text)); err == nil && strings.Count(text, "\n") < 173 {
			t.Fatal("an incomplete season was taken")
		}
	})
}

// The embedded climatology against the maps it was fitted to. The ITU puts the
// maps' own error at several decibels.
func TestResidual(t *testing.T) {
	d := Compare(Embedded(), referenceMaps(t))
	t.Logf("%d bytes; %v", len(compactData), d)
	if d.MedianDB > 3 || d.UpperDB > 2 || d.LowerDB > 2 {
		t.Errorf("the embedded climatology is too far from the maps: %v", d)
	}
}

// The published figures again, as closely as the climatology's residual allows
// (three times its RMS), without the maps at hand.
func TestEmbeddedAgainstPublishedFigures(t *testing.T) {
	for _, c := range []struct {
		month                      time.Month
		lat, lon, local, mhz, want float64
	}{
		{2, 40, 10, 7, 10, 34.24}, {5, 51.117, 7.267, 19, 6.1, 49.90}, {8, 51.117, 7.267, 0, 6.1, 52.33},
		{8, 51.117, 7.267, 12, 6.1, 30.13}, {1, 40, 116.4, 8, 6.2, 25.823},
	} {
		f := Embedded().Atmospheric(geodesic.Point{Lat: c.lat, Lon: c.lon}, time.Date(2025, c.month, 15, 0, 0, 0, 0, time.UTC), c.local, c.mhz*1e6)
		near(t, "median", f.MedianDB, c.want, 7)
	}
}

// The published files and the shorter form of them, of the same numbers, give the
// same maps.
func TestReadITUMapsAsPublished(t *testing.T) {
	published, short := fstest.MapFS{"COEFF01W.txt": {}}, fstest.MapFS{}
	n := 0
	for i, name := range seasonFiles {
		var p, s strings.Builder
		row := func(key string, length int) {
			fmt.Fprint(&s, key)
			for range length {
				n++
				fmt.Fprintf(&p, " %.6e", math.Sin(float64(n)))
				fmt.Fprintf(&s, " %.6e", math.Sin(float64(n)))
			}
			fmt.Fprintln(&p)
			fmt.Fprintln(&s)
		}
		fmt.Fprintln(&p, "fakp(29,16,6)")
		for b := range blocks {
			for k := range 16 {
				row(fmt.Sprintf("P %d %d", b, k), 29)
			}
		}
		fmt.Fprintln(&p, "fakabp(2,6)")
		for b := range blocks {
			row(fmt.Sprintf("A %d", b), 2)
		}
		fmt.Fprintln(&p, "fam(14,12)")
		for r := range hemispheres {
			row(fmt.Sprintf("M %d", r), 14)
		}
		fmt.Fprintln(&p, "dud(5,12,5)")
		for j := range 5 {
			for r := range hemispheres {
				row(fmt.Sprintf("U %d %d", j, r), 5)
			}
		}
		published[itu.FileName(seasonMonths[i])] = &fstest.MapFile{Data: []byte(p.String())}
		short[name] = &fstest.MapFile{Data: []byte(s.String())}
	}
	a, err := ReadITUMaps(published)
	if err != nil {
		t.Fatal(err)
	}
	b, err := ReadITUMaps(short)
	if err != nil {
		t.Fatal(err)
	}
	if *a != *b {
		t.Error("they differ")
	}
}
