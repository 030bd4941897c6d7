package simulate

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"
)

// NIST Special Publication 432 (2002), figure of the time code: the frame whose
// on-time point is 2001, day 173, 21:10 UTC, UT1 = UTC + 0.3 s. Set bits by
// the table of weights (from memory but for DUT1's); 22 June is daylight time.
var bcdExample = []int{2, 4, 15, 20, 26, 30, 31, 35, 36, 37, 40, 50, 55, 56, 57}

var bcdExampleTime = time.Date(2001, 6, 22, 21, 10, 0, 0, time.UTC)

func TestBCDWorkedExample(t *testing.T) {
	if d := bcdExampleTime.YearDay(); d != 173 {
		t.Fatalf("day %d", d)
	}
	f := encodeBCD(bcdExampleTime, 0.3, false)
	for s, e := range f {
		want := zero
		switch {
		case s == 0:
			want = hole
		case s%10 == 9:
			want = position
		case slices.Contains(bcdExample, s):
			want = one
		}
		if e != want {
			t.Errorf("second %d: element %d, want %d", s, e, want)
		}
	}
}

func TestBCDFields(t *testing.T) {
	set := func(f bcdFrame) (all []int) {
		for s, e := range f {
			if e == one {
				all = append(all, s)
			}
		}
		return all
	}
	day := func(month time.Month, d, hour int) time.Time {
		return time.Date(2026, month, d, hour, 0, 0, 0, time.UTC)
	}
	for _, tt := range []struct {
		name string
		t    time.Time
		dut1 float64
		leap bool
		want []int
	}{
		// 2026-01-01 00:00: year 26 is 2+4 and 20, day 1; positive DUT1 of zero.
		{"new year", day(1, 1, 0), 0, false, []int{5, 6, 30, 50, 52}},
		{"leap and negative DUT1", day(1, 1, 0), -0.5, true, []int{3, 5, 6, 30, 52, 56, 58}},
		// 2026-12-31 23:00: day 365 is 300+60+5, hour 23.
		{"last day", day(12, 31, 23), 0, false, []int{5, 6, 20, 21, 26, 30, 32, 36, 37, 40, 41, 50, 52}},
		// Daylight time from Sunday 8 March 2026: bit 55 that day at 00:00
		// UTC, bit 2 a day later. Day 67 is 60+7, day 68 is 60+8.
		{"change day", day(3, 8, 0), 0, false, []int{5, 6, 30, 31, 32, 36, 37, 50, 52, 55}},
		{"day after", day(3, 9, 0), 0, false, []int{2, 5, 6, 33, 36, 37, 50, 52, 55}},
		// And back on Sunday 1 November 2026, day 305.
		{"change back", day(11, 1, 0), 0, false, []int{2, 5, 6, 30, 32, 40, 41, 50, 52}},
	} {
		if got := set(encodeBCD(tt.t, tt.dut1, tt.leap)); !slices.Equal(got, tt.want) {
			t.Errorf("%s: bits %v, want %v", tt.name, got, tt.want)
		}
	}
}

// On the air a pulse begins 30 ms after the second and lasts 170, 470 or 770 ms
// (SP 432).
func TestBCDPulsesOnTheAir(t *testing.T) {
	const rate = 8000
	st := find(t, "wwv")
	st.Voices, st.Tones = nil, nil
	_, ch := record(t, Config{
		Rate: rate, Seconds: 60.5, Start: bcdExampleTime, Station: st, Noiseless: true, DUT1: 0.3,
		Receiver: Receiver{Detector: Linear, Filter: Filter{LowPassHz: 250}},
	})
	level := func(second, from, to float64) float64 {
		a, _ := tone(ch[0], rate, second+from, second+to, 100, second)
		return a / 0.25 // a mark's amplitude, which is full modulation
	}
	for s := 1; s < 60; s++ {
		want := 0.2 // end of the pulse
		if s%10 == 9 {
			want = 0.8
		} else if slices.Contains(bcdExample, s) {
			want = 0.5
		}
		for at := 0.06; at < 0.95; at += 0.1 {
			high := at+0.035 < want
			if got := level(float64(s), at, at+0.03); high != (got > 0.15) || high && math.Abs(got-0.25) > 0.03 {
				t.Errorf("second %d: depth %.3f at %.2f s, where the pulse ends at %g", s, got, at, want)
			}
		}
	}
	if got := level(0, 0.9, 0.98); got > 0.02 {
		t.Errorf("second 0: depth %.3f, want none", got)
	}
}

// Bytes worked out from the operator's rules (National Research Council Canada:
// frame "6d dd hh mm ss", check bytes equal in A and complemented in B,
// nibbles exchanged; the order of fields in B from memory).
func TestFSKWorkedExamples(t *testing.T) {
	for _, tt := range []struct {
		t    time.Time
		dut1 float64
		want string
	}{
		{time.Date(2023, 5, 3, 4, 56, 32, 0, time.UTC), 0, "16 32 40 65 23 16 32 40 65 23"}, // day 123
		{time.Date(2024, 5, 3, 4, 56, 31, 0, time.UTC), 0, "00 02 42 73 00 ff fd bd 8c ff"},
		{time.Date(2021, 5, 3, 4, 56, 31, 0, time.UTC), -0.2, "29 02 12 73 00 d6 fd ed 8c ff"},
	} {
		got, ok := encodeFSK(tt.t, tt.dut1, false)
		if s := fmt.Sprintf("% x", got); !ok || s != tt.want {
			t.Errorf("%v: %s, want %s", tt.t, s, tt.want)
		}
	}
	for s := range 60 {
		_, ok := encodeFSK(time.Date(2023, 5, 3, 4, 56, s, 0, time.UTC), 0, false)
		if want := 31 <= s && s <= 39; ok != want {
			t.Errorf("second %d sends code: %v", s, ok)
		}
	}
}

// The code heard on the air, bit by bit at the published times: 110 bits of
// 1/300 s end 500 ms after the second, 2225 Hz is 1 and 2025 Hz is 0, ten
// milliseconds of mark follow, then silence.
func TestFSKOnTheAir(t *testing.T) {
	const rate = 48000
	_, ch := record(t, Config{
		Rate: rate, Seconds: 4, Start: time.Date(2023, 5, 3, 4, 56, 30, 0, time.UTC), Station: find(t, "chu"),
		Noiseless: true, Receiver: Receiver{Detector: SSB},
	})
	energy := func(from, to, hz float64) float64 {
		a, _ := tone(ch[0], rate, from, to, hz, from)
		return a
	}
	second := 2.0 // 04:56:32
	var got []byte
	for n := range 10 {
		var b byte
		for bit := range 11 {
			from := second + 0.5 - 110.0/300 + float64(11*n+bit)/300
			is := energy(from+0.0003, from+0.0030, 2225) > energy(from+0.0003, from+0.0030, 2025)
			switch {
			case bit == 0 && is, bit >= 9 && !is:
				t.Fatalf("character %d bit %d: %v", n, bit, is)
			case 1 <= bit && bit <= 8 && is:
				b |= 1 << (bit - 1)
			}
		}
		got = append(got, b)
	}
	if s, want := fmt.Sprintf("% x", got), "16 32 40 65 23 16 32 40 65 23"; s != want {
		t.Errorf("heard %s, want %s", s, want)
	}
	mark := energy(second+0.02, second+0.13, 2225)
	if a := energy(second+0.501, second+0.509, 2225); math.Abs(a/mark-1) > 0.05 {
		t.Errorf("mark after the code: amplitude %.4f, before it %.4f", a, mark)
	}
	if a := energy(second+0.515, second+0.6, 2225); a > mark/100 {
		t.Errorf("amplitude %.5f after the end, mark %.4f", a, mark)
	}
	if a := energy(1+0.02, 1+0.13, 2225); a > mark*1.1 || a < mark*0.9 {
		t.Errorf("second 31 has amplitude %.4f, second 32 %.4f", a, mark)
	}
}

// DUT1 shows as published: doubled ticks in seconds 1 to n or 9 to 8+n (NIST
// Special Publication 432), split pulses for CHU.
func TestDUT1OnTheAir(t *testing.T) {
	const rate = 8000
	heard := func(id string, dut1 float64) (first, between, second []int) {
		_, ch := record(t, Config{
			Rate: rate, Seconds: 20, Start: time.Date(2026, 3, 14, 18, 20, 0, 0, time.UTC), Station: find(t, id),
			Programme: MarksOnly, Noiseless: true, DUT1: dut1, Receiver: Receiver{Detector: Linear},
		})
		st := find(t, id)
		mark, _ := st.MarkAt(20, 5)
		length := min(mark.Length, 0.1)
		for s := 1; s < 20; s++ {
			for k, list := range []*[]int{&first, &between, &second} {
				// Half of the spacing is the gap of a split pulse.
				at := float64(s) + float64(k)*st.DUT1.SpacingSeconds/2
				if a, _ := tone(ch[0], rate, at+0.1*length, at+0.9*length, 1000, at); a > 0.1 {
					*list = append(*list, s)
				}
			}
		}
		return first, between, second
	}
	var all []int
	for s := 1; s < 20; s++ {
		all = append(all, s)
	}
	for dut1, want := range map[float64][]int{0: nil, 0.3: {1, 2, 3}, -0.2: {9, 10}, 0.8: {1, 2, 3, 4, 5, 6, 7, 8}} {
		first, between, second := heard("wwv", dut1)
		if !slices.Equal(first, all) || between != nil || !slices.Equal(second, want) {
			t.Errorf("wwv %+g: ticks %v, halfway %v, repeated %v, want %v", dut1, first, between, second, want)
		}
		// CHU's 300 ms pulses lose their middle; their last third is always there.
		first, between, second = heard("chu", dut1)
		var split []int
		for _, s := range all {
			if !slices.Contains(between, s) {
				split = append(split, s)
			}
		}
		if !slices.Equal(first, all) || !slices.Equal(split, want) || !slices.Equal(second, all) {
			t.Errorf("chu %+g: split %v, want %v", dut1, split, want)
		}
	}
}

// Ticks are left out where they should be, and the programme is silent from
// 10 ms before each tick to 25 ms after its end.
func TestQuietZoneAndOmissions(t *testing.T) {
	const rate = 16000
	start := time.Date(2026, 3, 14, 18, 21, 0, 0, time.UTC) // odd minute: 600 Hz
	_, ch := record(t, Config{
		Rate: rate, Seconds: 61, Start: start, Station: find(t, "wwv"), Noiseless: true, Receiver: Receiver{Detector: Linear},
	})
	part := func(s, from, to float64) float64 { return rms(ch[0][int((s+from)*rate):int((s+to)*rate)]) }
	for s := 2.0; s < 60; s++ {
		tick := part(s, 0.0005, 0.0045)
		if omitted := s == 29 || s == 59; omitted {
			a, _ := tone(ch[0], rate, s+0.0005, s+0.0045, 1000, s)
			if a > 0.16 { // programme may go on, a tick has 0.25
				t.Errorf("second %g: tick of amplitude %.3f", s, a)
			}
			continue
		}
		if math.Abs(tick-0.25/math.Sqrt2) > 0.01 {
			t.Errorf("second %g: tick has rms %.3f", s, tick)
		}
		if before, after := part(s, -0.0095, -0.0005), part(s, 0.0055, 0.0295); before > 0.005 || after > 0.005 {
			t.Errorf("second %g: rms %.4f before, %.4f after", s, before, after)
		}
	}
	// 600 Hz at half the depth of the marks until second 45, then none.
	for s, want := range map[float64]float64{10: 0.125, 44: 0.125, 47: 0} {
		if a, _ := tone(ch[0], rate, s+0.1, s+0.9, 600, s); math.Abs(a-want) > 0.004 {
			t.Errorf("second %g: 600 Hz with amplitude %.4f, want %.4f", s, a, want)
		}
	}
	if quiet, voice := part(48, 0.6, 0.9), part(55, 0.1, 0.9); voice < 3*quiet {
		t.Errorf("announcement has rms %.4f, silence %.4f", voice, quiet)
	}
}
