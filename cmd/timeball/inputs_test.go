package main

import (
	"bytes"
	"encoding/json"
	"testing"

	"timeball/capture/soundcard"
)

var someInputs = []soundcard.Input{
	{Number: 1, Name: "line in (hw:1,0)", HostAPI: "ALSA", Channels: 2, DefaultRate: 44100, Rates: []int{44100, 48000, 96000}},
	{Number: 2, Name: "pulse", HostAPI: "ALSA", Channels: 32, DefaultRate: 44100, Rates: []int{44100}, Converts: true, Default: true},
}

func TestPrintInputs(t *testing.T) {
	var out bytes.Buffer
	if err := printInputs(&out, someInputs[:1]); err != nil {
		t.Fatal(err)
	}
	want := `no.  input             channels  rates, Hz          system
1    line in (hw:1,0)  up to 2   44100 48000 96000  ALSA
`
	if out.String() != want {
		t.Errorf("got\n%swant\n%s", out.String(), want)
	}
	out.Reset()
	if err := printInputs(&out, someInputs); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"pulse (default)", "any, converted", "the card's own --sample-rate and --channels"} {
		if !bytes.Contains(out.Bytes(), []byte(want)) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}

func TestPrintInputsJSON(t *testing.T) {
	var out bytes.Buffer
	if err := printInputsJSON(&out, someInputs); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Schema string
		Inputs []map[string]any
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Schema != "timeball.inputs/1" || len(got.Inputs) != 2 || got.Inputs[0]["default_rate_hz"] != 44100. ||
		len(got.Inputs[0]["rates_hz"].([]any)) != 3 || got.Inputs[1]["default"] != true || got.Inputs[1]["converts"] != true {
		t.Errorf("%s", out.String())
	}
}
