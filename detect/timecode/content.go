package timecode

import (
	"math"
	"time"

	"timeball/detect/logsum"
)

// decades is the number of digits of the longest field.
const decades = 4

// digits holds the log-likelihood of every decimal digit of a minute's label,
// relative to bits of unknown value.
type digits [fields][decades][10]float64

// addBit adds what is known of one bit of a digit in binary code: the
// log-likelihood of its being 0, and of its being 1.
func (d *digits) addBit(f field, decade, weight int, zero, one float64) {
	for value := range d[f][decade] {
		if value&weight != 0 {
			d[f][decade][value] += one
		} else {
			d[f][decade][value] += zero
		}
	}
}

// addTime adds what is known of a time: odds against every other value of each
// digit, and as much, over the number of times there are, against content
// unknown.
func (d *digits) addTime(t time.Time, odds float64) {
	for f, value := range [fields]int{t.Minute(), t.Hour(), t.YearDay(), t.Year()} {
		for decade := range decades {
			for other := range d[f][decade] {
				if other != value%10 {
					d[f][decade][other] -= odds
				}
			}
			value /= 10
		}
	}
	for v := range d[minuteField][0] {
		d[minuteField][0][v] += odds + math.Log(yearCount*365.25*dayMinutes)
	}
}

// of is the log-likelihood of a field's value.
func (d *digits) of(f field, value int) float64 {
	sum := 0.0
	for decade := range decades {
		sum += d[f][decade][value%10]
		value /= 10
	}
	return sum
}

// Leap tells what the broadcast announces for the end of the month.
type Leap int

const (
	NoLeap       Leap = iota
	InsertSecond      // 23:59:60 follows 23:59:59
	DeleteSecond      // 00:00:00 follows 23:59:58
	leaps
)

func (l Leap) String() string { return [...]string{"none", "insert", "delete"}[l] }

// DST tells what the broadcast says of summer time in its own country.
type DST int

const (
	StandardTime DST = iota
	SummerBegins     // on this UTC day
	SummerEnds       // on this UTC day
	SummerTime
	dsts
)

func (d DST) String() string {
	return [...]string{"standard time", "summer time begins today", "summer time ends today", "summer time"}[d]
}

// dut1Limit bounds DUT1, tenths of a second (Rec. ITU-R TF.460).
const dut1Limit = 8

// notices are the log-likelihoods of what is sent beside the time.
type notices struct {
	dut1Code  [2*dut1Limit + 1]float64 // tenths of a second plus dut1Limit, from the code
	dut1Marks [2*dut1Limit + 1]float64 // from the emphasised marks
	leap      [leaps]float64
	dst       [dsts]float64
	tai       [100]float64 // TAI−UTC, s
	pattern   [100]float64 // number of the summer time rule
}

// likeliest returns the most likely index with its probability of error, all
// being equally likely beforehand.
func likeliest(l []float64) (best int, err float64) {
	for i := range l {
		if l[i] > l[best] {
			best = i
		}
	}
	rest := math.Inf(-1)
	for i := range l {
		if i != best {
			rest = logsum.Add(rest, l[i])
		}
	}
	return best, errorFrom(rest, l[best])
}

// errorFrom is the probability of error when the rest of the hypotheses and
// the best one have these log-likelihoods.
func errorFrom(rest, best float64) float64 {
	return max(minError, math.Exp(rest-logsum.Add(rest, best)))
}
