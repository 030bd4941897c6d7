package pulsecode

import (
	"math"
	"slices"
	"sync"
	"time"

	"gonum.org/v1/gonum/floats"

	"timeball/detect/logsum"
)

// MaxError is the largest probability of error with which a value counts as known.
const MaxError = 1e-6

const (
	// capacity is how many seconds of evidence are kept.
	capacity = 1800
	// doubt is the least likelihood of any mark against the best one: how seldom a
	// second may be of another kind than it seems by far. By it no second decides.
	doubt = 2e-4
	// Prior probabilities: the marks are the station's, in order; the frame is right
	// but the content means something else; a leap second falls on a given minute.
	orderly, foreign, leaping = 0.5, 1e-5, 0.2 / 525960
	minutesOfDay              = 24 * 60
	leastError                = 1e-9
	// shareless is Jeffreys' prior of the symbols' shares, in symbols heard.
	shareless = 0.5
	// A second is not looked at with less likelihood than e^-strange of anything: a
	// discharge of lightning must not decide.
	strange = 12
	// telling is the probability of error of the order by the frame alone below which what
	// the seconds hold is looked at, too.
	telling = 0.5
)

// Decoder gathers the evidence of one station.
type Decoder struct {
	*layout
	ring        [capacity]evidence
	first, last int64     // seconds held; none when last < first
	counts      []float64 // how often each symbol was sent so far, and as much more as shares are unsure; 0: it never is
	log         float64   // how much better the seconds so far fit the symbols than anything

	byDay, byDate part
	weighs        [60]bool // seconds of which the content is
	classes       []int    // of roles, by what may be sent: the first that is alike
	alike         []int8   // of each role, the last being that of none
}

// evidence is what one second says: the logarithm of the likelihood of each symbol, and
// by how much likelier the phase turned over than not.
type evidence struct {
	n     int64
	valid bool
	log   []float64
	turn  float64
	fits  []fit // to roles of each class
}

// fit is how much better a second fits its place in the frame than marks in no order, the
// digits having the shares that they had so far; and with equal shares where the content is
// weighed.
type fit struct{ any, own float64 }

// Reading is what the code has told. Second and what follows count for second N.
type Reading struct {
	N           int64
	Second      int // of the minute; 60 in an inserted second
	SecondError float64
	// UTC is the start of second N, of an inserted second that of the second after it.
	UTC      time.Time
	Inserted bool
	UTCError float64 // probability that it is wrong; 1: nothing is known
	// Log is how much likelier the seconds so far are by the station's code, in order or in
	// none, than anything: comparable with another code's.
	Log float64
	// Leap says whether a second is announced to be inserted, if LeapError allows; Change
	// is 1 when it is announced that the station's summer time begins, −1 that it ends, if
	// ChangeError allows. An error of 1: it is not sent.
	Leap        bool
	LeapError   float64
	Change      int
	ChangeError float64
	DUT1        float64 // UT1−UTC, s, if DUT1Error allows
	DUT1Error   float64

	label labelling
}

// New returns a decoder for a kind of code of package station; it panics when the
// kind is not of pulses.
func New(code string) *Decoder {
	l := layouts[code]
	if l == nil {
		panic("pulsecode: no code " + code)
	}
	d := &Decoder{layout: l, last: -1, byDay: l.part(kind.ofDay), byDate: l.part(kind.ofDate)}
	for _, p := range []part{d.byDay, d.byDate} {
		for _, f := range p.fields {
			for _, at := range f.at {
				d.weighs[at/l.bits] = true
			}
		}
		for _, q := range p.parities {
			d.weighs[q.at/l.bits] = true
		}
	}
	for role := range l.frame {
		i := slices.IndexFunc(d.classes, func(other int) bool {
			return l.frame[other] == l.frame[role] && d.weighs[other] == d.weighs[role]
		})
		if i < 0 {
			i = len(d.classes)
			d.classes = append(d.classes, role)
		}
		d.alike = append(d.alike, int8(i))
	}
	d.alike = append(d.alike, int8(len(d.classes)))
	d.classes = append(d.classes, -1)
	d.counts = make([]float64, len(l.symbols))
	for s := range d.counts {
		if s < 1<<l.bits || l.symbols[s] != nil || slices.Contains([]byte(l.frame), '-') && s == 1<<l.bits+1 {
			d.counts[s] = shareless
		}
	}
	return d
}

// Name is the code's, for people.
func (d *Decoder) Name() string { return d.name }

// Add takes the logarithms of by how much likelier second n is by each of the symbols than
// by anything else. Seconds must come in order.
func (d *Decoder) Add(n int64, log []float64) {
	if d.last < d.first {
		d.first = n
	}
	d.last = n
	d.first = max(d.first, n-capacity+1)
	e := &d.ring[n%capacity]
	e.n, e.valid, e.turn = n, true, 0
	e.log = append(e.log[:0], log...)
	top := math.Inf(-1)
	for i, v := range log {
		if d.counts[i] > 0 {
			top = max(top, v)
		}
	}
	total, any := 0.0, 0.0
	for i, v := range d.counts {
		e.log[i] = math.Log(math.Exp(log[i]-top) + doubt)
		total += v
		any += v * math.Exp(e.log[i])
	}
	e.fits = e.fits[:0]
	for _, role := range d.classes {
		e.fits = append(e.fits, d.frameLog(e, role, math.Log(any/total)))
	}
	d.log += logsum.Add(top+math.Log(any/total), -strange)
	for i, v := range d.counts {
		d.counts[i] += v * math.Exp(e.log[i]) / any
	}
}

// Log is how much better all seconds so far fit the station's symbols in any order than
// anything.
func (d *Decoder) Log() float64 { return d.log }

func (d *Decoder) at(n int64) *evidence {
	e := &d.ring[n%capacity]
	if n < d.first || n > d.last || !e.valid || e.n != n {
		return nil
	}
	return e
}

// labelling names the second of the minute of every second. With shift, n+shift is a
// count in which minutes start at multiples of 60; before second leap, if that is
// not 0, one second was inserted in the minute that ends there.
type labelling struct {
	shift, leap int64
}

// place is the minute and the second in it, up to 60.
func (l labelling) place(n int64) (minute int64, second int, leaping bool) {
	count := n + l.shift
	if l.leap != 0 && n < l.leap {
		count++
		if n >= l.leap-61 {
			first := l.leap - 61
			return floorDiv(first+1+l.shift, 60), int(n - first), true
		}
	}
	return floorDiv(count, 60), int(count - 60*floorDiv(count, 60)), false
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// role is the second of an ordinary minute whose mark is sent; −1: the one that is
// sent once more.
func (l *layout) role(second int, leaping bool) int {
	switch {
	case !leaping || second < l.leapAt:
		return second
	case second == l.leapAt:
		return -1
	}
	return second - 1
}

// frameLog is how well a second fits its place in the frame; any is the logarithm of its
// likelihood without a place.
func (d *Decoder) frameLog(e *evidence, role int, any float64) fit {
	shared, own := math.Inf(-1), math.Inf(-1)
	share, n := 0.0, 0.0
	for s, v := range e.log {
		if d.counts[s] > 0 && d.allows(role, s) {
			shared, share = logsum.Add(shared, v+math.Log(d.counts[s])), share+d.counts[s]
			own, n = logsum.Add(own, v), n+1
		}
	}
	f := fit{shared - math.Log(share) - any, own - math.Log(n) - any}
	if role < 0 || !d.weighs[role] {
		f.own = f.any
	}
	return f
}

// allows reports whether a symbol may be sent in a role.
func (l *layout) allows(role, symbol int) bool {
	digits := 1 << l.bits
	if role < 0 {
		return symbol == l.leapSymbol
	}
	switch c := l.frame[role]; c {
	case '.':
		return symbol < digits
	case 'M':
		return symbol == digits
	case '-':
		return symbol == digits+1
	case 'a':
		return symbol < digits && symbol&1 == 0
	case 'b':
		return symbol < digits && symbol&2 == 0
	case 'x':
		return symbol < digits && symbol&2 != 0
	default:
		return symbol == int(c-'0')
	}
}

type ranked struct {
	labelling
	score float64
}

// framed is how well all that is held fits the frame.
func (d *Decoder) framed(l labelling) (sum fit) {
	for n := d.first; n <= d.last; n++ {
		if e := d.at(n); e != nil {
			_, second, leaping := l.place(n)
			role := d.role(second, leaping)
			if role < 0 {
				role = len(d.frame)
			}
			f := e.fits[d.alike[role]]
			sum.any += f.any
			sum.own += f.own
		}
	}
	return sum
}

// align weighs all labellings against marks in no order; best first.
func (d *Decoder) align() (all []ranked, disorder float64) {
	disorder = math.Log(1 - orderly)
	share := math.Log(orderly / 60)
	score := func(l labelling) float64 { return d.framed(l).any }
	for shift := range int64(60) {
		all = append(all, ranked{labelling{shift: shift}, share + score(labelling{shift: shift})})
	}
	slices.SortStableFunc(all, func(a, b ranked) int { return compare(b.score, a.score) })
	if d.leapAt < 0 {
		return all, disorder
	}
	// A leap second within what was heard: the minutes after it tell the shift or
	// those before it do.
	seen := map[int64]bool{}
	for _, base := range all[:4] {
		for _, shift := range []int64{base.shift, base.shift - 1} {
			if seen[shift] {
				continue
			}
			seen[shift] = true
			for m := floorDiv(d.first+shift, 60); 60*m-shift-61+int64(d.leapAt) <= d.last; m++ {
				l := labelling{shift, 60*m - shift}
				if l.leap > d.first+1 && l.leap != 0 {
					all = append(all, ranked{l, share + math.Log(leaping) + score(l)})
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b ranked) int { return compare(b.score, a.score) })
	return all, disorder
}

func compare(a, b float64) int {
	if a < b {
		return -1
	}
	return 1
}

// heard is what was heard in one minute or several: how much likelier each bit is a
// zero, and a one, than anything, summed; nothing of those not heard.
type heard [2][places]float64

const places = 120 // the most there are

// hear sorts the evidence into minutes.
func (d *Decoder) hear(l labelling) (first int64, minutes []heard) {
	first, _, _ = l.place(d.first)
	for n := d.first; n <= d.last; n++ {
		e := d.at(n)
		minute, second, leaping := l.place(n)
		for int64(len(minutes)) <= minute-first {
			minutes = append(minutes, heard{})
		}
		role := d.role(second, leaping)
		if e == nil || role < 0 || d.frame[role] == 'M' || d.frame[role] == '-' {
			continue
		}
		for bit := range d.bits {
			log := [2]float64{math.Inf(-1), math.Inf(-1)}
			for s := range 1 << d.bits {
				v := s >> (d.bits - 1 - bit) & 1
				log[v] = logsum.Add(log[v], e.log[s])
			}
			any := logsum.Add(log[0], log[1]) - math.Ln2
			for v := range log {
				minutes[minute-first][v][role*d.bits+bit] = log[v] - any
			}
		}
	}
	return first, minutes
}

// odds is how much likelier a bit is a one than a zero.
func (h *heard) odds(place int) float64 { return h[1][place] - h[0][place] }

// of is how much likelier a value of a field is than its bits being anything. It
// notes its ones in bits.
func (h *heard) of(f *field, value int, bits *[places]bool) float64 {
	sum := 0.0
	for i, w := range f.weights {
		p := f.at[i]
		if bits[p] = value >= w; bits[p] {
			value -= w
			sum += h[1][p]
		} else {
			sum += h[0][p]
		}
	}
	return sum
}

// value is a field's at a time of the code's clock; 0 for fields that no time tells.
func (k kind) value(t time.Time) int {
	switch k {
	case minute:
		return t.Minute()
	case hour:
		return t.Hour()
	case halfDay:
		return t.Hour() / 12
	case hour12:
		return t.Hour() % 12
	case day:
		return t.Day()
	case month:
		return int(t.Month())
	case year:
		return t.Year() % 100
	case weekday:
		return (int(t.Weekday())+6)%7 + 1
	case sunday0:
		return int(t.Weekday())
	case yearDay:
		return t.YearDay()
	}
	return 0
}

// most is the greatest value of a field that a time tells.
func (k kind) most() int {
	return [...]int{minute: 59, hour: 23, halfDay: 1, hour12: 11, day: 31, month: 12, year: 99, weekday: 7, sunday0: 6, yearDay: 366}[k]
}

func (k kind) ofDay() bool  { return k <= hour12 }
func (k kind) ofDate() bool { return k >= day && k <= yearDay }

// part is those fields of a code that a time of day tells, or a date, and the
// parities over them alone.
type part struct {
	fields   []*field
	parities []*parity
}

func (l *layout) part(of func(kind) bool) (p part) {
	var own, others [places]bool
	for i := range l.fields {
		f := &l.fields[i]
		mark := &others
		if of(f.kind) {
			p.fields = append(p.fields, f)
			mark = &own
		}
		for _, at := range f.at {
			mark[at] = true
		}
	}
	for i := range l.parities {
		q := &l.parities[i]
		some, foreign := false, false
		for _, at := range q.over {
			some, foreign = some || own[at], foreign || others[at]
		}
		if some && !foreign {
			p.parities = append(p.parities, q)
		}
	}
	return p
}

// weighed is how much better what was heard fits each value of a part's fields than any
// content, and which of its parities their ones turn over.
type weighed struct {
	logs     [][]float64
	turned   [][]uint8
	odd      uint8
	parities [][2]float64
}

// weigh prepares a part for many times.
func (p *part) weigh(h *heard) weighed {
	var w weighed
	var bits [places]bool
	for _, f := range p.fields {
		logs, turned := make([]float64, f.kind.most()+1), make([]uint8, f.kind.most()+1)
		for v := range logs {
			logs[v] = h.of(f, v, &bits)
			for i, q := range p.parities {
				for _, at := range q.over {
					if bits[at] && slices.Contains(f.at, at) {
						turned[v] ^= 1 << i
					}
				}
			}
		}
		w.logs, w.turned = append(w.logs, logs), append(w.turned, turned)
	}
	for i, q := range p.parities {
		w.parities = append(w.parities, [2]float64{h[0][q.at], h[1][q.at]})
		if q.odd {
			w.odd |= 1 << i
		}
	}
	return w
}

// score is that of the fields' values.
func (w *weighed) score(values []int16) float64 {
	sum, turned := 0.0, w.odd
	for i, v := range values {
		sum += w.logs[i][v]
		turned ^= w.turned[i][v]
	}
	for i := range w.parities {
		sum += w.parities[i][turned>>i&1]
	}
	return sum
}

// values are those of a part's fields at a time of the code's clock.
func (p *part) values(t time.Time) []int16 {
	all := make([]int16, len(p.fields))
	for i, f := range p.fields {
		all[i] = int16(f.kind.value(t))
	}
	return all
}

// calendar are the values of all kinds of field of a date, day by day.
var calendar = sync.OnceValue(func() *[days + 1][kinds]int16 {
	all := new([days + 1][kinds]int16)
	for v := range all {
		t := epoch.AddDate(0, 0, v)
		for k := day; k <= yearDay; k++ {
			all[v][k] = int16(k.value(t))
		}
	}
	return all
})

var epoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

const days = 36525 // of the century

// Reading weighs all that is held.
func (d *Decoder) Reading() Reading {
	r := Reading{N: d.last, SecondError: 1, UTCError: 1, LeapError: 1, ChangeError: 1, DUT1Error: 1}
	if d.last < d.first {
		return r
	}
	all, disorder := d.align()
	inside, outside := math.Inf(-1), math.Inf(-1)
	near := 0
	for i, a := range all {
		if i == near && near < mostOrders && a.score > all[0].score-hopeless {
			near, inside = near+1, logsum.Add(inside, a.score)
		} else {
			outside = logsum.Add(outside, a.score)
		}
	}
	r.label = all[0].labelling
	_, r.Second, _ = r.label.place(d.last)
	if errorOf(inside, outside) < telling {
		// What the seconds hold tells the order, too: it is the code's, or anything.
		told := make([]dated, near)
		best := 0
		for i, a := range all[:near] {
			told[i] = d.date(a)
			if told[i].total() > told[best].total() {
				best = i
			}
		}
		d.judge(told, best, logsum.Add(disorder, outside))
		r = told[best].Reading
	} else {
		r.SecondError = errorOf(all[0].score, logsum.Add(disorder, rest(all)))
		r.Log = d.log + logsum.Add(disorder, logsum.Add(inside, outside))
	}
	if r.SecondError < plausible && r.label.leap == 0 {
		if start, wrong := d.phased(r.label); wrong < plausible {
			r.bothSay(start.Add(time.Duration(r.Second)*time.Second), wrong)
			r.UTCError = max(r.UTCError, r.SecondError) // both count from the same minute
		}
	}
	return r
}

const (
	// An order that fits the frame by so much worse than the best, log-likelihood, is not
	// looked at more closely: what a leap second leaves in doubt is less than its prior's
	// 15 and two seconds' doubt. No more orders are than this.
	hopeless, mostOrders = 32, 6
)

// rest is the sum of all but the first.
func rest(all []ranked) float64 {
	sum := math.Inf(-1)
	for _, a := range all[1:] {
		sum = logsum.Add(sum, a.score)
	}
	return sum
}

// dated is what the seconds say in one order: scores with any content, with that of the
// likeliest time, and with those of all others.
type dated struct {
	Reading
	any, log, others float64
	zone             float64 // probability that the zone is wrong
}

// total is how well the order fits: its seconds hold the code's content, or anything.
func (t *dated) total() float64 {
	return logsum.Add(t.any, logsum.Add(t.log, t.others)) - math.Ln2
}

// judge gives the best of several orders its probabilities of error, outside being the
// score of what is not among them. Orders that name the same time are not against it.
func (d *Decoder) judge(told []dated, best int, outside float64) {
	t := &told[best]
	log, against := t.log, logsum.Add(t.others, math.Log(foreign)+t.any)
	order, others := t.total(), outside
	for i := range told {
		o := &told[i]
		switch {
		case i == best:
		case o.Second != t.Second:
			others = logsum.Add(others, o.total())
			against = logsum.Add(against, o.total())
		default:
			order = logsum.Add(order, o.total())
			if o.UTC.Equal(t.UTC) {
				log = logsum.Add(log, o.log)
				against = logsum.Add(against, o.others)
			} else {
				against = logsum.Add(against, o.total())
			}
		}
	}
	t.UTCError = min(1, errorOf(log, logsum.Add(against, outside))+t.zone)
	t.SecondError = errorOf(order, others)
	t.Log = d.log + logsum.Add(order, others)
}

// plausible is the probability of error below which a time counts against another.
const plausible = 1e-2

// bothSay joins what the phase says: two codes that agree are wrong together only, and
// two that are both plausible and differ tell nothing.
func (r *Reading) bothSay(utc time.Time, wrong float64) {
	switch {
	case r.UTC.Equal(utc):
		r.UTCError = max(leastError, r.UTCError*wrong)
	case r.UTCError < plausible:
		r.UTCError = 1
	default:
		r.UTC, r.UTCError = utc, wrong
	}
}

// date finds the likeliest time of an order, and what goes with it.
func (d *Decoder) date(order ranked) (r dated) {
	r.Reading = Reading{N: d.last, LeapError: 1, ChangeError: 1, DUT1Error: 1, label: order.labelling}
	first, minutes := d.hear(r.label)
	f := d.framed(r.label)
	r.any = order.score
	aligned := r.any - f.any + f.own
	// Time of day of the first minute, on the code's clock.
	at := func(m int) time.Time { return epoch.Add(time.Duration(m+d.ahead) * time.Minute) }
	var ofDay [minutesOfDay][]int16
	for m := range ofDay {
		ofDay[m] = d.byDay.values(at(m))
	}
	var times [minutesOfDay]float64
	named := make([][minutesOfDay]float64, len(minutes)) // how well each minute fits each start
	for k := range minutes {
		w := d.byDay.weigh(&minutes[k])
		for m := range named[k] {
			named[k][m] = w.score(ofDay[m])
		}
		for m := range times {
			times[m] += named[k][(m+k)%minutesOfDay]
		}
	}
	best, otherTimes := likeliest(times[:])
	top := times[best]
	clock := d.zone(minutes)
	for _, c := range d.changes(minutes, named) {
		if c.score > top {
			best, top, clock, c.score = c.first, c.score, c.zone, top
		}
		otherTimes = logsum.Add(otherTimes, c.score)
	}
	// The day of the first minute's time, and from midnight on the day after.
	var today, tomorrow heard
	midnight := false
	for k := range minutes {
		of := &today
		if (best+d.ahead)/minutesOfDay < (best+k+d.ahead)/minutesOfDay {
			of, midnight = &tomorrow, true
		}
		of.add(&minutes[k], d.layout, at(best+k).Minute())
	}
	dates, all := make([]float64, days), calendar()
	now, next := d.byDate.weigh(&today), d.byDate.weigh(&tomorrow)
	values := make([]int16, len(d.byDate.fields))
	of := func(v int) []int16 {
		for i, f := range d.byDate.fields {
			values[i] = all[v][f.kind]
		}
		return values
	}
	for v := range dates {
		dates[v] = now.score(of(v))
		if midnight {
			dates[v] += next.score(of(v + 1))
		}
	}
	bestDay, otherDays := likeliest(dates)
	// The date is that of the time which the first minute names.
	local := epoch.AddDate(0, 0, bestDay).Add(time.Duration((best+d.ahead)%minutesOfDay-d.ahead) * time.Minute)
	r.UTC = local.Add(-time.Duration(clock.hours * float64(time.Hour)))

	r.zone = clock.wrong
	d.notices(&r.Reading, minutes)
	d.announced(&r.Reading, minutes, clock.summer)
	r.log = aligned + top - math.Log(minutesOfDay) + dates[bestDay] - math.Log(days)
	// Other dates of this time, and other times.
	r.others = logsum.Add(r.log-dates[bestDay]+otherDays, r.log-top+otherTimes+logsum.Add(0, otherDays-dates[bestDay]))
	r.log += d.leaps(r.label, first, minutes, r.UTC)
	minute, second, _ := r.label.place(d.last)
	r.Second, r.Inserted = second, second == 60
	r.UTC = r.UTC.Add(time.Duration(60*(minute-first)+int64(second)) * time.Second)
	return r
}

// leaps is by how much likelier a leap second, or none, is where the order has it, the
// first minute having started at a time, than the order's own prior has it: a second is
// inserted at the end of a month and nowhere else, and what was announced before counts.
func (d *Decoder) leaps(l labelling, first int64, minutes []heard, start time.Time) (log float64) {
	// The second after which a month is over, by this order, is heard.
	last, second, _ := l.place(d.last)
	end := start.Add(time.Duration(60*(last-first)+int64(second)) * time.Second)
	month := time.Date(end.Year(), end.Month(), 1, 0, 0, 0, 0, time.UTC)
	if minute, _, _ := l.place(l.leap); l.leap != 0 {
		month = start.Add(time.Duration(minute-first) * time.Minute)
		if !month.Equal(time.Date(month.Year(), month.Month(), 1, 0, 0, 0, 0, time.UTC)) {
			return math.Inf(-1)
		}
	}
	if d.leapAt < 0 || !start.Before(month) {
		return 0
	}
	prior := leapPrior(month.Month())
	v := 0
	if log = math.Log(1 - prior); l.leap != 0 {
		v, log = 1, math.Log(prior/leaping)
	}
	if d.leapNotice.since == nil {
		return log
	}
	told, _ := d.flag(leap, minutes, start, d.leapNotice.since(month.Add(-time.Minute)), month)
	return log + told[v]
}

// flag is how much likelier than any content those minutes that start from ≤ t < to make a
// field of one bit 0 in all of them, and 1, the first having started at a time; sent: there
// are such minutes and the code has the field.
func (d *Decoder) flag(k kind, minutes []heard, start, from, to time.Time) (log [2]float64, sent bool) {
	for i := range d.fields {
		f := &d.fields[i]
		if f.kind != k {
			continue
		}
		for m := range minutes {
			t := start.Add(time.Duration(m) * time.Minute)
			if t.Before(from) || !t.Before(to) {
				continue
			}
			sent = true
			if !slices.Contains(f.not, t.Minute()) {
				for v := range log {
					log[v] += minutes[m][v][f.at[0]]
				}
			}
		}
	}
	return log, sent
}

// leapPrior is the probability that a second is inserted before a month. Rec. ITU-R TF.460
// prefers January and July, then April and October; 27 were at the 104 ends of half years
// from 1972 to 2023, none since 2016 and none elsewhere.
func leapPrior(month time.Month) float64 {
	switch month {
	case time.January, time.July:
		return 0.1
	case time.April, time.October:
		return 1e-3
	}
	return 1e-5
}

// add adds what was heard in a minute of the hour, without the fields that are not
// sent in it.
func (h *heard) add(o *heard, l *layout, minute int) {
	left := *o
	for _, f := range l.fields {
		if slices.Contains(f.not, minute) {
			for _, p := range f.at {
				left[0][p], left[1][p] = 0, 0
			}
		}
	}
	for v := range h {
		for p := range h[v] {
			h[v][p] += left[v][p]
		}
	}
}

// likeliest is the index of the greatest of logarithms, and the sum of the others.
func likeliest(log []float64) (best int, rest float64) {
	best = floats.MaxIdx(log)
	top := log[best]
	log[best] = math.Inf(-1)
	rest = logsum.Sum(log)
	log[best] = top
	return best, rest
}

// zone is the code's clock minus UTC in the first minute, hours, the probability that it
// is wrong, and whether summer time is in force when the last starts.
type zone struct {
	hours, wrong float64
	summer       bool
}

// season is how much likelier than any content what a minute tells of the time in force is
// in winter, and in summer; told: the code says so.
func (d *Decoder) season(h *heard) (log [2]float64, told bool) {
	for i := range d.fields {
		f := &d.fields[i]
		if f.kind != summer && f.kind != winter {
			continue
		}
		told = true
		for v := range log {
			bit := v
			if f.kind == winter {
				bit = 1 - v
			}
			log[v] += h[bit][f.at[0]]
		}
	}
	return log, told
}

// zone is that of minutes in which the clocks are not changed.
func (d *Decoder) zone(minutes []heard) zone {
	odds, told := 0.0, false
	for k := range minutes {
		var log [2]float64
		log, told = d.season(&minutes[k])
		odds += log[1] - log[0]
	}
	z := zone{hours: d.hours}
	if told {
		z.wrong = max(leastError, 1/(1+math.Exp(math.Abs(odds))))
		if z.summer = odds > 0; z.summer {
			z.hours++
		}
	}
	return z
}

// change is that the clocks were put on or back in one of the minutes.
type change struct {
	first int // time of day of the first, on the code's clock
	score float64
	zone  zone
}

// changes weighs all of them, as times of the first minute, by how well each minute fits
// the start of each minute of the day. The codes that tell of summer time are
// Europe's, where it begins and ends at 01:00 UTC (Directive 2000/84/EC), each once a year.
func (d *Decoder) changes(minutes []heard, named [][minutesOfDay]float64) (all []change) {
	var before, after [2]float64 // by whether it is summer, up to a minute and from it on
	told := false
	for k := range minutes {
		var log [2]float64
		log, told = d.season(&minutes[k])
		after[0], after[1] = after[0]+log[0], after[1]+log[1]
	}
	if !told {
		return nil
	}
	never := logsum.Add(after[0], after[1]) - math.Ln2
	for k := 1; k < len(minutes); k++ {
		log, _ := d.season(&minutes[k-1])
		for v := range log {
			before[v] += log[v]
			after[v] -= log[v]
		}
		for to := range 2 {
			// The minute before minute k names 00:59 UTC, and minute k the new time of 01:00.
			first, jump := 60*(1+int(d.hours))-d.ahead-k, 60
			if to == 0 {
				first, jump = first+60, -60
			}
			c := change{first: first, score: before[1-to] + after[to] - never - math.Log(daysOfYear)}
			c.zone = zone{hours: d.hours + float64(1-to), wrong: leastError, summer: (to == 1) == (k+d.ahead < len(minutes))}
			for i := range named {
				m := first + i
				if i >= k {
					m += jump
				}
				c.score += named[i][(m+minutesOfDay)%minutesOfDay]
			}
			all = append(all, c)
		}
	}
	return all
}

const daysOfYear = 365.25

// announced reads what is announced of leap seconds and of summer time, from the minutes
// up to the last since which it cannot have changed: one after another adds to what is
// told, as one alone never tells it.
func (d *Decoder) announced(r *Reading, minutes []heard, inSummer bool) {
	end := r.UTC.Add(time.Duration(len(minutes)) * time.Minute)
	// sum is how much better all that was heard of a field is ones than noughts.
	sum := func(k kind, n notice) (odds float64, sent bool) {
		if n.since == nil {
			return 0, false
		}
		log, sent := d.flag(k, minutes, r.UTC, n.since(end.Add(-time.Minute)), end)
		return log[1] - log[0], sent
	}
	if odds, sent := sum(leap, d.leapNotice); sent {
		odds += math.Log(leaping * d.leapNotice.minutes)
		r.Leap, r.LeapError = odds > 0, max(leastError, 1/(1+math.Exp(math.Abs(odds))))
	}
	begins, ends := math.Inf(-1), math.Inf(-1)
	const changing = 1 / (daysOfYear * minutesOfDay) // of each kind, in a minute
	share := math.Log(changing * d.changeNotice.minutes)
	odds, sent := sum(changeSoon, d.changeNotice)
	switch {
	case sent && inSummer:
		ends = odds + share
	case sent:
		begins = odds + share
	default:
		// Two bits, of summer time at the day's start and at its end, differ then.
		from, told := sum(summerAtStart, d.changeNotice)
		to, _ := sum(summerAtEnd, d.changeNotice)
		if !told {
			return
		}
		same := logsum.Add(0, from+to) - math.Ln2
		begins, ends = share+to-same, share+from-same
	}
	switch top := max(begins, ends, 0); {
	case top == 0:
		r.ChangeError = errorOf(0, logsum.Add(begins, ends))
	case begins > ends:
		r.Change, r.ChangeError = 1, errorOf(begins, logsum.Add(0, ends))
	default:
		r.Change, r.ChangeError = -1, errorOf(ends, logsum.Add(0, begins))
	}
}

// notices reads DUT1.
func (d *Decoder) notices(r *Reading, minutes []heard) {
	var sign float64
	tenths := map[int]float64{}
	signed := false
	var bits [places]bool
	for i := range d.fields {
		f := &d.fields[i]
		for _, m := range minutes {
			switch f.kind {
			case dut1Sign:
				sign, signed = sign+m.odds(f.at[0]), true
			case dut1:
				for v := range 10 {
					tenths[v] += m.of(f, v, &bits)
				}
			case dut1Plus, dut1Minus:
				for v := range 9 {
					if f.kind == dut1Minus {
						tenths[-v] += m.of(f, v, &bits)
					} else {
						tenths[v] += m.of(f, v, &bits)
					}
					// The other field is then nought.
					if v > 0 {
						other := -v
						if f.kind == dut1Minus {
							other = v
						}
						tenths[other] += m.of(f, 0, &bits)
					}
				}
			}
		}
	}
	if len(tenths) == 0 {
		return
	}
	best, top, rest := 0, math.Inf(-1), math.Inf(-1)
	for v := -9; v < 10; v++ {
		s, ok := tenths[v]
		switch {
		case !ok:
		case s > top:
			best, top, rest = v, s, logsum.Add(rest, top)
		default:
			rest = logsum.Add(rest, s)
		}
	}
	r.DUT1Error = errorOf(top, rest)
	if signed {
		if sign < 0 {
			best = -best
		}
		r.DUT1Error = min(1, r.DUT1Error+1/(1+math.Exp(math.Abs(sign))))
	}
	r.DUT1 = float64(best) / 10
}

// Shift is what makes seconds a count in which minutes start at multiples of 60, from
// second after on; before it, if it is not 0, a second was inserted.
func (r *Reading) Shift() (shift, after int64) { return r.label.shift, r.label.leap }

// At is the UTC of a second up to N, and whether it is an inserted one; only
// sensible when UTC is known.
func (r *Reading) At(n int64) (utc time.Time, inserted bool) {
	minute, second, _ := r.label.place(n)
	m, s, _ := r.label.place(r.N)
	return r.UTC.Add(time.Duration(60*(minute-m)+int64(second-s)) * time.Second), second == 60
}

func errorOf(best, rest float64) float64 {
	return max(leastError, math.Exp(rest-logsum.Add(rest, best)))
}
