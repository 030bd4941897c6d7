package longwave

import (
	"fmt"
	"io"
	"math"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/audio"
)

// trueTime is a flywheel whose seconds are UTC's, on a sample clock that is right.
type trueTime struct{ rate float64 }

func (t trueTime) Base(n int64) (float64, bool) { return float64(n) * t.rate, true }

func find(t testing.TB, id string) *station.Station {
	s, ok := station.Find(id)
	if !ok {
		t.Fatal(id)
	}
	return s
}

// hear runs a simulated recording through a finder for the stations named.
func hear(t testing.TB, c simulate.Config, ids ...string) *Finder {
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	rate := float64(src.Info().Rate)
	var asked []*station.Station
	for _, id := range ids {
		asked = append(asked, find(t, id))
	}
	in := &Input{Stations: asked, LowHz: LowestPitch, HighHz: HighestPitch}
	if c.Receiver.Detector == simulate.Direct {
		hz := asked[0].Carriers[0].Hz
		in.Stream = audio.NewTuned(rate, 480*8000, hz)
		in.LowHz, in.HighHz, in.BandHz, in.CarrierHz, in.LoopQ = audio.Pitch-30, audio.Pitch+30, audio.TunedBand, hz, c.Receiver.Loop.Q
	} else {
		in.Stream = audio.NewStream(rate, 480*8000)
	}
	f := NewFinder(trueTime{rate}, []*Input{in})
	f.Start(0)
	var b capture.Block
	for n := int64(0); ; {
		err := src.Read(&b)
		if err == io.EOF {
			return f
		}
		if err != nil {
			t.Fatal(err)
		}
		in.Stream.Process(b.Position, b.Channels[0])
		for float64(n+1)*rate < float64(b.Position) {
			n++
			f.Advance(n)
		}
	}
}

func TestTmp(t *testing.T) {
	for _, direct := range []bool{true, false} {
		for _, id := range []string{"wwvb", "jjy-40"} {
			c := simulate.Config{Rate: 192000, Seconds: 220, SNRdB: 90 - 34.77, Start: time.Date(2026, 3, 14, 10, 20, 0, 0, time.UTC), Station: find(t, id), Seed: 5,
				Paths:    []simulate.Path{{DelaySeconds: 3.3e-3}},
				Receiver: simulate.Receiver{Detector: simulate.Direct, Loop: simulate.Loop{Q: 0}}}
			if !direct {
				c.Rate, c.Receiver.Detector, c.Receiver.MistuningHz = 8000, simulate.SSB, 1500
			}
			began := time.Now()
			f := hear(t, c, id)
			for _, h := range f.tracks {
				a := h.Arrival()
				fmt.Printf("%s %v: hz %.3f lag %.1f us seen %d scores %v known %v read %+v\n", id, direct, h.hz, h.axis.lag/h.cutter.rate*1e6, h.seen, h.scores, h.known(), h.reading)
				if a != nil {
					for i, b := range a.Blocks {
						fmt.Printf("      %v %.2f us +- %.2f axis %.2f\n", b.Second, (b.Late+a.Lag+a.Rate*(b.Second-a.Ref)-3.3e-3)*1e6, b.U*1e6, h.blocks[i].axis.lag/8e-3)
					}
					fmt.Printf("   err %.2f us u %.2f edgeU %.2f tau %.1f+-%.1f cn0 %.1f later %.2f+-%.2f rate %.2g+-%.2g\n", (a.Lag-3.3e-3)*1e6, math.Sqrt(a.VarLag)*1e6, a.EdgeU*1e6, a.TauSeconds*1e6, a.TauU*1e6, a.CN0dBHz, a.PhaseLater*1e6, a.PhaseLaterU*1e6, a.Rate, math.Sqrt(a.VarRate))
				}
			}
			if len(f.tracks) == 0 {
				fmt.Println(id, direct, "nothing")
			}
			fmt.Println(time.Since(began))
		}
	}
}
