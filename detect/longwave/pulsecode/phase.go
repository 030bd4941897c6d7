package pulsecode

import (
	"math"
	"math/bits"
	"slices"
	"time"

	"timeball/detect/logsum"
)

// phaseCode is a code of one bit a second that is keyed into the carrier's phase
// beside the marks: in a second of a one the phase is turned over. Which of the two
// phases is which nobody knows: what is heard is whether it turns from one second to
// the next.
type phaseCode struct {
	// frame tells what each second of the minute is: a bit that is fixed, c for the
	// next of counts, . for any bit.
	frame string
	// counts are the bits of a count of minutes, the least being 0, of which a second
	// is the exclusive or.
	counts [][]int
	from   time.Time // when the count was 0; a day is 1440
	most   int       // the greatest count
	// parts split the count's bits, from the least on, so that what ties one part's
	// bits to another's is in few seconds.
	parts [4]int
}

// wwvbPhase is WWVB's (Lowe 2012): a word to begin with, a count of minutes with
// its parities (Hamming 31, 26), and notices, which are left alone. A minute that
// does not begin with the word holds something else.
var wwvbPhase = &phaseCode{
	frame: "0011101101000" + "ccccc" + "cc" + "ccccccccc" + "." + "ccccccccc" + "." + "ccccccc" + "............" + "0",
	counts: [][]int{
		{25, 22, 20, 19, 16, 15, 14, 13, 12, 8, 7, 5, 4, 3, 1},
		{24, 21, 19, 18, 15, 14, 13, 12, 11, 7, 6, 4, 3, 2, 0},
		{25, 23, 22, 19, 18, 17, 16, 15, 11, 10, 8, 7, 6, 4, 2},
		{24, 22, 21, 18, 17, 16, 15, 14, 10, 9, 7, 6, 5, 3, 1},
		{23, 21, 20, 17, 16, 15, 14, 13, 9, 8, 6, 5, 4, 2, 0},
		{25}, {0}, {24}, {23}, {22}, {21}, {20}, {19}, {18}, {17}, {16},
		{15}, {14}, {13}, {12}, {11}, {10}, {9}, {8}, {7}, {6}, {5}, {4}, {3}, {2}, {1}, {0},
	},
	from: epoch, most: 52595999, parts: [4]int{0, 7, 16, 26},
}

// turn is what a second's turn of the phase depends on: it turns when the ones of
// the count in mask, and one, are odd together.
type turn struct {
	known bool
	one   int
	mask  uint32
}

// turns are those of a minute's seconds.
func (c *phaseCode) turns() (all [60]turn) {
	var sent [60]turn
	next := 0
	for i := range sent {
		switch c.frame[i] {
		case '.':
		case 'c':
			sent[i].known = true
			for _, b := range c.counts[next] {
				sent[i].mask |= 1 << b
			}
			next++
		default:
			sent[i] = turn{known: true, one: int(c.frame[i] - '0')}
		}
	}
	// What the minute before ended with is not known: it may be of another kind.
	for i := 1; i < len(all); i++ {
		a, b := sent[i-1], sent[i]
		if a.known && b.known {
			all[i] = turn{true, a.one ^ b.one, a.mask ^ b.mask}
		}
	}
	return all
}

const (
	// phaseMinutes are the latest ones that are looked at.
	phaseMinutes = 5
	// wordLeast is by how much a minute's fixed bits must fit better than any, so that
	// it is taken for one that tells the time, log-likelihood. Of other minutes, which a
	// fifth are (from memory), fewer than e^-wordLeast pass: strayed.
	wordLeast = 5
	strayed   = 2e-3
)

// AddTurn takes by how much likelier it is that the carrier's phase turned over in
// second n than that it did not, as the difference of log likelihoods, of a second
// that was added.
func (d *Decoder) AddTurn(n int64, odds float64) {
	if e := d.at(n); e != nil {
		most := -math.Log(doubt)
		e.turn = max(-most, min(most, odds))
	}
}

// turnLog is how much better a turn's evidence fits its value than any.
func turnLog(odds float64, turned int) float64 {
	if turned == 0 {
		odds = -odds
	}
	return math.Ln2 - math.Log1p(math.Exp(-odds))
}

// phased is the time at which the minute of the latest second began, by the phase, and
// the probability that it is wrong; 1 when nothing is told.
func (d *Decoder) phased(l labelling) (start time.Time, wrong float64) {
	if d.phase == nil {
		return start, 1
	}
	last, _, _ := l.place(d.last)
	minutes, first := d.timed(l, d.phase.turns(), last)
	if len(minutes) == 0 {
		return start, 1
	}
	count, log, rest := d.phase.search(minutes)
	even := math.Log(float64(d.phase.most))
	start = d.phase.from.Add(time.Duration(int64(count)+last-first) * time.Minute)
	return start, errorOf(log-even, logsum.Add(rest-even, math.Log(strayed)))
}

// timed is what was heard of the latest minutes that tell the time, each with the
// minutes that have passed since the first of them.
func (d *Decoder) timed(l labelling, turns [60]turn, last int64) (minutes []turnedMinute, first int64) {
	var odds [phaseMinutes + 1][60]float64
	for n := d.first; n <= d.last; n++ {
		minute, second, leaping := l.place(n)
		if e := d.at(n); e != nil && !leaping && minute >= last-phaseMinutes {
			odds[minute-last+phaseMinutes][second] = e.turn
		}
	}
	for k := range odds {
		word := 0.0
		for i, t := range turns {
			if t.known && t.mask == 0 {
				word += turnLog(odds[k][i], t.one)
			}
		}
		if word < wordLeast {
			continue
		}
		if len(minutes) == 0 {
			first = last - phaseMinutes + int64(k)
		}
		minutes = append(minutes, turnedMinute{&odds[k], int(last - phaseMinutes + int64(k) - first)})
	}
	return minutes, first
}

type turnedMinute struct {
	odds  *[60]float64 // of each second
	after int          // minutes since the first
}

// search finds the likeliest count of the first minute, how much better it fits than
// any content, and how much better all others together.
func (c *phaseCode) search(minutes []turnedMinute) (count int, log, rest float64) {
	turns := c.turns()
	// The seconds of each part alone, and those that tie the parts together.
	var alone [3][]int
	var ties []int
	for i, t := range turns {
		if !t.known || t.mask == 0 {
			continue
		}
		p := slices.IndexFunc(c.parts[1:], func(end int) bool { return t.mask>>end == 0 })
		if t.mask>>c.parts[p]<<c.parts[p] == t.mask {
			alone[p] = append(alone[p], i)
		} else {
			ties = append(ties, i)
		}
	}
	value := func(second int, count uint32) int { return bits.OnesCount32(count&turns[second].mask) & 1 }
	// syndrome is what a count's bits make of the ties; own what a minute's seconds of
	// one part say of its bits.
	syndrome := func(count uint32) (s int) {
		for k, i := range ties {
			s |= value(i, count) << k
		}
		return s
	}
	own := func(m turnedMinute, part int, count uint32) (sum float64) {
		for _, i := range alone[part] {
			sum += turnLog(m.odds[i], turns[i].one^value(i, count))
		}
		return sum
	}

	// What the minutes say of the lowest part and of the ties, by the syndrome of the
	// upper parts. Minutes in which these have grown are left out.
	low, classes := 1<<c.parts[1], 1<<len(ties)
	lowSyndrome := make([]int, low)
	for v := range lowSyndrome {
		lowSyndrome[v] = syndrome(uint32(v))
	}
	byLow := make([]float64, classes*low)
	for _, m := range minutes {
		owns, tie := make([]float64, low), make([]float64, classes)
		for v := range owns {
			owns[v] = own(m, 0, uint32(v))
		}
		for s := range tie {
			for b, i := range ties {
				tie[s] += turnLog(m.odds[i], turns[i].one^s>>b&1)
			}
		}
		for s := range classes {
			row := byLow[s*low:][:low-m.after]
			for v := range row {
				at := v + m.after
				row[v] += owns[at] + tie[s^lowSyndrome[at]]
			}
		}
	}
	lows := make([]struct {
		best            int
		top, rest, both float64
	}, classes)
	for s := range lows {
		of, row := &lows[s], byLow[s*low:][:low]
		of.best, of.rest = likeliest(row)
		of.top = row[of.best]
		of.both = logsum.Add(of.rest, of.top)
	}

	// The upper parts are the same in all of them.
	type upper struct {
		count    int
		score    float64
		syndrome int
	}
	var parts [2][]upper
	for p := range parts {
		for v := range 1 << (c.parts[p+2] - c.parts[p+1]) {
			u := upper{count: v << c.parts[p+1]}
			u.syndrome = syndrome(uint32(u.count))
			for _, m := range minutes {
				u.score += own(m, p+1, uint32(u.count))
			}
			parts[p] = append(parts[p], u)
		}
	}
	best := upper{score: math.Inf(-1)}
	log, rest = math.Inf(-1), math.Inf(-1)
	for _, a := range parts[1] {
		for _, b := range parts[0] {
			u := upper{a.count | b.count, a.score + b.score, a.syndrome ^ b.syndrome}
			if u.count > c.most {
				break
			}
			if top := u.score + lows[u.syndrome].top; top > log {
				best, log, u = u, top, best
			}
			rest = logsum.Add(rest, u.score+lows[u.syndrome].both)
		}
	}
	of := lows[best.syndrome]
	return best.count | of.best, log, logsum.Add(rest, best.score+of.rest)
}
