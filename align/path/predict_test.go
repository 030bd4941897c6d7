package path

import (
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"timeball/align/path/geodesic"
	"timeball/align/path/ionosphere"
	"timeball/align/path/ray"
	"timeball/capture/station"
)

func referenceMaps(t *testing.T) *ionosphere.ITUMaps {
	dir := os.Getenv("TIMEBALL_ITU")
	if dir == "" {
		t.Skip("set TIMEBALL_ITU to a folder with the ITU's coefficient files, as DEVELOPERS.md says")
	}
	m, err := ionosphere.ReadITUMaps(os.DirFS(dir))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// Eight paths by the method of Recs. ITU-R P.533-14 (Geneva, 2019) and P.1240-2
// (Geneva, 2015), derived by a second implementation of the same equations and maps
// (whose sphere is 0.3 % from the ellipsoid used here). Levels are fields for 1 kW; the tolerance is the averaging
// of absorption along the path instead of at each mode's own crossings.
func TestSkyAgainstIndependentComputation(t *testing.T) {
	maps := referenceMaps(t)
	wwv, wwvh := LatLon{Lat: 40.6799, Lon: -105.0403}, LatLon{Lat: 21.9884, Lon: -159.7643}
	type expected struct {
		mode                   string
		elevation, mufMHz, fdB float64
	}
	for _, c := range []struct {
		name                   string
		from, to               LatLon
		month                  time.Month
		hour                   int
		r12, mhz, foF2, m, foE float64
		modes                  []expected
	}{
		{"WWV-San Diego, winter day", wwv, LatLon{Lat: 32.70, Lon: -117.25}, 1, 18, 50, 10, 7.569, 3.3705, 2.962,
			[]expected{{"1E", 5.68, 14.27, 21.3}, {"1F2", 0, 18.26, 21.0}, {"2F2", 0, 11.95, 19.2}}},
		{"WWV-San Diego, summer night", wwv, LatLon{Lat: 32.70, Lon: -117.25}, 7, 6, 150, 10, 6.258, 2.6943, 0.590,
			[]expected{{"1F2", 0, 12.34, 29.4}, {"2F2", 0, 8.91, 6.9}}},
		{"WWVH-Anchorage", wwvh, LatLon{Lat: 61.2, Lon: -149.9}, 9, 22, 120, 15, 8.976, 2.7015, 3.651,
			[]expected{{"2F2", 0, 18.94, 2.2}, {"3F2", 0, 14.89, -7.7}}},
		{"RWM-Berlin, spring evening", LatLon{Lat: 56.7333, Lon: 37.6633}, LatLon{Lat: 52.5, Lon: 13.4}, 3, 20, 70, 4.996, 4.256, 2.8224, 0.470,
			[]expected{{"1F2", 12.49, 9.51, 26.6}, {"2F2", 0, 6.73, 22.4}}},
		{"BPM-Wuhan, autumn noon", LatLon{Lat: 35.0, Lon: 109.55}, LatLon{Lat: 30.53, Lon: 114.33}, 10, 4, 100, 10, 12.496, 2.9875, 3.573,
			[]expected{{"1E", 16.57, 10.66, 21.8}, {"1F2", 33.82, 17.75, 29.2}, {"2F2", 58.56, 14.32, 20.9}}},
	} {
		at := time.Date(2025, c.month, 15, c.hour, 0, 0, 0, time.UTC)
		s := newInstant(at, maps, c.r12).sky(newCircuit(c.from, c.to, false))
		near(t, c.name+", foF2", s.f2[0].foF2Hz/1e6, c.foF2, 0.03)
		near(t, c.name+", M(3000)F2", s.f2[0].m3000, c.m, 0.005)
		near(t, c.name+", foE", s.f2[0].foEHz/1e6, c.foE, 0.03)
		found := map[string]candidate{}
		for _, m := range s.candidates(c.mhz * 1e6) {
			found[m.mode.String()] = m
		}
		for _, want := range c.modes {
			got := found[want.mode]
			near(t, c.name+", "+want.mode+", MUF", got.mufHz/1e6, want.mufMHz, 0.02*want.mufMHz)
			near(t, c.name+", "+want.mode+", field", got.levelDB, want.fdB, 5)
			if want.elevation > 0 {
				near(t, c.name+", "+want.mode+", elevation", got.elevation/degree, want.elevation, 0.3)
			}
		}
	}
}

// everywhere draws a request anywhere on earth.
func everywhere(t *rapid.T) Request {
	stations := slices.DeleteFunc(station.Builtin(), func(s station.Station) bool { return s.LongWave() })
	s := stations[rapid.IntRange(0, len(stations)-1).Draw(t, "station")]
	return Request{
		Station:   &s,
		CarrierHz: s.Carriers[rapid.IntRange(0, len(s.Carriers)-1).Draw(t, "carrier")].Hz,
		At:        LatLon{Lat: rapid.Float64Range(-90, 90).Draw(t, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(t, "lon")},
		Time:      time.Unix(rapid.Int64Range(1.5e9, 2.1e9).Draw(t, "time"), 0).UTC(),
		Sunspots:  rapid.SampledFrom([]float64{0, 40, 120, 200, math.NaN()}).Draw(t, "sunspots"),
		LongPath:  rapid.Bool().Draw(t, "longPath"),
	}
}

func predicted(t interface {
	Helper()
	Fatal(...any)
}, r Request) Prediction {
	t.Helper()
	return predictedOf(t, r, 64) // fewer days than a prediction has: quicker
}

// predictedOf is for what holds of any number of days.
func predictedOf(t interface {
	Helper()
	Fatal(...any)
}, r Request, days int) Prediction {
	t.Helper()
	p, err := predict(r, days)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPredictionIsSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := everywhere(t)
		p := predicted(t, r)
		early := p.CI95[0] < p.GreatCircleSeconds || p.DelaySeconds < p.GreatCircleSeconds
		// On long wave a sum of waves may be earlier than all of them.
		if early && !r.Station.LongWave() || p.CI95[1] < p.CI95[0] {
			t.Fatalf("delay %g in %v, great circle %g", p.DelaySeconds, p.CI95, p.GreatCircleSeconds)
		}
		first, causes := 0.0, 0.0
		for i, m := range p.Modes {
			first += m.First
			if m.DelaySeconds < p.GreatCircleSeconds {
				t.Fatalf("%s arrives in %g s, light needs %g s", m.Name, m.DelaySeconds, p.GreatCircleSeconds)
			}
			if i > 0 && m.DelaySeconds < p.Modes[i-1].DelaySeconds {
				t.Fatal("modes are out of order")
			}
			if m.Probability < 0 || m.Probability > 1+1e-9 {
				t.Fatalf("%s is heard with chance %g", m.Name, m.Probability)
			}
		}
		// Modes too improbable to list hold what is left.
		if first > 1+1e-9 || first < 0.95 {
			t.Fatalf("the chances to be the first sum to %g", first)
		}
		for _, c := range p.Causes {
			causes += c.USeconds * c.USeconds
		}
		if math.Abs(math.Sqrt(causes)-p.USeconds) > 1e-3*p.USeconds {
			t.Fatalf("causes make %g, u is %g", math.Sqrt(causes), p.USeconds)
		}
	})
}

func TestPathIsReciprocal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := everywhere(t)
		r.Sunspots = 60
		r.LongPath = false // a geodesic all round the earth does not close, and is not reciprocal
		there := predictedOf(t, r, 16)
		i := 0
		for r.Station.Carriers[i].Hz != r.CarrierHz {
			i++
		}
		c := r.Station.Carriers[i]
		back := r
		back.Station = &station.Station{ID: "back", Keying: r.Station.Keying, Depth: 1, Carriers: []station.Carrier{{Hz: c.Hz, Lat: r.At.Lat, Lon: r.At.Lon, PowerW: c.PowerW}}}
		back.At = LatLon{Lat: c.Lat, Lon: c.Lon}
		if b := predictedOf(t, back, 16); math.Abs(b.DelaySeconds-there.DelaySeconds) > 2e-6 || math.Abs(b.USeconds-there.USeconds) > 2e-6 {
			t.Fatalf("there %g ± %g s, back %g ± %g s", there.DelaySeconds, there.USeconds, b.DelaySeconds, b.USeconds)
		}
	})
}

// Places a metre or two apart have the same delay, across the date line, at the
// poles and at the antipodes of the station too.
func TestDelayIsContinuous(t *testing.T) {
	for _, s := range station.Builtin() {
		c := s.Carriers[0]
		antipode := LatLon{Lat: -c.Lat, Lon: math.Remainder(c.Lon+180, 360)}
		for name, pair := range map[string][2]LatLon{
			"date line":  {{Lat: 20, Lon: 179.99999}, {Lat: 20, Lon: -179.99999}},
			"north pole": {{Lat: 89.99999, Lon: 10}, {Lat: 89.99999, Lon: -170}},
			"south pole": {{Lat: -90, Lon: 0}, {Lat: -89.99999, Lon: 77}},
			"antipode":   {antipode, {Lat: antipode.Lat + 1e-5, Lon: antipode.Lon}},
		} {
			r := Request{Station: &s, CarrierHz: c.Hz, Time: time.Date(2026, 3, 14, 18, 20, 0, 0, time.UTC), Sunspots: 80}
			r.At = pair[0]
			a := predictedOf(t, r, 16)
			r.At = pair[1]
			b := predictedOf(t, r, 16)
			// At the very antipode the azimuth, and so the ionosphere on the way,
			// is any: only the great circle must agree.
			if name == "antipode" {
				near(t, s.ID+" "+name, a.GreatCircleSeconds, b.GreatCircleSeconds, 1e-7)
				continue
			}
			near(t, s.ID+" "+name, a.DelaySeconds, b.DelaySeconds, 2e-6)
		}
	}
}

func TestLongPath(t *testing.T) {
	wwv := builtin(t, "wwv")
	// Round the earth by both ways is a meridian (40 007 863 m) due north or south.
	r := Request{Station: wwv, CarrierHz: 10e6, At: LatLon{Lat: 10, Lon: wwv.Carriers[0].Lon}, Time: time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC), Sunspots: 80}
	for i := range r.Station.Carriers {
		if r.Station.Carriers[i].Hz == 10e6 {
			r.At.Lon = r.Station.Carriers[i].Lon
		}
	}
	short := predicted(t, r)
	r.LongPath = true
	long := predicted(t, r)
	near(t, "both ways round", short.DistanceM+long.DistanceM, 40007863, 1)
	// The way on leads to the place: the geodesic itself, followed to its end.
	way := newCircuit(LatLon{Lat: 40, Lon: -105}, LatLon{Lat: -33, Lon: 151}, true)
	end, _ := geodesic.Direct(way.from, way.azimuth, way.distanceM)
	if miss, _, _ := geodesic.Inverse(end, LatLon{Lat: -33, Lon: 151}); miss > 100e3 {
		t.Errorf("the long way ends %.0f km from the receiver", miss/1e3)
	}
}

func TestGroundWave(t *testing.T) {
	// A 1 kW short vertical gives 300 mV/m at a kilometre, ten times that at 100 m,
	// where the ground has taken next to nothing yet (Rec. ITU-R P.368).
	g, ok := groundWave(100, 2.5e6)
	if !ok {
		t.Fatal("no ground wave at 100 m")
	}
	near(t, "field at 100 m", g.levelDB, 129.5, 0.5)
	previous := math.Inf(1)
	for km := 1.0; km < 900; km *= 1.5 {
		g, _ := groundWave(km*1e3, 5e6)
		if g.levelDB >= previous || g.pathM/lightMPerS < km*1e3/lightMPerS {
			t.Fatalf("at %g km: %g dB after %g dB, delay %g s", km, g.levelDB, previous, g.pathM/lightMPerS)
		}
		previous = g.levelDB
	}
	// Beside the station the ground wave comes first.
	chu := builtin(t, "chu")
	p := predicted(t, Request{Station: chu, CarrierHz: chu.Carriers[0].Hz, At: LatLon{Lat: chu.Carriers[0].Lat + 0.1, Lon: chu.Carriers[0].Lon}, Time: time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC), Sunspots: 80})
	if m := p.Modes[0]; m.Name != "ground" || m.First < 0.95 {
		t.Errorf("%s is the first with %g, 11 km from the antenna", m.Name, m.First)
	}
}

// Under the antenna everything is straight up and nothing divides by zero.
func TestNoDistance(t *testing.T) {
	chu := builtin(t, "chu")
	c := chu.Carriers[0]
	p := predicted(t, Request{Station: chu, CarrierHz: c.Hz, At: LatLon{Lat: c.Lat, Lon: c.Lon}, Time: time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC), Sunspots: 80})
	if p.DistanceM != 0 || !(p.DelaySeconds < 1e-3) || !(p.USeconds < 1e-3) {
		t.Errorf("delay %g ± %g s over %g m", p.DelaySeconds, p.USeconds, p.DistanceM)
	}
	for _, m := range p.Modes {
		if m.Hops > 0 && math.Abs(m.DelaySeconds-2*float64(m.Hops)*m.HeightM/lightMPerS) > 0.5e-3*float64(m.Hops) {
			t.Errorf("%s takes %g s to %g m and back", m.Name, m.DelaySeconds, m.HeightM)
		}
	}
}

func TestRequestIsChecked(t *testing.T) {
	wwv := builtin(t, "wwv")
	good := Request{Station: wwv, CarrierHz: 10e6, At: gannetHead, Time: time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC), Sunspots: 80}
	for want, spoil := range map[string]func(*Request){
		"not on the earth":        func(r *Request) { r.At.Lat = 91 },
		"NaN":                     func(r *Request) { r.At.Lon = math.NaN() },
		"time is not known":       func(r *Request) { r.Time = time.Time{} },
		"no carrier on 11 MHz":    func(r *Request) { r.CarrierHz = 11e6 },
		"below zero":              func(r *Request) { r.Sunspots = -1 },
		"no carrier in the table": func(r *Request) { r.Station = &station.Station{ID: "mute"} },
	} {
		r := good
		spoil(&r)
		if _, err := Predict(r); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q in it", err, want)
		}
	}
}

// Without a level there was no pruning, and the search of readings had no end.
func TestArrivalWithoutPower(t *testing.T) {
	p, err := Predict(Request{Station: builtin(t, "chu"), CarrierHz: 7.85e6, At: LatLon{Lat: 42.36, Lon: -71.06}, Time: time.Date(2026, 6, 15, 2, 0, 0, 0, time.UTC), Sunspots: 100})
	if err != nil {
		t.Fatal(err)
	}
	silent := math.Inf(-1)
	all := []Heard{{LevelDB: silent}, {Excess: 0.5e-3, U: 20e-6, LevelDB: silent}, {Excess: 1.2e-3, U: 20e-6, LevelDB: silent}, {Excess: 2e-3, U: 20e-6, LevelDB: math.NaN()}}
	if q := p.WithArrivals(all); q.CI95 != p.CI95 {
		t.Errorf("%v with arrivals that have no power, %v without", q.CI95, p.CI95)
	}
}

func TestUnknownCarrierIsACause(t *testing.T) {
	wwv := builtin(t, "wwv")
	r := Request{Station: wwv, At: LatLon{Lat: 32.7, Lon: -117.25}, Time: time.Date(2026, 1, 14, 18, 0, 0, 0, time.UTC), Sunspots: 80}
	share := func(p Prediction) float64 {
		for _, c := range p.Causes {
			if c.Name == "carrier" {
				return c.USeconds / p.USeconds
			}
		}
		return 0
	}
	any := predicted(t, r)
	r.CarrierHz = 10e6
	if one := predicted(t, r); share(any) < 0.02 || share(one) != 0 {
		t.Errorf("the carrier makes %.2f of u when it is not known, %.2f when it is 10 MHz", share(any), share(one))
	}
}

func TestDefaultSunspots(t *testing.T) {
	// Minimum December 2019 and a maximum in 2024 (from memory).
	least, uLeast := DefaultSunspots(time.Date(2019, 12, 15, 0, 0, 0, 0, time.UTC))
	most, uMost := DefaultSunspots(time.Date(2024, 6, 15, 0, 0, 0, 0, time.UTC))
	near(t, "minimum", least, 5, 1e-9)
	near(t, "maximum", most, 115, 0.5)
	near(t, "uncertainty of a minimum", uLeast, 5, 1e-9)
	near(t, "uncertainty of a maximum", uMost, 35, 0.5)
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(-1e9, 4e9).Draw(t, "time"), 0)
		a, _ := DefaultSunspots(at)
		b, _ := DefaultSunspots(at.Add(24 * time.Hour))
		if a < 5 || a > 115 || math.Abs(a-b) > 0.2 {
			t.Fatalf("R12 %g, the next day %g", a, b)
		}
	})
}

// A mode of the F1 ledge needs it at every hop, and the E layer screens beyond
// 4000 km as well. WWV on 10 MHz towards Cornwall in March: at the third hop the
// sun stands too low for F1, and the E layer of the first two is dense.
func TestLayersAtEveryHop(t *testing.T) {
	p := predicted(t, Request{Station: builtin(t, "wwv"), CarrierHz: 10e6, At: gannetHead, Time: time.Date(2026, 3, 14, 18, 20, 0, 0, time.UTC), Sunspots: 80})
	for _, m := range p.Modes {
		if strings.HasSuffix(m.Name, "F1") || m.Name == "3F2" && m.First > 0.1 {
			t.Errorf("%s with probability %.2f, first with %.2f", m.Name, m.Probability, m.First)
		}
	}
}

// However far a day drawn strays, its E layer lies where rays are summed and no lower.
func TestELayerIsAboveTheBottom(t *testing.T) {
	over := &overhead{foF2Hz: 6e6, m3000: 3, foEHz: 3e6, low: 0.1, high: 0.1}
	w := newWeather(50, 10, []*overhead{over}, nil)
	z := make([]float64, w.size())
	bounded := 0
	for i := range 20_000 {
		draw(z, i)
		p := w.profile(z, 0)
		if p.PeakE-p.ThickE < ray.BottomM || p.ThickE <= 0 {
			t.Fatalf("draw %d: an E layer of %.0f ± %.0f km", i, p.PeakE/1e3, p.ThickE/1e3)
		}
		if p.PeakE-p.ThickE == ray.BottomM {
			bounded++
		}
	}
	// It takes 2.7 standard deviations of the thickness on a day of usual scale, fewer on
	// one in ten whose scale is twice that: a few in a hundred, unless strays are doubled.
	if bounded == 0 || bounded > 2000 {
		t.Errorf("%d of 20 000 layers are held at the bottom", bounded)
	}
}

// How the delay changes with the sunspots is what it does from one number to another,
// modes that come and go included.
func TestPerSunspot(t *testing.T) {
	at := func(r12 float64) Prediction {
		p, err := Predict(Request{Station: builtin(t, "chu"), CarrierHz: 7.85e6, At: LatLon{Lat: 42.36, Lon: -71.06}, Time: time.Date(2026, 6, 15, 2, 0, 0, 0, time.UTC), Sunspots: r12})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	near(t, "µs for each unit of R12", at(140).SecondsPerSunspot*1e6, (at(160).Delay.Mean()-at(120).Delay.Mean())/40*1e6, 2)
}
