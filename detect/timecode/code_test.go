package timecode

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// NIST SP 432, figure of the WWV and WWVH time code: point A is 2001, day 173,
// 21 h 10 min UTC, UT1 = UTC + 0.3 s. The places of the bits are from memory;
// 22 June is in summer time.
func TestFrameOfSP432(t *testing.T) {
	a := time.Date(2001, 1, 173, 21, 10, 0, 0, time.UTC)
	var ones, markers, holes []int
	n := notices{}
	set := map[int]bool{2: true, 50: true, 55: true, 56: true, 57: true} // summer time, DUT1
	b := &bcd{}
	for s := range 60 {
		switch symbol := bcdSymbolAt(a.Add(time.Duration(s) * time.Second)); symbol {
		case bcdOne:
			ones = append(ones, s)
		case bcdMarker:
			markers = append(markers, s)
		case bcdHole:
			holes = append(holes, s)
		}
		keep := []float32{bcdHole: -9, bcdZero: 0, bcdOne: -9, bcdMarker: -9}
		if set[s] {
			keep[bcdZero], keep[bcdOne] = -9, 0
		}
		b.leap(keep, s, &n.leap)
		b.notices(keep, s, &n)
	}
	if want := []int{4, 15, 20, 26, 30, 31, 35, 36, 37, 40}; !slices.Equal(ones, want) {
		t.Errorf("ones at %v, want %v", ones, want)
	}
	if want := []int{9, 19, 29, 39, 49, 59}; !slices.Equal(markers, want) {
		t.Errorf("position identifiers at %v, want %v", markers, want)
	}
	if !slices.Equal(holes, []int{0}) {
		t.Errorf("frame reference at %v", holes)
	}
	if best, err := likeliest(n.dut1Code[:]); best-dut1Limit != 3 || err > 1e-3 {
		t.Errorf("DUT1 %d tenths (error %g), want 3", best-dut1Limit, err)
	}
	if best, err := likeliest(n.dst[:]); DST(best) != SummerTime || err > 1e-3 {
		t.Errorf("%v (error %g), want summer time", DST(best), err)
	}
	if best, err := likeliest(n.leap[:]); Leap(best) != NoLeap || err > 1e-3 {
		t.Errorf("leap second %v (error %g), want none", Leap(best), err)
	}
}

// Every bit of the frame, alone: the layout from memory, but the weights of
// DUT1 and its sign (NIST, text on UT1 coding).
func TestEachBitOfTheFrame(t *testing.T) {
	want := map[int]string{
		4: "year 1", 5: "year 2", 6: "year 4", 7: "year 8", 51: "year 10", 52: "year 20", 53: "year 40", 54: "year 80",
		10: "minute 1", 11: "minute 2", 12: "minute 4", 13: "minute 8", 15: "minute 10", 16: "minute 20", 17: "minute 40",
		20: "hour 1", 21: "hour 2", 22: "hour 4", 23: "hour 8", 25: "hour 10", 26: "hour 20",
		30: "day 1", 31: "day 2", 32: "day 4", 33: "day 8", 35: "day 10", 36: "day 20", 37: "day 40", 38: "day 80", 40: "day 100", 41: "day 200",
	}
	names := [fields]string{"minute", "hour", "day", "year"}
	for s, p := range bcdFrame {
		have := ""
		if p.role == digit {
			have = fmt.Sprintf("%s %d", names[p.field], p.weight*int(math.Pow10(p.decade)))
		}
		if have != want[s] {
			t.Errorf("second %d: %q, want %q", s, have, want[s])
		}
	}
}

// frameOdds is what a perfect receiver makes of ten bytes on the air: each
// character is a start bit (0), eight bits with the least significant first,
// and two stop bits (1).
func frameOdds(frame [10]byte) *[fskBits]float64 {
	var odds [fskBits]float64
	for c, b := range frame {
		bits := append([]byte{0}, make([]byte, 8)...)
		for i := range 8 {
			bits[1+i] = b >> i & 1
		}
		bits = append(bits, 1, 1)
		for i, bit := range bits {
			odds[c*fskCharacter+i] = fskBitCap * (2*float64(bit) - 1)
		}
	}
	return &odds
}

// Frames built by hand from the rules of NRC Canada's page on CHU's codes; the
// layout of frame B is from memory.
func TestFramesOfCHU(t *testing.T) {
	f := &fsk{}
	keep := make([]float32, fskKept)
	heardAs := func() int {
		best := 0
		for i, l := range keep[:fskSymbols] {
			if l > keep[best] {
				best = i
			}
		}
		return best
	}

	// Day 123, 04:56:32.
	weighFrame(frameOdds([10]byte{0x16, 0x32, 0x40, 0x65, 0x23, 0x16, 0x32, 0x40, 0x65, 0x23}), keep)
	if heardAs() != fskA {
		t.Errorf("frame A of second 32 heard as %d", heardAs())
	}
	var d digits
	f.content(keep, 32, &d)
	for f, want := range map[field]int{dayField: 123, hourField: 4, minuteField: 56} {
		best := 0
		for v := range 1000 {
			if d.of(f, v) > d.of(f, best)+1e-9 {
				best = v
			}
		}
		if best != want {
			t.Errorf("field %d reads %d, want %d", f, best, want)
		}
	}

	for _, c := range []struct {
		frame        [10]byte
		year, tenths int
	}{
		{[10]byte{0x00, 0x02, 0x42, 0x73, 0x00, 0xFF, 0xFD, 0xBD, 0x8C, 0xFF}, 2024, 0},
		{[10]byte{0x29, 0x02, 0x12, 0x73, 0x00, 0xD6, 0xFD, 0xED, 0x8C, 0xFF}, 2021, -2},
	} {
		clear(keep)
		weighFrame(frameOdds(c.frame), keep)
		if heardAs() != fskB {
			t.Errorf("frame B heard as %d", heardAs())
		}
		var d digits
		f.content(keep, 31, &d)
		if d.of(yearField, c.year) < d.of(yearField, c.year+1)+5 {
			t.Errorf("year %d is not read", c.year)
		}
		var n notices
		f.leap(keep, 31, &n.leap)
		f.notices(keep, 31, &n)
		if best, err := likeliest(n.dut1Code[:]); best-dut1Limit != c.tenths || err > 1e-2 {
			t.Errorf("DUT1 %d tenths (error %g), want %d", best-dut1Limit, err, c.tenths)
		}
		if best, _ := likeliest(n.tai[:]); best != 37 {
			t.Errorf("TAI-UTC %d, want 37", best)
		}
		if best, _ := likeliest(n.leap[:]); Leap(best) != NoLeap {
			t.Errorf("leap second %v, want none", Leap(best))
		}
	}
}

// DUT1 by emphasised marks: NIST SP 432: marks 1, 2 and 3 for +0.3 s, 9 to 12
// for -0.4 s; none for zero.
func TestDUT1FromMarks(t *testing.T) {
	for id, seconds := range map[string]int{"wwv": 300, "wwvh": 300, "chu": 150, "hla": 360, "rwm": 360} {
		for _, tenths := range []int{3, -4, 0} {
			a := &air{station: builtin(id), start: time.Date(2026, 3, 14, 18, 12, 0, 0, time.UTC), snrDB: 20,
				rng: rand.New(rand.NewPCG(3, 4)), sent: sent{dut1: tenths}}
			if a.station.ToneHz == 0 {
				a.tuningHz = 800 // pitch that the receiver gives a keyed carrier
			}
			r := hear(a, seconds)
			if !r.DUT1Marks.Known() || math.Abs(r.DUT1Marks.Value-float64(tenths)/10) > 1e-9 {
				t.Errorf("%s: DUT1 %v, want %d tenths", id, r.DUT1Marks, tenths)
			}
		}
	}
}

// Every bit of the notices, alone: DUT1 and its sign by NIST's text on UT1
// coding; the others from memory.
func TestEachNoticeOfTheFrame(t *testing.T) {
	for second, want := range map[int]struct {
		tenths int
		leap   Leap
		dst    DST
	}{
		2: {0, NoLeap, SummerEnds}, 3: {0, InsertSecond, StandardTime}, 50: {0, NoLeap, StandardTime}, 55: {0, NoLeap, SummerBegins},
		56: {-1, NoLeap, StandardTime}, 57: {-2, NoLeap, StandardTime}, 58: {-4, NoLeap, StandardTime},
	} {
		b, n := &bcd{}, notices{}
		for s := range 60 {
			keep := []float32{bcdHole: -9, bcdZero: 0, bcdOne: -9, bcdMarker: -9}
			if s == second {
				keep[bcdZero], keep[bcdOne] = -9, 0
			}
			b.leap(keep, s, &n.leap)
			b.notices(keep, s, &n)
		}
		tenths, _ := likeliest(n.dut1Code[:])
		leap, _ := likeliest(n.leap[:])
		dst, _ := likeliest(n.dst[:])
		if tenths-dut1Limit != want.tenths || Leap(leap) != want.leap || DST(dst) != want.dst {
			t.Errorf("second %d alone: DUT1 %d tenths, leap %v, %v; want %+v", second, tenths-dut1Limit, Leap(leap), DST(dst), want)
		}
	}
}

// Every bit of CHU's frames, alone, as NRC Canada's page and, for frame B, memory
// have it: nibbles are sent in the order in which they are read, each with its
// least significant bit first; frame A twice, frame B with its complement.
func TestEachBitOfCHU(t *testing.T) {
	f, keep := &fsk{}, make([]float32, fskKept)
	heard := func(nibbles [10]int, complement bool) {
		var frame [10]byte
		for i, n := range nibbles {
			frame[i/2] |= byte(n << (4 * (i % 2)))
		}
		for i := range 5 {
			frame[5+i] = frame[i]
			if complement {
				frame[5+i] = ^frame[i]
			}
		}
		clear(keep)
		weighFrame(frameOdds(frame), keep)
	}
	places := []struct {
		second, nibble int
		field          field
		unit           int
	}{
		{35, 1, dayField, 100}, {35, 2, dayField, 10}, {35, 3, dayField, 1}, {35, 4, hourField, 10}, {35, 5, hourField, 1}, {35, 6, minuteField, 10}, {35, 7, minuteField, 1},
		{31, 2, yearField, 1000}, {31, 3, yearField, 100}, {31, 4, yearField, 10}, {31, 5, yearField, 1},
	}
	for _, p := range places {
		for _, bit := range []int{1, 2, 4, 8} {
			nibbles := [10]int{6, 0, 0, 0, 0, 0, 0, 0, 3, 5}
			if p.second == 31 {
				nibbles = [10]int{}
			}
			nibbles[p.nibble] = bit
			heard(nibbles, p.second == 31)
			var d digits
			f.content(keep, p.second, &d)
			want := d.of(p.field, bit*p.unit)
			for other := range 10 {
				if other != bit && d.of(p.field, other*p.unit) > want-5 {
					t.Errorf("second %d, nibble %d: %d is heard as %d", p.second, p.nibble, bit, other)
				}
			}
		}
	}
	// Frame B: sign and leap second with their parity, DUT1, TAI-UTC, summer time.
	for _, tt := range []struct {
		nibbles              [10]int
		tenths, tai, pattern int
		leap                 Leap
	}{
		{[10]int{0, 1}, 1, 0, 0, NoLeap}, {[10]int{0, 2}, 2, 0, 0, NoLeap}, {[10]int{0, 4}, 4, 0, 0, NoLeap}, {[10]int{9, 8}, -8, 0, 0, NoLeap},
		{[10]int{10}, 0, 0, 0, InsertSecond}, {[10]int{12}, 0, 0, 0, DeleteSecond},
		{[10]int{6: 1}, 0, 10, 0, NoLeap}, {[10]int{6: 2}, 0, 20, 0, NoLeap}, {[10]int{6: 4}, 0, 40, 0, NoLeap}, {[10]int{6: 8}, 0, 80, 0, NoLeap},
		{[10]int{7: 1}, 0, 1, 0, NoLeap}, {[10]int{7: 2}, 0, 2, 0, NoLeap}, {[10]int{7: 4}, 0, 4, 0, NoLeap}, {[10]int{7: 8}, 0, 8, 0, NoLeap},
		{[10]int{8: 1}, 0, 0, 10, NoLeap}, {[10]int{8: 2}, 0, 0, 20, NoLeap}, {[10]int{8: 4}, 0, 0, 40, NoLeap}, {[10]int{8: 8}, 0, 0, 80, NoLeap},
		{[10]int{9: 1}, 0, 0, 1, NoLeap}, {[10]int{9: 2}, 0, 0, 2, NoLeap}, {[10]int{9: 4}, 0, 0, 4, NoLeap}, {[10]int{9: 8}, 0, 0, 8, NoLeap},
	} {
		heard(tt.nibbles, true)
		var n notices
		f.leap(keep, 31, &n.leap)
		f.notices(keep, 31, &n)
		tenths, _ := likeliest(n.dut1Code[:])
		tai, _ := likeliest(n.tai[:])
		pattern, _ := likeliest(n.pattern[:])
		leap, _ := likeliest(n.leap[:])
		if tenths-dut1Limit != tt.tenths || tai != tt.tai || pattern != tt.pattern || Leap(leap) != tt.leap {
			t.Errorf("%v: DUT1 %d tenths, TAI-UTC %d, pattern %d, leap %v; want %+v", tt.nibbles, tenths-dut1Limit, tai, pattern, Leap(leap), tt)
		}
	}
}

// Marks and code that tell different values of DUT1 leave it unknown.
func TestDUT1OfMarksAndCodeMustAgree(t *testing.T) {
	for _, tt := range []struct {
		marks, code int // tenths
		known       bool
	}{{3, 3, true}, {-2, -2, true}, {3, -3, false}, {2, 3, false}} {
		d := New(builtin("wwv"))
		d.found.labelErr = 0
		d.found.notices.dut1Marks[tt.marks+dut1Limit] = 20
		d.found.notices.dut1Code[tt.code+dut1Limit] = 20
		r := d.read()
		if r.DUT1.Known() != tt.known || tt.known && math.Abs(r.DUT1.Value-float64(tt.code)/10) > 1e-9 {
			t.Errorf("marks %d, code %d tenths: %+v", tt.marks, tt.code, r.DUT1)
		}
	}
}
