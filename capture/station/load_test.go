package station

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"pgregory.net/rapid"
)

// longWave is a 77.5 kHz station whose marks lower the carrier to 15 % for
// 100 or 200 ms and whose last second has none (PTB's page on its long-wave
// service).
const longWave = `
[[station]]
id = "dcf77"
name = "PTB, Mainflingen, Germany"
keying = "carrier-reduced"
emission_s = 1e-4
depth = 0.85
sources = ["keying, depth, mark, carrier: PTB, page on the long-wave service"]
edge = {tau_s = 3e-4, tau_factor = 2}

  [[station.mark]]
  seconds = "59"
  length_s = 0
  [[station.mark]]
  seconds = "0-58"
  length_s = 0.1
  coded_lengths_s = [0.2]

  [[station.carrier]]
  hz = 77.5e3
  lat = 50.0155
  lon = 9.0108
  power_w = 30000
`

func TestLoadHoldsALongWaveStation(t *testing.T) {
	all, err := Load(strings.NewReader(longWave))
	if err != nil {
		t.Fatal(err)
	}
	s := &all[0]
	if s.Keying != CarrierReduced || s.Depth != 0.85 || s.Carriers[0].Hz != 77500 {
		t.Errorf("read %+v", s)
	}
	if got := s.Lengths(); !slices.Equal(got, []float64{0.1, 0.2}) {
		t.Errorf("lengths %v", got)
	}
	if !s.Omitted(5, 59) {
		t.Error("second 59 must be omitted")
	}
	if m, ok := s.MarkAt(5, 0); !ok || m.Length != 0.1 {
		t.Errorf("second 0: %v %+v", ok, m)
	}
}

func TestLoadNamesWhatIsWrong(t *testing.T) {
	tests := []struct{ old, new, want string }{
		{`id = "dcf77"`, `id = "DCF 77"`, `line 3: station "DCF 77": id must be the call sign`},
		{`id = "dcf77"`, ``, `line 2: station "": id must be`},
		{`depth = 0.85`, `depth = 85`, `line 7: station "dcf77": depth = 85 must lie within 0 to 1`},
		{`depth = 0.85`, `depth = nan`, `line 7: station "dcf77": depth must be given and greater than 0`},
		{`depth = 0.85`, `deepness = 0.85`, `line 7: unknown field station.deepness`},
		{`depth = 0.85`, `depth = `, `line 7`},
		{`depth = 0.85`, `depth = "full"`, `line 7 (last key "station.depth"): incompatible types`},
		{`emission_s = 1e-4`, ``, `emission_s must be given`},
		{`emission_s = 1e-4`, `emission_s = inf`, `line 6: station "dcf77": emission_s = +Inf`},
		{`keying = "carrier-reduced"`, `keying = "phase"`, `line 5: station "dcf77": keying = "phase" must be`},
		{`keying = "carrier-reduced"`, `keying = "tone"`, `tone_hz must be given for keying "tone"`},
		{`length_s = 0.1`, `length_s = 100`, `line 16: station "dcf77": mark 2: length_s = 100 must lie within 0 to 1 s`},
		{`seconds = "0-58"`, `seconds = "58-0"`, `line 15: station "dcf77": mark 2: seconds "58-0" is not a span within 0-60`},
		{`seconds = "0-58"`, `seconds = "all"`, `mark 2: seconds "all" is not a number or a span`},
		{`seconds = "59"`, "seconds = \"59\"\n  minutes = \"60\"", `line 13: station "dcf77": mark 1: minutes "60" is not a span within 0-59`},
		{`[0.2]`, `[-0.2]`, `mark 2: coded_lengths_s must be greater than 0`},
		{`lat = 50.0155`, `lat = 150`, `line 21: station "dcf77": carrier 1: lat = 150 must lie within -90 to 90 degrees`},
		{`power_w = 30000`, `silent_utc = "Tuesdays 06:00-11:00"`, `carrier 1: silent_utc "Tuesdays 06:00-11:00" is no day with hours`},
		{`power_w = 30000`, `hours_utc = "8 to 9"`, `carrier 1: hours_utc "8 to 9" is not a span such as 07:30-01:00`},
		{`power_w = 30000`, "[station.dut1]\nstyle = \"doubled\"", `station "dcf77": dut1.spacing_s must be given for style "doubled"`},
		{`power_w = 30000`, "[station.code]\nkind = \"morse\"", `line 24: station "dcf77": code.kind = "morse" must be`},
		{`power_w = 30000`, "[[station.block]]\nfrom = 10\nto = 10", `line 25: station "dcf77": block 1: to = 10 must come after from = 10`},
		{`edge = {tau_s = 3e-4, tau_factor = 2}`, ``, `line 2: station "dcf77": edge.tau_s must be given for keying "carrier-reduced"`},
		{`tau_factor = 2`, `tau_factor = 0.5`, `edge.tau_factor = 0.5 must lie within 1 to 10`},
		{`power_w = 30000`, "[station.phase]\nkind = \"gold\"", `phase.kind = "gold" must be one of dcf77, wwvb, ramps, unpublished or left out`},
		{`length_s = 0.1`, "length_s = 0.1\n  split_s = 0.95", `mark 2: split_s = 0.95 must lie within 0 to 0.9 s`},
		{`power_w = 30000`, longWave, `line 25: station "dcf77": id is used twice`},
		{longWave, ``, `no [[station]]`},
	}
	for _, tt := range tests {
		text := strings.Replace(longWave, tt.old, tt.new, 1)
		if text == longWave {
			t.Fatalf("%q is not in the example", tt.old)
		}
		_, err := Load(strings.NewReader(text))
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("with %q for %q: error %v\nwant one with %q", tt.new, tt.old, err, tt.want)
		} else if strings.Contains(err.Error(), "\n") {
			t.Errorf("error of more than one line: %q", err)
		}
	}
}

// A list written from a set of numbers holds just that set.
func TestListHoldsItsNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spans := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) [2]int {
			from := rapid.IntRange(0, 60).Draw(t, "from")
			return [2]int{from, rapid.IntRange(from, 60).Draw(t, "to")}
		}), 1, 6).Draw(t, "spans")
		var want [61]bool
		var items []string
		for _, s := range spans {
			for n := s[0]; n <= s[1]; n++ {
				want[n] = true
			}
			items = append(items, fmt.Sprintf("%d-%d", s[0], s[1]))
		}
		list := strings.Join(items, ", ")
		if err := checkList(list, 60); err != nil {
			t.Fatal(err)
		}
		for n := range want {
			if contains(list, n) != want[n] {
				t.Fatalf("%q holds %d: %v", list, n, !want[n])
			}
		}
	})
}

// Whatever Load takes must survive being written and read again, and no input
// may make it panic.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(longWave))
	f.Add(builtinTOML)
	f.Add([]byte("[[station]]\nid = \"x\"\nmark = [{seconds = \"1\"}]"))
	f.Add([]byte("station = 3"))
	f.Add([]byte("[station]\nid=\"a\""))
	f.Fuzz(func(t *testing.T, text []byte) {
		all, err := Load(bytes.NewReader(text))
		if err != nil {
			return
		}
		var out bytes.Buffer
		if err := toml.NewEncoder(&out).Encode(map[string][]Station{"station": all}); err != nil {
			t.Fatal(err)
		}
		again, err := Load(&out)
		if err != nil {
			t.Fatalf("written again it is refused: %v", err)
		}
		for i := range all {
			for second := range 61 {
				a, aok := all[i].MarkAt(7, second)
				b, bok := again[i].MarkAt(7, second)
				if aok != bok || !reflect.DeepEqual(a, b) {
					t.Fatalf("second %d: %+v became %+v", second, a, b)
				}
			}
		}
	})
}
