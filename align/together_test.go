package align

import (
	"math"
	"testing"

	"timeball/capture/simulate"
)

// WWV and WWVH on one carrier, by two fading paths each that take the same time, so that
// the one's ticks lie upon the other's: each was half a millisecond off when the other's
// were taken for its own paths. The interval holds the truth whether both are looked for or
// one alone.
func TestTicksUponTicks(t *testing.T) {
	for _, ids := range [][]string{{"wwv"}, {"wwv", "wwvh"}} {
		t.Run(ids[len(ids)-1], func(t *testing.T) {
			t.Parallel()
			c := plain(t, 4)
			c.Seconds, c.SNRdB = 240, 6
			paths := func() []simulate.Path {
				p, err := simulate.Channel("mid-quiet", 12e-3)
				if err != nil {
					t.Fatal(err)
				}
				return p
			}
			c.Paths = paths()
			c.Others = []simulate.Signal{{Station: aStation(t, "wwvh"), Paths: paths(), OffsetHz: 0.1}}
			truth := truthOf(t, c)
			s := unaided(truth)
			s.Stations = nil
			for _, id := range ids {
				s.Stations = append(s.Stations, aStation(t, id))
			}
			f := measured(t, c, s, 0)
			if f.Offset == nil {
				t.Fatalf("%s: %v", f.Verdict, f.Why)
			}
			e := wrap(*f.Offset - truth.Marker.Offset)
			low, high := e-*f.Offset+f.CI95[0], e-*f.Offset+f.CI95[1]
			t.Logf("off by %.1f µs, u %.1f µs, %.1f to %.1f µs", e*1e6, *f.U*1e6, low*1e6, high*1e6)
			if low > 0 || high < 0 {
				t.Errorf("off by %.1f µs, held to lie from %.1f to %.1f µs", e*1e6, low*1e6, high*1e6)
			}
			// Where the fading parts the paths, to a tenth of their spacing of 0.5 ms.
			if len(ids) == 1 && math.Abs(e) > 50e-6 {
				t.Errorf("off by %.1f µs", e*1e6)
			}
		})
	}
}
