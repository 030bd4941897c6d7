package timecode

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// hear runs a decoder over the first seconds of a broadcast.
func hear(a *air, seconds int) Reading {
	d := New(a.station)
	for n := range seconds {
		d.Add(a.second(n))
	}
	return d.Close()
}

func parse(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// label is what a reading should call second n: an inserted second goes by the
// one after it.
func (a *air) label(n int) (t time.Time, inserted bool) {
	t, inserted = a.utc(n)
	if inserted {
		t = t.Add(time.Second)
	}
	return t, inserted
}

// check holds a reading against what was sent.
func check(t *testing.T, what string, a *air, n int, r Reading) {
	t.Helper()
	want, inserted := a.label(n)
	if !r.UTC.Known() || !r.UTC.Value.Equal(want) || r.Inserted != inserted {
		t.Errorf("%s: second %d is %v, inserted %v; want %v, %v (contrary %v)", what, n, r.UTC, r.Inserted, want, inserted, r.Contrary)
	}
}

func TestGoodMinutesNameTheTime(t *testing.T) {
	for _, id := range []string{"wwv", "chu"} {
		for _, start := range []string{
			"2001-06-22T21:10:00Z", "2069-02-28T23:30:30Z", "1999-12-31T23:57:30Z",
			"2024-12-31T23:58:11Z", // into another year, after day 366
			"2023-02-28T23:58:31Z", // into March, no leap year
			"2024-02-28T23:58:31Z", // into 29 February
			"2026-09-30T23:59:01Z", // a month's end with no leap second
			"2026-03-14T18:58:45Z", // over the hour
		} {
			a := &air{station: builtin(id), start: parse(t, start), snrDB: 20, rng: rand.New(rand.NewPCG(1, 2)),
				sent: sent{dut1: -2, tai: 37, pattern: 3, dst1: true, dst2: true}}
			r := hear(a, 240)
			check(t, id+" "+start, a, 239, r)
			if !r.DUT1.Known() || r.DUT1.Value != -0.2 {
				t.Errorf("%s %s: DUT1 %v, marks %v, code %v", id, start, r.DUT1, r.DUT1Marks, r.DUT1Code)
			}
			if id == "chu" && (r.TAIminusUTC.Value != 37 || r.DSTPattern.Value != 3) {
				t.Errorf("%s %s: TAI-UTC %v, pattern %v", id, start, r.TAIminusUTC, r.DSTPattern)
			}
			if id != "chu" && r.DST.Value != SummerTime {
				t.Errorf("%s %s: %v", id, start, r.DST)
			}
			if at, _, _ := r.At(100); !at.Equal(a.start.Add(100 * time.Second)) {
				t.Errorf("%s %s: second 100 is %v", id, start, at)
			}
		}
	}
}

func TestLeapSeconds(t *testing.T) {
	for _, id := range []string{"wwv", "chu"} {
		for _, leap := range []Leap{InsertSecond, DeleteSecond} {
			for _, lead := range []int{200, 45, 10} { // s heard before it
				midnight := parse(t, "2016-07-01T00:00:00Z")
				a := &air{station: builtin(id), start: midnight.Add(-time.Duration(lead) * time.Second), leapAt: midnight, leap: leap,
					snrDB: 20, rng: rand.New(rand.NewPCG(5, 6)), sent: sent{tai: 36, leap: leap}}
				d := New(a.station)
				for n := range lead + 200 {
					d.Add(a.second(n))
					d.searched = math.MinInt64 / 2
					if n < lead-20 && n%10 != 0 || n > lead+20 && n%10 != 0 {
						continue
					}
					r := d.Close()
					if want, inserted := a.label(n); r.UTC.Known() && (!r.UTC.Value.Equal(want) || r.Inserted != inserted) {
						t.Errorf("%s %v after %d s: second %d is %v (%v), want %v", id, leap, lead, n, r.UTC, r.Inserted, want)
					}
				}
				check(t, id+" "+leap.String(), a, lead+199, d.Close())
			}
		}
	}
}

// The last leap second came at the end of 2016, with a warning; the second
// itself and those around it keep their labels.
func TestWarnedLeapSecondIsKnownAtOnce(t *testing.T) {
	midnight := parse(t, "2017-01-01T00:00:00Z")
	a := &air{station: builtin("chu"), start: midnight.Add(-400 * time.Second), leapAt: midnight, leap: InsertSecond,
		snrDB: 20, rng: rand.New(rand.NewPCG(5, 6)), sent: sent{tai: 36, leap: InsertSecond}}
	d := New(a.station)
	for n := range 405 {
		d.Add(a.second(n))
		if n >= 395 {
			check(t, "chu", a, n, d.Close())
		}
	}
	// Before the search that saw it, and without any.
	if r := hear(&air{station: builtin("chu"), start: midnight.Add(-400 * time.Second), leapAt: midnight, leap: InsertSecond,
		snrDB: 20, rng: rand.New(rand.NewPCG(5, 6)), sent: sent{tai: 36, leap: InsertSecond}}, 390); r.N != 389 || !r.Leap.Known() {
		t.Fatalf("at second %d the announced leap second is %v", r.N, r.Leap)
	} else {
		for n := int64(380); n < 450; n++ {
			want, inserted := a.label(int(n))
			if got, in, ok := r.At(n); !got.Equal(want) || in != inserted || !ok {
				t.Errorf("foretold second %d is %v (%v, %v), want %v (%v)", n, got, in, ok, want, inserted)
			}
		}
		r.Leap.Error = 1e-3
		for n, known := range map[int64]bool{398: true, 399: false, 400: false, 401: false, 440: false} {
			if _, _, ok := r.At(n); ok != known {
				t.Errorf("with the announcement in doubt second %d is known: %v, want %v", n, ok, known)
			}
		}
	}
	if r := d.Close(); r.Leap.Value == DeleteSecond {
		t.Errorf("leap %v", r.Leap)
	}
}

// Bursts blot out whole seconds, and invert what is left of others.
func TestBursts(t *testing.T) {
	for _, id := range []string{"wwv", "chu"} {
		rng := rand.New(rand.NewPCG(7, 8))
		a := &air{station: builtin(id), start: parse(t, "2026-03-14T18:20:07Z"), snrDB: 15, rng: rng}
		a.hit = func(second int, audio []float32) {
			if rng.IntN(4) > 0 {
				return
			}
			from := rng.IntN(len(audio))
			for i := from; i < min(len(audio), from+len(audio)/3); i++ {
				audio[i] += float32(10 * rng.NormFloat64())
			}
		}
		check(t, id, a, 359, hear(a, 360))
	}
}

func TestStartsAnywhereAndSkips(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for range 3 {
		a := &air{station: builtin("wwv"), start: parse(t, "2026-03-14T18:20:00Z").Add(time.Duration(rng.IntN(3600)) * time.Second), snrDB: 15, rng: rng}
		d := New(a.station)
		last := 0
		for n := rng.IntN(60); n < 420; n++ {
			if n%37 < 5 {
				continue // lost
			}
			s := a.second(n)
			if n%41 == 0 {
				s.Audio = s.Audio[:len(s.Audio)/2]
			}
			d.Add(s)
			last = n
		}
		check(t, "wwv", a, last, d.Close())
	}
}

// A single-sideband receiver shifts every tone.
func TestMistuned(t *testing.T) {
	for _, id := range []string{"wwv", "chu"} {
		for _, hz := range []float64{-40, 25} {
			a := &air{station: builtin(id), start: parse(t, "2026-03-14T18:20:07Z"), snrDB: 15, tuningHz: hz, rng: rand.New(rand.NewPCG(11, 12))}
			check(t, id, a, 239, hear(a, 240))
		}
	}
}

// The pitch of a tick is heard to some hertz only; the subcarrier tells its own.
func TestMistunedAndFading(t *testing.T) {
	for hz, off := range map[float64]float64{-33: -12, -8: 12, 4: -12, 47: 12} {
		a := &air{station: builtin("wwv"), start: parse(t, "2026-03-14T18:20:07Z"), snrDB: 15, tuningHz: hz, spreadHz: 0.5, delay: 0.001, rng: rand.New(rand.NewPCG(11, 12))}
		d := New(a.station)
		for n := range 240 {
			s := a.second(n)
			s.ToneHz += off
			d.Add(s)
		}
		check(t, "wwv", a, 239, d.Close())
	}
}

// The 300 bit/s code is read with continuous phase and with keyed tones.
func TestContinuousAndKeyed(t *testing.T) {
	for _, keyed := range []bool{false, true} {
		for seed := range uint64(2) {
			a := &air{station: builtin("chu"), start: parse(t, "2026-03-14T18:20:07Z"), snrDB: 8, keyed: keyed, spreadHz: 0.5, delay: 0.001, rng: rand.New(rand.NewPCG(seed, 13))}
			check(t, "chu", a, 239, hear(a, 240))
		}
	}
}

// Two stations on one carrier with different codes on the same subcarrier: the
// right time or none. One sends the layout of BPM as far as it is published (an
// Wikipedia's: minutes in seconds 1 to 4, days in 20 to 23, years in 40 to 43
// and 45 to 48), the other WWV's own layout with another time, which no station
// is known to do; when that is as strong as the first, nothing in the pulses
// tells that two codes add up, so it is left out.
func TestTwoCodesOnOneCarrier(t *testing.T) {
	for seed := range uint64(2) {
		for _, like := range []string{"bpm", "wwv"} {
			rng := rand.New(rand.NewPCG(seed, 14))
			a := &air{station: builtin("wwv"), start: parse(t, "2026-03-14T18:20:07Z"), snrDB: 20, rng: rng, spreadHz: 0.5, delay: 0.001}
			b := &air{station: builtin("wwvh"), start: a.start, snrDB: math.Inf(1), rng: rng, spreadHz: 0.5, delay: 0.001}
			strengths := []float32{0.1, 0.5, 1}
			if like == "bpm" {
				b.width = func(utc time.Time) float64 {
					ones := 0
					switch s := utc.Second(); {
					case s >= 1 && s <= 4:
						ones = utc.Minute() % 10 >> (s - 1)
					case s >= 20 && s <= 23:
						ones = utc.Day() % 10 >> (s - 20)
					case s >= 40 && s <= 43:
						ones = utc.Year() % 10 >> (s - 40)
					case s >= 45 && s <= 48:
						ones = utc.Year() / 10 % 10 >> (s - 45)
					case s == 0:
						return 0
					}
					return 0.2 + 0.3*float64(ones&1)
				}
			} else {
				b.start = b.start.Add(9*time.Hour + time.Duration(seed)*26*time.Hour)
				strengths = strengths[:2]
			}
			// The same two broadcasts, mixed by each strength.
			decoders := make([]*Decoder, len(strengths))
			for k := range decoders {
				decoders[k] = New(a.station)
			}
			for n := range 240 {
				s, o := a.second(n), b.second(n)
				for k, d := range decoders {
					mixed := s
					mixed.Audio = slices.Clone(s.Audio)
					for i, v := range o.Audio {
						mixed.Audio[i] += strengths[k] * v
					}
					d.Add(mixed)
					if n%60 != 59 {
						continue
					}
					r := d.Close()
					if want, _ := a.utc(n); r.UTC.Known() && !r.UTC.Value.Equal(want) {
						t.Errorf("other like %s at %v, second %d: %v, want %v", like, strengths[k], n, r.UTC, want)
					}
				}
			}
		}
	}
}

// With no station, or another one, nothing is ever known.
func TestNothingToHear(t *testing.T) {
	for _, id := range []string{"wwv", "chu", "rwm"} {
		rng := rand.New(rand.NewPCG(15, 16))
		st := builtin(id)
		d := New(st)
		if r := d.Reading(); r.UTC.Known() || r.Second.Known() || r.DUT1.Known() || r.Leap.Known() {
			t.Errorf("%s: something is known of nothing: %+v", id, r)
		}
		for n := range 600 {
			audio := make([]float32, 8400)
			for i := range audio {
				audio[i] = float32(rng.NormFloat64())
			}
			if n%100 < 50 { // a motor that knocks each second
				for i := range 80 {
					audio[240+i] += float32(5 * math.Sin(2*math.Pi*float64(i)/8))
				}
			}
			d.Add(Second{N: int64(n), Rate: 8000, Audio: audio, Onset: 240, ToneHz: max(st.ToneHz, 800)})
			if n%60 == 59 {
				if r := d.Close(); r.UTC.Known() || r.Second.Known() || r.DUT1.Known() {
					t.Errorf("%s, second %d: %v %v %v", id, n, r.Second, r.UTC, r.DUT1)
				}
			}
		}
	}
}

// Four digits that name another century are not taken for a year of ours.
func TestOtherCentury(t *testing.T) {
	for _, start := range []string{"1926-03-14T18:20:07Z", "2099-03-14T18:20:07Z", "2170-03-14T18:20:07Z"} {
		a := &air{station: builtin("chu"), start: parse(t, start), snrDB: 20, rng: rand.New(rand.NewPCG(1, 2)), sent: sent{tai: 37}}
		if r := hear(a, 300); r.UTC.Known() {
			t.Errorf("%s is read as %v", start, r.UTC)
		}
	}
}

// The marks say up to 0.8 s, the 100 Hz code no more than 0.7.
func TestLargestDUT1(t *testing.T) {
	for _, tenths := range []int{-8, -7, 7, 8} {
		a := &air{station: builtin("wwv"), start: parse(t, "2026-03-14T18:20:07Z"), snrDB: 20, rng: rand.New(rand.NewPCG(1, 2)),
			sent: sent{dut1: tenths, tai: 37}}
		if r := hear(a, 240); !r.DUT1.Known() || r.DUT1.Value != float64(tenths)/10 {
			t.Errorf("DUT1 %v (marks %v, code %v), want %d tenths", r.DUT1, r.DUT1Marks, r.DUT1Code, tenths)
		}
	}
}

// What is known outlives its evidence, until a leap second may have come in.
func TestHoldsThroughSilence(t *testing.T) {
	a := &air{station: builtin("wwv"), start: parse(t, "2026-06-30T23:00:30Z"), snrDB: 20, rng: rand.New(rand.NewPCG(17, 18))}
	d, unasked := New(a.station), New(a.station)
	for n := range 3570 + capacity + 200 {
		s := Second{N: int64(n), Rate: 8000, ToneHz: a.station.ToneHz} // the receiver is off
		if n < 240 {
			s = a.second(n)
		}
		d.Add(s)
		if n < 3500 {
			unasked.Add(s)
		} else if n == 3500 {
			check(t, "unasked", a, n-1, unasked.Close())
		}
		if n%60 != 0 { // nothing is heard: it is read often enough
			continue
		}
		r := d.Reading()
		want := a.start.Add(time.Duration(r.N) * time.Second)
		// Second 3570 is midnight. A leap second there counts as missed once
		// it is too long ago to be weighed.
		if n > 300 && n < 3500 && (!r.UTC.Known() || !r.UTC.Value.Equal(want)) {
			t.Fatalf("second %d: %v, want %v", n, r.UTC, want)
		}
		if n > 3570+capacity+60 && r.UTC.Known() {
			t.Fatalf("second %d: %v is held over the end of June", n, r.UTC)
		}
	}
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
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				s := heard[i%120]
				s.N = int64(i)
				d.Add(s)
			}
		})
	}
}

func BenchmarkSearch(b *testing.B) {
	for _, id := range []string{"wwv", "chu"} {
		b.Run(id, func(b *testing.B) {
			a := &air{station: builtin(id), start: time.Date(2026, 3, 14, 18, 10, 7, 0, time.UTC), snrDB: 10, rng: rand.New(rand.NewPCG(1, 2))}
			d := New(a.station)
			for n := range capacity {
				d.Add(a.second(n))
			}
			b.ResetTimer()
			for range b.N {
				d.Close()
			}
		})
	}
}

// What has told everything is heard now and then, but about a month's end, when a
// second may come in.
func TestRests(t *testing.T) {
	for start, heard := range map[string]int64{"2026-03-14T18:10:30Z": 90, "2026-03-31T23:40:30Z": 360} {
		a := &air{station: builtin("wwv"), start: parse(t, start), snrDB: 20, rng: rand.New(rand.NewPCG(19, 20))}
		d := New(a.station)
		const end = plenty + 360
		for n := range end {
			d.Add(a.second(n))
		}
		count := int64(0)
		for n := int64(plenty); n < end; n++ {
			if d.at(n) != nil {
				count++
			}
		}
		// Of six minutes one or two are multiples of four.
		if max(count-heard, heard-count) > 30 {
			t.Errorf("from %s: %d of the last %d seconds were heard, want about %d", start, count, end-plenty, heard)
		}
		check(t, start, a, end-1, d.Close())
	}
}
