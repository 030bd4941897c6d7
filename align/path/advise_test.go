package path

import (
	"math/rand/v2"
	"slices"
	"testing"

	"timeball/capture/station"
)

// What is advised is on the air, new, and narrows the interval; the best is first.
func TestAdvise(t *testing.T) {
	receptions, _, r12, when := simulatedEvening(rand.New(rand.NewPCG(3, 1)), 1)
	all := station.Builtin()
	var stations []*station.Station
	for i := range all {
		stations = append(stations, &all[i])
	}
	choices, now, err := Advise(JointRequest{Receptions: receptions[:1], Reference: when, URate: 1e-8, Sunspots: r12}, stations)
	if err != nil || len(choices) == 0 {
		t.Fatalf("no advice: %v", err)
	}
	for i, c := range choices {
		k := slices.IndexFunc(c.Station.Carriers, func(s station.Carrier) bool { return s.Hz == c.CarrierHz })
		if !c.Station.Carriers[k].OnAir(when.Add(nextAfter)) {
			t.Errorf("%s is off the air on %g MHz", c.Station.ID, c.CarrierHz/1e6)
		}
		if c.Station.ID == receptions[0].Station.ID && c.CarrierHz == receptions[0].CarrierHz {
			t.Error("what was received is advised again")
		}
		if c.Half > now || i > 0 && c.Half < choices[i-1].Half {
			t.Errorf("choice %d leaves %g s of %g s", i, c.Half, now)
		}
	}
	if choices[0].Half > 0.8*now {
		t.Errorf("the best of %d carriers leaves %.2f of the interval", len(choices), choices[0].Half/now)
	}
}
