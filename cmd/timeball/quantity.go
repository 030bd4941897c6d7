package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

// timeUnits are the units a time may be given in. The micro sign and the Greek
// letter look the same and are both typed.
var timeUnits = []struct {
	name string
	size float64
}{{"ms", 1e-3}, {"us", 1e-6}, {"µs", 1e-6}, {"μs", 1e-6}, {"ns", 1e-9}, {"s", 1}}

// parseSeconds reads a time such as 7.2ms or -1.3 us, in seconds. Only zero
// needs no unit.
func parseSeconds(text string) (float64, error) {
	number, size := strings.TrimSpace(text), 0.0
	for _, u := range timeUnits {
		if rest, ok := strings.CutSuffix(number, u.name); ok {
			number, size = strings.TrimSpace(rest), u.size
			break
		}
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || size == 0 && v != 0 {
		return 0, fmt.Errorf("%q is no time: give a number and a unit (s, ms, us, ns), as 7.2ms", text)
	}
	return v * size, nil
}

// delay is the value of a flag such as --skew: a time and perhaps its ±, the
// 95 % half-width.
type delay struct {
	seconds float64
	u       *float64 // standard uncertainty; nil: not given
}

// UnmarshalText is for kong. Where there is no ± on the keyboard, +- does.
func (d *delay) UnmarshalText(text []byte) error {
	var err error
	d.seconds, d.u, err = parseMeasured(strings.Replace(string(text), "+-", "±", 1), parseSeconds)
	return err
}

// quantity is the delay with the half-width spread when none was given.
func (d delay) quantity(spread float64, note string) align.Quantity {
	q := align.Quantity{Value: d.seconds, U: spread / 1.96, Known: align.Told(note)}
	if d.u != nil {
		q.U = *d.u
	} else {
		q.Known = align.Told(note + fmt.Sprintf(", ± %s assumed", strings.TrimPrefix(text.WithUnit(spread, 0, text.SecondUnits), "+")))
	}
	return q
}

// stationDelay is the value of --path-delay: a delay, of one station or of all.
type stationDelay struct {
	id string // in lower case; empty: all
	delay
}

// UnmarshalText is for kong.
func (s *stationDelay) UnmarshalText(text []byte) error {
	id, value, named := strings.Cut(string(text), "=")
	if !named {
		id, value = "", string(text)
	}
	s.id = strings.ToLower(strings.TrimSpace(id))
	if named && s.id == "" {
		return fmt.Errorf("%q names no station: give it as wwv=7.2ms", text)
	}
	return s.delay.UnmarshalText([]byte(value))
}
