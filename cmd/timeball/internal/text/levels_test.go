package text

import (
	"io"
	"reflect"
	"slices"
	"strings"
	"testing"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/levels"
)

// samples collects a simulated recording of ten seconds.
func samples(t *testing.T, c simulate.Config) [][]float32 {
	t.Helper()
	if c.Seconds == 0 {
		c.Seconds = 10
	}
	s, ok := station.Find("wwv")
	if !ok {
		t.Fatal("no such station")
	}
	c.Station = s
	if c.SNRdB == 0 {
		c.SNRdB = 15
	}
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	all := make([][]float32, src.Info().Channels)
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		for i, x := range b.Channels {
			all[i] = append(all[i], x...)
		}
	}
}

// find returns the check of a name.
func find(t *testing.T, checks []Check, name string) Check {
	t.Helper()
	for _, c := range checks {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no check %q among %+v", name, checks)
	return Check{}
}

func TestChecks(t *testing.T) {
	t.Parallel()
	pulse := &simulate.Marker{NoiseRMS: 1e-4, OffsetSeconds: 0.2}
	plain := simulate.Config{Marker: pulse}
	well := samples(t, plain)
	for _, c := range []struct {
		name    string
		config  simulate.Config
		change  func([][]float32)
		roles   levels.Roles
		check   string
		verdict levels.Verdict
		finding string
	}{
		{"all well", plain, nil, levels.Roles{}, "marker", levels.Good, "on channel 2"},
		{"level", plain, nil, levels.Roles{}, "channel 1 level", levels.Good, "dBFS"},
		{"shape", plain, nil, levels.Roles{}, "marker shape", levels.Good, "rising edge, 100 ms wide, 50 % of full scale"},
		{"inverted", simulate.Config{Marker: &simulate.Marker{Inverted: true, WidthSeconds: 0.02, Amplitude: 0.3}}, nil, levels.Roles{}, "marker shape", levels.Good, "falling edge, 20 ms wide, 30 %"},
		{"swapped", simulate.Config{Marker: pulse, MarkerFirst: true}, nil, levels.Roles{Receiver: 1, Marker: 2}, "marker", levels.Bad, "swapped: the marker is on channel 1"},
		{"no marker", simulate.Config{Marker: &simulate.Marker{MissingShare: 1, NoiseRMS: 1e-3}}, nil, levels.Roles{}, "marker", levels.Bad, "not found"},
		{"silent", plain, func(x [][]float32) { clear(x[0]) }, levels.Roles{}, "channel 1 level", levels.Bad, "silent"},
		{"low", plain, func(x [][]float32) { scale(x[0], 0.01) }, levels.Roles{}, "channel 1 level", levels.Poor, "low"},
		{"clipping", plain, func(x [][]float32) { scale(x[0], 100) }, levels.Roles{}, "channel 1 level", levels.Bad, "clipping"},
		{"no DC", plain, nil, levels.Roles{}, "channel 1 DC", levels.Good, "none"},
		{"no signal", plain, func(x [][]float32) { scale(x[0], 1e-5) }, levels.Roles{}, "channel 1 level", levels.Bad, "no signal"},
		{"nearly clipping", plain, func(x [][]float32) { x[0][1000] = 0.95 }, levels.Roles{}, "channel 1 level", levels.Poor, "nearly clipping"},
		{"small pulse", plain, func(x [][]float32) { scale(x[1], 0.04) }, levels.Roles{}, "channel 2 level", levels.Poor, "a small pulse: 2.0 %"},
		{"clipped pulse", plain, func(x [][]float32) { scale(x[1], 3) }, levels.Roles{}, "channel 2 level", levels.Bad, "clipping"},
		{"two a second", plain, func(x [][]float32) {
			for i := range x[1] {
				x[1][i] = 0
				if i%24000 > 5000 && i%24000 < 7000 {
					x[1][i] = 0.5
				}
			}
		}, levels.Roles{}, "marker rate", levels.Bad, "more than one pulse a second"},
		{"one a second", plain, nil, levels.Roles{}, "marker rate", levels.Good, "one pulse a second"},
		{"half a second wide", simulate.Config{Marker: &simulate.Marker{WidthSeconds: 0.5, OffsetSeconds: 0.2, NoiseRMS: 1e-4}}, nil, levels.Roles{}, "marker", levels.Bad, "half a second wide"},
		{"by wire", simulate.Config{Marker: pulse, Wire: &simulate.Marker{NoiseRMS: 1e-4}}, nil, levels.Roles{}, "marker", levels.Poor, "pulses of their own on channels 1 2"},
		{"missing", simulate.Config{Marker: &simulate.Marker{MissingShare: 0.3, NoiseRMS: 1e-4}, Seed: 3, Seconds: 14}, nil, levels.Roles{}, "marker pulses", levels.Poor, " missing, 0 false"},
		{"false pulses", simulate.Config{Marker: &simulate.Marker{FalsePerMinute: 30, NoiseRMS: 1e-4}, Seed: 3}, nil, levels.Roles{}, "marker pulses", levels.Poor, "0 missing, "},
		{"false pulses are no other rate", simulate.Config{Marker: &simulate.Marker{FalsePerMinute: 30, NoiseRMS: 1e-4}, Seed: 3}, nil, levels.Roles{}, "marker rate", levels.Good, ""},
		{"DC", plain, func(x [][]float32) {
			for i := range x[0] {
				x[0][i] += 0.1
			}
		}, levels.Roles{}, "channel 1 DC", levels.Poor, "+10.0 % of full scale"},
		{"50 Hz", simulate.Config{Marker: pulse, Receiver: simulate.Receiver{HumHz: 50, HumLevel: 0.1}}, nil, levels.Roles{}, "channel 1 hum", levels.Poor, "50 Hz and harmonics, -2"},
		{"60 Hz", simulate.Config{Marker: pulse, Receiver: simulate.Receiver{HumHz: 60, HumLevel: 0.1}}, nil, levels.Roles{}, "channel 1 hum", levels.Poor, "60 Hz and harmonics, -2"},
		{"a station's 100 Hz code", simulate.Config{Marker: pulse, SNRdB: 40}, nil, levels.Roles{}, "channel 1 hum", levels.Good, "none"},
		{"a rectifier's ripple", simulate.Config{Marker: pulse, SNRdB: 40, Receiver: simulate.Receiver{HumHz: 100, HumLevel: 0.1}}, nil, levels.Roles{}, "channel 1 hum", levels.Poor, "50 Hz and harmonics"},
		{"no hum in a pulse", plain, nil, levels.Roles{}, "channel 2 hum", levels.Good, "none"},
		{"same signal", plain, func(x [][]float32) { copy(x[0], x[1]) }, levels.Roles{}, "channels", levels.Bad, "the same signal"},
		{"leak", simulate.Config{Marker: pulse, SoundCard: simulate.SoundCard{LeakDB: -40}}, nil, levels.Roles{}, "marker in receiver", levels.Poor, "-40 dB"},
		{"strong leak", simulate.Config{Marker: pulse, SoundCard: simulate.SoundCard{LeakDB: -20}}, nil, levels.Roles{}, "marker in receiver", levels.Bad, "-20 dB"},
		{"no leak", plain, nil, levels.Roles{}, "marker in receiver", levels.Good, "none above -"},
		{"leak back", plain, func(x [][]float32) {
			for i := range x[1] {
				x[1][i] += 0.01 * x[0][i]
			}
		}, levels.Roles{}, "receiver in marker", levels.Poor, "-40 dB"},
		{"no leak back", plain, nil, levels.Roles{}, "receiver in marker", levels.Good, "none above -"},
		{"jitter", simulate.Config{Marker: &simulate.Marker{JitterSeconds: 20e-6}}, nil, levels.Roles{}, "marker jitter", levels.Poor, " µs"},
		{"sample clock", simulate.Config{Marker: pulse, SoundCard: simulate.SoundCard{ClockPPM: 150}}, nil, levels.Roles{}, "sample clock", levels.Poor, "+150.0 ppm"},
		{"wrong rate", simulate.Config{Marker: pulse, SoundCard: simulate.SoundCard{ClockPPM: 250}}, nil, levels.Roles{}, "sample clock", levels.Bad, "+250.0 ppm"},
		{"good clock", simulate.Config{Marker: pulse, SoundCard: simulate.SoundCard{ClockPPM: -20}}, nil, levels.Roles{}, "sample clock", levels.Good, "-20.0 ppm"},
		{"one channel", simulate.Config{}, nil, levels.Roles{}, "channels", levels.Bad, "one channel"},
		{"too short", simulate.Config{Marker: pulse, Seconds: 3}, nil, levels.Roles{}, "marker", levels.Poor, "long enough"},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := [][]float32{slices.Clone(well[0]), slices.Clone(well[1])}
			if !reflect.DeepEqual(c.config, plain) {
				x = samples(t, c.config)
			}
			if c.change != nil {
				c.change(x)
			}
			r := levels.Analyse(48000, x)
			got := find(t, Checks(&r, r.Checks(c.roles)), c.check)
			if got.Verdict != c.verdict || !strings.Contains(got.Finding, c.finding) {
				t.Errorf("%+v, want %s and %q", got, c.verdict, c.finding)
			}
			if (got.Verdict == levels.Good) != (got.Remedy == "") {
				t.Errorf("remedy of %+v", got)
			}
		})
	}
}

func scale(x []float32, by float32) {
	for i, v := range x {
		x[i] = max(-1, min(1, by*v))
	}
}

// The line about ticks follows from what is heard.
func TestTicksInWords(t *testing.T) {
	db := 12.4
	wwv := levels.StationTicks{ID: "wwv", SNRdB: &db}
	named, gone := wwv, wwv
	named.AsNamed, gone.Gone = true, 14
	for _, c := range []struct {
		ticks   levels.Ticks
		verdict levels.Verdict
		finding string
	}{
		{levels.Ticks{Seconds: 40, Stations: []levels.StationTicks{wwv, {ID: "wwvh"}}}, levels.Good, "ticks of WWV heard, 12 dB; ticks of WWVH heard"},
		{levels.Ticks{Seconds: 40, Stations: []levels.StationTicks{named}}, levels.Good, "ticks heard, taken for WWV's, as named, 12 dB"},
		{levels.Ticks{Seconds: 40, Stations: []levels.StationTicks{gone}}, levels.Poor, "ticks of WWV heard before, not for 14 s"},
		{levels.Ticks{Seconds: 12, Unknown: true}, levels.Poor, "a tick is heard, not yet known as a station's"},
		{levels.Ticks{Seconds: 12}, levels.Poor, "no tick heard yet, in 12 s"},
		{levels.Ticks{Seconds: 30}, levels.Poor, "no tick heard in 30 s"},
		{levels.Ticks{Seconds: 30, Marks: true}, levels.Poor, "no mark heard in 30 s"},
		{levels.Ticks{}, levels.Poor, "not looked for"},
	} {
		r := &levels.Report{Channels: []levels.Channel{{}}, Ticks: &c.ticks}
		got := find(t, Checks(r, r.Checks(levels.Roles{})), map[bool]string{false: "ticks", true: "marks"}[c.ticks.Marks])
		if got.Verdict != c.verdict || got.Finding != c.finding || (got.Remedy == "") != (c.verdict == levels.Good) {
			t.Errorf("%+v: %+v", c.ticks, got)
		}
	}
}
