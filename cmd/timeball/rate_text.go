package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// unit is a unit a value may be shown in.
type unit struct {
	name string
	size float64 // in the SI unit
}

var (
	secondUnits = []unit{{"s", 1}, {"ms", 1e-3}, {"us", 1e-6}, {"ns", 1e-9}}
	perDayUnits = []unit{{"s a day", 1}, {"ms a day", 1e-3}, {"us a day", 1e-6}, {"ns a day", 1e-9}}
)

// unitFor is the largest unit in which a size is at least 1, else the smallest.
func unitFor(size float64, units []unit) unit {
	for _, u := range units {
		if math.Abs(size) >= u.size {
			return u
		}
	}
	return units[len(units)-1]
}

// withUnit shows a value with sign and its half-width, which is rounded to two
// digits and the value to the same place (JCGM 100:2008, 7.2.6). A half-width
// of zero is not shown.
func withUnit(value, half float64, units []unit) string {
	u := unitFor(math.Max(math.Abs(value), half), units)
	v, h := rounded(value/u.size, half/u.size)
	if value >= 0 {
		v = "+" + v
	}
	if half == 0 {
		return v + " " + u.name
	}
	return v + " ± " + h + " " + u.name
}

// rounded rounds half to two significant digits and value to the same place
// (JCGM 100:2008, 7.2.6: at most two digits, estimates consistent with their
// uncertainties); with no half value to four digits.
func rounded(value, half float64) (v, h string) {
	if !(half > 0) || math.IsInf(half, 0) {
		return strconv.FormatFloat(value, 'g', 4, 64), ""
	}
	digits := strconv.FormatFloat(half, 'e', 1, 64) // 0.0996 is 1.0e-01
	exponent, err := strconv.Atoi(digits[strings.IndexByte(digits, 'e')+1:])
	if err != nil {
		panic(err) // not strconv's format
	}
	places := 1 - exponent
	if places < 0 {
		tens := math.Pow10(-places)
		value, half, places = math.Round(value/tens)*tens, math.Round(half/tens)*tens, 0
	}
	return strconv.FormatFloat(value, 'f', places, 64), strconv.FormatFloat(half, 'f', places, 64)
}

// gaining is a rate as the keeper says it: "gains 3.1 ± 0.4 us a day (3.6e-11)".
func gaining(y, half float64) string {
	const day = 86400
	verb := "gains"
	if y < 0 {
		verb = "loses"
	}
	u := unitFor(math.Max(math.Abs(y), half)*day, perDayUnits)
	v, h := rounded(math.Abs(y)*day/u.size, half*day/u.size)
	return fmt.Sprintf("%s %s ± %s %s (%.2g)", verb, v, h, u.name, y)
}
