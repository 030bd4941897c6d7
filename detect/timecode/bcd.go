package timecode

import (
	"math"
	"math/cmplx"
	"time"

	"timeball/capture/station"
	"timeball/detect/logsum"
	"timeball/detect/tone"
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
	bcdStep // half as strong from where a zero ends to where a one does: two codes at once
	bcdSymbols
)

// bcdCap bounds what one symbol may say: less than −ln MaxError, which is 13.8, so
// that no time rests on a single second, which may be another's however clearly
// it is heard.
const bcdCap = 12

// bcdSplatter: pulses are long against the reciprocal of what the flanks span.
const bcdSplatter = 0.01

// Pulses start 30 ms after the second and end 200, 500 or 800 ms after it. The
// cells are 100 ms long, so that at steps of 10 Hz each other steady tone that
// is a multiple of 10 Hz (mains hum among them) falls on a zero.
var (
	bcdCells = [bcdCellCount]span{{30, 130}, {100, 200}, {200, 300}, {300, 400}, {400, 500}, {500, 600}, {600, 700}, {700, 800}, {800, 900}, {870, 970}}
	bcdEnds  = []int{bcdHole: 0, bcdZero: 200, bcdOne: 500, bcdMarker: 800, bcdStep: 500} // of the pulse, ms
	bcdShare = [bcdSymbols]float64{bcdHole: 1. / 60, bcdZero: 41. / 60, bcdOne: 12. / 60, bcdMarker: 6. / 60}
	// Flanks avoid 50, 60, 100, 120 and 150 Hz.
	bcdFlanks = [...]float64{-30, -20, -10, 10, 30, 40}
)

const (
	bcdCellMs    = 100
	bcdCellCount = 10
	bcdShared    = 12 // flanks for which the noise of the whole second counts in that of each cell
	bcdNoises    = bcdShared + float64(len(bcdFlanks))
)

// Where the subcarrier may be found: a receiver with a carrier of its own, when
// it is mistuned, shifts it.
const (
	shiftStepHz = 5.0 // half of what a cell tells apart
	shiftSteps  = 12  // each way
	// shiftLead is how much more must be heard at a shift than at none, in units
	// of noise, shiftCap bounds what one second may say, and shiftSeconds is how
	// long it is remembered.
	shiftLead    = 20.0
	shiftCap     = 20.0
	shiftSeconds = 60.0
)

// bcd hears the 100 Hz code.
type bcd struct {
	hz     float64
	fading *fading
	slow   [slotCount]float32 // audio averaged to a sample a millisecond
	full   [slotCount]bool

	shifts [1 + 2*shiftSteps]*tone.Tone // from the lowest up
	heard  [1 + 2*shiftSteps]float64    // energy of pulses at each, over noise
	shift  int                          // steps from no shift
	flanks [len(bcdFlanks)]*tone.Tone   // at that shift
	// turn is how the phase moves from the first cell to the second, in both of
	// which every pulse is on: the sum over the latest shiftSeconds of their
	// product, by noise. It tells what of the shift lies between the steps.
	turn complex128
}

// newTone is a tone of one cell's length, a sample a millisecond.
func newTone(hz float64) *tone.Tone { return tone.New(hz/1000, bcdCellMs) }

func newBCD(c station.Code) *bcd {
	low := 0.0
	if c.Depth > 0 {
		low = c.LowDepth / c.Depth
	}
	b := &bcd{hz: c.ToneHz, fading: newFading(low)}
	for i := range b.shifts {
		b.shifts[i] = newTone(b.hz + shiftStepHz*float64(i-shiftSteps))
	}
	b.tune(0)
	// A receiver that shifts nothing, or by less than a step, is the likeliest.
	b.turn = shiftSeconds
	return b
}

func (b *bcd) name() string { return "100 Hz code" }
func (b *bcd) keeps() int   { return bcdSymbols }

// tune listens at a shift, in steps.
func (b *bcd) tune(shift int) {
	b.shift, b.turn = shift, 0
	for i, flank := range bcdFlanks {
		b.flanks[i] = newTone(b.hz + shiftStepHz*float64(shift) + flank)
	}
}

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
	b.seek()
	for c, span := range bcdCells {
		amplitude, noise, ok := b.measure(span.from)
		if !ok {
			noise = -1
		}
		b.fading.tone[c], b.fading.noise[c] = amplitude, noise
	}
	foundHz = shiftStepHz*float64(b.shift) + b.straighten()
	b.fading.weigh(keep)
	if b.heard[shiftSteps+b.shift] < shiftLead {
		return shiftHz
	}
	return foundHz
}

// cell is the audio of the cell that starts at a slot; nil when part of it is
// missing.
func (b *bcd) cell(slot int) []float32 {
	from := slot - firstSlot
	if !b.full[from] || !b.full[from+bcdCellMs-1] {
		return nil
	}
	return b.slow[from : from+bcdCellMs]
}

// seek finds out by how much the subcarrier is shifted: there, more is heard
// where every pulse is on than where none is.
func (b *bcd) seek() {
	on, off := b.cell(bcdCells[0].from), b.cell(bcdCells[bcdCellCount-1].from)
	if on == nil || off == nil {
		return
	}
	var more [len(b.heard)]float64
	noise := 0.0
	for i := range b.shifts {
		quiet := sqAbs(b.shifts[i].Of(off))
		more[i] = sqAbs(b.shifts[i].Of(on)) - quiet
		noise += quiet / float64(len(more))
	}
	if noise == 0 {
		return
	}
	best := shiftSteps
	for i, m := range more {
		b.heard[i] = b.heard[i]*(1-1/shiftSeconds) + min(max(m/noise, -shiftCap), shiftCap)
		if b.heard[i] > b.heard[best] {
			best = i
		}
	}
	if b.heard[best] < b.heard[shiftSteps]+shiftLead {
		best = shiftSteps
	}
	if shift := best - shiftSteps; shift != b.shift {
		b.tune(shift)
	}
}

// straighten takes out of the cells' phases what the subcarrier's pitch, Hz,
// differs from that at which they were measured, and returns that.
func (b *bcd) straighten() (hz float64) {
	f := b.fading
	b.turn *= 1 - 1/shiftSeconds
	if f.noise[0] > 0 && f.noise[1] > 0 {
		turn := f.tone[1] * cmplx.Conj(f.tone[0]) / complex((f.noise[0]+f.noise[1])/2, 0)
		b.turn += turn * complex(min(1, shiftCap/cmplx.Abs(turn)), 0)
	}
	step := float64(bcdCells[1].from-bcdCells[0].from) / 1000
	hz = cmplx.Phase(b.turn) / (2 * math.Pi * step)
	for c, s := range bcdCells {
		f.tone[c] *= tone.Turn(hz/1000, float64(s.from))
	}
	return hz
}

// measure returns the amplitude of the subcarrier in the cell that starts at a
// slot, its phase counted from the onset, and the mean energy of the flanks;
// false when part of the audio is missing.
func (b *bcd) measure(slot int) (amplitude complex128, noise float64, ok bool) {
	x := b.cell(slot)
	if x == nil {
		return 0, 0, false
	}
	plan := b.shifts[shiftSteps+b.shift]
	amplitude = plan.Of(x) * tone.Turn(plan.Cycles(), float64(slot))
	for i := range b.flanks {
		noise += sqAbs(b.flanks[i].Of(x))
	}
	return amplitude, noise / float64(len(b.flanks)), true
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
	return float32(logsum.Add(float64(keep[bcdZero]), float64(keep[bcdOne])) - math.Ln2)
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
			switch {
			case second != bcdDUT1Sign: // three bits say no more than 0.7 s
				n.dut1Code[i] += l[min(7, abs(tenths))>>(second-bcdDUT1)&1]
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
	sent, other := bcdSymbolAt(t), bcdOne
	switch sent {
	case bcdOne:
		other = bcdZero
	case bcdZero:
	default:
		return 0 // two frames that start together differ in bits only
	}
	return float64(max(keep[other], keep[bcdStep]) - keep[sent])
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
