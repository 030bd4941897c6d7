package timecode

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// hear runs a decoder over seconds from to until of a broadcast.
func hear(a *air, seconds int) Reading {
	d := New(a.station)
	for n := range seconds {
		d.Add(a.second(n))
	}
	return d.Close()
}

func TestCleanMinutesNameTheTime(t *testing.T) {
	for _, id := range []string{"wwv", "wwvh", "chu"} {
		for _, start := range []string{"2026-03-14T18:20:07Z", "2024-12-31T23:58:41Z", "2001-06-22T21:10:00Z"} {
			begin, err := time.Parse(time.RFC3339, start)
			if err != nil {
				t.Fatal(err)
			}
			a := &air{station: builtin(id), start: begin, snrDB: 20, rng: rand.New(rand.NewPCG(1, 2)), sent: sent{dut1: -2, tai: 37, pattern: 3}}
			r := hear(a, 150)
			want := begin.Add(149 * time.Second)
			if !r.UTC.Known() || !r.UTC.Value.Equal(want) {
				t.Errorf("%s %s: want UTC %v, have %v", id, start, want, r.UTC)
			}
			t.Logf("%s %s: second %v tod %v utc %v dut1 %v %v %v leap %v dst %v tai %v pattern %v contrary %v", id, start, r.Second, r.TimeOfDay, r.UTC, r.DUT1, r.DUT1Marks, r.DUT1Code, r.Leap, r.DST, r.TAIminusUTC, r.DSTPattern, r.Contrary)
		}
	}
	_ = math.Pi
}

func BenchmarkAdd(b *testing.B) {
	for _, id := range []string{"wwv", "chu", "rwm"} {
		b.Run(id, func(b *testing.B) {
			a := &air{station: builtin(id), start: time.Date(2026, 3, 14, 18, 10, 7, 0, time.UTC), snrDB: 10, rng: rand.New(rand.NewPCG(1, 2))}
			var heard []Second
			for n := range 120 {
				heard = append(heard, a.second(n))
			}
			d := New(a.station)
			for i := range b.N {
				s := heard[i%120]
				s.N = int64(i)
				d.Add(s)
			}
		})
	}
}

func BenchmarkReading(b *testing.B) {
	a := &air{station: builtin("wwv"), start: time.Date(2026, 3, 14, 18, 10, 7, 0, time.UTC), snrDB: 10, rng: rand.New(rand.NewPCG(1, 2))}
	d := New(a.station)
	for n := range capacity {
		d.Add(a.second(n))
	}
	for range b.N {
		d.Close()
	}
}
