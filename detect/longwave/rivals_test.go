package longwave

import (
	"math"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/audio"
)

// beatNotes are those that a finder looks for in a recording, other than hear, which makes
// the recording anew.
func beatNotes(t *testing.T, c simulate.Config) func(asked, table []*station.Station) *Finder {
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	var x []float32
	var b capture.Block
	for src.Read(&b) == nil {
		x = append(x, b.Channels[0]...)
	}
	rate := float64(c.Rate)
	stream := audio.NewStream(rate, len(x))
	stream.Process(0, x)
	return func(asked, table []*station.Station) *Finder {
		in := &Input{Stream: stream, Stations: asked, Table: table, LowHz: LowestPitch, HighHz: HighestPitch}
		f := NewFinder(trueTime{rate}, []*Input{in})
		f.Start(0)
		f.Advance(int64(c.Seconds))
		return f
	}
}

// A beat note may be any carrier's: whoever is named, the station is told that is on the
// air, and no other is timed. Named with others it is heard, by their order, too.
func TestWhoeverIsNamed(t *testing.T) {
	t.Parallel()
	for i, onAir := range codeStations {
		c := config(t, onAir, 50, false)
		c.Seconds, c.Seed = 75, uint64(i)
		of := beatNotes(t, c)
		for _, named := range codeStations {
			f := of([]*station.Station{find(t, named)}, builtin)
			heard, other := f.Heard(), f.Other()
			if named != onAir && (len(heard) != 0 || other == nil || other[0].ID != onAir) {
				t.Errorf("%s named, %s on the air: %d heard, in its place %v", named, onAir, len(heard), other)
			}
			if named == onAir && (len(heard) != 1 || other != nil) {
				t.Errorf("%s: %d heard, in its place %v", named, len(heard), other)
			}
		}
		with := find(t, codeStations[(i+1)%len(codeStations)])
		if f := of([]*station.Station{with, find(t, onAir)}, builtin); len(f.Heard()) != 1 || f.Heard()[0].Station.ID != onAir {
			t.Errorf("%s named beside %s: %d heard, in its place %v", with.ID, onAir, len(f.Heard()), f.Other())
		}
	}
}

// A station of the user's own that sends the same as a built-in one is taken for what it is
// named as, and one whose carrier is another is a rival like any.
func TestOwnStations(t *testing.T) {
	t.Parallel()
	own := *find(t, "bpc")
	own.ID, own.Depth, own.Code.Kind = "own", 0.9, "msf"
	own.Carriers = []station.Carrier{{Hz: 66e3}}
	table := append([]*station.Station{&own}, builtin...)
	c := config(t, "msf", 50, false)
	c.Seconds = 75
	of := beatNotes(t, c)
	if f := of([]*station.Station{&own}, table); len(f.Heard()) != 1 || f.Heard()[0].Station != &own || len(f.Heard()[0].Alike()) != 1 {
		t.Errorf("its own is named: %d heard, in its place %v", len(f.Heard()), f.Other())
	}
	if f := of([]*station.Station{find(t, "dcf77")}, table); len(f.Heard()) != 0 || len(f.Other()) != 2 {
		t.Errorf("another is named: %d heard, in its place %v", len(f.Heard()), f.Other())
	}
	if f := of([]*station.Station{&own, find(t, "msf")}, table); len(f.Heard()) != 0 || len(f.Alike()) != 2 {
		t.Errorf("of two that are alike %d heard", len(f.Heard()))
	}
	if f := of([]*station.Station{find(t, "dcf77")}, []*station.Station{find(t, "dcf77")}); len(f.Heard()) != 0 {
		t.Errorf("one in no table is taken for %s", f.Heard()[0].Station.ID)
	}
}

// What a level tells of a station counts once: of a minute of marks whose keyed level is off
// by d, d²/2(σ² + v/n), the normal distribution's.
func TestDepthCountsOnce(t *testing.T) {
	const n, noise, d = 60, 1e-4, 0.17
	right, wrong := keyed{0.15, depthU * depthU}, keyed{0.15 + d, depthU * depthU}
	lead := 0.0
	for range n {
		a, _ := right.fit(0.15, noise)
		b, _ := wrong.fit(0.15, noise)
		lead += a - b
		right.learn(0.15, noise)
		wrong.learn(0.15, noise)
	}
	if want := d * d / (2 * (0.1*0.1 + (0.05*0.05+noise)/n)); math.Abs(lead-want) > 0.1*want {
		t.Errorf("%.3f, want %.3f", lead, want)
	}
	// A mark that is left out tells nothing of the level.
	before := right
	if right.learn(0.98, noise); right != before {
		t.Error("the full level is taken for the keyed one")
	}
}
