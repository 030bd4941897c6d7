package pulsecode

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// minutesOf turns strings of symbols, as the operators' tables write them, into what
// the decoder is given: of a bit string and a second one, of pairs.
func feed(d *Decoder, n int64, symbols string, sigma float64, r *rand.Rand) int64 {
	for i := range symbols {
		want := -1
		switch c := symbols[i]; {
		case c >= '0' && c <= '3':
			want = int(c - '0')
		case c == 'M':
			want = 1 << d.bits
		case c == '-':
			want = 1<<d.bits + 1
		}
		log := make([]float64, len(d.symbols))
		for s := range log {
			// A mark is told by an amplitude of 1 in noise; c, the call sign, by none.
			x := sigma * r.NormFloat64()
			if s == want {
				x++
			}
			log[s] = x / (sigma * sigma)
		}
		d.Add(n, log)
		n++
	}
	return n
}

func msf(a, b string) string {
	out := []byte(a)
	for i := 1; i < len(a); i++ {
		out[i] = '0' + 2*(a[i]-'0') + b[i] - '0'
	}
	out[0] = 'M'
	return string(out)
}

// Minutes as published, or made by hand from the published tables, each with a second
// one made from it by changing the bits of its minute.
func TestPublishedMinutes(t *testing.T) {
	for _, tt := range []struct {
		kind, from string
		minutes    []string
		start      string // UTC of the first minute's start
		dut1       float64
		leap       bool
	}{
		{"wwvb", "Lowe 2012 (draft of WWVB's enhanced format), and Wikipedia's table of WWVB's code", []string{
			"M01100000M000100111M000101000M011000101M010000001M001001011M",
			"M01100001M000100111M000101000M011000101M010000001M001001011M",
			"M01100010M000100111M000101000M011000101M010000001M001001011M"}, "2012-07-04T17:30:00Z", 0.4, false},
		{"wwvb", "Wikipedia's example of WWVB's code", []string{
			"M01100000M000000111M000000110M011000010M001100000M100001000M",
			"M01100001M000000111M000000110M011000010M001100000M100001000M",
			"M01100010M000000111M000000110M011000010M001100000M100001000M"}, "2008-03-06T07:30:00Z", -0.3, false},
		{"jjy", "NICT's example of 2016: a minute with the call sign, and the next", []string{
			"M00100101M000100111M000100110M001000010McccccccccM000000000M",
			"M00100110M000100111M000100110M001000010M000010110M101000000M",
			"M00100111M000100111M000100110M001000000M000010110M101000000M"}, "2016-06-10T08:15:00Z", 0, false},
		{"jjy", "NICT's example of 2004, by its meaning", []string{
			"M01000101M000100111M000001001M001000010M000000100M100000000M",
			"M01000110M000100111M000001001M001000010M000000100M100000000M",
			"M01000111M000100111M000001001M001000000M000000100M100000000M"}, "2004-04-01T08:25:00Z", 0, false},
		{"dcf77", "by hand from the table", []string{
			"00000000000000000100100101101010010011100010011100110000001-",
			"00000000000000000100110101100010010011100010011100110000001-"}, "2003-07-07T10:33:00Z", 0, false},
		{"als162", "DCF77's by hand from the table, but for the first bits", []string{
			"00000010000000000100100101101010010011100010011100110000001-",
			"00000010000000000100110101100010010011100010011100110000001-"}, "2003-07-07T10:33:00Z", 0, false},
		{"msf", "by hand from the table", []string{
			msf("m00000000000000000000011100100000001000010010011010101111110", "m00000000100000000000000000000000000000000000000000000011110"),
			msf("m00000000000000000000011100100000001000010010011011001111110", "m00000000100000000000000000000000000000000000000000000011110"),
			msf("m00000000000000000000011100100000001000010010011011101111110", "m00000000100000000000000000000000000000000000000000000001110")}, "2007-04-01T11:34:00Z", -0.1, false},
		{"bpc", "by hand from the table", []string{
			"-0021022023021030101-1021022023021030101-2021022023021030101",
			"-0021023023021030101-1021023023021030101-2021023023021030101"}, "2004-03-09T13:10:00Z", 0, false},
	} {
		start, err := time.Parse(time.RFC3339, tt.start)
		if err != nil {
			t.Fatal(err)
		}
		d := New(tt.kind)
		r := rand.New(rand.NewPCG(1, 2))
		n := feed(d, 7, tt.minutes[0][13:], 0.2, r) // begun in mid-minute
		for _, m := range tt.minutes[1:] {
			n = feed(d, n, m, 0.2, r)
		}
		got := d.Reading()
		want := start.Add(time.Duration(60*len(tt.minutes)-1) * time.Second)
		if got.UTCError > MaxError || !got.UTC.Equal(want) || got.Second != 59 {
			t.Errorf("%s (%s): %v, second %d, errors %.1g %.1g; want %v", tt.kind, tt.from, got.UTC, got.Second, got.SecondError, got.UTCError, want)
		}
		if tt.dut1 != 0 && (got.DUT1Error > MaxError || math.Abs(got.DUT1-tt.dut1) > 0.01) {
			t.Errorf("%s: DUT1 %g, error %.1g, want %g", tt.kind, got.DUT1, got.DUT1Error, tt.dut1)
		}
		if at, _ := got.At(7); !at.Equal(start.Add(13 * time.Second)) {
			t.Errorf("%s: the first second is %v", tt.kind, at)
		}
	}
}

// The leap second at the end of 2016: DCF77's minute by hand from the table, with a
// mark in second 59 and none in second 60 (Wikipedia's article on DCF77).
func TestLeapSecond(t *testing.T) {
	const leap = "00000000000000000011100000000100000110000011110000111010001" + "0-"
	d := New("dcf77")
	r := rand.New(rand.NewPCG(3, 4))
	n := int64(1)
	for _, minute := range []string{dcf77At(t, 0, 58, 1), dcf77At(t, 0, 59, 1), leap, dcf77At(t, 1, 1, 0), dcf77At(t, 1, 2, 0)} {
		n = feed(d, n, minute, 0.2, r)
	}
	got := d.Reading()
	if want := time.Date(2017, 1, 1, 0, 1, 59, 0, time.UTC); got.UTCError > MaxError || !got.UTC.Equal(want) {
		t.Errorf("DCF77: %v, error %.1g, want %v", got.UTC, got.UTCError, want)
	}
	if utc, inserted := got.At(n - 121); !inserted {
		t.Errorf("second %d is %v and not inserted", n-121, utc)
	}
	if utc, inserted := got.At(n - 122); inserted || utc.Second() != 59 {
		t.Errorf("the second before it is %v", utc)
	}
}

// dcf77At is the minute that names a time of 1 January 2017, CET.
func dcf77At(t *testing.T, hour, minute, a2 int) string {
	t.Helper()
	bcd := func(v, bits int) (s string) {
		ones := 0
		for i := range bits {
			b := v % 10 >> i & 1
			if i >= 4 {
				b = v / 10 >> (i - 4) & 1
			}
			ones += b
			s += fmt.Sprint(b)
		}
		return s + fmt.Sprint(ones%2)
	}
	return "00000000000000000" + "01" + fmt.Sprint(a2) + "1" + bcd(minute, 7) + bcd(hour, 6) + "10000011110000111010001" + "-"
}

// Marks in no order, and a frame with content that changes at random, name no time.
func TestNoTimeFromDisorder(t *testing.T) {
	for kind := range layouts {
		for seed := range uint64(10) {
			r := rand.New(rand.NewPCG(seed, 9))
			d := New(kind)
			n := int64(0)
			for range 5 {
				minute := []byte(d.frame)
				for i, c := range minute {
					switch {
					case seed%2 == 0 && c != 'M' && c != '-':
						minute[i] = byte('0' + r.IntN(1<<d.bits))
					case seed%2 == 1:
						minute[i] = "0011M-"[r.IntN(6)]
					}
				}
				n = feed(d, n, string(minute), 0.3, r)
			}
			if got := d.Reading(); got.UTCError <= MaxError {
				t.Fatalf("%s, seed %d: named %v, error %.1g", kind, seed, got.UTC, got.UTCError)
			}
		}
	}
}

// The phase of WWVB's minute of 4 July 2012, 17:30 UTC (Lowe 2012), and of the next one,
// of which the count of minutes is greater by one: its last bit, that bit's copy and two
// parities are the others. Before them goes a minute of something else.
func TestPhaseAsPublished(t *testing.T) {
	const published = "001110110100010010000011001000011000110100110100010110110110"
	next := []byte(published)
	for _, i := range []int{14, 17, 19, 46} {
		next[i] ^= 1
	}
	const other = "110100011101011010011101000101111000101100111110001101110101"
	minutes := other + published + string(next)
	noMarks := make([]float64, len(layouts["wwvb"].symbols))
	feed := func(sigma float64) *Decoder {
		d, r := New("wwvb"), rand.New(rand.NewPCG(5, 6))
		for i := range minutes {
			d.Add(int64(i), noMarks)
			if i > 0 {
				x := -1.0
				if minutes[i] != minutes[i-1] {
					x = 1
				}
				d.AddTurn(int64(i), 2*(x+sigma*r.NormFloat64())/(sigma*sigma))
			}
		}
		return d
	}
	for _, sigma := range []float64{0.1, 0.3} {
		start, wrong := feed(sigma).phased(labelling{})
		if want := time.Date(2012, 7, 4, 17, 31, 0, 0, time.UTC); !start.Equal(want) || wrong > MaxError {
			t.Errorf("noise %g: %v, error %.1g, want %v", sigma, start, wrong, want)
		}
	}
	// In much noise nothing is told, and nothing of another second's phase.
	if start, wrong := feed(3).phased(labelling{}); wrong < plausible {
		t.Errorf("in noise %v, error %.1g", start, wrong)
	}
	if start, wrong := feed(0.1).phased(labelling{shift: 1}); wrong < plausible {
		t.Errorf("a second late %v, error %.1g", start, wrong)
	}
}

// Two codes that agree are surer than either; of two that differ the plausible one is
// taken, and of two plausible ones none.
func TestBothCodes(t *testing.T) {
	a, b := time.Unix(1e9, 0).UTC(), time.Unix(1e9+60, 0).UTC()
	for _, tt := range []struct {
		marks, phase time.Time
		wrong        [2]float64
		utc          time.Time
		want         float64
	}{
		{a, a, [2]float64{1e-4, 1e-3}, a, 1e-7}, {a, b, [2]float64{0.5, 1e-7}, b, 1e-7}, {a, b, [2]float64{1e-9, 1e-3}, a, 1},
	} {
		r := Reading{UTC: tt.marks, UTCError: tt.wrong[0]}
		r.bothSay(tt.phase, tt.wrong[1])
		if !r.UTC.Equal(tt.utc) || math.Abs(r.UTCError-tt.want) > 1e-3*tt.want {
			t.Errorf("%v and %v: %v, error %.2g, want %v, %.2g", tt.marks, tt.phase, r.UTC, r.UTCError, tt.utc, tt.want)
		}
	}
}

// Of n seconds of one mark, among three kinds, the predictions' product is
// Γ(n+½)·Γ(3/2)/(Γ(½)·Γ(n+3/2)) = 1/(2n+1) by Jeffreys' prior; a second that is nothing of
// the station's counts e^-12.
func TestSharesAreLearnt(t *testing.T) {
	d := New("dcf77")
	const n, sure = 40, 60
	for i := range int64(n) {
		d.Add(i, []float64{5, 5 - sure, 5 - sure, 5 - sure})
	}
	if got, want := d.Log(), 5*n-math.Log(2*n+1); math.Abs(got-want) > 0.03 {
		t.Errorf("%.3f, want %.3f", got, want)
	}
	before := d.Log()
	d.Add(n, []float64{-90, -90, -90, -90})
	if got := d.Log() - before; math.Abs(got+12) > 1e-3 {
		t.Errorf("a second of another kind counts %.2f", got)
	}
}
