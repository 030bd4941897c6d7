package timecode

import (
	"math"
	"time"

	"timeball/detect/logsum"
)

// minutesHeard is the evidence of the minutes under one labelling.
type minutesHeard struct {
	first int64 // minute of the labelling's scale
	count int
	// Sums of log-likelihoods over the minutes before each one, so that a
	// stretch is a difference. Values are relative to content unknown.
	hour    [maxMinutes + 1][24]float64
	day     [maxMinutes + 1][367]float64
	year    [maxMinutes + 1][yearCount]float64
	century [maxMinutes + 1][100]float64 // the year's upper two digits
	// minute is the sum over all minutes, by the minute of the hour of the first.
	minute [60]float64
	// leap tells what is announced, summed over minutes likewise.
	leap [maxMinutes + 1][leaps]float64
}

// hearMinutes sorts the evidence into minutes.
func (d *Decoder) hearMinutes(l labelling, h *minutesHeard) {
	h.first, _, _ = l.place(d.first)
	last, _, _ := l.place(d.last)
	h.count = int(last-h.first) + 1
	h.minute = [60]float64{}

	rows := make([]float64, len(d.marks.rows))
	n := d.first
	for k := range h.count {
		var said digits
		var leap [leaps]float64
		clear(rows)
		for ; n <= d.last; n++ {
			minute, second, ok := l.place(n)
			if ok && minute != h.first+int64(k) {
				break
			}
			e := d.at(n)
			if e == nil || !ok {
				continue
			}
			d.code.content(e.code, second, &said)
			d.code.leap(e.code, second, &leap)
			d.marks.minutes(e.marks, second, rows)
		}
		if at := max(d.held.n, d.first); d.held.odds > 0 {
			if minute, _, _ := l.place(at); minute == h.first+int64(k) {
				said.addTime(epoch.Add(time.Duration(at+d.held.offset)*time.Second), d.held.odds)
			}
		}
		for m := range h.minute {
			now := (m + k) % 60
			h.minute[m] += said.of(minuteField, now) + rows[d.marks.row[now]]
		}
		for v := range h.hour[k] {
			h.hour[k+1][v] = h.hour[k][v] + said.of(hourField, v)
		}
		for v := 1; v < len(h.day[k]); v++ {
			h.day[k+1][v] = h.day[k][v] + said.of(dayField, v)
		}
		for v := range h.year[k] {
			h.year[k+1][v] = h.year[k][v] + said.of(yearField, firstYear+v)
		}
		for c := range h.century {
			h.century[k+1][c] = h.century[k][c] + said[yearField][3][c/10] + said[yearField][2][c%10]
		}
		for v := range h.leap[k] {
			h.leap[k+1][v] = h.leap[k][v] + leap[v]
		}
	}
}

// timeOfDay is the log-likelihood of the first minute being that minute of the
// day, whatever the date.
func (h *minutesHeard) timeOfDay(first int) float64 {
	hour, turn := first/60, min(60-first%60, h.count)
	return h.minute[first%60] + h.hour[turn][hour] + h.hour[h.count][(hour+1)%24] - h.hour[turn][(hour+1)%24]
}

// dated is a sum over dates: the best one, its log-probability, and that of
// all others together, and of the best one of them.
type dated struct {
	date                date
	score, rest, second float64
}

func (d dated) all() float64 { return logsum.Add(d.score, d.rest) }

// oneDay weighs the dates when all minutes lie in one day.
func (h *minutesHeard) oneDay() dated {
	day, year := &h.day[h.count], &h.year[h.count]
	bestDay, bestYear := 1, 0
	for v := 1; v < len(day); v++ {
		if day[v] > day[bestDay] {
			bestDay = v
		}
	}
	for v := range year {
		if year[v] > year[bestYear] && (bestDay < 366 || yearDays(v) == 366) {
			bestYear = v
		}
	}
	otherDays, otherYears := math.Inf(-1), math.Inf(-1)
	nextDay, nextYear := math.Inf(-1), math.Inf(-1)
	for v := 1; v < len(day); v++ {
		if v != bestDay {
			otherDays = logsum.Add(otherDays, day[v])
			nextDay = max(nextDay, day[v])
		}
	}
	for v := range year {
		if v != bestYear {
			otherYears = logsum.Add(otherYears, year[v])
			nextYear = max(nextYear, year[v])
		}
	}
	// Day 366 counts in every year here; it errs to the careful side.
	share := -math.Log(yearCount * 365.25)
	return h.otherYears(0, date{bestYear, bestDay}, dated{
		date:   date{bestYear, bestDay},
		score:  share + day[bestDay] + year[bestYear],
		rest:   share + logsum.Add(day[bestDay]+otherYears, otherDays+logsum.Add(year[bestYear], otherYears)),
		second: share + max(nextDay+year[bestYear], day[bestDay]+nextYear),
	})
}

// otherYear is the probability of each year, of four digits, outside those that are
// weighed one by one (a guess). A code of two digits cannot speak for it; four digits
// that do are not taken for a year of ours.
const otherYear = 1e-12

// otherYears adds to what is left the day of d in all other years, by the minutes
// from turn on, whose date is now.
func (h *minutesHeard) otherYears(turn int, now date, d dated) dated {
	since := func(year int) float64 { return h.year[h.count][year] - h.year[turn][year] }
	century := func(c int) float64 { return h.century[h.count][c] - h.century[turn][c] }
	others, own, beyond := math.Inf(-1), -1, 0.0
	for v := range yearCount {
		if c := (firstYear + v) / 100; c != own {
			own, beyond = c, math.Inf(-1) // all centuries but its own
			for other := range h.century[0] {
				if other != own {
					beyond = logsum.Add(beyond, century(other))
				}
			}
		}
		others = logsum.Add(others, since(v)-century(own)+beyond)
	}
	d.rest = logsum.Add(d.rest, d.score-since(min(now.year, yearCount-1))+others+math.Log(otherYear))
	return d
}

// twoDays weighs the dates of the first day when the second one starts with
// minute turn, with a leap second of the given kind between them.
func (h *minutesHeard) twoDays(turn int, leap Leap) dated {
	share := -math.Log(yearCount * 365.25)
	announced := &h.leap[turn]
	neutral := meanExp64(announced[:])
	out := dated{score: math.Inf(-1), rest: math.Inf(-1), second: math.Inf(-1)}
	for year := range yearCount - 1 {
		for day := 1; day <= yearDays(year); day++ {
			d := date{year, day}
			next := d.next()
			score := share + h.day[turn][d.day] + h.year[turn][d.year] +
				h.day[h.count][next.day] - h.day[turn][next.day] +
				h.year[h.count][next.year] - h.year[turn][next.year]
			insert, remove := leapPrior(d)
			switch {
			case leap == InsertSecond:
				score += math.Log(insert) + announced[InsertSecond] - neutral
			case leap == DeleteSecond:
				// Not every code has a word for it.
				score += math.Log(remove) + max(announced[NoLeap], announced[DeleteSecond]) - neutral
			case insert > 0:
				score += math.Log(1-insert-remove) + announced[NoLeap] - neutral
			}
			if score > out.score {
				out.rest = logsum.Add(out.rest, out.score)
				out.second = out.score
				out.date, out.score = d, score
				continue
			}
			out.second = max(out.second, score)
			if score > out.rest-40 {
				out.rest = logsum.Add(out.rest, score)
			}
		}
	}
	return h.otherYears(turn, out.date.next(), out)
}

// meanExp64 is meanExp for float64.
func meanExp64(v []float64) float64 {
	sum := math.Inf(-1)
	for _, x := range v {
		sum = logsum.Add(sum, x)
	}
	return sum - math.Log(float64(len(v)))
}
