package simulate

import (
	"math"
	"time"
)

// The time code of 100 Hz pulses, one element a second, as NIST Special
// Publication 432 (2002) draws it; the places of the bits from memory.

// element is what a second of the code says.
type element byte

const (
	zero     element = iota // 170 ms, also where nothing is coded
	one                     // 470 ms
	position                // 770 ms: identifiers at seconds 9, 19 … 59
	hole                    // second 0: no pulse
)

// Each pulse begins 30 ms late, so that these are its ends within the second.
var elementEnds = [...]float64{zero: 0.2, one: 0.5, position: 0.8}

const bcdStart = 0.03

type bcdFrame [60]element

// encodeBCD returns the frame of the minute that begins at t.
func encodeBCD(t time.Time, dut1 float64, leapPending bool) bcdFrame {
	t = t.UTC()
	var f bcdFrame
	put := func(value int, weights map[int]int) {
		// Digits are binary coded decimals, so that tens and units may be
		// filled each from its greatest weight down.
		for _, digit := range []int{100, 10, 1} {
			rest := value / digit % 10
			for _, w := range []int{8, 4, 2, 1} {
				if s, ok := weights[w*digit]; ok && rest >= w {
					f[s] = one
					rest -= w
				}
			}
		}
	}
	put(t.Year()%100, map[int]int{1: 4, 2: 5, 4: 6, 8: 7, 10: 51, 20: 52, 40: 53, 80: 54})
	put(t.Minute(), map[int]int{1: 10, 2: 11, 4: 12, 8: 13, 10: 15, 20: 16, 40: 17})
	put(t.Hour(), map[int]int{1: 20, 2: 21, 4: 22, 8: 23, 10: 25, 20: 26})
	put(t.YearDay(), map[int]int{1: 30, 2: 31, 4: 32, 8: 33, 10: 35, 20: 36, 40: 37, 80: 38, 100: 40, 200: 41})
	tenths := int(math.Round(dut1 * 10))
	if tenths >= 0 {
		f[50] = one
	}
	put(min(7, max(tenths, -tenths)), map[int]int{1: 56, 2: 57, 4: 58})
	if leapPending {
		f[3] = one
	}
	// Daylight time: one bit turns at 00:00 UTC on the day of the change, the
	// other a day later.
	if usDaylightDay(t) {
		f[55] = one
	}
	if usDaylightDay(t.AddDate(0, 0, -1)) {
		f[2] = one
	}
	for s := 9; s < 60; s += 10 {
		f[s] = position
	}
	f[0] = hole
	return f
}

// usDaylightDay reports whether the UTC day of t is, from its start, marked as
// daylight time in the USA: from the second Sunday of March to the day before
// the first Sunday of November (rule since 2007, from memory).
func usDaylightDay(t time.Time) bool {
	sunday := func(month time.Month, n int) int {
		first := time.Date(t.Year(), month, 1, 0, 0, 0, 0, time.UTC)
		return first.YearDay() + (7-int(first.Weekday()))%7 + 7*(n-1)
	}
	day := t.YearDay()
	return sunday(time.March, 2) <= day && day < sunday(time.November, 1)
}

// bcdSecond adds the code's second sec to m.
func (mod *modulator) bcdSecond(m []float64, sec int64) {
	t, second := mod.leap.label(sec)
	if second == 60 {
		return // nobody publishes what is sent in it
	}
	if minute := t.Unix() / 60; minute != mod.bcdMinute {
		mod.bcdMinute = minute
		mod.bcd = encodeBCD(time.Unix(minute*60, 0), mod.dut1, mod.leap.announced(sec))
	}
	e := mod.bcd[second]
	if e == hole {
		return
	}
	code := mod.station.Code
	begin, drop, end := bcdStart*gridRate, elementEnds[e]*gridRate, (1-mod.station.QuietBeforeSeconds)*gridRate
	s, c := 0.0, 1.0
	ds, dc := math.Sincos(2 * math.Pi * code.ToneHz / gridRate)
	for i := range m {
		t := float64(i)
		level := code.Depth*(mod.edge.at(t-begin)-mod.edge.at(t-drop)) + code.LowDepth*(mod.edge.at(t-drop)-mod.edge.at(t-end))
		m[i] += level * s
		s, c = s*dc+c*ds, c*dc-s*ds
	}
}
