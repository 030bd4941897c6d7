package ionosphere

import (
	"fmt"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"pgregory.net/rapid"

	"timeball/align/path/geodesic"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.7g, want %.7g ± %.2g", what, got, want, tolerance)
	}
}

func date(month time.Month, hours float64) time.Time {
	return time.Date(2025, month, 15, 0, 0, 0, 0, time.UTC).Add(time.Duration(hours * float64(time.Hour)))
}

func TestSun(t *testing.T) {
	// Meeus, example 25.a: 1992 October 13.0.
	declination, rightAscension := sunEquatorial(2448908.5)
	near(t, "declination", declination/degree, -7.78507, 2e-5)
	near(t, "right ascension", math.Mod(rightAscension/degree+360, 360), 198.38083, 2e-5)
	// Meeus, example 12.a: 1987 April 10, 0h.
	near(t, "sidereal time", math.Mod(siderealTime(2446895.5)/degree+360, 360), 197.693195, 1e-6)
	// NREL/TP-560-34302 (solar position algorithm), the worked example: 50.11162
	// degrees is refracted; refraction there is 0.0164.
	boulder := geodesic.Point{Lat: 39.742476, Lon: -105.1786}
	at := time.Date(2003, 10, 17, 19, 30, 30, 0, time.UTC)
	near(t, "zenith", SunAt(at).Zenith(boulder)/degree, 50.11162+0.0164, 0.01)
	near(t, "hour angle", SunAt(at).hourAngle(boulder)/degree, 11.10629, 0.01)
}

func TestHoursAfterSunset(t *testing.T) {
	s := Sun{Declination: 0, SubsolarLon: 0}
	near(t, "equinox, midnight", s.hoursAfterSunset(geodesic.Point{Lat: 50, Lon: 180}), 6, 1e-9)
	near(t, "equinox, before dawn", s.hoursAfterSunset(geodesic.Point{Lat: 50, Lon: -120}), 10, 1e-9)
	winter := Sun{Declination: -23 * degree}
	if h := winter.hoursAfterSunset(geodesic.Point{Lat: 80}); !math.IsInf(h, 1) {
		t.Errorf("polar night: %g hours after sunset", h)
	}
}

// The check value in the comment of the ITU's reference code; the others are derived
// by a second implementation of the same equations.
func TestField(t *testing.T) {
	f := fieldAt(geodesic.Point{Lat: 41 + 58.0/60 + 43.0/3600, Lon: -87 - 54.0/60 - 17.0/3600}, 1800e3)
	near(t, "gyrofrequency", f.gyroHz, 0.733686e6, 1)
	near(t, "dip", f.dip, 1.241669, 1e-6)
	for _, c := range []struct{ lat, lon, heightM, dip, gyroMHz float64 }{
		{0, 0, 300e3, -18.1546, 0.73676}, {40, -105, 300e3, 67.8797, 1.36367}, {40, -105, 100e3, 67.9057, 1.50681},
		{51.5, 0, 300e3, 66.8019, 1.16817}, {-35, 150, 300e3, -65.6501, 1.43202},
		// Printed by the ITU's programme for Kranji to Beijing.
		{10.100, 106.096, 300e3, 2.395, 0}, {31.483, 112.835, 300e3, 45.796, 0},
	} {
		f := fieldAt(geodesic.Point{Lat: c.lat, Lon: c.lon}, c.heightM)
		near(t, "dip", f.dip/degree, c.dip, 1e-3)
		if c.gyroMHz > 0 {
			near(t, "gyrofrequency", f.gyroHz/1e6, c.gyroMHz, 1e-5)
		}
	}
	near(t, "modified dip", math.Asin(NewPlace(geodesic.Point{Lat: 51.5, Lon: 0}).SinModip)/degree, 55.9130, 1e-3)
}

// Values of Rec. ITU-R P.1239-3 (Geneva, 2012), section 4, derived by a second
// implementation of it.
func TestFoE(t *testing.T) {
	for _, c := range []struct{ lat, declination, zenith, r12, afterSunset, want float64 }{
		{0, 0, 0, 0, 0, 3.4149}, {40, 20, 20, 100, 0, 3.7406}, {51.5, -23, 75, 50, 0, 2.5036}, {10, -10, 45, 150, 0, 3.7205},
		{35, 5, 85, 80, 0, 1.9452}, {45, 0, 95, 60, 0.5, 1.3961}, {45, 0, 120, 60, 5, 0.4584}, {-34, 23, 60, 20, 0, 2.8981},
	} {
		near(t, "foE", foE(c.lat, c.declination, c.zenith, c.r12, c.afterSunset)/1e6, c.want, 1e-4)
	}
}

func TestFoF1(t *testing.T) {
	p := NewPlace(geodesic.Point{Lat: 40, Lon: -105})
	noon, midnight := SunAt(date(time.June, 19)), SunAt(date(time.June, 7))
	// Common practice: 4 to 6 MHz at a summer noon in middle latitudes.
	if f, exists := FoF1(p, noon, 50); !exists || f < 4e6 || f > 6e6 {
		t.Errorf("foF1 is %.2f MHz on a summer noon, %v", f/1e6, exists)
	}
	if f, exists := FoF1(p, midnight, 50); exists {
		t.Errorf("there is an F1 ledge of %.2g Hz at midnight", f)
	}
}

// referenceMaps are the ITU's coefficient files, which the project does not hold.
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

func TestITUMaps(t *testing.T) {
	maps := referenceMaps(t)
	for _, c := range []struct {
		month                                      time.Month
		r12, lat, lon, hours                       float64
		foF2, m3000, toleranceFoF2, toleranceM3000 float64
	}{
		// Rec. ITU-R P.1239-3, equation 3, with the ITU's coefficients, evaluated twice by
		// programs of our own.
		{1, 0, 40, -105, 18, 5.423, 3.5079, 5e-4, 5e-5}, {1, 100, 40, -105, 18, 9.811, 3.1891, 5e-4, 5e-5},
		{4, 50, 0, 0, 12, 10.960, 2.4861, 6e-4, 6e-5}, {6, 70, 51.5, 0, 0, 5.222, 2.8918, 6e-4, 6e-5},
		{7, 150, 21, -157.5, 6, 11.601, 2.7075, 1e-3, 6e-5}, {9, 100, 35, 135, 3, 10.097, 2.8710, 6e-4, 6e-5},
		{10, 60, -34.5, -58.5, 15, 10.916, 2.9448, 6e-4, 6e-5}, {12, 120, -33, 151.5, 20, 6.646, 2.8757, 6e-4, 6e-5},
		{3, 80, 64.5, -147, 22, 6.195, 2.9414, 6e-4, 6e-5}, {12, 20, 45, -75, 5.5, 2.506, 3.1119, 6e-4, 6e-5},
		// Printed by the ITU's programme (itu_old.out), from a 1.5 degree grid.
		{1, 140, 10.100, 106.096, 2, 12.023, 2.467, 0.01, 1e-3}, {1, 140, 11.135, 106.384, 2, 12.461, 2.495, 0.01, 1e-3},
		{1, 140, 20.824, 109.223, 2, 13.994, 2.828, 0.01, 1e-3}, {1, 140, 30.461, 112.455, 2, 11.763, 3.075, 0.01, 1e-3},
	} {
		f, m := maps.At(date(c.month, c.hours), c.r12).F2(NewPlace(geodesic.Point{Lat: c.lat, Lon: c.lon}))
		near(t, "foF2", f/1e6, c.foF2, c.toleranceFoF2)
		near(t, "M(3000)F2", m, c.m3000, c.toleranceM3000)
	}
}

// The goal set for the compact climatology is 0.5 MHz and 0.08.
func TestResidual(t *testing.T) {
	d := Compare(Embedded(), referenceMaps(t))
	t.Logf("%d bytes; %v", len(compactData), d)
	if d.FoF2Hz > 0.5e6 || d.M3000 > 0.08 {
		t.Errorf("the embedded climatology is too far from the maps: %v", d)
	}
	if len(compactData) > 40e3 {
		t.Errorf("the embedded climatology has %d bytes", len(compactData))
	}
}

// What can be said without the maps: published values at four of the places
// above, as closely as the climatology's stated residual (three times its RMS).
func TestEmbeddedAgainstPublishedValues(t *testing.T) {
	for _, c := range []struct{ lat, lon, foF2, m3000 float64 }{
		{10.100, 106.096, 12.023, 2.467}, {20.824, 109.223, 13.994, 2.828}, {30.461, 112.455, 11.763, 3.075}, {31.483, 112.835, 11.596, 3.091},
	} {
		f, m := Embedded().At(date(1, 2), 140).F2(NewPlace(geodesic.Point{Lat: c.lat, Lon: c.lon}))
		near(t, "foF2", f/1e6, c.foF2, 3*0.29)
		near(t, "M(3000)F2", m, c.m3000, 3*0.036)
	}
}

func TestEmbeddedIsContinuousAndPlausible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(1.7e9, 2.1e9).Draw(t, "time"), 0)
		r12 := rapid.Float64Range(0, 150).Draw(t, "r12")
		lat := rapid.Float64Range(-90, 90).Draw(t, "lat")
		lon := rapid.Float64Range(-180, 180).Draw(t, "lon")
		value := func(at time.Time, lat, lon float64) [2]float64 {
			f, m := Embedded().At(at, r12).F2(NewPlace(geodesic.Point{Lat: lat, Lon: lon}))
			return [2]float64{f, m}
		}
		here := value(at, lat, lon)
		if f := here[0]; f < 1e6 || f > 22e6 {
			t.Fatalf("foF2 %g Hz", f)
		}
		if m := here[1]; m < 2 || m > 4.5 {
			t.Fatalf("M(3000)F2 %g", m)
		}
		for _, pair := range [][2][2]float64{
			{value(at, lat, 180), value(at, lat, -180)},
			{value(at, 90, lon), value(at, 90, -lon)},
			{value(at, -89.9999, lon), value(at, -89.9999, lon+90)},
			{here, value(at.Add(time.Second), lat, lon)},
		} {
			if math.Abs(pair[0][0]-pair[1][0]) > 5e3 || math.Abs(pair[0][1]-pair[1][1]) > 2e-3 {
				t.Fatalf("a jump from %v to %v", pair[0], pair[1])
			}
		}
	})
}

func TestTables(t *testing.T) {
	// P.1239-3 tables 2 and 3: lower decile in winter near noon at 40 degrees and
	// low activity 0.87, in the S season the upper decile at midnight is above 1.
	p := NewPlace(geodesic.Point{Lat: 40, Lon: 0})
	low, high := F2Deciles(p, date(1, 11), 11, 25)
	near(t, "lower decile", low, 0.87, 0.05)
	if high < 1.1 || high > 1.3 {
		t.Errorf("upper decile %g", high)
	}
	// P.533-14 figure 1: the noon absorption factor over the equator in January is 324.
	noon := Absorption(NewPlace(geodesic.Point{Lat: 0, Lon: 0}), date(1, 12.15), Sun{-21 * degree, 0})
	near(t, "absorption", noon, 324, 30)
	if night := Absorption(p, date(1, 0), SunAt(date(1, 0))); night > 0.1*noon {
		t.Errorf("absorption %g at night, %g at noon", night, noon)
	}
	// P.533-14 figure 3: far above the E layer the factor is 1.
	near(t, "penetration", Penetration(20), 1, 1e-12)
	near(t, "penetration, continuity", Penetration(10), Penetration(10.001), 1e-3)
	// P.533-14 auroral table: winter, 62.5 to 67.5 degrees, 04 to 07 h: 16 dB; none at low latitude.
	aurora := NewPlace(geodesic.Point{Lat: 53.6, Lon: -68.2})
	near(t, "auroral loss", AuroralLoss(aurora, date(1, 5), 5.5, 2000e3), 16, 6)
	near(t, "no aurora", AuroralLoss(NewPlace(geodesic.Point{Lat: 10, Lon: 0}), date(1, 5), 5.5, 2000e3), 0, 0)
}

func FuzzReadITUMonth(f *testing.F) {
	f.Add("@F2 1 3 1\nF2 0 0 1 2 3\nF2 0 1 1 2 3\n")
	f.Add("@F2 11 35 6\n@M3 6 22 4\n# nothing\n")
	f.Fuzz(func(t *testing.T, text string) {
		m, err := readITUMonth(strings.NewReader(text))
		if err != nil {
			return
		}
		// What was accepted can be evaluated.
		v := m.f2.at(3.5, 75)
		_ = v.value(NewPlace(geodesic.Point{Lat: 12, Lon: 34}))
	})
}

func TestReadITUMapsSaysWhatIsWrong(t *testing.T) {
	for want, folder := range map[string]fstest.MapFS{
		"must hold COEFF01W.txt": {},
		"f2-01.txt: line 2":      {"f2-01.txt": {Data: []byte("# map\nF2 0 0 1 2 3\n")}},
		"no number":              {"f2-01.txt": {Data: []byte("@F2 1 3 x\n")}},
		"incomplete":             {"f2-01.txt": {Data: []byte("@F2 1 3 1\nF2 0 0 1 2 3\n")}},
	} {
		if _, err := ReadITUMaps(folder); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q in it", err, want)
		}
	}
}

func BenchmarkEmbedded(b *testing.B) {
	p := NewPlace(geodesic.Point{Lat: 40, Lon: -105})
	m := Embedded().At(date(3, 12), 50)
	b.Run("place", func(b *testing.B) {
		for range b.N {
			m.F2(p)
		}
	})
	b.Run("instant", func(b *testing.B) {
		for range b.N {
			Embedded().At(date(3, 12), 50)
		}
	})
}

// The published files and the shorter form of them, of the same numbers, give the
// same maps.
func TestReadITUMapsAsPublished(t *testing.T) {
	published, short := fstest.MapFS{}, fstest.MapFS{}
	n := 0
	for month := 1; month <= 12; month++ {
		var p, s strings.Builder
		for _, m := range []struct {
			array, name string
			orders      []int
			harmonics   int
		}{{"xf2", "F2", ordersF2, harmonicsF2}, {"xfm3", "M3", ordersM3, harmonicsM3}} {
			last := m.orders[len(m.orders)-1]
			fmt.Fprintf(&p, "%s(%d,%d,2)\n", m.array, 1+2*m.harmonics, last+1)
			fmt.Fprintf(&s, "@%s %s %d\n", m.name, strings.Trim(fmt.Sprint(m.orders), "[]"), m.harmonics)
			for _, level := range []int{0, 100} {
				for k := range last + 1 {
					fmt.Fprintf(&s, "%s %d %d", m.name, level, k)
					for range 1 + 2*m.harmonics {
						n++
						v := math.Sin(float64(n))
						fmt.Fprintf(&p, "%16.8E", v)
						fmt.Fprintf(&s, " %.8e", v)
						if n%5 == 0 {
							fmt.Fprintln(&p)
						}
					}
					fmt.Fprintln(&s)
				}
			}
			fmt.Fprintln(&p)
		}
		published[fmt.Sprintf("COEFF%02dW.txt", month)] = &fstest.MapFile{Data: []byte(p.String())}
		short[fmt.Sprintf("f2-%02d.txt", month)] = &fstest.MapFile{Data: []byte(s.String())}
	}
	a, err := ReadITUMaps(published)
	if err != nil {
		t.Fatal(err)
	}
	b, err := ReadITUMaps(short)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(a, b) {
		t.Error("they differ")
	}
}
