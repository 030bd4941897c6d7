package simulate

import (
	"math"
	"time"
)

// The frequency-shift code of 300 bit/s: timing, frames and nibble exchange
// from the operator's page on its codes (National Research Council Canada);
// the order of the fields in frame B and of the bits from memory.

const (
	fskMarkHz   = 2225.0
	fskSpaceHz  = 2025.0
	fskBitRate  = 300.0
	fskBegin    = 0.010   // steady mark from here,
	fskData     = 0.4 / 3 // 110 bits from here,
	fskEnd      = 0.510   // and mark again to here
	taiMinusUTC = 37      // seconds, since January 2017 (IERS Bulletin C, from memory)
)

// encodeFSK returns the ten bytes that second t sends, in the order of sending,
// and whether it sends any: frame B in second 31, frame A in 32 to 39.
func encodeFSK(t time.Time, dut1 float64, leapPending bool) (frame [10]byte, ok bool) {
	t = t.UTC()
	var b [5]byte
	pair := func(v int) byte { return byte(v/10%10)<<4 | byte(v%10) }
	complement := byte(0)
	switch second := t.Second(); {
	case second == 31:
		tenths := int(math.Round(dut1 * 10))
		x := byte(0)
		if tenths < 0 {
			x |= 1
			tenths = -tenths
		}
		if leapPending {
			x |= 2
		}
		if x == 1 || x == 2 {
			x |= 8 // even parity
		}
		b = [5]byte{x<<4 | byte(tenths), pair(t.Year() / 100), pair(t.Year()), pair(taiMinusUTC), 0}
		complement = 0xFF
	case 32 <= second && second <= 39:
		day := t.YearDay()
		b = [5]byte{6<<4 | byte(day/100), pair(day), pair(t.Hour()), pair(t.Minute()), pair(second)}
	default:
		return frame, false
	}
	for i, v := range b {
		v = v<<4 | v>>4
		frame[i], frame[5+i] = v, v^complement
	}
	return frame, true
}

// fskSecond adds the code's second sec to m, with continuous phase.
func (mod *modulator) fskSecond(m []float64, sec int64) {
	t, second := mod.leap.label(sec)
	if second == 60 {
		return
	}
	frame, ok := encodeFSK(t, mod.dut1, mod.leap.announced(sec))
	if !ok {
		return
	}
	var hz [110]float64 // one start bit, eight data, least significant first, two stop bits
	for i := range hz {
		hz[i] = fskMarkHz
		switch n, bit := i/11, i%11; {
		case bit == 0:
			hz[i] = fskSpaceHz
		case bit <= 8 && frame[n]>>(bit-1)&1 == 0:
			hz[i] = fskSpaceHz
		}
	}
	var cycles [len(hz) + 1]float64 // at the start of each bit
	cycles[0] = fskMarkHz * (fskData - fskBegin)
	for i, f := range hz {
		cycles[i+1] = cycles[i] + f/fskBitRate
	}
	half := int(mod.edge.half)
	for i := int(fskBegin*gridRate) - half; i <= int(fskEnd*gridRate)+half; i++ {
		t := float64(i) / gridRate
		n := (t - fskData) * fskBitRate
		var phase float64
		switch bit := int(n); {
		case n < 0:
			phase = fskMarkHz * (t - fskBegin)
		case bit < len(hz):
			phase = cycles[bit] + hz[bit]*(n-float64(bit))/fskBitRate
		default:
			phase = cycles[len(hz)] + fskMarkHz*(t-fskData-float64(len(hz))/fskBitRate)
		}
		gate := mod.edge.at(float64(i)-fskBegin*gridRate) - mod.edge.at(float64(i)-fskEnd*gridRate)
		m[i] += mod.station.Code.Depth * gate * math.Sin(2*math.Pi*phase)
	}
}
