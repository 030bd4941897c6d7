package timecode

import "time"

// A labelling names the second of the minute of every flywheel second, and
// tells which of them are in the same minute. Minutes are counted on a scale of
// its own.
type labelling struct {
	// shift makes n+shift a count of seconds in which minutes start at
	// multiples of 60; it holds from second after on.
	shift int64
	// leap happens just before second after; without one, after is of no account.
	leap  Leap
	after int64
}

// place returns the minute and the second in it; false for an inserted second,
// number 60, of which nobody publishes what a station sends.
func (l labelling) place(n int64) (minute int64, second int, ok bool) {
	count := n + l.shift
	if n < l.after {
		switch l.leap {
		case InsertSecond:
			if n == l.after-1 {
				return floorDiv(count, 60), 60, false
			}
			count++
		case DeleteSecond:
			count--
		}
	}
	return floorDiv(count, 60), int(mod(count, 60)), true
}

// now is what the labelling says of second n alone, whatever came before.
func (l labelling) now(n int64) (here struct{ minute, second int64 }) {
	minute, second, _ := l.place(n)
	here.minute, here.second = minute, int64(second)
	return here
}

// Years to which the two digits of a code belong: tapes of the last century are
// read as well, and nobody reads this in its last third (from memory: POSIX's
// pivot is one year earlier).
const (
	firstYear  = 1970
	yearCount  = 100
	dayMinutes = 24 * 60
)

var epoch = time.Date(firstYear, 1, 1, 0, 0, 0, 0, time.UTC)

// date is a day of the century.
type date struct{ year, day int } // years since firstYear; day of the year from 1

func yearDays(year int) int {
	if (firstYear+year)%4 == 0 { // 2000 is a leap year and 2100 lies outside
		return 366
	}
	return 365
}

func (d date) next() date {
	if d.day < yearDays(d.year) {
		return date{d.year, d.day + 1}
	}
	return date{d.year + 1, 1}
}

func (d date) time() time.Time { return time.Date(firstYear+d.year, 1, d.day, 0, 0, 0, 0, time.UTC) }

// monthAfter is the month that begins after a day of the year, if one does, in years
// of 365 and of 366 days.
var monthAfter = func() (after [2][367]time.Month) {
	for i, year := range []int{2001, 2000} {
		for month := time.January; month <= time.December; month++ {
			end := time.Date(year, month+1, 0, 0, 0, 0, 0, time.UTC)
			after[i][end.YearDay()] = month%12 + 1
		}
	}
	return after
}()

// leapPrior is the probability that a leap second is inserted, and removed, at
// the end of a day. Rec. ITU-R TF.460 puts them at the end of a month, first of
// all December and June, then March and September; 27 were inserted at the 104
// ends of half years from 1972 to 2023, none since 2016, and none was ever removed.
func leapPrior(d date) (insert, remove float64) {
	length := yearDays(d.year)
	switch monthAfter[length-365][d.day] {
	case 0:
		return 0, 0
	case time.January, time.July:
		return 0.1, 1e-4
	case time.April, time.October:
		return 1e-3, 1e-5
	}
	return 1e-5, 1e-6
}
