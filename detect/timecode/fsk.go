package timecode

import (
	"math"
	"time"

	"timeball/capture/station"
	"timeball/detect/logsum"
	"timeball/detect/tone"
)

// The 300 bit/s code of CHU: frame B in second 31, frame A in seconds 32 to 39.
// Timing, tones, frames and redundancy: NRC Canada, CHU broadcast codes. Bit
// order and the layout of frame B: from memory.
const (
	fskFirst     = 31 // frame B
	fskLast      = 39
	fskShiftHz   = 200          // mark down to space
	fskBitMs     = 1000.0 / 300 // length of a bit
	fskStartMs   = 400.0 / 3    // start bit of the first character
	fskCharacter = 11           // bits: start, 8 data, 2 stop
	fskBits      = 10 * fskCharacter
	fskData      = 40 // data bits; as many check bits follow
)

// What is kept of a second: the evidence for each symbol, then the log-odds of
// each data and check bit.
const (
	fskNothing = iota // no frame
	fskB
	fskA       // sent in second 32, and so on
	fskSymbols = fskA + fskLast - fskFirst
	fskKept    = fskSymbols + 2*fskData
)

const (
	fskBitCap = 8  // log-odds that one bit may give: bursts of noise hit several
	fskCap    = 18 // log-likelihood that one frame may give against another
	// fskFloor is the share of the signal that counts as noise: bits run into
	// each other when paths differ in delay, and the tones are not quite
	// orthogonal.
	fskFloor = 0.05
	// fskSteadyHz is how far the marks' pitch may be off before the receiver may be
	// mistuned.
	fskSteadyHz = 4
	// fskFrameLike is the log-likelihood of bits against noise from which a second
	// may hold a frame.
	fskFrameLike = 8
	fskRounds    = 3   // in which levels and bits are found from each other
	fskReach     = 3.0 // characters over which a level holds, 37 ms each
)

// fskScatter are the levels, over the one found, between which it may lie.
var fskScatter = [...]float64{0.4, 1, 1.8}

// fsk hears the 300 bit/s code.
type fsk struct {
	hz     float64    // mark
	tones  [4]fskTone // mark, space, and two beside them where only noise is
	phased phased
}

// fskTone sums a tone so that the correlation over any stretch is a difference.
type fskTone struct {
	plan tone.Tone
	tone.Sums
}

// Offsets of the tones from the mark, Hz; the noise is measured 300 Hz beyond
// mark and space, where a bit has a zero.
var fskOffsets = [4]float64{0, -fskShiftHz, 300, -fskShiftHz - 300}

func newFSK(c station.Code) *fsk { return &fsk{hz: c.ToneHz} }

func (f *fsk) name() string { return "300 bit/s code" }
func (f *fsk) keeps() int   { return fskKept }

func (f *fsk) hear(s *Second, shiftHz float64, keep []float32) (foundHz float64) {
	clear(keep)
	begin := func(b int) int { return int(math.Round(s.Onset + (fskStartMs+float64(b)*fskBitMs)*s.Rate/1000)) }
	from, to := begin(-fskPilot), begin(fskBits)
	if from < 0 || to >= len(s.Audio) {
		return shiftHz
	}
	for i := range f.tones {
		f.tones[i].sum(s.Audio[from:to+1], f.hz+shiftHz+fskOffsets[i], s.Rate)
	}

	var energies [2][fskBits]float64 // of space and mark
	noise := 0.0
	for b := -fskPilot; b < fskBits; b++ {
		start, end := begin(b)-from, begin(b+1)-from
		for value := range f.phased.tone {
			f.phased.tone[value][fskPilot+b] = f.tones[1-value].Between(start, end)
		}
		if b < 0 {
			continue
		}
		for value := range energies {
			energies[value][b] = sqAbs(f.phased.tone[value][fskPilot+b])
		}
		noise += sqAbs(f.tones[2].Between(start, end)) + sqAbs(f.tones[3].Between(start, end))
	}
	noise /= 2 * fskBits
	if noise == 0 {
		noise = 1e-30 // no noise at all, as in a simulation
	}
	odds, plain := weighBits(&energies, noise)
	if plain > fskFrameLike {
		f.phased.scale(noise)
		if math.Abs(shiftHz) >= fskSteadyHz {
			f.phased.straighten()
		}
		if phased, evidence := f.phased.weigh(); evidence > plain {
			for b, l := range phased {
				if bit := b % fskCharacter; bit > 0 && bit < fskCharacter-2 {
					odds[b] = l
				}
			}
		}
	}
	weighFrame(&odds, keep)
	return shiftHz
}

// weighBits turns the energies of space and mark into the log-odds of each bit.
// Paths of different delay fade one tone and not the other, and a tone that is
// weak tells by its absence nothing and by that of the other all; so each has
// its own level, which moves from character to character. Start and stop bits
// show it from the outset, data bits as far as they are known.
func weighBits(energies *[2][fskBits]float64, noise float64) (odds [fskBits]float64, evidence float64) {
	for b := range odds {
		switch b % fskCharacter {
		case 0:
			odds[b] = -math.MaxFloat64
		case fskCharacter - 2, fskCharacter - 1:
			odds[b] = math.MaxFloat64
		}
	}
	var heard [fskBits]float64
	for range fskRounds {
		var level [2][10]float64
		for value := range level {
			level[value] = fskLevels(&energies[value], &odds, value, noise)
		}
		for b := range odds {
			c := b / fskCharacter
			// What the tones spill into each other counts as noise.
			n := noise + fskFloor*max(level[0][c], level[1][c])
			mark, space := toneOdds(energies[1][b], level[1][c], n), toneOdds(energies[0][b], level[0][c], n)
			odds[b] = min(max(mark-space, -fskBitCap), fskBitCap)
			heard[b] = logsum.Add(mark, space) - math.Ln2
			switch b % fskCharacter {
			case 0:
				heard[b] = space
			case fskCharacter - 2, fskCharacter - 1:
				heard[b] = mark
			}
		}
	}
	for _, l := range heard {
		evidence += l
	}
	return odds, evidence
}

// fskLevels is the level of one tone in each character, from the bits of the
// value that it sends there and in the characters beside it.
func fskLevels(energy *[fskBits]float64, odds *[fskBits]float64, value int, noise float64) (level [10]float64) {
	var sum, weight [10]float64
	for b, e := range energy {
		p := 1 / (1 + math.Exp(-odds[b])) // of a 1
		if value == 0 {
			p = 1 - p
		}
		sum[b/fskCharacter] += p * e
		weight[b/fskCharacter] += p
	}
	for c := range level {
		total, bits := 0.0, 0.0
		for d := range level {
			w := max(0, 1-math.Abs(float64(c-d))/fskReach)
			total += w * sum[d]
			bits += w * weight[d]
		}
		level[c] = max(0, total/bits-noise)
	}
	return level
}

// toneOdds is the log-likelihood of a tone of a given level against none, from
// the energy heard and the noise's mean. The level is not known well: it is
// averaged over values about it.
func toneOdds(energy, level, noise float64) float64 {
	l := math.Inf(-1)
	for _, share := range fskScatter {
		s := share * level
		l = logsum.Add(l, logBessel(2*math.Sqrt(s*energy)/noise)-s/noise)
	}
	return l - math.Log(float64(len(fskScatter)))
}

// logBessel is the logarithm of the modified Bessel function I0, by the
// polynomials of Abramowitz and Stegun, Handbook of Mathematical Functions,
// 9.8.1 and 9.8.2, cut short: to 1 % of I0.
func logBessel(v float64) float64 {
	if v < 3.75 {
		t := v / 3.75 * v / 3.75
		return math.Log(1 + t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*0.0360768)))))
	}
	t := 3.75 / v
	return v - math.Log(v)/2 + math.Log(0.39894228+t*(0.01328592+t*0.00225319))
}

// sum prepares the correlation of audio with a tone.
func (t *fskTone) sum(audio []float32, hz, rate float64) {
	retune(&t.plan, hz, rate, len(audio))
	t.Take(&t.plan, audio)
}

// given is the log-likelihood of a bit whose log-odds were measured, relative
// to a bit of unknown value.
func given(odds float64) float64 { return math.Ln2 - math.Log1p(math.Exp(-odds)) }

// weighFrame fills keep from the log-odds of the bits of a second. All
// likelihoods are relative to bits at random, which is what noise yields.
func weighFrame(odds *[fskBits]float64, keep []float32) {
	framing := 0.0
	for c := range 10 {
		at := c * fskCharacter
		framing += given(-odds[at]) + given(odds[at+9]) + given(odds[at+10])
		for b := range 8 {
			keep[fskSymbols+8*c+b] = float32(odds[at+1+b])
		}
	}
	a, b := framing, framing
	var either float64 // of the nibbles that tell the second
	for i := range fskData {
		a += eitherOf(dataBit(keep, i, false))
		b += eitherOf(dataBit(keep, i, true))
	}
	for _, n := range []int{0, 8, 9} {
		for i := 4 * n; i < 4*n+4; i++ {
			either += eitherOf(dataBit(keep, i, false))
		}
	}
	constant := nibble(keep, 0, false, 6) + nibble(keep, 8, false, 3) // 6, and tens of seconds
	keep[fskB] = float32(b)
	for s := fskFirst + 1; s <= fskLast; s++ {
		keep[fskA+s-fskFirst-1] = float32(a - either + constant + nibble(keep, 9, false, s-30))
	}
	best := keep[fskNothing]
	for _, l := range keep[:fskSymbols] {
		best = max(best, l)
	}
	for i := range keep[:fskSymbols] {
		keep[i] = max(keep[i]-best, -fskCap)
	}
}

// dataBit is the log-likelihood of data bit i being 0 and 1, its check bit
// included: a copy in frame A, the complement in frame B.
func dataBit(keep []float32, i int, complement bool) (l [2]float64) {
	data, check := float64(keep[fskSymbols+i]), float64(keep[fskSymbols+fskData+i])
	if complement {
		check = -check
	}
	return [2]float64{given(-data) + given(-check), given(data) + given(check)}
}

// bitOdds is the difference of the two.
func bitOdds(keep []float32, i int, complement bool) float64 {
	data, check := float64(keep[fskSymbols+i]), float64(keep[fskSymbols+fskData+i])
	if complement {
		return data - check
	}
	return data + check
}

// eitherOf is the log-likelihood of a bit of unknown value.
func eitherOf(l [2]float64) float64 { return logsum.Add(l[0], l[1]) - math.Ln2 }

// nibble is the log-likelihood of a nibble's value. The nibbles of a byte are
// exchanged on the air and bits go least significant first, so nibbles are
// sent in the order in which they are read.
func nibble(keep []float32, n int, complement bool, value int) (l float64) {
	for b := range 4 {
		l += dataBit(keep, 4*n+b, complement)[value>>b&1]
	}
	return l
}

func (f *fsk) framing(keep []float32, out *[60]float32) {
	for s := range out {
		out[s] += keep[fskSymbol(s)]
	}
}

// fskSymbol is the symbol of a second of the minute.
func fskSymbol(second int) int {
	if second < fskFirst || second > fskLast {
		return fskNothing
	}
	return fskB + second - fskFirst
}

// fskDigits are the digits of a frame, by nibble.
type fskDigit struct {
	nibble int
	field  field
	decade int
}

var (
	fskDigitsA = []fskDigit{{1, dayField, 2}, {2, dayField, 1}, {3, dayField, 0}, {4, hourField, 1}, {5, hourField, 0}, {6, minuteField, 1}, {7, minuteField, 0}}
	fskDigitsB = []fskDigit{{2, yearField, 3}, {3, yearField, 2}, {4, yearField, 1}, {5, yearField, 0}}
)

func (f *fsk) content(keep []float32, second int, d *digits) {
	symbol := fskSymbol(second)
	if symbol == fskNothing {
		return
	}
	list, complement := fskDigitsA, false
	if symbol == fskB {
		list, complement = fskDigitsB, true
	}
	for _, p := range list {
		for b := range 4 {
			odds := bitOdds(keep, 4*p.nibble+b, complement)
			either := logsum.Add(0, odds) - math.Ln2
			d.addBit(p.field, p.decade, 1<<b, -either, odds-either)
		}
	}
}

// Bits of the first nibble of frame B.
const (
	fskBehind = 1 << iota // UT1 is behind UTC
	fskInsert             // leap second to be added
	fskDelete             // leap second to be removed
	fskParity             // makes the number of ones even
)

// flags is the log-likelihood of the first nibble's bits, without the parity.
func flags(keep []float32, bits int) float64 {
	if bits&1^bits>>1&1^bits>>2&1 != 0 {
		bits |= fskParity
	}
	return nibble(keep, 0, true, bits)
}

// The sign of DUT1 and the leap second share the first nibble: each is weighed
// with the other unknown.

func (f *fsk) leap(keep []float32, second int, l *[leaps]float64) {
	if fskSymbol(second) != fskB {
		return
	}
	for leap, bits := range []int{NoLeap: 0, InsertSecond: fskInsert, DeleteSecond: fskDelete} {
		l[leap] += logsum.Add(flags(keep, bits), flags(keep, bits|fskBehind))
	}
}

func (f *fsk) notices(keep []float32, second int, n *notices) {
	if fskSymbol(second) != fskB {
		return
	}
	var sign [2]float64
	for behind := range sign {
		sign[behind] = logsum.Add(flags(keep, behind), logsum.Add(flags(keep, behind|fskInsert), flags(keep, behind|fskDelete)))
	}
	var digit [10][10]float64 // by nibble and value
	for i := range digit {
		for v := range digit[i] {
			digit[i][v] = nibble(keep, i, true, v)
		}
	}
	for i := range n.dut1Code {
		tenths := i - dut1Limit
		l := digit[1][abs(tenths)]
		switch {
		case tenths == 0:
			l += max(sign[0], sign[1])
		case tenths > 0:
			l += sign[0]
		default:
			l += sign[1]
		}
		n.dut1Code[i] += l
	}
	for i := range n.tai {
		n.tai[i] += digit[6][i/10] + digit[7][i%10]
		n.pattern[i] += digit[8][i/10] + digit[9][i%10]
	}
}

// against finds nothing: no other station shares this code's tones.
func (f *fsk) against([]float32, time.Time) float64 { return 0 }
