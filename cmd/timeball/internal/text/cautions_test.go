package text

import (
	"os"
	"strings"
	"testing"

	"timeball/align"
	"timeball/capture/station"
)

// The page carries the same sentence.
func TestPageCarriesTheCaution(t *testing.T) {
	page, err := os.ReadFile("../page/assets/page.html")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), MachineryCaution) {
		t.Errorf("the page has no %q", MachineryCaution)
	}
}

// An antenna that is sampled itself has no receiver to be assumed or warned of.
func TestDirectInputHasNoReceiver(t *testing.T) {
	for _, c := range []struct {
		id               string
		rate             int
		settings, caveat string
	}{
		{"dcf77", 192000, "no receiver", "between antenna and sound card"},
		{"dcf77", 48000, "assumed", "digital filters"},
		{"wwv", 192000, "assumed", "digital filters"},
	} {
		st, _ := station.Find(c.id)
		s := align.Settings{Stations: []*station.Station{st}}
		f := align.Fix{Offset: new(1e-3), Recording: align.Recording{RateHz: c.rate}}
		told := ""
		for _, row := range Settings(s, c.rate) {
			if row[0] == "receiver delay" {
				told = row[1]
			}
		}
		cautions := strings.Join(Cautions(f, s), "\n")
		if !strings.Contains(told, c.settings) || !strings.Contains(cautions, c.caveat) || c.settings == "no receiver" && strings.Contains(cautions, "digital filters") {
			t.Errorf("%s at %d Hz: receiver delay %q, cautions:\n%s", c.id, c.rate, told, cautions)
		}
	}
}
