package timecode

import (
	"math"
	"time"

	"timeball/capture/station"
)

// The 100 Hz code of WWV and WWVH: a modified IRIG-H frame, one pulse a second
// on a 100 Hz subcarrier, one frame a minute, labelling the minute that starts
// at its beginning. Widths, identifiers and the frame reference: NIST SP 432,
// figure of the time code; the place of each bit: from memory, and it gives
// the figure's worked example.

// Roles of a second in the frame.
type role uint8

const (
	zero   role = iota // index marker or unused bit: always 0
	hole               // no pulse: start of the frame
	marker             // position identifier
	digit              // a bit of a decimal digit
	notice             // DUT1, leap second, summer time
)

// field is a part of the date and time.
type field uint8

const (
	minuteField field = iota
	hourField
	dayField // of the year
	yearField
	fields
)

// bit is one second of the frame.
type bit struct {
	role   role
	field  field
	decade int // 0 units, 1 tens, 2 hundreds
	weight int // 1, 2, 4 or 8
}

// Seconds of the notices.
const (
	bcdDST2     = 2 // follows bcdDST1 a day later
	bcdLeap     = 3
	bcdDUT1Sign = 50 // 1: UT1 is ahead
	bcdDST1     = 55 // summer time; changes at 00:00 UTC of the day of the change
	bcdDUT1     = 56 // 0.1 s, then 0.2 s and 0.4 s
)

// bcdFrame is the layout of a minute.
var bcdFrame = func() (f [60]bit) {
	f[0].role = hole
	for s := 9; s < 60; s += 10 {
		f[s].role = marker
	}
	place := func(first int, field field, decade int, bits int) {
		for i := range bits {
			f[first+i] = bit{digit, field, decade, 1 << i}
		}
	}
	place(4, yearField, 0, 4)
	place(10, minuteField, 0, 4)
	place(15, minuteField, 1, 3)
	place(20, hourField, 0, 4)
	place(25, hourField, 1, 2)
	place(30, dayField, 0, 4)
	place(35, dayField, 1, 4)
	place(40, dayField, 2, 2)
	place(51, yearField, 1, 4)
	for _, s := range []int{bcdDST2, bcdLeap, bcdDUT1Sign, bcdDST1, bcdDUT1, bcdDUT1 + 1, bcdDUT1 + 2} {
		f[s].role = notice
	}
	return f
}()

// Symbols, as indices of what is kept of a second.
const (
	bcdHole = iota
	bcdZero
	bcdOne
	bcdMarker
	bcdSymbols
)

// bcdCap bounds what one symbol may say.
const bcdCap = 16

// bcdSplatter: pulses are long against the reciprocal of what the flanks span.
const bcdSplatter = 0.01

// Pulses start 30 ms after the second and end 200, 500 or 800 ms after it. The
// cells are 100 ms long, so that at steps of 10 Hz each other steady tone that
// is a multiple of 10 Hz (mains hum among them) falls on a zero.
var (
	bcdCells = []span{{30, 130}, {100, 200}, {200, 300}, {300, 400}, {400, 500}, {500, 600}, {600, 700}, {700, 800}, {800, 900}, {870, 970}}
	bcdEnds  = []int{bcdHole: 0, bcdZero: 200, bcdOne: 500, bcdMarker: 800} // of the pulse, ms
	bcdShare = []float64{bcdHole: 1. / 60, bcdZero: 41. / 60, bcdOne: 12. / 60, bcdMarker: 6. / 60}
	// Flanks avoid 50, 60, 100, 120 and 150 Hz.
	bcdFlanks = []float64{-30, -20, -10, 10, 30, 40}
)

const bcdCellMs = 100

// bcd hears the 100 Hz code.
type bcd struct {
	hz     float64
	bursts *bursts
	slow   [slotCount]float32 // audio averaged to a sample a millisecond
	full   [slotCount]bool
	shift  float64 // for which the tables are made, Hz
	cos    [][bcdCellMs]float32
	sin    [][bcdCellMs]float32
}

func newBCD(c station.Code) *bcd {
	low := 0.0
	if c.Depth > 0 {
		low = c.LowDepth * c.LowDepth / (c.Depth * c.Depth)
	}
	var cells []cell
	for _, s := range bcdCells {
		cells = append(cells, cell{s.from, s.to, len(bcdFlanks)})
	}
	patterns := make([][]bool, bcdSymbols)
	for k, end := range bcdEnds {
		for _, c := range cells {
			patterns[k] = append(patterns[k], c.to <= end)
		}
	}
	b := &bcd{hz: c.ToneHz,
		cos: make([][bcdCellMs]float32, 1+len(bcdFlanks)), sin: make([][bcdCellMs]float32, 1+len(bcdFlanks)),
		bursts: newBursts(cells, patterns, bcdShare, low, bcdCap, bcdSplatter)}
	b.tune(0)
	return b
}

func (b *bcd) name() string { return "100 Hz code" }
func (b *bcd) keeps() int   { return bcdSymbols }

// tune makes the tables for the subcarrier and its flanks.
func (b *bcd) tune(shiftHz float64) {
	b.shift = shiftHz
	for f := range b.cos {
		hz := b.hz + shiftHz
		if f > 0 {
			hz += bcdFlanks[f-1]
		}
		for i := range bcdCellMs {
			sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / 1000)
			b.cos[f][i], b.sin[f][i] = float32(cos), float32(sin)
		}
	}
}

// steadyHz is how far the marks' pitch may be off before the receiver is taken
// to be mistuned: with an AM receiver the subcarrier stays where it is, and
// what seems a shift is the error of the measured pitch.
const steadyHz = 4

func (b *bcd) hear(s *Second, shiftHz float64, keep []float32) {
	if math.Abs(shiftHz) < steadyHz {
		shiftHz = 0
	}
	if math.Abs(shiftHz-b.shift) > 1 {
		b.tune(shiftHz)
	}
	next := slotStart(s, firstSlot)
	for k := range slotCount {
		from := next
		next = slotStart(s, firstSlot+k+1)
		b.full[k] = from >= 0 && next <= len(s.Audio)
		b.slow[k] = 0
		if b.full[k] {
			var sum float32
			for _, a := range s.Audio[from:next] {
				sum += a
			}
			b.slow[k] = sum / float32(next-from)
		}
	}
	for c, span := range bcdCells {
		if from := span.from - firstSlot; b.full[from] && b.full[from+bcdCellMs-1] {
			tone, noise := b.energy(from)
			b.bursts.heard(c, tone, noise)
		} else {
			b.bursts.missed(c)
		}
	}
	b.bursts.weigh(keep)
}

// energy is that of the subcarrier in the cell starting at a slot, and the mean
// of that in its flanks.
func (b *bcd) energy(from int) (tone, noise float64) {
	x := b.slow[from : from+bcdCellMs]
	for f := range b.cos {
		cos, sin := &b.cos[f], &b.sin[f]
		var re, im float32
		for i, v := range x {
			re += v * cos[i]
			im += v * sin[i]
		}
		e := float64(re)*float64(re) + float64(im)*float64(im)
		if f == 0 {
			tone = e
		} else {
			noise += e
		}
	}
	return tone, noise / float64(len(bcdFlanks))
}

func (b *bcd) framing(keep []float32, out *[60]float32) {
	either := eitherBit(keep)
	for s := range out {
		switch bcdFrame[s].role {
		case hole:
			out[s] += keep[bcdHole]
		case marker:
			out[s] += keep[bcdMarker]
		case zero:
			out[s] += keep[bcdZero]
		default:
			out[s] += either
		}
	}
}

// eitherBit is the log-likelihood of a bit of unknown value.
func eitherBit(keep []float32) float32 {
	return float32(logAdd(float64(keep[bcdZero]), float64(keep[bcdOne])) - math.Ln2)
}

func (b *bcd) content(keep []float32, second int, d *digits) {
	p := bcdFrame[second]
	if p.role != digit {
		return
	}
	either := eitherBit(keep)
	d.addBit(p.field, p.decade, p.weight, float64(keep[bcdZero]-either), float64(keep[bcdOne]-either))
}

func (b *bcd) leap(keep []float32, second int, l *[leaps]float64) {
	if second != bcdLeap {
		return
	}
	zero, one := float64(keep[bcdZero]), float64(keep[bcdOne])
	l[NoLeap] += zero
	l[InsertSecond] += one
	l[DeleteSecond] += min(zero, one) // the code has no word for it
}

func (b *bcd) notices(keep []float32, second int, n *notices) {
	if bcdFrame[second].role != notice {
		return
	}
	l := [2]float64{float64(keep[bcdZero]), float64(keep[bcdOne])}
	switch second {
	case bcdDST1, bcdDST2:
		for i := range n.dst {
			bit := i & 1
			if second == bcdDST2 {
				bit = i >> 1
			}
			n.dst[i] += l[bit]
		}
	case bcdLeap:
	default:
		for i := range n.dut1Code {
			tenths := i - dut1Limit
			if tenths > 7 || tenths < -7 {
				n.dut1Code[i] += min(l[0], l[1]) // the code cannot say it
				continue
			}
			switch {
			case second != bcdDUT1Sign:
				n.dut1Code[i] += l[abs(tenths)>>(second-bcdDUT1)&1]
			case tenths == 0:
				n.dut1Code[i] += max(l[0], l[1])
			case tenths > 0:
				n.dut1Code[i] += l[1]
			default:
				n.dut1Code[i] += l[0]
			}
		}
	}
}

func abs(n int) int { return max(n, -n) }

func (b *bcd) against(keep []float32, t time.Time) float64 {
	switch one := float64(keep[bcdOne] - keep[bcdZero]); bcdSymbolAt(t) {
	case bcdZero:
		return one
	case bcdOne:
		return -one
	}
	return 0 // two frames that start together differ in bits only
}

// bcdSymbolAt is the symbol sent in the second that starts at t; -1 for a
// notice, which t does not decide.
func bcdSymbolAt(t time.Time) int {
	p := bcdFrame[t.Second()]
	switch p.role {
	case hole:
		return bcdHole
	case marker:
		return bcdMarker
	case zero:
		return bcdZero
	case notice:
		return -1
	}
	value := [fields]int{t.Minute(), t.Hour(), t.YearDay(), t.Year() % 100}[p.field]
	for range p.decade {
		value /= 10
	}
	if value%10&p.weight != 0 {
		return bcdOne
	}
	return bcdZero
}
