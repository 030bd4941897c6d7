package timecode

import (
	"cmp"
	"math"
	"slices"
	"time"

	"timeball/detect/logsum"
)

// Prior probabilities of the hypotheses.
const (
	// orderlyShare: the marks are those of the station, in their order.
	orderlyShare = 0.5
	// foreignShare: its code's frame is as expected but its content means
	// something else.
	foreignShare = 1e-5
	// leapShare: a leap second falls on a given minute: one in five years.
	leapShare = 0.2 / 525960
	// deletedShare: of leap seconds, those that are removed; there was none yet.
	deletedShare = 0.01
)

const (
	// SearchEvery is how many seconds pass between searches until the time is known.
	SearchEvery  = 10
	confirmEvery = 60   // and after that
	searchDepth  = 20   // log-likelihood below the best at which a labelling is no longer looked into
	searchWidth  = 4    // labellings looked into
	hopeless     = 60   // log-likelihood below the best at which a leap second is not considered
	alignedFirst = 1e-2 // the alignment's error above which no date is sought
	heldCap      = 20   // log-odds that evidence no longer held may count for
	maxMinutes   = capacity/60 + 3
)

// finding is the outcome of a search.
type finding struct {
	alignment [60]float64 // probability that second n is each second of the minute
	n         int64       // newest second searched
	label     labelling
	labelErr  float64 // probability that it names second n wrongly

	// offset is UTC minus n, seconds since epoch without leap seconds, for
	// seconds after the label's leap.
	offset   int64
	dayErr   float64 // probability that the time of day is wrong
	utcErr   float64 // probability that date or time is wrong
	contrary bool    // something is received that the station does not send at that time
	notices  notices
}

// nothing is the finding before anything was heard.
var nothing = finding{labelErr: 1, dayErr: 1, utcErr: 1}

// An expected time counts for as much as a clock that is wrong once in a
// thousand times, and then no likelier than once in ten by any one amount; the
// other time which the code speaks for most is taken to be that amount. So the
// code must by itself prefer the expected time a hundredfold to every other one,
// and when the expected time is wrong it is stated in fewer than one case of a
// hundred.
const (
	expectOdds   = 9.2 // log-odds, 1 in 10000
	expectWithin = 40  // s; half a minute is what people are asked for
)

// expected is a rough idea of the time.
type expected struct {
	odds   float64 // log-odds; 0: there is none
	offset int64   // UTC minus n
}

// held remembers what was known, for when its evidence has been dropped.
type held struct {
	odds   float64 // log-odds; 0: nothing is held
	n      int64
	offset int64
}

// ranked is a labelling with its log-probability, up to a common constant.
type ranked struct {
	labelling
	prior float64 // log-probability of the leap second alone, part of score
	score float64
}

// search weighs all hypotheses by the evidence held.
func (d *Decoder) search() finding {
	f := nothing
	f.n = d.last
	all, disorder := d.align()
	total := disorder
	for _, r := range all {
		total = logsum.Add(total, r.score)
	}
	f.label = all[0].labelling
	f.labelErr = 0
	for _, r := range all {
		p := math.Exp(r.score - total)
		if _, second, ok := r.place(d.last); ok {
			f.alignment[second] += p
		}
	}
	same, rest := math.Inf(-1), disorder
	for _, r := range all {
		if r.now(d.last) == f.label.now(d.last) {
			same = logsum.Add(same, r.score)
		} else {
			rest = logsum.Add(rest, r.score)
		}
	}
	f.labelErr = errorFrom(rest, same)
	if d.code != nil && (f.labelErr < alignedFirst || d.found.utcErr <= MaxError) {
		d.date(&f, all, disorder)
	}
	d.gather(&f)
	return f
}

// align weighs every labelling, best first, and what disorder would score.
func (d *Decoder) align() (all []ranked, disorder float64) {
	type candidate struct {
		labelling
		ahead float64 // score of the seconds before the leap, less that without one
	}
	var run [60]float64 // by shift
	var candidates []candidate
	disorder = math.Log(1 - orderlyShare)
	for n := d.first; n <= d.last+1; n++ {
		if n > d.first {
			shift := mod(-n, 60) // for which a minute starts at n
			earlier := run[mod(shift+1, 60)]
			if e := d.at(n - 1); e != nil {
				earlier += float64(e.null - e.framing[mod(n+shift, 60)])
			}
			candidates = append(candidates,
				candidate{labelling{shift, InsertSecond, n}, earlier - run[shift]},
				candidate{labelling{shift, DeleteSecond, n}, run[mod(shift-1, 60)] - run[shift]})
		}
		e := d.at(n)
		if e == nil || n > d.last {
			continue
		}
		disorder += float64(e.null)
		for shift := range run {
			run[shift] += float64(e.framing[mod(n+int64(shift), 60)])
		}
	}

	share := math.Log(orderlyShare / 60)
	best := math.Inf(-1)
	for shift, score := range run {
		l := labelling{shift: int64(shift)}
		r := ranked{l, 0, share + score + d.carried(l)}
		all = append(all, r)
		best = max(best, r.score)
	}
	for _, c := range candidates {
		prior := math.Log(leapShare)
		if c.leap == DeleteSecond {
			prior += math.Log(deletedShare)
		}
		r := ranked{c.labelling, prior, share + prior + run[c.shift] + c.ahead + d.carried(c.labelling)}
		if r.score > best-hopeless {
			all = append(all, r)
		}
	}
	slices.SortStableFunc(all, func(a, b ranked) int { return cmp.Compare(b.score, a.score) })
	return all, disorder
}

// carried is what evidence no longer held says for a labelling.
func (d *Decoder) carried(l labelling) float64 {
	if d.held.odds == 0 {
		return 0
	}
	at := max(d.held.n, d.first)
	_, second, ok := l.place(at)
	if !ok || int64(second) != mod(at+d.held.offset, 60) {
		return 0
	}
	return d.held.odds
}

// date weighs every minute of the century under the best labellings, and
// writes the best to f.
func (d *Decoder) date(f *finding, all []ranked, disorder float64) {
	var best dating
	rest := math.Inf(-1)  // of all hypotheses outside the best labelling
	agree := math.Inf(-1) // of those that name the same time now: a leap second long ago may be in doubt
	seen := map[labelling]bool{}
	var heard minutesHeard
	look := func(r ranked) {
		seen[r.labelling] = true
		d.hearMinutes(r.labelling, &heard)
		found := heard.bestTime(r.labelling)
		found.base = r.score - r.prior
		found.rank = r.score
		if len(seen) == 1 {
			best = found
			return
		}
		if found.total() > best.total() {
			best, found = found, best
		}
		if found.label.now(d.last) == best.label.now(d.last) && found.offset() == best.offset() && found.date == best.date {
			agree = logsum.Add(agree, found.base+found.time+found.dated.score)
			rest = logsum.Add(rest, found.base+found.time+found.dated.rest)
		} else {
			rest = logsum.Add(rest, found.total())
		}
		rest = logsum.Add(rest, found.base+logsum.Add(found.near(), found.far))
	}
	for _, r := range all[:min(searchWidth, len(all))] {
		if r.score > all[0].score-searchDepth {
			look(r)
		}
	}
	// At the end of a month a leap second may have come in, however unlikely it
	// seemed while the date was unknown.
	if insert, _ := leapPrior(best.date); best.turn > 0 && insert > 0 {
		turned := 60*(best.first+int64(best.turn)) - best.label.shift
		for _, r := range all {
			if r.leap != NoLeap && r.after >= turned-1 && r.after <= turned+1 && !seen[r.labelling] {
				look(r)
			}
		}
	}

	// Labellings not looked into would fit the content no better than the best
	// one; those with a leap second at any other time than a month's end cannot be.
	unseen := math.Inf(-1)
	foreign := math.Inf(-1)
	for _, r := range all {
		foreign = logsum.Add(foreign, r.score)
		if !seen[r.labelling] && r.leap == NoLeap {
			unseen = logsum.Add(unseen, r.score)
		}
	}
	rest = logsum.Add(rest, best.total()+unseen-best.rank)
	nameless := logsum.Add(disorder, math.Log(foreignShare)+foreign) // of hypotheses that name no time

	f.label = best.label
	f.labelErr = min(f.labelErr, errorFrom(logsum.Add(rest, nameless), logsum.Add(best.total(), best.base+logsum.Add(best.near(), best.far))))
	f.offset = best.offset()
	near, far := best.base+best.near(), best.base+best.far
	dates := best.base + best.time + best.dated.rest // same time of day, another date
	if d.expected.odds > 0 {
		if early := d.expected.offset - f.offset; max(early, -early) <= expectWithin {
			near, far = math.Inf(-1), best.base+best.farthest
			for i, t := range best.beside {
				if moved := early - 60*(2*int64(i)-1); max(moved, -moved) <= expectWithin {
					near = best.base + t
				} else {
					far = max(far, best.base+t)
				}
			}
			// What names no time would hardly seem to name the expected one.
			nameless -= d.expected.odds
			far -= d.expected.odds
			dates = best.base + best.time + best.dated.second - d.expected.odds
		} else {
			rest += d.expected.odds
			nameless += d.expected.odds
			near += d.expected.odds
			far += d.expected.odds
			dates += d.expected.odds
		}
	}
	rest = logsum.Add(logsum.Add(rest, nameless), logsum.Add(near, far))
	f.dayErr = errorFrom(rest, logsum.Add(agree, best.total()))
	f.utcErr = errorFrom(logsum.Add(rest, dates), logsum.Add(agree, best.base+best.time+best.dated.score))
	f.contrary = d.contradicted(best.label, f.offset)
}

// dating is a time of day of the first minute heard, with its dates.
type dating struct {
	label  labelling
	first  int64 // first minute, on the labelling's scale
	minute int   // of the day
	turn   int   // minutes until the day ends; 0: it does not
	dated
	time float64 // log-likelihood of the time of day
	base float64 // log-probability of the labelling without that of its leap second
	rank float64 // and with it, the date unknown
	// beside is like time, dates included, but of the minute before and that
	// after; far is that of all other times of day together.
	beside   [2]float64
	far      float64
	farthest float64 // the likeliest one of far, with its likeliest date
}

// offset is UTC minus n as in finding.
func (d dating) offset() int64 {
	days := int64(d.date.time().Sub(epoch) / (24 * time.Hour))
	return d.label.shift + 60*(days*dayMinutes+int64(d.minute)-d.first)
}

func (d dating) near() float64 { return logsum.Add(d.beside[0], d.beside[1]) }

func (d dating) total() float64 { return d.base + d.time + d.dated.all() }

// bestTime returns the best time of day under a labelling.
func (h *minutesHeard) bestTime(l labelling) dating {
	leapTurn := 0 // the minute before which the leap second falls
	if l.leap != NoLeap {
		minute, _, _ := l.place(l.after)
		leapTurn = int(minute - h.first)
	}
	var times [dayMinutes]float64
	top := math.Inf(-1)
	for m := range times {
		times[m] = h.timeOfDay(m) - math.Log(dayMinutes)
		top = max(top, times[m])
	}
	oneDay := h.oneDay()
	best := dating{label: l, first: h.first, time: math.Inf(-1), dated: oneDay}
	var totals, singles [dayMinutes]float64 // with all dates, and with the likeliest
	for m, t := range times {
		next := dating{label: l, first: h.first, minute: m, dated: oneDay, time: t}
		turn := dayMinutes - m
		switch {
		case l.leap != NoLeap && turn != leapTurn:
			totals[m], singles[m] = math.Inf(-1), math.Inf(-1)
			continue
		case l.leap != NoLeap || turn < h.count && t > top-searchDepth:
			next.turn = turn
			next.dated = h.twoDays(turn, l.leap)
		}
		totals[m], singles[m] = next.total(), next.time+next.score
		if next.total() > best.total() {
			best = next
		}
	}
	best.far, best.farthest = math.Inf(-1), math.Inf(-1)
	for m, t := range totals {
		switch (m - best.minute + dayMinutes) % dayMinutes {
		case 0:
		case 1:
			best.beside[1] = t
		case dayMinutes - 1:
			best.beside[0] = t
		default:
			best.far = logsum.Add(best.far, t)
			best.farthest = max(best.farthest, singles[m])
		}
	}
	return best
}

// A time is contradicted when the seconds of the minute in which another symbol
// fits better than the one sent outweigh, all together, the rarity of such
// seconds, and what noise and fading make. So two stations with different codes
// on one carrier are told from one: their pulses add, so that some go on at less
// than their strength, and bits that only one of them sets come and go as it
// fades. It can but withhold a time: in 100 simulated recordings of 3 min at 6 dB
// with moderate fading one right one.
const (
	contraryShare = 0.2 // of the seconds that differ, if any do
	contraryOdds  = 5.5 // log-odds
)

// contradicted reports whether what was heard disagrees with a time in a way
// that noise does not explain.
func (d *Decoder) contradicted(l labelling, offset int64) bool {
	var against [60]float64
	for n := d.first; n <= d.last; n++ {
		e := d.at(n)
		minute, second, ok := l.place(n)
		if e == nil || !ok {
			continue
		}
		count := 60*minute + int64(second) - l.shift + offset
		against[second] += d.code.against(e.code, epoch.Add(time.Duration(count)*time.Second))
	}
	odds := 0.0
	for _, a := range against {
		odds += max(0, logsum.Add(math.Log(1-contraryShare), math.Log(contraryShare)+a))
	}
	return odds > contraryOdds
}

// gather sums the notices of the current UTC day, under the best labelling.
func (d *Decoder) gather(f *finding) {
	from := d.first
	if f.dayErr <= MaxError {
		since := mod(f.n+f.offset, 60*dayMinutes)
		from = max(from, f.n-since)
	}
	for n := from; n <= d.last; n++ {
		e := d.at(n)
		_, second, ok := f.label.place(n)
		if e == nil || !ok {
			continue
		}
		minuteOfHour := -1 // unknown
		if f.dayErr <= MaxError {
			minuteOfHour = int(mod(floorDiv(n+f.offset, 60), 60))
		}
		d.marks.dut1(e.marks, minuteOfHour, second, &f.notices)
		if d.code != nil {
			d.code.leap(e.code, second, &f.notices.leap)
			d.code.notices(e.code, second, &f.notices)
		}
	}
}
