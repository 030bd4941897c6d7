package longwave

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/longwave/pulsecode"
)

// codeStations send the codes there are.
var codeStations = []string{"dcf77", "msf", "wwvb", "jjy-40", "bpc", "als162"}

// named is what became of a minute's code in noise: how long it took until the time was
// known, s, or infinite, and whether it was wrong then or later.
type named struct {
	after float64
	wrong bool
}

// hearCode is hearFrom, begun at any second of any year of the code's century.
func hearCode(s *station.Station, seed uint64, seconds, every int, cn0 float64) named {
	r := rand.New(rand.NewPCG(seed, 77))
	begin := time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(r.Int64N(98*365*86400)) * time.Second)
	n, _ := hearFrom(s, r, begin, time.Time{}, seconds, every, cn0)
	return n
}

// hearFrom gives a decoder some minutes of a station's marks, as the levels that the slots
// of a second have at a carrier's ratio to noise, dBHz: the simulator's minute, and complex
// noise of the slots' length. Before leapAt, if that is any, a second is inserted, and
// announced all the time. It asks what is known every so many seconds, last of all at the end.
func hearFrom(s *station.Station, r *rand.Rand, begin, leapAt time.Time, seconds, every int, cn0 float64) (n named, last pulsecode.Reading) {
	p := newPlan(s)
	d := pulsecode.New(s.Code.Kind)
	ratio := math.Pow(10, cn0/10)
	noise := 1 / (2 * ratio * p.slotSeconds)
	stray := slotStray * r.NormFloat64() / 2 // of the keyed level
	n.after = math.Inf(1)
	var code string
	var chips, before [60]bool
	for i := range seconds {
		at := begin.Add(time.Duration(i) * time.Second)
		second, inserted := at.Second(), at.Equal(leapAt)
		if !leapAt.IsZero() && at.After(leapAt) {
			at = at.Add(-time.Second)
			second = at.Second()
		}
		if inserted {
			second = 60
		} else if minute := at.Truncate(time.Minute); i == 0 || second == 0 {
			pending := at.Before(leapAt)
			code = simulate.LongCode(s.Code.Kind, minute, 0.3, pending, minute.Add(time.Minute).Equal(leapAt))
			before, chips = chips, simulate.WWVBPhase(minute)
		}
		var level [slotCount]float64
		for k := range level {
			want := 1 - p.Depth*float64(r.IntN(2)) // of a call sign
			if symbol := slices.Index([]byte(map[string]string{"msf": "0BACM", "bpc": "0123?-"}[s.Code.Kind]), code[second]); symbol >= 0 {
				want = p.level(p.symbols[symbol], float64(k)/slotCount+0.05)
			} else if symbol := slices.Index([]byte("01M-"), code[second]); symbol >= 0 {
				want = p.level(p.symbols[symbol], float64(k)/slotCount+0.05)
			}
			if want < 1 {
				want += stray
			}
			level[k] = cmplx.Abs(complex(want+math.Sqrt(noise)*r.NormFloat64(), math.Sqrt(noise)*r.NormFloat64()))
		}
		logs := p.weigh(level, noise)
		d.Add(int64(i), logs)
		if s.Phase.Kind == "wwvb" && i > 0 && !inserted {
			last := before[59]
			if second > 0 {
				last = chips[second-1]
			}
			x := -1.0
			if chips[second] != last {
				x = 1
			}
			variance := 1 / (2 * ratio * (endedTo - endedFrom))
			d.AddTurn(int64(i), 2*(x+math.Sqrt(variance)*r.NormFloat64())/variance)
		}
		if (i+1)%every != 0 && i+1 < seconds {
			continue
		}
		last = d.Reading()
		if got := last; got.UTCError < pulsecode.MaxError && got.SecondError < pulsecode.MaxError {
			n.after = min(n.after, float64(i+1))
			n.wrong = n.wrong || !got.UTC.Equal(at) || got.Inserted != inserted
		}
	}
	return n, last
}

// localCodes are those whose clock keeps summer time, by station.
var localCodes = []string{"dcf77", "msf", "als162"}

// Where the clocks are put on or back while a recording lasts, UTC goes on: asked every
// ten seconds, it is never wrong, and known at the end, whenever it began. The dates are
// those of 2026 (Directive 2000/84/EC).
func TestClocksChange(t *testing.T) {
	for _, id := range localCodes {
		for i, change := range []time.Time{
			time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC),
		} {
			for _, before := range []int{-170, -110, -60, -35, 0, 60, 1500} {
				r := rand.New(rand.NewPCG(uint64(i), uint64(200+before)))
				begin := change.Add(-time.Duration(before+170) * time.Second)
				n, last := hearFrom(find(t, id), r, begin, time.Time{}, 200+max(0, before), 10, 55)
				if n.wrong || last.UTCError > pulsecode.MaxError {
					t.Errorf("%s from %v: %v wrong, at last %v, error %.1g", id, begin, n.wrong, last.UTC, last.UTCError)
				}
			}
		}
	}
}

// What is announced is known after three minutes in which it cannot have changed, and
// nothing is announced that is not; a leap second is inserted where it is, and the second
// itself has its name.
func TestAnnouncements(t *testing.T) {
	leapAt := time.Date(2017, 1, 1, 0, 0, 0, 0, time.UTC)
	for i, tt := range []struct {
		id, end string
		leapAt  time.Time
		change  int
	}{
		{"dcf77", "2026-03-29T00:20:00Z", time.Time{}, 1}, {"dcf77", "2026-10-25T00:59:59Z", time.Time{}, -1}, {"dcf77", "2026-10-25T01:09:00Z", time.Time{}, 0},
		{"als162", "2026-03-29T00:59:59Z", time.Time{}, 1}, {"msf", "2026-10-25T00:40:00Z", time.Time{}, -1}, {"msf", "2026-10-24T23:40:00Z", time.Time{}, 0},
		{"wwvb", "2026-03-08T09:20:00Z", time.Time{}, 1}, {"wwvb", "2026-11-01T09:20:00Z", time.Time{}, -1}, {"wwvb", "2026-07-01T09:20:00Z", time.Time{}, 0},
		{"jjy-40", "2026-07-01T09:20:00Z", time.Time{}, 0},
		{"dcf77", "2016-12-31T23:40:00Z", leapAt, 0}, {"als162", "2016-12-31T23:40:00Z", leapAt, 0}, {"wwvb", "2016-12-20T12:40:00Z", leapAt, 0},
		{"jjy-60", "2016-12-20T12:49:00Z", leapAt, 0}, // the call sign is in minute 45
	} {
		end, err := time.Parse(time.RFC3339, tt.end)
		if err != nil {
			t.Fatal(err)
		}
		const seconds = 8 * 60
		n, last := hearFrom(find(t, tt.id), rand.New(rand.NewPCG(uint64(i), 5)), end.Add(-seconds*time.Second), tt.leapAt, seconds, 30, 55)
		if n.wrong || last.UTCError > pulsecode.MaxError {
			t.Errorf("%s to %v: wrong %v, %v, error %.1g", tt.id, end, n.wrong, last.UTC, last.UTCError)
		}
		if tt.id != "msf" && (last.LeapError > pulsecode.MaxError || last.Leap != !tt.leapAt.IsZero()) {
			t.Errorf("%s to %v: leap second %v, error %.1g", tt.id, end, last.Leap, last.LeapError)
		}
		if tt.id[:3] != "jjy" && (last.ChangeError > pulsecode.MaxError || last.Change != tt.change) {
			t.Errorf("%s to %v: change %d, error %.1g, want %d", tt.id, end, last.Change, last.ChangeError, tt.change)
		}
	}
}

// No code names a wrong time in noise, and at 50 dBHz all name the right one within three
// minutes.
func TestCodesInNoise(t *testing.T) {
	for _, id := range codeStations {
		for seed := range uint64(2) {
			if n := hearCode(find(t, id), seed, 180, 60, 50); n.wrong || n.after > 180 {
				t.Errorf("%s at 50 dBHz, seed %d: %+v", id, seed, n)
			}
			if n := hearCode(find(t, id), seed, 180, 60, 26); n.wrong {
				t.Errorf("%s at 26 dBHz, seed %d: a wrong time", id, seed)
			}
		}
	}
}

// The leap second's minute, and the leap second itself, wherever a recording begins and
// ends: it is never wrong, and known at the end. One is asked every second.
func TestLeapMinute(t *testing.T) {
	leapAt := time.Date(2017, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, id := range []string{"dcf77", "msf", "wwvb", "jjy-60"} {
		for i, span := range [][3]int{{-190, 30, 1}, {-240, 1, 80}, {-240, 2, 81}, {-240, 90, 55}, {-120, 120, 40}, {-30, 200, 50}, {-600, 300, 150}} {
			r := rand.New(rand.NewPCG(uint64(i), 6))
			n, last := hearFrom(find(t, id), r, leapAt.Add(time.Duration(span[0])*time.Second), leapAt, span[1]-span[0], span[2], 55)
			if n.wrong || last.UTCError > pulsecode.MaxError {
				t.Errorf("%s over %v: wrong %v, at last %v, error %.1g", id, span, n.wrong, last.UTC, last.UTCError)
			}
		}
	}
}

// BenchmarkCodes counts, for each code, wrong times in 2000 recordings of three minutes
// from 20 to 50 dBHz, and those of 500 at 50 dBHz that were named within three minutes.
func BenchmarkCodes(b *testing.B) {
	for range b.N {
		for _, id := range codeStations {
			const many, strong = 2000, 500
			s := find(b, id)
			wrong, told, named, first := 0, 0, 0, []float64{}
			for seed := range uint64(many) {
				n := hearCode(s, seed, 180, 90, 20+float64(seed%31))
				if n.wrong {
					wrong++
				}
				if n.after <= 180 {
					told++
				}
			}
			for seed := range uint64(strong) {
				n := hearCode(s, many+seed, 180, 60, 50)
				if n.wrong {
					wrong++
				}
				if n.after <= 180 {
					named++
					first = append(first, n.after)
				}
			}
			slices.Sort(first)
			b.Logf("%-7s %d wrong in %d, of which %d were named; at 50 dBHz %d of %d within 180 s, half within %.0f s", id, wrong, many+strong, told+named, named, strong, first[len(first)/2])
		}
	}
}
