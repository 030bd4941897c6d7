package find

import (
	"math"
	"testing"

	"timeball/capture/station"
)

// A station is known by its order, until it comes seven seconds late by the minute, as
// where frames are lost. What is stated rests on all that was heard, whenever the last look
// was; asking changes nothing; and when the flywheel may have broken the next looks are soon.
func TestKnownNoMore(t *testing.T) {
	const kept, seconds = 125, 180
	hla, _ := station.Find("hla")
	a := amplitude(3e4, 5e-3/2, seconds)
	s := everySecond(seconds, 1, func(second int, t float64) float64 {
		if second >= kept {
			second += 7
		}
		m, _ := hla.MarkAt(7, (second+20)%60)
		if t > m.Length {
			return 0
		}
		return a * math.Sin(2*math.Pi*hla.ToneHz*t)
	})
	for _, broken := range []bool{false, true} {
		f := NewFinder(s, steadyBase{}, Request{Stations: []*station.Station{hla}, Table: []*station.Station{hla}})
		f.Start(0)
		f.Advance(kept)
		if f.Standing(hla) != Known {
			t.Fatal("it is not known")
		}
		if broken {
			f.Broken()
		}
		next, heard := f.tracks[0].look, f.tracks[0].order.Heard
		if soon := next <= kept+5; soon != broken {
			t.Errorf("the next look is after second %d", next)
		}
		for f.next < min(next, seconds-1)-1 {
			f.Advance(f.next + 1)
			f.Now()
		}
		if f.tracks[0].look != next || f.tracks[0].order.Heard != heard || f.Standing(hla) != Known {
			t.Error("asking has changed what was asked")
		}
		f.Advance(seconds - 1)
		if want := map[bool]Standing{false: Known, true: Unknown}[broken]; f.Standing(hla) != want {
			t.Errorf("in the end its standing is %d by the last look, want %d", f.Standing(hla), want)
		}
		now := f.Now()
		if heard := now.tracks[0].order.Heard; heard < seconds-4 {
			t.Errorf("%d of %d seconds are weighed", heard, seconds)
		}
		if now.Standing(hla) != Unknown || len(now.Arrivals()) > 0 {
			t.Errorf("in the end its standing is %d", now.Standing(hla))
		}
	}
}
