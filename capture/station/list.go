package station

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// contains reports whether n is in a list such as "1-28,30". A list that
// Load would refuse contains nothing.
func contains(list string, n int) bool {
	for list != "" {
		var item string
		item, list, _ = strings.Cut(list, ",")
		from, to, err := parseSpan(item)
		if err == nil && from <= n && n <= to {
			return true
		}
	}
	return false
}

// holdsIn is contains for a list of which none means all.
func holdsIn(list string, n int) bool { return list == "" || contains(list, n) }

// checkList reports what is wrong with a list whose numbers may run from 0 to last.
func checkList(list string, last int) error {
	for item := range strings.SplitSeq(list, ",") {
		from, to, err := parseSpan(item)
		if err != nil {
			return err
		}
		if from > to || to > last {
			return fmt.Errorf("%q is not a span within 0-%d", strings.TrimSpace(item), last)
		}
	}
	return nil
}

// parseSpan reads "7" or "7-9".
func parseSpan(item string) (from, to int, err error) {
	first, second, isSpan := strings.Cut(strings.TrimSpace(item), "-")
	from, err = parseCount(first)
	to = from
	if err == nil && isSpan {
		to, err = parseCount(second)
	}
	if err != nil {
		return 0, 0, fmt.Errorf("%q is not a number or a span such as 1-28", strings.TrimSpace(item))
	}
	return from, to, nil
}

func parseCount(s string) (int, error) {
	n, err := strconv.ParseUint(s, 10, 16)
	return int(n), err
}

// parseHours reads "07:30-01:00,14:00-15:00" into minutes of the day.
func parseHours(list string) ([][2]int, error) {
	var spans [][2]int
	for item := range strings.SplitSeq(list, ",") {
		first, second, ok := strings.Cut(strings.TrimSpace(item), "-")
		from, err1 := parseClock(first)
		to, err2 := parseClock(second)
		if !ok || err1 != nil || err2 != nil || from == to {
			return nil, fmt.Errorf("%q is not a span such as 07:30-01:00", strings.TrimSpace(item))
		}
		spans = append(spans, [2]int{from, to})
	}
	return spans, nil
}

func parseClock(s string) (minuteOfDay int, err error) {
	hour, minute, _ := strings.Cut(s, ":")
	h, err1 := parseCount(hour)
	m, err2 := parseCount(minute)
	if err1 != nil || err2 != nil || len(minute) != 2 || h > 24 || m > 59 || h*60+m > 24*60 {
		return 0, errors.New("not a time of day")
	}
	return h*60 + m, nil
}
