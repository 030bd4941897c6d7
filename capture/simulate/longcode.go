package simulate

import (
	"math"
	"strings"
	"time"
)

// LongCode writes what a long-wave station sends in the minute that begins at a
// UTC time: one symbol a second, and one more when a leap second ends it, of the codes of
// which InsertsLeap says how that is sent. Layouts: the operators' and Wikipedia's pages
// that the table of stations names. Announced is of a leap second.
//
//	dcf77      0, 1, - (no mark); als162 likewise
//	wwvb, jjy  0, 1, M (marker), c (call sign)
//	msf        0, B, A, C for the bits 00, 01, 10, 11; M (minute)
//	bpc        0 to 3, - (no mark)
func LongCode(kind string, minute time.Time, dut1 float64, announced, inserted bool) string {
	code := longCode(kind, minute, dut1, announced)
	if !inserted {
		return code
	}
	at := leapForms[kind]
	return code[:at.second] + string(at.symbol) + code[at.second:]
}

// leapForms are the second before whose mark the additional one is sent, and as what.
var leapForms = map[string]struct {
	second int
	symbol byte
}{
	"dcf77": {59, '0'}, // second 59 has a mark, 60 none (Wikipedia's article)
	"msf":   {17, '0'}, // between seconds 16 and 17 (from memory of NPL's document)
	"wwvb":  {60, 'M'}, // three markers, in 59, 60 and 0 (Wikipedia's article)
	"jjy":   {59, '0'}, // P0 comes in second 60 (Wikipedia's article)
}

// InsertsLeap reports whether it is known how a code sends a leap second.
func InsertsLeap(kind string) bool { return kind == "" || leapForms[kind].second > 0 }

func longCode(kind string, minute time.Time, dut1 float64, leap bool) string {
	switch kind {
	case "dcf77":
		return dcf77Minute(minute, leap)
	case "als162":
		return als162Minute(minute, leap)
	case "msf":
		return msfMinute(minute, dut1)
	case "wwvb":
		return wwvbMinute(minute, dut1, leap)
	case "jjy":
		return jjyMinute(minute, leap)
	case "bpc":
		return bpcMinute(minute)
	}
	return strings.Repeat("0", 60)
}

// slate is a minute being written.
type slate []byte

// bcd writes value into consecutive seconds from at on, a second for each weight.
func (s slate) bcd(at, value int, weights ...int) {
	for i, w := range weights {
		s[at+i] = '0'
		digit := value
		for scale := w; scale >= 10; scale /= 10 {
			digit /= 10
		}
		for w >= 10 {
			w /= 10
		}
		if digit%10&w != 0 {
			s[at+i] = '1'
		}
	}
}

// ones counts the ones in seconds from ≤ i < to.
func (s slate) ones(from, to int) (n int) {
	for _, b := range s[from:to] {
		if b == '1' {
			n++
		}
	}
	return n
}

func bit(b bool) byte {
	if b {
		return '1'
	}
	return '0'
}

// lastSunday is the last Sunday of a month of 31 days, at 01:00 UTC.
func lastSunday(year int, month time.Month) time.Time {
	t := time.Date(year, month, 31, 1, 0, 0, 0, time.UTC)
	return t.AddDate(0, 0, -int(t.Weekday()))
}

// euSummer reports whether summer time holds in Europe (Directive 2000/84/EC).
func euSummer(t time.Time) bool {
	return !t.Before(lastSunday(t.Year(), time.March)) && t.Before(lastSunday(t.Year(), time.October))
}

// usSummer reports whether summer time holds on a day in the United States
// (Energy Policy Act of 2005): between the second Sunday of March and the first
// of November.
func usSummer(day time.Time) bool {
	first := func(month time.Month) time.Time {
		t := time.Date(day.Year(), month, 1, 0, 0, 0, 0, time.UTC)
		return t.AddDate(0, 0, (7-int(t.Weekday()))%7)
	}
	return day.After(first(time.March).AddDate(0, 0, 7)) && !day.After(first(time.November))
}

func dcf77Minute(minute time.Time, leap bool) string {
	s := slate(strings.Repeat("0", 60))
	utc := minute.Add(time.Minute)
	summer := euSummer(utc)
	t := utc.Add(time.Hour)
	if summer {
		t = t.Add(time.Hour)
	}
	s[16] = bit(euSummer(minute) != euSummer(minute.Add(time.Hour)))
	s[17], s[18] = bit(summer), bit(!summer)
	s[19] = bit(leap)
	s[20] = '1'
	s.bcd(21, t.Minute(), 1, 2, 4, 8, 10, 20, 40)
	s[28] = bit(s.ones(21, 28)%2 == 1)
	s.bcd(29, t.Hour(), 1, 2, 4, 8, 10, 20)
	s[35] = bit(s.ones(29, 35)%2 == 1)
	s.bcd(36, t.Day(), 1, 2, 4, 8, 10, 20)
	s.bcd(42, (int(t.Weekday())+6)%7+1, 1, 2, 4)
	s.bcd(45, int(t.Month()), 1, 2, 4, 8, 10)
	s.bcd(50, t.Year()%100, 1, 2, 4, 8, 10, 20, 40, 80)
	s[58] = bit(s.ones(36, 58)%2 == 1)
	s[59] = '-'
	return string(s)
}

// als162Minute has DCF77's fields in its own frame: the leap second in bit 1 instead of 19,
// and in bits 3 to 6 the number of ones in bits 21 to 58, in twos (from memory).
func als162Minute(minute time.Time, leap bool) string {
	s := slate(dcf77Minute(minute, false))
	s[1] = bit(leap)
	ones := s.ones(21, 59) / 2
	for i := range 4 {
		s[3+i] = bit(ones>>i&1 == 1)
	}
	return string(s)
}

func msfMinute(minute time.Time, dut1 float64) string {
	a, b := slate(strings.Repeat("0", 60)), slate(strings.Repeat("0", 60))
	utc := minute.Add(time.Minute)
	t := utc
	if euSummer(utc) {
		t = t.Add(time.Hour)
	}
	tenths := int(math.Round(dut1 * 10))
	for i := range max(tenths, -tenths) {
		if tenths > 0 {
			b[1+i] = '1'
		} else {
			b[9+i] = '1'
		}
	}
	a.bcd(17, t.Year()%100, 80, 40, 20, 10, 8, 4, 2, 1)
	a.bcd(25, int(t.Month()), 10, 8, 4, 2, 1)
	a.bcd(30, t.Day(), 20, 10, 8, 4, 2, 1)
	a.bcd(36, int(t.Weekday()), 4, 2, 1)
	a.bcd(39, t.Hour(), 20, 10, 8, 4, 2, 1)
	a.bcd(45, t.Minute(), 40, 20, 10, 8, 4, 2, 1)
	copy(a[52:], "01111110")
	b[53] = bit(euSummer(minute) != euSummer(minute.Add(61*time.Minute)))
	b[54] = bit(a.ones(17, 25)%2 == 0)
	b[55] = bit(a.ones(25, 36)%2 == 0)
	b[56] = bit(a.ones(36, 39)%2 == 0)
	b[57] = bit(a.ones(39, 52)%2 == 0)
	b[58] = bit(euSummer(utc))
	out := slate(strings.Repeat("M", 60))
	for i := 1; i < 60; i++ {
		out[i] = "0BAC"[2*(a[i]-'0')+b[i]-'0']
	}
	return string(out)
}

// markers are the seconds that WWVB and JJY mark.
var longMarkers = [...]int{0, 9, 19, 29, 39, 49, 59}

func wwvbMinute(t time.Time, dut1 float64, leap bool) string {
	s := slate(strings.Repeat("0", 60))
	s.bcd(1, t.Minute(), 40, 20, 10)
	s.bcd(5, t.Minute(), 8, 4, 2, 1)
	s.bcd(12, t.Hour(), 20, 10)
	s.bcd(15, t.Hour(), 8, 4, 2, 1)
	s.bcd(22, t.YearDay(), 200, 100)
	s.bcd(25, t.YearDay(), 80, 40, 20, 10)
	s.bcd(30, t.YearDay(), 8, 4, 2, 1)
	tenths := int(math.Round(dut1 * 10))
	copy(s[36:], "101")
	if tenths < 0 {
		copy(s[36:], "010")
	}
	s.bcd(40, max(tenths, -tenths), 8, 4, 2, 1)
	s.bcd(45, t.Year()%100, 80, 40, 20, 10)
	s.bcd(50, t.Year()%100, 8, 4, 2, 1)
	s[55] = bit(time.Date(t.Year(), 12, 31, 0, 0, 0, 0, time.UTC).YearDay() == 366)
	s[56] = bit(leap)
	day := t.Truncate(24 * time.Hour)
	s[57], s[58] = bit(usSummer(day.AddDate(0, 0, 1))), bit(usSummer(day))
	for _, m := range longMarkers {
		s[m] = 'M'
	}
	return string(s)
}

func jjyMinute(utc time.Time, leap bool) string {
	t := utc.Add(9 * time.Hour)
	s := slate(strings.Repeat("0", 60))
	s.bcd(1, t.Minute(), 40, 20, 10)
	s.bcd(5, t.Minute(), 8, 4, 2, 1)
	s.bcd(12, t.Hour(), 20, 10)
	s.bcd(15, t.Hour(), 8, 4, 2, 1)
	s.bcd(22, t.YearDay(), 200, 100)
	s.bcd(25, t.YearDay(), 80, 40, 20, 10)
	s.bcd(30, t.YearDay(), 8, 4, 2, 1)
	s[36] = bit(s.ones(12, 19)%2 == 1)
	s[37] = bit(s.ones(1, 9)%2 == 1)
	if m := t.Minute(); m == 15 || m == 45 {
		for i := 40; i <= 48; i++ {
			s[i] = 'c'
		}
	} else {
		s.bcd(41, t.Year()%100, 80, 40, 20, 10, 8, 4, 2, 1)
		s.bcd(50, int(t.Weekday()), 4, 2, 1)
		s[53], s[54] = bit(leap), bit(leap)
	}
	for _, m := range longMarkers {
		s[m] = 'M'
	}
	return string(s)
}

func bpcMinute(utc time.Time) string {
	var out []byte
	for block := range 3 {
		t := utc.Add(8 * time.Hour)
		s := slate(strings.Repeat("0", 40)) // two bits a second
		binary := func(at, value, bits int) {
			for i := range bits {
				s[at+i] = bit(value>>(bits-1-i)&1 == 1)
			}
		}
		weekday := (int(t.Weekday())+6)%7 + 1
		binary(2, block, 2)
		binary(6, t.Hour()%12, 4)
		binary(10, t.Minute(), 6)
		binary(17, weekday, 3)
		s[20] = bit(t.Hour() >= 12)
		s[21] = bit(s.ones(2, 20)%2 == 1)
		binary(23, t.Day(), 5)
		binary(28, int(t.Month()), 4)
		binary(32, t.Year()%100&63, 6)
		s[38] = bit(t.Year()%100&64 != 0)
		s[39] = bit(s.ones(22, 38)%2 == 1)
		out = append(out, '-')
		for i := 2; i < 40; i += 2 {
			out = append(out, '0'+2*(s[i]-'0')+s[i+1]-'0')
		}
	}
	return string(out)
}

// longMark is when, seconds after the second, the carrier changes to its keyed
// level and back, in turn, for a symbol of longCode.
func longMark(kind string, symbol byte) []float64 {
	switch kind + string(symbol) {
	case "dcf770", "msf0", "bpc0":
		return []float64{0, 0.1}
	case "dcf771", "msfA", "bpc1", "wwvb0", "jjyM":
		return []float64{0, 0.2}
	case "msfB":
		return []float64{0, 0.1, 0.2, 0.3}
	case "msfC", "bpc2":
		return []float64{0, 0.3}
	case "bpc3":
		return []float64{0, 0.4}
	case "msfM", "wwvb1", "jjy1":
		return []float64{0, 0.5}
	case "wwvbM", "jjy0":
		return []float64{0, 0.8}
	}
	return nil
}

// callSign is the Morse of JJY, sent twice over seconds 40 to 48: at which tenths
// of a second the carrier goes up and down, in turn. A dot lasts 0.1 s, an estimate.
var callSign = func() []float64 {
	var at []float64
	t := 0.0
	for range 2 {
		for _, letter := range []string{".---", ".---", "-.--"} {
			for _, element := range letter {
				length := 0.1
				if element == '-' {
					length = 0.3
				}
				at = append(at, t, t+length)
				t += length + 0.1
			}
			t += 0.2
		}
		t += 0.4
	}
	return at
}()

// dcf77Chips are DCF77's 512 chips, true for a one: a register of nine stages
// with feedback from the fifth and the ninth, and a zero before it runs round.
var dcf77Chips = func() (chips [512]bool) {
	register := 0
	for i := range chips {
		chips[i] = register&1 == 1
		register >>= 1
		if chips[i] || register == 0 {
			register ^= 0x110
		}
	}
	return chips
}()

// WWVBPhase is WWVB's phase code of the minute that begins at t: a one in each
// second whose carrier is inverted (Lowe 2012). Summer time and leap second are
// sent as the codewords that are known, and the next change as the example's.
func WWVBPhase(t time.Time) [60]bool {
	var s [60]bool
	if m := t.Minute() % 30; m >= 10 && m < 16 {
		for i := range s {
			s[i] = wwvbLong(60*(m-10)+i, t.Hour()*2+t.Minute()/30)
		}
		return s
	}
	set := func(at []int, value, bits int) {
		for i, p := range at {
			s[p] = value>>(bits-1-i)&1 == 1
		}
	}
	span := func(from, to int) (p []int) {
		for i := from; i <= to; i++ {
			p = append(p, i)
		}
		return p
	}
	n := int(t.Sub(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)) / time.Minute)
	set(span(0, 12), 0b0011101101000, 13)
	parity := 0
	for i, bits := range [][]int{
		{23, 21, 20, 17, 16, 15, 14, 13, 9, 8, 6, 5, 4, 2, 0},
		{24, 22, 21, 18, 17, 16, 15, 14, 10, 9, 7, 6, 5, 3, 1},
		{25, 23, 22, 19, 18, 17, 16, 15, 11, 10, 8, 7, 6, 4, 2},
		{24, 21, 19, 18, 15, 14, 13, 12, 11, 7, 6, 4, 3, 2, 0},
		{25, 22, 20, 19, 16, 15, 14, 13, 12, 8, 7, 5, 4, 3, 1},
	} {
		for _, b := range bits {
			parity ^= n >> b & 1 << i
		}
	}
	set(span(13, 17), parity, 5)
	place := append(append(append([]int{18}, span(20, 28)...), span(30, 38)...), span(40, 46)...)
	set(place, n, 26)
	s[19] = n&1 == 1
	s[39] = true
	state := 0b01000
	if usSummer(t.Truncate(24 * time.Hour)) {
		state = 0b00011
	}
	set([]int{47, 48, 50, 51, 52}, state, 5)
	s[49] = true
	set(span(53, 58), 0b011011, 6)
	return s
}

// wwvbLong is a second of the frame that WWVB sends instead in minutes 10 to 15 and 40
// to 45: a sequence of greatest length, turned round by the half hour of the day, 106
// fixed bits, and the same backwards. From memory; the register and the fixed bits are
// ours.
func wwvbLong(second, halfHour int) bool {
	switch {
	case second < 127:
		return wwvbRegister[(second+halfHour)%127]
	case second < 127+106:
		return second%3 == 0
	}
	return wwvbRegister[(359-second+halfHour)%127]
}

var wwvbRegister = func() (all [127]bool) {
	register := 1
	for i := range all {
		all[i] = register&1 == 1
		register = register>>1 | (register^register>>1)&1<<6
	}
	return all
}()
