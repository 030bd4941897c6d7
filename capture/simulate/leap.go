package simulate

import "time"

// leapSecond is a leap second, inserted and announced or either.
type leapSecond struct {
	pending bool
	at      time.Time // 00:00:00 after it; zero: none
}

// label is the UTC of second sec: of the seconds since 1970 with an inserted one
// counted. In that its number is 60, and t is 23:59:59.
func (l leapSecond) label(sec int64) (t time.Time, second int) {
	if at := l.at.Unix(); !l.at.IsZero() && sec >= at {
		sec--
		if sec == at-1 {
			return time.Unix(sec, 0).UTC(), 60
		}
	}
	t = time.Unix(sec, 0).UTC()
	return t, t.Second()
}

// announced reports whether second sec announces it: the announcement ends with it
// (from memory).
func (l leapSecond) announced(sec int64) bool {
	return l.pending && (l.at.IsZero() || sec < l.at.Unix())
}
