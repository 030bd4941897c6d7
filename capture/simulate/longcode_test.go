package simulate

import (
	"strings"
	"testing"
	"time"
)

// Minutes as published, and as made by hand from the published tables.
func TestLongWaveMinutes(t *testing.T) {
	msf := func(a, b string) string {
		out := []byte(a)
		for i := 1; i < 60; i++ {
			out[i] = "0BAC"[2*(a[i]-'0')+b[i]-'0']
		}
		out[0] = 'M'
		return string(out)
	}
	for _, tt := range []struct {
		kind string
		at   string
		dut1 float64
		leap bool
		want string // x: not compared
		from string
	}{
		{"wwvb", "2012-07-04T17:30:00Z", 0.4, false, "M01100000M000100111M000101000M011000101M010000001M001001011M", "Lowe 2012, and Wikipedia's table of WWVB's code"},
		{"wwvb", "2008-03-06T07:30:00Z", -0.3, false, "M01100000M000000111M000000110M011000010M001100000M100001000M", "Wikipedia's example of WWVB's code"},
		{"jjy", "2016-06-10T08:15:00Z", 0, false, "M00100101M000100111M000100110M001000010McccccccccM000000000M", "NICT's example, a minute with the call sign"},
		{"jjy", "2004-04-01T08:25:00Z", 0, false, "M01000101M000100111M000001001M001000010M000000100M100000000M", "NICT's example of 2004, by its meaning"},
		{"dcf77", "2003-07-07T10:33:00Z", 0, false, "00000000000000000100100101101010010011100010011100110000001-", "by hand from the table"},
		{"als162", "2016-12-31T23:59:00Z", 0, true, "01" + strings.Repeat("x", 58), "from memory"},
		{"dcf77", "2003-07-15T00:00:00Z", 0, false, strings.Repeat("x", 45) + "1110011000xxxxx", "PTB's figure of July 2003, marks 45 to 54"},
		{"dcf77", "2016-12-31T23:59:00Z", 0, true, "00000000000000000011100000000100000110000011110000111010001-", "by hand from the table, but for the leap second itself"},
		{"als162", "2003-07-07T10:33:00Z", 0, false, "00000010000000000100100101101010010011100010011100110000001-", "by hand: DCF77's, with 16 ones in bits 21 to 58"},
		{"msf", "2007-04-01T11:34:00Z", -0.1, false, msf("m00000000000000000000011100100000001000010010011010101111110", "m00000000100000000000000000000000000000000000000000000011110"), "by hand from the table"},
		{"bpc", "2004-03-09T13:10:00Z", 0, false, "-0021022023021030101" + strings.Repeat("x", 40), "by hand from the table"},
	} {
		at, err := time.Parse(time.RFC3339, tt.at)
		if err != nil {
			t.Fatal(err)
		}
		got := LongCode(tt.kind, at, tt.dut1, tt.leap, false)
		if len(got) != 60 {
			t.Fatalf("%s: %d seconds", tt.kind, len(got))
		}
		for i := range got {
			if tt.want[i] != 'x' && got[i] != tt.want[i] {
				t.Errorf("%s %s (%s)\n got %s\nwant %s", tt.kind, tt.at, tt.from, got, tt.want)
				break
			}
		}
	}
}

// A leap second comes where each code has it, by hand from the published tables; that of
// MSF from memory. Nobody at hand says it of the others.
func TestLongWaveLeapSecond(t *testing.T) {
	last := time.Date(2016, 12, 31, 23, 59, 0, 0, time.UTC)
	for _, tt := range []struct {
		kind, from string
		second     int
		want       string // from that second on
	}{
		{"dcf77", "Wikipedia's article: a mark in second 59, none in 60", 58, "10-"},
		{"msf", "a second of noughts between 16 and 17, 2017", 15, "0000"},
		{"wwvb", "Wikipedia's article: markers in 59 and 60", 57, "00MM"},
		{"jjy", "Wikipedia's article: P0 in second 60", 57, "000M"},
	} {
		got := LongCode(tt.kind, last, 0, true, true)
		usual := LongCode(tt.kind, last, 0, true, false)
		if len(got) != 61 || !strings.HasPrefix(got[tt.second:], tt.want) {
			t.Errorf("%s (%s): %s", tt.kind, tt.from, got)
		}
		if tt.kind == "msf" && (got[:17] != usual[:17] || got[18:] != usual[17:]) {
			t.Errorf("MSF's other seconds are not as ever:\n%s\n%s", got, usual)
		}
	}
	for kind, want := range map[string]bool{"": true, "dcf77": true, "als162": false, "bpc": false} {
		if InsertsLeap(kind) != want {
			t.Errorf("%q: %v", kind, !want)
		}
	}
}

// A change of the clocks is announced from 01:00 to 01:59 CET by DCF77 and ALS162, in MSF's
// 61 minutes before it, and by WWVB on its UTC day (8 March 2026); a leap second for an
// hour or the month. The first and the last minute of each, and those beside them.
func TestLongWaveAnnouncements(t *testing.T) {
	at := func(s string) time.Time {
		v, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	ones := func(kind, code string, second int) bool {
		if kind == "msf" {
			return code[second] == 'B' || code[second] == 'C'
		}
		return code[second] == '1'
	}
	leap := leapSecond{true, at("2017-01-01T00:00:00Z")}
	for _, tt := range []struct {
		kind, first, last string
		second            int
	}{
		{"dcf77", "2026-03-29T00:00:00Z", "2026-03-29T00:59:00Z", 16}, {"als162", "2026-10-25T00:00:00Z", "2026-10-25T00:59:00Z", 16},
		{"msf", "2026-10-24T23:59:00Z", "2026-10-25T00:59:00Z", 53}, {"wwvb", "2026-03-08T00:00:00Z", "2026-12-31T23:59:00Z", 57},
		{"dcf77", "2016-12-31T23:00:00Z", "2016-12-31T23:59:00Z", 19}, {"als162", "2016-12-31T23:00:00Z", "2016-12-31T23:59:00Z", 1},
		{"wwvb", "2016-12-01T00:00:00Z", "2016-12-31T23:59:00Z", 56}, {"jjy", "2016-12-01T00:00:00Z", "2016-12-31T23:59:00Z", 53},
	} {
		for i, when := range []time.Time{at(tt.first).Add(-time.Minute), at(tt.first), at(tt.last), at(tt.last).Add(time.Minute)} {
			sec := when.Unix()
			if !when.Before(leap.at) {
				sec++
			}
			start, announced, _ := leap.minute(tt.kind, sec)
			if !start.Equal(when) {
				t.Fatalf("second %d is in %v, want %v", sec, start, when)
			}
			want := i == 1 || i == 2
			if tt.second == 57 && i >= 2 {
				continue // it is summer until November
			}
			if got := ones(tt.kind, LongCode(tt.kind, when, 0, announced, false), tt.second); got != want {
				t.Errorf("%s at %v: second %d announces %v", tt.kind, when, tt.second, got)
			}
		}
	}
}

// Lowe 2012: the frame of 4 July 2012, 17:30 UTC.
func TestWWVBPhaseAsPublished(t *testing.T) {
	const want = "001110110100010010000011001000011000110100110100010110110110"
	got := WWVBPhase(time.Date(2012, 7, 4, 17, 30, 0, 0, time.UTC))
	for i, b := range got {
		if b != (want[i] == '1') {
			t.Fatalf("second %d differs: %v", i, got)
		}
	}
}

// The first chips as Wikipedia prints them, and PTB's account of them: as
// many ones as zeros.
func TestDCF77Chips(t *testing.T) {
	const first = "00000100011000010011100101010110000"
	ones := 0
	for i, c := range dcf77Chips {
		if i < len(first) && c != (first[i] == '1') {
			t.Fatalf("chip %d differs", i)
		}
		if c {
			ones++
		}
	}
	if ones != 256 {
		t.Errorf("%d ones, want 256", ones)
	}
}
