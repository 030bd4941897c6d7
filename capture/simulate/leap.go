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

// minute tells of the minute of second sec on long wave: its start, whether a code
// announces the leap second in it, and whether the leap second ends it. DCF77 and ALS162
// announce it for an hour, WWVB and JJY for the month (Wikipedia's articles; the hour from
// memory). A leap second of no time is announced always.
func (l leapSecond) minute(kind string, sec int64) (start time.Time, announced, ends bool) {
	t, _ := l.label(sec)
	start = t.Truncate(time.Minute)
	from := l.at.UTC().AddDate(0, -1, 0)
	if kind == "dcf77" || kind == "als162" {
		from = l.at.Add(-time.Hour)
	}
	announced = l.announced(sec) && (l.at.IsZero() || !start.Before(from))
	return start, announced, start.Add(time.Minute).Equal(l.at)
}
