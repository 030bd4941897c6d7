package main

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"timeball/align/rate"
	"timeball/capture/soundcard"
	"timeball/capture/station"
	"timeball/detect/levels"
)

// closedSchema is the schema, but no object may have a field that it does not
// list: one that is printed must be described.
func closedSchema(t testing.TB) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(schemaText))
	if err != nil {
		t.Fatal(err)
	}
	for _, def := range doc.(map[string]any)["$defs"].(map[string]any) {
		def.(map[string]any)["additionalProperties"] = false
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat() // date-time
	if err := c.AddResource("timeball.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("timeball.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// validate checks an object that was printed against the schema.
func validate(t testing.TB, object string) {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(object))
	if err != nil {
		t.Fatalf("%v in %s", err, object)
	}
	if err := closedSchema(t).Validate(v); err != nil {
		t.Errorf("%v\n%s", err, object)
	}
}

func TestSchemaOfEveryObject(t *testing.T) {
	validate(t, replayLine(t))
	long, _ := replayJSON(t, "../../testdata/gannet-head-visit.wav", "--station=dcf77", "--at=50.4,3.4")
	direct := t.TempDir() + "/direct.wav"
	if status, _, errs := runWith(t, "simulate", "--station=jjy-40", "--detector=direct", "--sample-rate=96000", "--for=80s", "--cn0=60", "--path-delay=1.5ms", "--start=2026-06-14T02:00:00Z", "--output="+direct); status != exitOK {
		t.Fatal(errs)
	}
	itself, _ := replayJSON(t, direct, "--station=jjy-40", "--at=34,140.8")
	if !strings.Contains(long, `"phase_code":{`) || !strings.Contains(itself, `"sky":{`) {
		t.Errorf("fixes by long wave: %s\n%s", long, itself)
	}
	validate(t, long)
	validate(t, itself)
	for _, args := range [][]string{
		{"path", "--station=wwv", "--carrier=10MHz", "--at=50.2,-5.6", "--time=2026-03-14T18:20:00Z", "--json"},
		{"path", "--station=wwv", "--at=50.2,-5.6", "--time=2026-03-14T18:20:00Z", "--json"},
		{"path", "--station=dcf77", "--at=50.2,-5.6", "--time=2026-03-14T18:20:00Z", "--json"},
		{"outlook", "--at=50.2,-5.6", "--time=2026-03-14T00:00:00Z", "--json"},
		{"combine", "--station=wwv", "--carrier=5MHz", "--at=50.2,-5.6", "--json", demoFile, demoFile},
		{"simulate", "--output=" + t.TempDir() + "/a.wav", "--for=3s", "--sample-rate=8000", "--step=1s=1ms", "--json"},
	} {
		status, out, errs := runWith(t, args...)
		if status != exitOK {
			t.Fatalf("%v: %s", args, errs)
		}
		validate(t, out)
	}
	book, _ := museumBook(t)
	out, _ := book.run(exitOK, "", "rate", "--json")
	validate(t, out)
	out, _ = book.run(exitOK, "1\n2\n3\n4\n5\n6\n7\n8\n9\n", "rate", "--data=-", "--kind=phase", "--start=2026-03-14T00:00:00Z", "--json")
	validate(t, out)
	out, _ = book.run(exitOK, "", "log", "export")
	adjustments := 0
	for line := range strings.Lines(out) {
		var o struct{ Schema string }
		if err := json.Unmarshal([]byte(line), &o); err != nil {
			t.Fatal(err)
		}
		if o.Schema == rate.AdjustmentSchema { // the fixes of that book hold the least that is imported
			validate(t, line)
			adjustments++
		}
	}
	if adjustments == 0 {
		t.Error("no adjustment in the logbook")
	}
	var b bytes.Buffer
	x := make([]float32, 96000)
	if err := printLevelsJSON(&b, levels.Analyse(48000, [][]float32{x, x}), nil); err != nil {
		t.Fatal(err)
	}
	b.Reset()
	if err := printInputsJSON(&b, []soundcard.Input{{Number: 1, Name: "line in", Rates: []int{48000}}}); err != nil {
		t.Fatal(err)
	}
	validate(t, b.String())
}

// The check must find what is wrong.
func TestSchemaFindsMistakes(t *testing.T) {
	line := replayLine(t)
	for _, change := range [][2]string{
		{`"u_s":`, `"u":`}, {`"verdict":"fix"`, `"verdict":null`}, {`"steps":[`, `"steps":null,"s":[`}, {`"sense":"behind"`, `"sense":-1`}, {`Z"`, `"`},
	} {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(strings.Replace(line, change[0], change[1], 1)))
		if err != nil {
			t.Fatal(err)
		}
		if closedSchema(t).Validate(v) == nil {
			t.Errorf("%s for %s is not found out", change[1], change[0])
		}
	}
}

// replayLine is what replay prints of the demo.
func replayLine(t *testing.T) string {
	line, _ := replayJSON(t, demoFile, "--path-delay=25.1ms")
	return line
}

// Every field of a station file is explained.
func TestStationFieldsAreExplained(t *testing.T) {
	help := stationsCmd{}.Help()
	var explain func(reflect.Type)
	explain = func(s reflect.Type) {
		for i := range s.NumField() {
			f := s.Field(i)
			if name := f.Tag.Get("toml"); !strings.Contains(help, name) {
				t.Errorf("%s: %s is not explained", s.Name(), name)
			}
			of := f.Type
			if of.Kind() == reflect.Slice {
				of = of.Elem()
			}
			if of.Kind() == reflect.Struct {
				explain(of)
			}
		}
	}
	explain(reflect.TypeFor[station.Station]())
}

func TestStations(t *testing.T) {
	_, out, _ := runWith(t, "stations")
	for _, want := range []string{
		"CHU      AM, or USB  3.33, 7.85, 14.67 MHz", // carriers that go out together stand together
		"5, 10 MHz                   34.95°N 109.5°E  all day, minutes 0-9, 15-24, 30-39, 45-54",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	for line := range strings.Lines(out) {
		if width := utf8.RuneCountInString(line); width > 140 {
			t.Errorf("%d wide: %s", width, line)
		}
	}
	status, out, _ := runWith(t, "stations", "bpm")
	if status != exitOK || !strings.Contains(out, "before the second, by design") || !strings.Contains(out, "sources:") {
		t.Errorf("%d: %s", status, out)
	}
	if status, _, _ := runWith(t, "stations", "xyz"); status != exitUsage {
		t.Errorf("an unknown station: %d", status)
	}
}
