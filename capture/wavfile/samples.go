package wavfile

import (
	"encoding/binary"
	"math"
	"slices"

	"timeball/capture/lanes"
)

// Full scale is 1: an integer sample of n bits is divided by 2^(n-1), and
// multiplied by as much when it is written.
const (
	scale8  = 1 << 7
	scale16 = 1 << 15
	scale24 = 1 << 23
	scale32 = 1 << 31
)

// decode spreads the frames in raw over channels, whose length tells how many
// there are. Samples of a float file that are no numbers become 0: one of them
// would spoil every filter after it for good.
func (f sampleFormat) decode(channels [][]float32, raw []byte) {
	if f.width == 2 && f.channels == 2 {
		lanes.Stereo16(channels[0], channels[1], raw) // nearly every recording
		return
	}
	for c, out := range channels {
		in := raw[c*f.width:]
		step := f.frameBytes()
		switch {
		case f.float && f.width == 4:
			for i := range out {
				out[i] = finite(math.Float32frombits(binary.LittleEndian.Uint32(in[i*step:])))
			}
		case f.float:
			for i := range out {
				out[i] = finite(float32(math.Float64frombits(binary.LittleEndian.Uint64(in[i*step:]))))
			}
		case f.width == 1:
			for i := range out {
				out[i] = float32(int(in[i*step])-scale8) / scale8
			}
		case f.width == 2:
			for i := range out {
				out[i] = float32(int16(binary.LittleEndian.Uint16(in[i*step:]))) / scale16
			}
		case f.width == 3:
			for i := range out {
				p := in[i*step : i*step+3]
				v := int32(uint32(p[0])<<8|uint32(p[1])<<16|uint32(p[2])<<24) >> 8
				out[i] = float32(v) / scale24
			}
		default:
			for i := range out {
				out[i] = float32(int32(binary.LittleEndian.Uint32(in[i*step:]))) / scale32
			}
		}
	}
}

// mostScale is how far beyond full scale a float sample may lie, 60 dB: more than the
// headroom of any mixer (common practice), and less than integers of 16 bits that
// were stored as floats.
const mostScale = 1000

// beyond finds a float sample that no sound has.
func (f sampleFormat) beyond(channels [][]float32) (frame, channel int, found bool) {
	if !f.float {
		return 0, 0, false
	}
	for c, x := range channels {
		if i := slices.IndexFunc(x, func(v float32) bool { return v > mostScale || v < -mostScale }); i >= 0 {
			return i, c, true
		}
	}
	return 0, 0, false
}

// encode puts the frames of channels into raw: integers of 16 or 24 bits,
// rounded to the nearest and clipped at full scale, or 32-bit floats.
func (f sampleFormat) encode(raw []byte, channels [][]float32) {
	step := f.frameBytes()
	for c, in := range channels {
		out := raw[c*f.width:]
		switch f.width {
		case 2:
			for i, x := range in {
				binary.LittleEndian.PutUint16(out[i*step:], uint16(toInteger(x, scale16)))
			}
		case 3:
			for i, x := range in {
				v := toInteger(x, scale24)
				p := out[i*step : i*step+3]
				p[0], p[1], p[2] = byte(v), byte(v>>8), byte(v>>16)
			}
		default:
			for i, x := range in {
				binary.LittleEndian.PutUint32(out[i*step:], math.Float32bits(finite(x)))
			}
		}
	}
}

// toInteger is x, full scale 1, as an integer of full scale.
func toInteger(x float32, scale float64) int32 {
	v := math.RoundToEven(float64(finite(x)) * scale)
	return int32(max(-scale, min(v, scale-1)))
}

// finite is x, or 0 if x is infinite or no number.
func finite(x float32) float32 {
	if x-x != 0 {
		return 0
	}
	return x
}
