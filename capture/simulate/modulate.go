package simulate

import (
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"timeball/capture/station"
)

// gridRate is the rate at which everything up to the receiver's output is
// computed, Hz. The grid has a point on every UTC second. Stations send, and
// receivers pass, less than half of it.
const gridRate = 16000

// keying is the step that gates tones on and off; its band is limited to
// about 6 kHz.
var keying = sync.OnceValue(func() *edge { return newEdge(6000.0/gridRate, 16) })

// hop is the spacing at which schedules are looked up, in grid points: 10 ms.
const hop = gridRate / 100

// modulator produces a signal's modulation m on the grid, a second at a time:
// the carrier's envelope is 1+m.
type modulator struct {
	station   *station.Station // nil: a broadcaster
	programme Programme
	dut1      float64
	leap      leapSecond
	edge      *edge
	speech    *speech
	music     *music
	buf       []float64 // of announcements and music
	bcd       bcdFrame  // of the minute that began at bcdMinute
	bcdMinute int64
}

func newModulator(s Signal, dut1 float64, leap leapSecond, rng *rand.Rand) *modulator {
	return &modulator{
		station: s.Station, programme: s.Programme, dut1: dut1, leap: leap,
		edge:   keying(),
		speech: newSpeech(rng), music: newMusic(rng),
		buf: make([]float64, gridRate), bcdMinute: -1,
	}
}

// second fills m, gridRate long, with the modulation from UTC second sec
// (seconds since 1970, an inserted one counted) to the next.
func (mod *modulator) second(m []float64, sec int64) {
	clear(m)
	st := mod.station
	if mod.programme == CarrierOnly {
		return
	}
	keyed := st != nil && st.Keying == station.CarrierOn
	t, _ := mod.leap.label(sec)
	minute := t.Minute()
	if keyed && onDuty(st, minute) {
		for i := range m {
			m[i] = -1 // off between marks; outside its blocks the carrier stands
		}
	}
	mod.between(m, sec)
	if st == nil {
		return
	}
	for k := sec - 1; k <= sec+1; k++ {
		mod.mark(m, float64(k-sec), k)
	}
	if mod.programme == AsPublished {
		switch st.Code.Kind {
		case "bcd-100hz":
			mod.bcdSecond(m, sec)
		case "fsk-300":
			mod.fskSecond(m, sec)
		}
	}
	for i, v := range m {
		m[i] = max(v, -1) // a transmitter cannot send less than nothing
	}
}

func onDuty(st *station.Station, minute int) bool {
	for second := range 60 {
		if _, ok := st.MarkAt(minute, second); ok {
			return true
		}
	}
	return false
}

// mark adds what UTC second k sends, which begins at start seconds into m.
func (mod *modulator) mark(m []float64, start float64, k int64) {
	st := mod.station
	t, second := mod.leap.label(k)
	mark, ok := mod.markAt(t, second)
	if !ok {
		return
	}
	start -= st.AdvanceSeconds
	length := mark.Length
	repeated := false
	if emphasised(second, mod.dut1) {
		switch st.DUT1.Style {
		case "doubled":
			repeated = true
		case "split":
			repeated = length > st.DUT1.SpacingSeconds
		case "lengthened":
			length = max(length, st.DUT1.LengthSeconds)
		}
	}
	if repeated && st.DUT1.LengthSeconds > 0 {
		length = st.DUT1.LengthSeconds
	}
	mod.burst(m, start, length, mark.ToneHz)
	if repeated {
		mod.burst(m, start+st.DUT1.SpacingSeconds, length, mark.ToneHz)
	}
}

// markAt is the mark of a second. What is sent in an inserted one nobody
// publishes; here it is a tick as before it (from memory).
func (mod *modulator) markAt(t time.Time, second int) (station.Mark, bool) {
	if second == 60 {
		second = 58
	}
	return mod.station.MarkAt(t.Minute(), second)
}

// emphasised reports whether DUT1 emphasises the mark of a second: seconds 1
// to n for +n tenths, 9 to 8+n for −n tenths (Rec. ITU-R TF.460).
func emphasised(second int, dut1 float64) bool {
	tenths := int(math.Round(dut1 * 10))
	if tenths >= 0 {
		return 1 <= second && second <= tenths
	}
	return 9 <= second && second <= 8-tenths
}

// burst adds a mark that begins at start seconds into m: a tone that begins at
// a zero crossing, rising, or the carrier itself when toneHz is 0.
func (mod *modulator) burst(m []float64, start, length, toneHz float64) {
	depth := mod.station.Depth
	begin, end := start*gridRate, (start+length)*gridRate
	lo := max(0, int(math.Ceil(begin-mod.edge.half)))
	hi := min(len(m), int(math.Floor(end+mod.edge.half))+1)
	for i := lo; i < hi; i++ {
		g := mod.edge.at(float64(i)-begin) - mod.edge.at(float64(i)-end)
		if toneHz > 0 {
			g *= math.Sin(2 * math.Pi * toneHz / gridRate * (float64(i) - begin))
		}
		m[i] += depth * g
	}
}

// between adds what is sent between the marks: tones, announcements, music.
func (mod *modulator) between(m []float64, sec int64) {
	st := mod.station
	t, whole := mod.leap.label(sec)
	minute, second := t.Minute(), float64(whole)
	buf := mod.buf
	clear(buf)
	switch {
	case mod.programme == Speech:
		mod.speech.run(buf, 0.75)
	case mod.programme == Music:
		mod.music.run(buf, 0.75)
	case mod.programme == AsPublished && st != nil:
		for i := 0; i < len(buf); i += hop {
			at := second + (float64(i)+hop/2)/gridRate
			if k := st.Sounding; k.Kind != "" && minute == k.Minute {
				mod.sounding(buf[i:i+hop], second+float64(i)/gridRate-k.FromSeconds, k.Depth)
			}
			for _, v := range st.Voices {
				if v.On(minute, at) {
					mod.speech.run(buf[i:i+hop], v.Depth)
				}
			}
			for _, t := range st.Tones {
				if t.On(minute, at) {
					addTone(buf[i:i+hop], t.Hz, t.Depth, math.Mod(t.Hz*(float64(sec%86400)+float64(i)/gridRate), 1))
				}
			}
		}
	default:
		return
	}
	if st != nil {
		for k := sec - 1; k <= sec+1; k++ {
			mod.quiet(buf, float64(k-sec), k)
		}
	}
	for i, v := range buf {
		m[i] += v
	}
}

// addTone adds a sine that begins at a phase given in cycles.
func addTone(x []float64, hz, amplitude, phase float64) {
	s, c := math.Sincos(2 * math.Pi * phase)
	ds, dc := math.Sincos(2 * math.Pi * hz / gridRate)
	for i := range x {
		x[i] += amplitude * s
		s, c = s*dc+c*ds, c*dc-s*ds
	}
}

// quiet silences x around the mark of second k, and under marks too long to be
// ticks.
func (mod *modulator) quiet(x []float64, start float64, k int64) {
	st := mod.station
	mark, ok := mod.markAt(mod.leap.label(k))
	after := st.QuietAfterSeconds
	if mark.Length > 0.05 {
		after = max(after, mark.Length)
	}
	if !ok || st.QuietBeforeSeconds+after == 0 {
		return
	}
	start -= st.AdvanceSeconds
	begin, end := (start-st.QuietBeforeSeconds)*gridRate, (start+after)*gridRate
	lo := max(0, int(math.Ceil(begin-mod.edge.half)))
	hi := min(len(x), int(math.Floor(end+mod.edge.half))+1)
	for i := lo; i < hi; i++ {
		x[i] *= 1 - mod.edge.at(float64(i)-begin) + mod.edge.at(float64(i)-end)
	}
}
