package timecode

import (
	"math"
	"time"
)

// Belief is a value with the probability that it is wrong.
type Belief[T any] struct {
	Value T
	Error float64 // 1 when nothing is known
	From  string  // what it was read from, for people
}

// Known reports whether the value may be relied on.
func (b Belief[T]) Known() bool { return b.Error <= MaxError }

// Reading is what the broadcast has told so far. Every belief holds on its own:
// only those that are Known may be shown.
type Reading struct {
	N int64 // the newest second searched, to which the fields refer

	// Alignment is the probability that second N is each second of the minute.
	Alignment [60]float64
	// Second of the minute at N; 60 in an inserted second.
	Second Belief[int]
	// TimeOfDay is the start of second N in UTC, since midnight.
	TimeOfDay Belief[time.Duration]
	// UTC is the start of second N. The label of an inserted second is that
	// of the second after it, and Inserted is set.
	UTC      Belief[time.Time]
	Inserted bool

	DUT1      Belief[float64] // UT1 − UTC, s, from marks and code together
	DUT1Marks Belief[float64] // from the emphasised marks alone
	DUT1Code  Belief[float64] // from the code alone
	Leap      Belief[Leap]    // at the end of the current month
	DST       Belief[DST]
	// DSTPattern is the number of the summer time rule in force.
	DSTPattern  Belief[int]
	TAIminusUTC Belief[int] // s

	Contrary bool // something is received that the station does not send at this time; UTC is withheld

	label  labelling
	offset int64
}

// Reading returns what is known. To be cheap enough for a call every second it
// looks at new evidence every ten seconds, and once UTC is known every minute.
func (d *Decoder) Reading() Reading {
	every := int64(SearchEvery)
	if d.found.utcErr <= MaxError {
		every = confirmEvery
		if !d.reading.sure(d.last) {
			every = SearchEvery
		}
	}
	if d.any && d.last-d.searched >= every {
		d.look()
	}
	return d.reading
}

// look makes out what all evidence says.
func (d *Decoder) look() {
	d.release()
	d.found = d.search()
	d.reading = d.read()
	d.searched = d.last
	d.hold()
}

// sure reports whether the label of second n is beyond doubt.
func (r *Reading) sure(n int64) bool {
	_, _, ok := r.At(n)
	return ok
}

// Close looks at all evidence that is left, for the last Reading of a recording.
func (d *Decoder) Close() Reading {
	d.searched = math.MinInt64 / 2
	return d.Reading()
}

// hold keeps what is known for when its evidence is dropped, before the next review.
func (d *Decoder) hold() {
	f := &d.found
	if d.last-d.start < capacity-reviewEvery || f.utcErr > MaxError || f.contrary {
		return
	}
	odds := min(-math.Log(f.utcErr), heldCap)
	if d.held.offset == f.offset {
		odds = max(odds, d.held.odds) // confirmed, if by little
	}
	d.held = held{odds: odds, n: d.last, offset: f.offset}
}

// release lets go of what is held when a leap second may have come in since,
// too long ago to be weighed.
func (d *Decoder) release() {
	for n := d.held.n; d.held.odds > 0 && n < d.first; n++ {
		t := epoch.Add(time.Duration(n+1+d.held.offset) * time.Second)
		if t.Day() == 1 && t.Hour() == 0 && t.Minute() == 0 && t.Second() == 0 {
			d.held = held{}
		}
	}
}

// read turns what was found into a Reading.
func (d *Decoder) read() Reading {
	f := &d.found
	r := Reading{N: f.n, Alignment: f.alignment, label: f.label, offset: f.offset, Contrary: f.contrary}
	_, second, ok := f.label.place(f.n)
	r.Second = Belief[int]{second, f.labelErr, "marks"}
	r.Inserted = !ok

	r.TimeOfDay.Error, r.UTC.Error = 1, 1
	if d.code != nil {
		from := d.code.name()
		count := f.n + f.offset
		if r.Inserted {
			count++
		}
		r.UTC = Belief[time.Time]{epoch.Add(time.Duration(count) * time.Second), f.utcErr, from}
		day := time.Duration(mod(count, 60*dayMinutes)) * time.Second
		r.TimeOfDay = Belief[time.Duration]{day, f.dayErr, from}
		if f.contrary {
			r.UTC.Error, r.TimeOfDay.Error = 1, 1
		}
		r.Second.From = "marks and " + from
		d.readNotices(&r, from)
	} else {
		d.readNotices(&r, "")
	}
	return r
}

func (d *Decoder) readNotices(r *Reading, code string) {
	n := &d.found.notices
	// All of them stand or fall with the second of the minute.
	wrong := func(err float64) float64 { return min(1, err+r.Second.Error) }
	tenths := func(l []float64, from string) Belief[float64] {
		best, err := likeliest(l)
		return Belief[float64]{float64(best-dut1Limit) / 10, wrong(err), from}
	}
	r.DUT1Marks = tenths(n.dut1Marks[:], "marks")
	r.DUT1Code = tenths(n.dut1Code[:], code)
	var both [2*dut1Limit + 1]float64
	for i := range both {
		both[i] = n.dut1Marks[i] + n.dut1Code[i]
	}
	r.DUT1 = tenths(both[:], "marks and "+code)
	if code == "" {
		r.DUT1 = r.DUT1Marks
	}
	if r.DUT1Marks.Value != r.DUT1Code.Value && r.DUT1Marks.Error < contradiction && r.DUT1Code.Error < contradiction {
		r.DUT1.Error = 1
	}
	if code == "" {
		r.DUT1Code.Error, r.Leap.Error, r.DST.Error, r.DSTPattern.Error, r.TAIminusUTC.Error = 1, 1, 1, 1, 1
		return
	}
	leap, err := likeliest(n.leap[:])
	r.Leap = Belief[Leap]{Leap(leap), wrong(err), code}
	dst, err := likeliest(n.dst[:])
	r.DST = Belief[DST]{DST(dst), wrong(err), code}
	pattern, err := likeliest(n.pattern[:])
	r.DSTPattern = Belief[int]{pattern, wrong(err), code}
	tai, err := likeliest(n.tai[:])
	r.TAIminusUTC = Belief[int]{tai, wrong(err), code}
}

// contradiction is the probability of error below which marks and code that
// differ in DUT1 contradict each other.
const contradiction = 1e-3

// At returns the UTC label of any second, as UTC and Inserted do for N; only
// sensible when UTC is known. Before N it is that of the likeliest leap second.
// Beyond N a leap second that is known to be announced, or known not to be, is
// counted at the month's end; else ok is false from there until a search has
// confirmed what came.
func (r *Reading) At(n int64) (utc time.Time, inserted, ok bool) {
	at := min(n, r.N)
	minute, second, usual := r.label.place(at)
	count := 60*minute + int64(second) - r.label.shift + r.offset
	utc, inserted = epoch.Add(time.Duration(count)*time.Second), !usual
	if n <= r.N {
		return utc, inserted, true
	}
	end := monthEnd(utc)
	utc = utc.Add(time.Duration(n-at) * time.Second)
	if inserted {
		return utc.Add(-time.Second), false, true
	}
	switch leap := r.Leap; {
	case utc.Before(end.Add(-time.Second)):
		return utc, false, true
	case !leap.Known():
		return utc, false, false
	case leap.Value == InsertSecond && !utc.Before(end):
		inserted = utc.Equal(end)
		if !inserted {
			utc = utc.Add(-time.Second)
		}
	case leap.Value == DeleteSecond:
		utc = utc.Add(time.Second)
	}
	return utc, inserted, true
}

// monthEnd is the start of the month after t.
func monthEnd(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month()+1, 1, 0, 0, 0, 0, time.UTC)
}

// Labelled returns a reading of another decoder's with what At needs: n+shift is a
// count of the reading's seconds in which minutes start at multiples of 60, from
// second after on; before it, if it is not 0, a second was inserted.
func (r Reading) Labelled(shift, after int64) Reading {
	r.label = labelling{shift: shift}
	if after != 0 {
		r.label = labelling{shift: shift, leap: InsertSecond, after: after}
	}
	r.offset = int64(r.UTC.Value.Sub(epoch)/time.Second) - r.N
	if r.N < after { // an inserted second carries the label of the one after it
		r.offset--
	}
	return r
}
