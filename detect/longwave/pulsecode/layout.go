// Package pulsecode reads the time codes that long-wave stations send by the
// lengths of their marks. A code is a table: which marks stand for which digits,
// what each second of the minute must be, and which digits make which field or
// parity. One decoder reads them all, by likelihoods: nothing is decided from one
// second or one minute.
//
// Which station it is must be told from the same marks, and the one that has the fewest
// kinds of mark, or the freest minute, must not win for that. So each station predicts each
// second from those before it, and the product of its predictions is the probability of all
// that was heard, which may be compared with another's. A station whose minute is not known
// predicts a symbol by the share that it had so far, (count + 1/2) / (all + kinds/2) by
// Jeffreys' prior: kinds that are not sent cost half the logarithm of the seconds and no
// more. In order, of 60 orders alike, the same shares are those of the symbols that the
// minute allows there, so that what they gain is what the minute leaves out; or, as likely,
// the bits that tell the time have equal shares, and are weighed by all times of a day and
// all dates of a century, and their parities. A station is likely by the sum over all its
// orders and none, and an order by its share in that.
package pulsecode

import (
	"slices"
	"time"
)

// Symbol is one kind of mark: the times, in seconds after the second, at which the
// carrier goes to its keyed level and back, in turn.
type Symbol []float64

// layout is a code.
type layout struct {
	name string
	bits int // that a mark carries
	// symbols are the marks: of the digits 0 to 2^bits−1, the first bit of a second
	// the higher one, then others.
	symbols []Symbol
	// frame tells what each second of the minute is: a digit that is fixed, . for any
	// digit, M and - for the two symbols after the digits; of two bits, a when the
	// second is 0, b when the first is 0, and x when the first is 1.
	frame    string
	ahead    int     // minutes from the start of the minute to the time it names
	hours    float64 // its clock minus UTC; of a code with a field summer in winter
	fields   []field
	parities []parity
	// leapAt is the second whose mark is sent once more in a minute of 61 s, and
	// leapSymbol what is sent then; leapAt < 0: nobody has published that.
	leapAt     int
	leapSymbol int
	phase      *phaseCode // sent beside the marks; nil: none
	// What the fields leap, and changeSoon or summerAtStart and summerAtEnd, announce.
	leapNotice, changeNotice notice
}

// notice is how long something is announced.
type notice struct {
	// since is the latest instant up to a minute's start at which what is announced may
	// have changed.
	since   func(minute time.Time) time.Time
	minutes float64 // of each announcement
}

// DCF77 announces for an hour, and ALS162 likewise; WWVB and JJY leap seconds for the month
// that they end, and WWVB a change of the clocks all its UTC day (Wikipedia's articles, the
// hours and MSF's 61 minutes from memory).
var (
	anHour      = notice{func(t time.Time) time.Time { return t.Truncate(time.Hour) }, 60}
	aDay        = notice{func(t time.Time) time.Time { return t.Truncate(24 * time.Hour) }, minutesOfDay}
	aMonth      = notice{func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, time.UTC) }, daysOfYear / 12 * minutesOfDay}
	minutesOf61 = notice{func(t time.Time) time.Time {
		if t.Minute() == 59 {
			return t
		}
		return t.Truncate(time.Hour)
	}, 61}
)

type kind int

const (
	minute kind = iota
	hour
	halfDay // 1 after noon
	hour12
	day
	month
	year    // of the century
	weekday // Monday 1 to Sunday 7
	sunday0 // Sunday 0 to Saturday 6
	yearDay
	summer        // 1 in summer
	winter        // 1 in winter
	changeSoon    // summer time begins or ends soon
	summerAtStart // 1: it is summer time at the start of the day
	summerAtEnd   // and at its end
	leap          // a second will be inserted
	dut1Plus      // tenths, counted
	dut1Minus     // tenths, counted
	dut1Sign      // 1 for plus
	dut1          // tenths, without sign
	kinds         // so many
)

// field is a number in binary digits, from the greatest weight down, at places: second·bits,
// plus one for the second bit of a second.
type field struct {
	kind    kind
	weights []int
	at      []int
	not     []int // minutes of the hour in which something else is sent there
}

// parity is a bit that makes the ones at the places in over, itself counted, even,
// or odd.
type parity struct {
	at   int
	over []int
	odd  bool
}

// run lists the places from one to another, in steps up or down.
func run(from, to, step int) []int {
	var all []int
	for i := from; (i-to)*step <= 0; i += step {
		all = append(all, i)
	}
	return all
}

var (
	down3, down4     = []int{4, 2, 1}, []int{8, 4, 2, 1}
	from80, from40   = []int{80, 40, 20, 10, 8, 4, 2, 1}, []int{40, 20, 10, 8, 4, 2, 1}
	from20, from10   = []int{20, 10, 8, 4, 2, 1}, []int{10, 8, 4, 2, 1}
	from200          = []int{200, 100, 80, 40, 20, 10, 8, 4, 2, 1}
	binary6          = []int{32, 16, 8, 4, 2, 1}
	callSign         = []int{15, 45}
	minuteAt, hourAt = append(run(1, 3, 1), run(5, 8, 1)...), append(run(12, 13, 1), run(15, 18, 1)...)
	yearDayAt        = slices.Concat(run(22, 23, 1), run(25, 28, 1), run(30, 33, 1))
)

// layouts are the codes, by the kinds of package station. Sources: the operators' and
// Wikipedia's tables, named in the table of stations. What other data a code
// carries is any digit here.
var layouts = map[string]*layout{
	"dcf77": {
		name: "DCF77", bits: 1, ahead: 1, hours: 1,
		symbols:  []Symbol{{0, 0.1}, {0, 0.2}, nil, nil}, // no M
		frame:    "0...................1......................................-",
		fields:   centralEurope,
		parities: []parity{{28, run(21, 27, 1), false}, {35, run(29, 34, 1), false}, {58, run(36, 57, 1), false}},
		leapAt:   59, leapSymbol: 0, leapNotice: anHour, changeNotice: anHour,
	},
	// What its first bits hold is known from memory alone.
	"als162": {
		name: "ALS162", bits: 1, ahead: 1, hours: 1,
		symbols:  []Symbol{{0, 0.1}, {0, 0.2}, nil, nil}, // no M
		frame:    "....................1......................................-",
		fields:   append(slices.DeleteFunc(slices.Clone(centralEurope), func(f field) bool { return f.kind == leap }), field{leap, []int{1}, []int{1}, nil}),
		parities: []parity{{28, run(21, 27, 1), false}, {35, run(29, 34, 1), false}, {58, run(36, 57, 1), false}},
		leapAt:   -1, leapNotice: anHour, changeNotice: anHour,
	},
	"msf": {
		name: "MSF", bits: 2, ahead: 1,
		symbols: []Symbol{{0, 0.1}, {0, 0.1, 0.2, 0.3}, {0, 0.2}, {0, 0.3}, {0, 0.5}, nil},
		frame:   "Mbbbbbbbbbbbbbbbb" + "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa" + "0xxxxxx0",
		fields: []field{
			{dut1Plus, ones8, run(3, 17, 2), nil}, {dut1Minus, ones8, run(19, 33, 2), nil},
			{year, from80, run(34, 48, 2), nil}, {month, from10, run(50, 58, 2), nil}, {day, from20, run(60, 70, 2), nil},
			{sunday0, down3, run(72, 76, 2), nil}, {hour, from20, run(78, 88, 2), nil}, {minute, from40, run(90, 102, 2), nil},
			{changeSoon, []int{1}, []int{107}, nil}, {summer, []int{1}, []int{117}, nil},
		},
		parities: []parity{
			{109, run(34, 48, 2), true}, {111, run(50, 70, 2), true}, {113, run(72, 76, 2), true}, {115, run(78, 102, 2), true},
		},
		leapAt: 17, leapSymbol: 0, changeNotice: minutesOf61,
	},
	"wwvb": {
		name: "WWVB", bits: 1,
		symbols: []Symbol{{0, 0.2}, {0, 0.5}, {0, 0.8}, nil},
		frame:   "M...0....M00..0....M00..0....M....00...M....0....M....0....M",
		fields: []field{
			{minute, from40, minuteAt, nil}, {hour, from20, hourAt, nil}, {yearDay, from200, yearDayAt, nil},
			{dut1Sign, []int{1}, []int{36}, nil}, {dut1, down4, run(40, 43, 1), nil},
			{year, from80, append(run(45, 48, 1), run(50, 53, 1)...), nil}, {leap, []int{1}, []int{56}, nil},
			{summerAtEnd, []int{1}, []int{57}, nil}, {summerAtStart, []int{1}, []int{58}, nil},
		},
		leapAt: 60, leapSymbol: 2, phase: wwvbPhase, leapNotice: aMonth, changeNotice: aDay,
	},
	"jjy": {
		name: "JJY", bits: 1, hours: 9,
		symbols: []Symbol{{0, 0.8}, {0, 0.5}, {0, 0.2}, nil},
		frame:   "M...0....M00..0....M00..0....M....00..0M.........M.........M",
		fields: []field{
			{minute, from40, minuteAt, nil}, {hour, from20, hourAt, nil}, {yearDay, from200, yearDayAt, nil},
			{year, from80, run(41, 48, 1), callSign}, {sunday0, down3, run(50, 52, 1), callSign}, {leap, []int{1}, []int{53}, callSign},
		},
		parities: []parity{{36, hourAt, false}, {37, minuteAt, false}},
		leapAt:   59, leapSymbol: 0, leapNotice: aMonth,
	},
	"bpc": bpc(),
}

var (
	ones8 = []int{1, 1, 1, 1, 1, 1, 1, 1}
	// centralEurope are the fields of DCF77; ALS162 announces leap seconds elsewhere.
	centralEurope = []field{
		{changeSoon, []int{1}, []int{16}, nil},
		{summer, []int{1}, []int{17}, nil}, {winter, []int{1}, []int{18}, nil}, {leap, []int{1}, []int{19}, nil},
		{minute, from40, run(27, 21, -1), nil}, {hour, from20, run(34, 29, -1), nil}, {day, from20, run(41, 36, -1), nil},
		{weekday, down3, run(44, 42, -1), nil}, {month, from10, run(49, 45, -1), nil}, {year, from80, run(57, 50, -1), nil},
	}
)

// bpc names its time in each of three blocks of 20 s.
func bpc() *layout {
	l := &layout{
		name: "BPC", bits: 2, hours: 8, leapAt: -1,
		symbols: []Symbol{{0, 0.1}, {0, 0.2}, {0, 0.3}, {0, 0.4}, nil, nil}, // no M
		frame:   "-00................." + "-10................." + "-20.................",
	}
	for block := range 3 {
		b := 40 * block
		at := func(from, to int) []int { return run(b+from, b+to, 1) }
		l.fields = append(l.fields,
			field{hour12, down4, at(6, 9), nil}, field{minute, binary6, at(10, 15), nil}, field{weekday, down3, at(17, 19), nil},
			field{halfDay, []int{1}, at(20, 20), nil}, field{day, []int{16, 8, 4, 2, 1}, at(23, 27), nil},
			field{month, down4, at(28, 31), nil}, field{year, []int{64, 32, 16, 8, 4, 2, 1}, append(at(38, 38), at(32, 37)...), nil})
		// Whether the half of the day is counted in the first parity is told in two
		// ways, so that it is left alone; the second is that of the date.
		l.parities = append(l.parities, parity{b + 39, at(22, 37), false})
	}
	return l
}

// Symbols are the marks of a kind of code; nil when it is not of pulses.
func Symbols(kind string) []Symbol {
	if l, ok := layouts[kind]; ok {
		return l.symbols
	}
	return nil
}
