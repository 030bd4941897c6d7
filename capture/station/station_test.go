package station

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

func find(t *testing.T, id string) *Station {
	t.Helper()
	s, ok := Find(id)
	if !ok {
		t.Fatalf("no station %q in the table", id)
	}
	return s
}

// Published facts about single seconds of the stations' minutes.
func TestMarksAsPublished(t *testing.T) {
	tests := []struct {
		id             string
		minute, second int
		length, tone   float64 // length 0: no mark
		source         string
	}{
		{"wwv", 7, 1, 0.005, 1000, "NEETS table 3-1: 5 cycles of 1000 Hz"},
		{"wwv", 7, 0, 0.8, 1000, "NEETS table 3-1: 0.8 s minute mark"},
		{"wwv", 0, 0, 0.8, 1500, "NEETS table 3-1: hour mark 1500 Hz"},
		{"wwv", 7, 29, 0, 0, "Wikipedia: seconds 29 and 59 omitted"},
		{"wwv", 7, 59, 0, 0, "Wikipedia: seconds 29 and 59 omitted"},
		{"wwvh", 7, 58, 0.005, 1200, "NEETS table 3-1: 6 cycles of 1200 Hz"},
		{"wwvh", 7, 0, 0.8, 1200, "NEETS table 3-1"},
		{"wwvh", 0, 0, 0.8, 1500, "NEETS table 3-1"},
		{"chu", 5, 0, 0.5, 1000, "Wikipedia: 500 ms minute mark"},
		{"chu", 0, 0, 1.0, 1000, "Wikipedia: 1 s on the hour"},
		{"chu", 0, 9, 0, 0, "Wikipedia: 1-9 silent on the hour"},
		{"chu", 0, 10, 0.3, 1000, "Wikipedia"},
		{"chu", 5, 9, 0.3, 1000, "Wikipedia"},
		{"chu", 5, 29, 0, 0, "Wikipedia: second 29 silent"},
		{"chu", 5, 30, 0.3, 1000, "Wikipedia"},
		{"chu", 5, 31, 0.01, 1000, "NRC codes page: 10 cycles before the code"},
		{"chu", 5, 39, 0.01, 1000, "NRC codes page: 10 cycles before the code"},
		{"chu", 5, 50, 0.3, 1000, "Japanese time-station history: pulse 50 present"},
		{"chu", 5, 51, 0.01, 1000, "Wikipedia: 10 ms ticks under voice"},
		{"bpm", 9, 1, 0.01, 1000, "NTSC: 10 ms of 1 kHz"},
		{"bpm", 9, 0, 0.3, 1000, "NTSC: 300 ms minute mark"},
		{"bpm", 10, 1, 0, 0, "Wikipedia: bare carrier 10-15"},
		{"bpm", 25, 1, 0, 0, "Wikipedia: UT1 marks 25-29 are not UTC marks"},
		{"bpm", 54, 1, 0.01, 1000, "Wikipedia: UTC block 45-55"},
		{"hla", 7, 1, 0.005, 1800, "KRISS reply: 9 cycles of 1800 Hz"},
		{"hla", 0, 0, 0.8, 1500, "KRISS reply: hour mark 1500 Hz"},
		{"hla", 7, 29, 0, 0, "KRISS reply: 29 and 59 missing"},
		{"rwm", 12, 1, 0.1, 0, "Wikipedia: 100 ms, no audio tone"},
		{"rwm", 12, 0, 0.5, 0, "Wikipedia: minute 500 ms"},
		{"rwm", 5, 1, 0, 0, "Wikipedia: plain carrier 00:00-07:55"},
		{"ebc", 12, 0, 0.5, 1250, "from memory"},
		{"lol", 12, 59, 0, 0, "from memory"},
		{"dcf77", 7, 59, 0, 0, "PTB: no dip in second 59"},
		{"dcf77", 7, 0, 0.1, 0, "PTB: second 0 is always a 0"},
		{"msf", 7, 0, 0.5, 0, "NPL: 500 ms off in second 0"},
		{"wwvb", 7, 59, 0.8, 0, "Wikipedia: markers in seconds 59 and 0"},
		{"wwvb", 7, 0, 0.8, 0, "Wikipedia: markers in seconds 59 and 0"},
		{"jjy-40", 7, 19, 0.2, 0, "NICT: 0.2 s is a marker"},
		{"jjy-60", 15, 44, 0, 0, "NICT: the call sign in Morse"},
		{"bpc", 7, 20, 0, 0, "Wikipedia: seconds 0, 20, 40 have no dip"},
		{"wwv", 7, 60, 0, 0, "no station publishes its second 60"},
	}
	for _, tt := range tests {
		m, ok := find(t, tt.id).MarkAt(tt.minute, tt.second)
		if ok != (tt.length > 0) || m.Length != tt.length && ok || m.ToneHz != tt.tone && ok {
			t.Errorf("%s minute %d second %d: got %v %+v, want length %g tone %g (%s)",
				tt.id, tt.minute, tt.second, ok, m, tt.length, tt.tone, tt.source)
		}
	}
}

// Marks a minute: 57 ticks and the minute mark for WWV, WWVH and HLA; 59 and
// the minute mark for BPM in its UTC blocks, that is 40 minutes an hour (the
// Wikipedia's schedule; TF.768 says 20 of 30 minutes).
func TestMarksPerMinuteAndHour(t *testing.T) {
	count := func(s *Station, minute int) (n int) {
		for second := range 60 {
			if _, ok := s.MarkAt(minute, second); ok {
				n++
			}
		}
		return n
	}
	for id, want := range map[string]int{"wwv": 58, "wwvh": 58, "hla": 58, "bpm": 60, "chu": 59, "rwm": 0} {
		if got := count(find(t, id), 7); got != want {
			t.Errorf("%s sends %d marks in minute 7, want %d", id, got, want)
		}
	}
	for id, want := range map[string]int{"bpm": 40, "rwm": 20, "wwv": 60} {
		s, minutes := find(t, id), 0
		for m := range 60 {
			if count(s, m) > 0 {
				minutes++
			}
		}
		if minutes != want {
			t.Errorf("%s sends marks in %d minutes of the hour, want %d", id, minutes, want)
		}
	}
}

func TestOmittedIsByRuleOnly(t *testing.T) {
	tests := []struct {
		id             string
		minute, second int
		want           bool
	}{
		{"wwv", 3, 29, true}, {"wwv", 3, 28, false}, {"chu", 0, 5, true}, {"chu", 1, 5, false},
		{"bpm", 12, 5, false}, {"wwv", 3, 60, false},
	}
	for _, tt := range tests {
		if got := find(t, tt.id).Omitted(tt.minute, tt.second); got != tt.want {
			t.Errorf("%s minute %d second %d: omitted %v, want %v", tt.id, tt.minute, tt.second, got, tt.want)
		}
	}
}

func TestLengths(t *testing.T) {
	for id, want := range map[string][]float64{
		"wwv": {0.005, 0.8}, "chu": {0.01, 0.3, 0.5, 1}, "bpm": {0.01, 0.3}, "rwm": {0.1, 0.5},
		"dcf77": {0.1, 0.2}, "msf": {0.1, 0.2, 0.3, 0.5}, "wwvb": {0.2, 0.5, 0.8}, "bpc": {0.1, 0.2, 0.3, 0.4},
	} {
		if got := find(t, id).Lengths(); !slices.Equal(got, want) {
			t.Errorf("%s: lengths %v, want %v", id, got, want)
		}
	}
}

// Second marks are whole cycles: 5, 6, 9 and 10 of them (NEETS, NRC, NTSC, KRISS).
func TestTicksAreWholeCycles(t *testing.T) {
	for id, want := range map[string]float64{"wwv": 5, "wwvh": 6, "hla": 9, "bpm": 10, "chu": 300, "lol": 5, "ebc": 100} {
		m, _ := find(t, id).MarkAt(5, 12)
		if got := m.Length * m.ToneHz; math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: %g cycles in a second mark, want %g", id, got, want)
		}
	}
}

func TestAdvanceAndEmission(t *testing.T) {
	for _, s := range Builtin() {
		want := 0.0
		if s.ID == "bpm" {
			want = 0.020 // Wikipedia citing BIPM
		}
		if s.AdvanceSeconds != want {
			t.Errorf("%s: advance %g s, want %g", s.ID, s.AdvanceSeconds, want)
		}
	}
	for id, want := range map[string]float64{
		"chu": 1e-4, // NRC shortwave page
		"rwm": 1e-5, // VNIIFTRI bulletin D-04
		"bpm": 1e-3, // NTSC user accuracy
		"hla": 1e-3, // TF.583 limit for coded services
	} {
		if got := find(t, id).EmissionSeconds; got != want {
			t.Errorf("%s: emission within %g s, want %g", id, got, want)
		}
	}
}

// Great-circle distances that sources give between sites, on a sphere of 6371 km.
func TestSitesAgreeWithPublishedDistances(t *testing.T) {
	distance := func(a, b Carrier) float64 {
		const rad = math.Pi / 180
		c := math.Sin(a.Lat*rad)*math.Sin(b.Lat*rad) + math.Cos(a.Lat*rad)*math.Cos(b.Lat*rad)*math.Cos((a.Lon-b.Lon)*rad)
		return 6371e3 * math.Acos(math.Min(1, c))
	}
	wwv, wwvh := find(t, "wwv"), find(t, "wwvh")
	if d := distance(wwv.Carriers[2], wwvh.Carriers[2]); math.Abs(d-5498e3) > 2e3 {
		t.Errorf("WWV to WWVH %.0f km, want 5498", d/1e3)
	}
	// NIST: all antennas of a station stand within a few hundred metres.
	for _, s := range []*Station{wwv, wwvh} {
		for _, c := range s.Carriers {
			if d := distance(c, s.Carriers[0]); d > 600 {
				t.Errorf("%s: %g MHz stands %.0f m from the first carrier", s.ID, c.Hz/1e6, d)
			}
		}
	}
}

func TestCarriersAsPublished(t *testing.T) {
	for id, want := range map[string][]float64{
		"wwv":  {2.5e6, 5e6, 10e6, 15e6, 20e6, 25e6}, // NIST 2016
		"wwvh": {2.5e6, 5e6, 10e6, 15e6},             // CFR
		"chu":  {3.330e6, 7.850e6, 14.670e6},         // NRC
		"bpm":  {2.5e6, 5e6, 10e6, 15e6},             // NTSC
		"hla":  {5e6},                                // KRISS reply
		"rwm":  {4.996e6, 9.996e6, 14.996e6},         // Wikipedia
		"lol":  {10e6},                               // TF.768
	} {
		var got []float64
		for _, c := range find(t, id).Carriers {
			got = append(got, c.Hz)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: carriers %v, want %v", id, got, want)
		}
	}
}

func TestOnAir(t *testing.T) {
	at := func(s string) time.Time {
		v, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	bpm, ebc, wwv, als := find(t, "bpm"), find(t, "ebc"), find(t, "wwv"), find(t, "als162")
	tests := []struct {
		c    Carrier
		when string
		want bool
	}{
		{bpm.Carriers[0], "2026-03-14T07:29:59Z", false}, // 2.5 MHz: 07:30-01:00
		{bpm.Carriers[0], "2026-03-14T07:30:00Z", true},
		{bpm.Carriers[0], "2026-03-15T00:59:59Z", true},
		{bpm.Carriers[0], "2026-03-15T01:00:00Z", false},
		{bpm.Carriers[3], "2026-03-14T08:59:59+00:00", true}, // 15 MHz: 01:00-09:00
		{bpm.Carriers[3], "2026-03-14T09:00:00+00:00", false},
		{bpm.Carriers[3], "2026-03-14T09:30:00+08:00", true}, // 01:30 UTC
		{ebc.Carriers[0], "2026-03-13T10:10:00Z", true},      // a Friday
		{ebc.Carriers[0], "2026-03-14T10:10:00Z", false},     // a Saturday
		{ebc.Carriers[0], "2026-03-13T10:25:00Z", false},
		{als.Carriers[0], "2026-03-10T10:30:00Z", false}, // a Tuesday, 11:30 local time
		{als.Carriers[0], "2026-03-10T11:30:00Z", true},
		{als.Carriers[0], "2026-03-11T10:30:00Z", true},
		{wwv.Carriers[0], "2026-03-14T03:00:00Z", true},
	}
	for _, tt := range tests {
		if got := tt.c.OnAir(at(tt.when)); got != tt.want {
			t.Errorf("%g MHz at %s: on air %v, want %v", tt.c.Hz/1e6, tt.when, got, tt.want)
		}
	}
}

// Programme tones: 440 Hz in minute 2 of WWV and minute 1 of WWVH, 600 Hz in
// WWV's odd minutes when WWVH sends 500 Hz (Wikipedia); in no minute do
// both stations speak over each other's announcement of time (NEETS: 45-52.5
// and 52.5-60).
func TestProgramme(t *testing.T) {
	tone := func(id string, minute int) float64 {
		for _, p := range find(t, id).Tones {
			if p.On(minute, 20) {
				return p.Hz
			}
		}
		return 0
	}
	tests := []struct {
		minute    int
		wwv, wwvh float64
	}{{2, 440, 600}, {1, 600, 440}, {5, 600, 500}, {6, 500, 600}, {0, 0, 0}, {17, 600, 0}, {18, 0, 0}, {52, 500, 600}}
	for _, tt := range tests {
		if a, b := tone("wwv", tt.minute), tone("wwvh", tt.minute); a != tt.wwv || b != tt.wwvh {
			t.Errorf("minute %d: WWV %g Hz, WWVH %g Hz, want %g and %g", tt.minute, a, b, tt.wwv, tt.wwvh)
		}
	}
	speaks := func(id string, second float64) bool {
		return slices.ContainsFunc(find(t, id).Voices, func(v Voice) bool { return v.On(5, second) })
	}
	for second := 45.0; second < 60; second += 0.5 {
		if speaks("wwv", second) == speaks("wwvh", second) {
			t.Errorf("second %g: both or neither speak", second)
		}
	}
}

// Every field that says something must say where it comes from.
func TestEveryFieldHasASource(t *testing.T) {
	for _, s := range Builtin() {
		sourced := map[string]bool{}
		for _, line := range s.Sources {
			fields, source, ok := strings.Cut(line, ":")
			if !ok || strings.TrimSpace(source) == "" {
				t.Errorf("%s: source %q is not fields: source", s.ID, line)
			}
			for f := range strings.SplitSeq(fields, ",") {
				sourced[strings.TrimSpace(f)] = true
			}
		}
		for field, says := range map[string]bool{
			"keying": true, "mark": true, "emission_s": true, "depth": true, "carrier": true,
			"tone_hz": s.ToneHz > 0, "advance_s": s.AdvanceSeconds != 0,
			"quiet_before_s": s.QuietBeforeSeconds > 0, "quiet_after_s": s.QuietAfterSeconds > 0,
			"upper_sideband": s.UpperSideband, "dut1": s.DUT1 != DUT1{}, "code": s.Code != Code{},
			"block": len(s.Blocks) > 0, "tone": len(s.Tones) > 0, "voice": len(s.Voices) > 0,
		} {
			if says && !sourced[field] {
				t.Errorf("%s: no source for %s", s.ID, field)
			}
		}
	}
}

func TestBuiltinIsACopy(t *testing.T) {
	Builtin()[0].ToneHz = 1
	s, _ := Find(strings.ToUpper(Builtin()[0].ID))
	s.ToneHz = 2
	if got := Builtin()[0].ToneHz; got != 1000 {
		t.Errorf("a caller's change reached the table: %g", got)
	}
	if _, ok := Find("nosuch"); ok {
		t.Error("found a station that does not exist")
	}
}
