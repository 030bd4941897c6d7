package main

import (
	"io"
	"testing"

	"timeball/capture"
	"timeball/capture/wavfile"
)

// A chosen station that is not heard is not waited for in silence: what is heard instead
// is said, once.
func TestOthersAreHeard(t *testing.T) {
	for _, c := range []struct {
		chosen []string
		want   string
	}{
		{[]string{"hla"}, "HLA is not heard; WWV is: start again with --station wwv"},
		{[]string{"wwv"}, ""},
	} {
		t.Run(c.chosen[0], func(t *testing.T) {
			t.Parallel()
			flags := measureFlags{Station: c.chosen}
			settings, err := flags.settings("")
			if err != nil {
				t.Fatal(err)
			}
			src, err := wavfile.Open(demoFile)
			if err != nil {
				t.Fatal(err)
			}
			defer src.Close()
			m, err := newMeasurement(src.Info(), settings, false)
			if err != nil {
				t.Fatal(err)
			}
			o, err := newOthers(src.Info(), settings, flags.all())
			if err != nil {
				t.Fatal(err)
			}
			show := saying{make(chan string, 100)}
			var b capture.Block
			for err = src.Read(&b); err == nil; err = src.Read(&b) {
				s, over := m.Process(&b)
				o.take(&b, s, over, show)
			}
			if err != io.EOF {
				t.Fatal(err)
			}
			close(show.said)
			got := ""
			for said := range show.said {
				got += said
			}
			if got != c.want {
				t.Errorf("said %q, want %q", got, c.want)
			}
		})
	}
	flags := measureFlags{Station: []string{"auto"}}
	settings, err := flags.settings("")
	if o, _ := newOthers(capture.Info{}, settings, flags.all()); err != nil || o != nil {
		t.Errorf("of all stations %+v are others, %v", o, err)
	}
}
