// Package text puts results into words and tables for a person: numbers with
// their units and intervals, and all sentences and tables that commands print.
package text

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"timeball/align"
	"timeball/align/stability"
)

// Unit is a unit a value may be shown in.
type Unit struct {
	Name string
	Size float64 // in the SI unit
}

var (
	SecondUnits = []Unit{{"s", 1}, {"ms", 1e-3}, {"µs", 1e-6}, {"ns", 1e-9}}
	perDayUnits = []Unit{{"s a day", 1}, {"ms a day", 1e-3}, {"µs a day", 1e-6}, {"ns a day", 1e-9}}
)

// UnitFor is the largest unit in which a size is at least 1, else the smallest.
func UnitFor(size float64, units []Unit) Unit {
	for _, u := range units {
		if math.Abs(size) >= u.Size {
			return u
		}
	}
	return units[len(units)-1]
}

// WithUnit shows a value with sign and its half-width, which is rounded to two
// digits and the value to the same place (JCGM 100:2008, 7.2.6). A half-width
// of zero is not shown.
func WithUnit(value, half float64, units []Unit) string {
	u := UnitFor(math.Max(math.Abs(value), half), units)
	v, h := rounded(value/u.Size, half/u.Size)
	if value >= 0 {
		v = "+" + v
	}
	if half == 0 {
		return v + " " + u.Name
	}
	return v + " ± " + h + " " + u.Name
}

// rounded rounds half to two significant digits and value to the same place
// (JCGM 100:2008, 7.2.6: at most two digits, estimates consistent with their
// uncertainties); with no half value to four digits.
func rounded(value, half float64) (v, h string) {
	if !(half > 0) || math.IsInf(half, 0) {
		return strconv.FormatFloat(value, 'g', 4, 64), ""
	}
	power := strconv.FormatFloat(half, 'e', 1, 64) // 0.0996 is 1.0e-01
	exponent, err := strconv.Atoi(power[strings.IndexByte(power, 'e')+1:])
	if err != nil {
		panic(err) // not strconv's format
	}
	places := 1 - exponent
	if places < 0 {
		tens := math.Pow10(-places)
		value, half, places = math.Round(value/tens)*tens, math.Round(half/tens)*tens, 0
	}
	if v = strconv.FormatFloat(value, 'f', places, 64); nothing(v) {
		v = strings.TrimPrefix(v, "-")
	}
	return v, strconv.FormatFloat(half, 'f', places, 64)
}

// Gaining is a rate as the keeper says it: "gains 3.1 ± 0.4 µs a day (3.6e-11)".
func Gaining(y, half float64) string {
	const day = 86400
	verb := "gains"
	if y < 0 {
		verb = "loses"
	}
	u := UnitFor(math.Max(math.Abs(y), half)*day, perDayUnits)
	v, h := rounded(math.Abs(y)*day/u.Size, half*day/u.Size)
	if nothing(v) {
		return fmt.Sprintf("neither gains nor loses, ± %s %s", h, u.Name)
	}
	return fmt.Sprintf("%s %s ± %s %s (%.2g)", verb, v, h, u.Name, y)
}

// Minutes is a length of time as 12:34 or 1:02:34.
func Minutes(seconds float64) string {
	t := int(seconds)
	if t < 3600 {
		return fmt.Sprintf("%d:%02d", t/60, t%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", t/3600, t/60%60, t%60)
}

func Relation(s align.Sense) string {
	if s == align.Ahead {
		return "ahead of"
	}
	return "behind"
}

// unitOf is the unit of an offset with its interval.
func unitOf(offset float64, ci95 [2]float64) Unit {
	return UnitFor(max(math.Abs(offset), offset-ci95[0], ci95[1]-offset), SecondUnits)
}

// magnitudeIn is the size of an offset with its 95 % interval, each with its unit:
// "12.35 ms ± 0.16 ms", or "12.35 ms −0.10/+0.22 ms" when the sides are not alike.
func magnitudeIn(u Unit, offset float64, ci95 [2]float64) string {
	below, above := offset-ci95[0], ci95[1]-offset
	if offset < 0 {
		below, above = above, below
	}
	v, sides := bounded(math.Abs(offset)/u.Size, below/u.Size, above/u.Size)
	return fmt.Sprintf("%s %s %s %s", v, u.Name, sides, u.Name)
}

// Bounded shows an offset with its sign and its 95 % interval: "−12.35 ± 0.16 ms".
func Bounded(offset float64, ci95 [2]float64) string {
	return BoundedIn(unitOf(offset, ci95), offset, ci95)
}

// BoundedIn is Bounded in a unit.
func BoundedIn(u Unit, offset float64, ci95 [2]float64) string {
	below, above := offset-ci95[0], ci95[1]-offset
	v, sides := bounded(offset/u.Size, below/u.Size, above/u.Size)
	if offset >= 0 {
		v = "+" + v
	}
	return v + " " + sides + " " + u.Name
}

// Sides is the 95 % interval of an offset alone, in a unit: "±0.16 ms".
func Sides(u Unit, offset float64, ci95 [2]float64) string {
	_, sides := bounded(offset/u.Size, (offset-ci95[0])/u.Size, (ci95[1]-offset)/u.Size)
	return strings.ReplaceAll(sides, " ", "") + " " + u.Name
}

// nothing reports whether a rounded number is zero.
func nothing(v string) bool { return strings.Trim(v, "-0.") == "" }

// Alike reports whether the sides of an interval are so alike that ± says both: they
// differ by at most a tenth.
func Alike(below, above float64) bool { return max(below, above) <= 1.1*min(below, above) }

// bounded writes a value and the sides of its interval, rounded alike.
func bounded(value, below, above float64) (v, sides string) {
	if Alike(below, above) {
		v, h := rounded(value, (below+above)/2)
		return v, "± " + h
	}
	// The shorter side has two digits, the longer one the same place.
	v, h := rounded(value, min(below, above))
	places := 0
	if _, decimals, ok := strings.Cut(h, "."); ok {
		places = len(decimals)
	}
	side := func(x float64) string { return strconv.FormatFloat(x, 'f', places, 64) }
	return v, "−" + side(below) + "/+" + side(above)
}

// Short is a time in three digits, for tables.
func Short(seconds float64) string {
	if seconds == 0 {
		return "0"
	}
	return short(UnitFor(math.Abs(seconds), SecondUnits), seconds)
}

// short is a time in three digits in a unit.
func short(u Unit, seconds float64) string { return digits(seconds/u.Size, 3) + " " + u.Name }

// digits writes a number in at most n digits that count, without a power of ten.
func digits(x float64, n int) string {
	x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'e', n-1, 64), 64)
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// Moved says by how much, and which way, the marker's pulse was moved; later is
// positive.
func Moved(by float64) string {
	if by < 0 {
		return "advanced by " + Short(-by)
	}
	return "retarded by " + Short(by)
}

// signed has a sign and two decimals, never -0.00.
func signed(x float64) string { return fmt.Sprintf("%+.2f", math.Round(100*x)/100+0) }

// decibels is a level in whole decibels, never -0.
func decibels(level float64) string { return fmt.Sprintf("%.0f dB", math.Round(level)+0) }

// Ratio shows a dimensionless value with its half-width in one power of ten.
func Ratio(v, half float64) string {
	exponent := int(math.Floor(math.Log10(math.Max(math.Abs(v), half))))
	if v == 0 && half == 0 {
		return "0"
	}
	scale := math.Pow10(exponent)
	a, b := rounded(v/scale, half/scale)
	if v >= 0 {
		a = "+" + a
	}
	if b == "" {
		return fmt.Sprintf("%se%d", a, exponent)
	}
	return fmt.Sprintf("(%s ± %s)e%d", a, b, exponent)
}

// Date shows a time to the minute.
func Date(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") }

// turn says how far to turn a dial, with its half-width if there is one, and
// which way.
func turn(divisions, half float64) string {
	v, h := rounded(math.Abs(divisions), half)
	if h != "" {
		v += " ± " + h
	}
	if divisions < 0 {
		return v + " divisions anticlockwise"
	}
	return v + " divisions clockwise"
}

// Deviation is a kind of deviation by its name (IEEE Std 1139), and in short.
func Deviation(kind stability.Kind) string {
	names := map[stability.Kind]string{
		stability.ADEV: "Allan deviation", stability.OADEV: "overlapping Allan deviation", stability.MDEV: "modified Allan deviation",
		stability.TDEV: "time deviation", stability.HDEV: "Hadamard deviation", stability.OHDEV: "overlapping Hadamard deviation",
		stability.TOTDEV: "total deviation",
	}
	return fmt.Sprintf("%s (%s)", names[kind], kind)
}
