package timecode

import (
	"math"
	"math/cmplx"
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
	bcdFlanks = [...]float64{-30, -20, -10, 10, 30, 40}
)

const (
	bcdCellMs = 100
	bcdAlways = 2  // cells in which every pulse is on
	bcdShared = 12 // flanks for which the noise of the whole second counts
)

// bcd hears the 100 Hz code.
type bcd struct {
	hz     float64
	bursts *bursts
	slow   [slotCount]float32 // audio averaged to a sample a millisecond
	full   [slotCount]bool
	// still is for the subcarrier where it is sent, and moved for where a
	// mistuned receiver would shift it; lead is how much more of it was heard there.
	still, moved tuning
	lead         float64
}

// tuning holds the tables for the subcarrier and its flanks.
type tuning struct {
	shift    float64 // Hz
	cos, sin [1 + len(bcdFlanks)][bcdCellMs]float32
}

func newBCD(c station.Code) *bcd {
	low := 0.0
	if c.Depth > 0 {
		low = c.LowDepth * c.LowDepth / (c.Depth * c.Depth)
	}
	var cells []cell
	for _, s := range bcdCells {
		cells = append(cells, cell{s.from, s.to, len(bcdFlanks) + bcdShared})
	}
	patterns := make([][]bool, bcdSymbols)
	for k, end := range bcdEnds {
		for _, c := range cells {
			patterns[k] = append(patterns[k], c.to <= end)
		}
	}
	b := &bcd{hz: c.ToneHz, bursts: newBursts(cells, patterns, bcdShare, low, bcdCap, bcdSplatter)}
	b.bursts.shared = bcdShared
	b.still.tune(b.hz, 0)
	return b
}

func (b *bcd) name() string { return "100 Hz code" }
func (b *bcd) keeps() int   { return bcdSymbols }

// tune makes the tables for a subcarrier at hz, shifted.
func (t *tuning) tune(hz, shiftHz float64) {
	t.shift = shiftHz
	for f := range t.cos {
		at := hz + shiftHz
		if f > 0 {
			at += bcdFlanks[f-1]
		}
		for i := range bcdCellMs {
			sin, cos := math.Sincos(2 * math.Pi * at * float64(i) / 1000)
			t.cos[f][i], t.sin[f][i] = float32(cos), float32(sin)
		}
	}
}

// steadyHz is how far the marks' pitch may be off before the receiver may be
// mistuned: with an AM receiver the subcarrier stays where it is, and what seems
// a shift is the error of the measured pitch.
const steadyHz = 4

// leadCap bounds what one second may say of where the subcarrier is, and all may.
const leadCap = 20

func (b *bcd) hear(s *Second, shiftHz float64, keep []float32) (foundHz float64) {
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
	at := &b.still
	if math.Abs(shiftHz) >= steadyHz {
		if math.Abs(shiftHz-b.moved.shift) > 1 {
			b.moved.tune(b.hz, shiftHz)
		}
		more := b.pulse(&b.moved) - b.pulse(&b.still)
		b.lead = min(max(b.lead+min(max(more, -leadCap), leadCap), -leadCap), leadCap)
		if b.lead > 0 {
			at = &b.moved
		}
	}
	for c, span := range bcdCells {
		if tone, noise, ok := b.measure(at, span.from); ok {
			b.bursts.heardAt(c, tone, noise)
		} else {
			b.bursts.missed(c)
		}
	}
	b.bursts.weigh(keep)
	b.bursts.learnPhase(bcdAlways)
	return at.shift
}

// pulse is how much stronger a tone is where every pulse is on than where none
// is, in units of noise.
func (b *bcd) pulse(t *tuning) float64 {
	on, noise, ok := b.measure(t, bcdCells[0].from)
	off, quiet, also := b.measure(t, bcdCells[len(bcdCells)-1].from)
	if noise += quiet; !ok || !also || noise == 0 {
		return 0
	}
	return 2 * (real(on*cmplx.Conj(on)) - real(off*cmplx.Conj(off))) / noise
}

// measure returns the amplitude of the subcarrier in the cell that starts at a
// slot, its phase counted from the onset, and the mean energy of the flanks;
// false when part of the audio is missing.
func (b *bcd) measure(t *tuning, slot int) (tone complex128, noise float64, ok bool) {
	from := slot - firstSlot
	if !b.full[from] || !b.full[from+bcdCellMs-1] {
		return 0, 0, false
	}
	x := b.slow[from : from+bcdCellMs]
	for f := range t.cos {
		cos, sin := &t.cos[f], &t.sin[f]
		var re, im float32
		for i, v := range x {
			re += v * cos[i]
			im += v * sin[i]
		}
		if f == 0 {
			turned := 2 * math.Pi * math.Mod((b.hz+t.shift)*float64(slot)/1000, 1)
			tone = complex(float64(re), -float64(im)) * cmplx.Rect(1, -turned)
		} else {
			noise += float64(re)*float64(re) + float64(im)*float64(im)
		}
	}
	return tone, noise / float64(len(bcdFlanks)), true
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
