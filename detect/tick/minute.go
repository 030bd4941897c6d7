package tick

import (
	"math"
	"math/cmplx"
	"slices"

	"timeball/capture/station"
	"timeball/detect/audio"
)

// pieceSeconds is the length of audio in which the tone is measured: as long as
// a tick, and too short to mind a mistuned receiver.
const pieceSeconds = 5e-3

// lacksMinute reports whether seconds from ≤ n < to, which span a minute or more,
// have ticks at candidate c but nowhere the long mark that begins the station's
// minute. A clock's own noise is alike every second. It is false for a station
// whose minute is not so marked, and while the ticks are too weak to tell.
func lacksMinute(s *audio.Stream, tb Timebase, st *station.Station, c candidate, from, to int64) bool {
	const (
		clear  = 20e-3 // s from a mark's start that a smeared tick may fill
		before = 10e-3 // s before it that are quiet
	)
	tones, length := minuteMarks(st)
	if len(tones) == 0 || to-from < 60 {
		return false
	}
	fl := s.Rate()
	piece := int(pieceSeconds * fl)
	pieces := int((length - clear - pieceSeconds) / pieceSeconds)
	lead, gap := int(before*fl), int(clear*fl)
	buf := make([]float32, lead+gap+pieces*piece)
	power := func(x []float32, toneHz float64) float64 {
		var z complex128
		rot, ph := cmplx.Rect(1, -2*math.Pi*toneHz/fl), complex(1, 0)
		for _, v := range x[:piece] {
			z += complex(float64(v), 0) * ph
			ph *= rot
		}
		return sqAbs(z)
	}
	// By second, power of the tick and, for each tone, mean power after it.
	var seconds []int64
	var ticks []float64
	long := make([][]float64, len(tones))
	for n := from; n < to; n++ {
		lag := c.lag + c.rate*float64(n-c.ref)
		if !s.Copy(buf, int64(math.Round(tb.Base(n)/float64(s.Factor())+lag*fl))-int64(lead)) {
			continue
		}
		seconds = append(seconds, n)
		ticks = append(ticks, power(buf[lead:], st.ToneHz)-power(buf, st.ToneHz))
		for i, hz := range tones {
			sum := 0.0
			for k := range pieces {
				sum += power(buf[lead+gap+k*piece:], hz) / float64(pieces)
			}
			long[i] = append(long[i], sum)
		}
	}
	// By second of the minute, the power of the ticks around: a mark in a fade
	// proves nothing.
	var count, tick [60]float64
	for i, n := range seconds {
		around := ticks[max(0, i-fadeSeconds):min(len(ticks), i+fadeSeconds+1)]
		count[n%60]++
		for _, p := range around {
			tick[n%60] += p / float64(len(around))
		}
	}
	if slices.Min(count[:]) == 0 {
		return false
	}
	for _, each := range long {
		floor := median(each)
		var mean, off [60]float64
		for i, n := range seconds {
			mean[n%60] += (each[i] - floor) / count[n%60]
		}
		for i, p := range mean {
			off[i] = math.Abs(p)
		}
		scatter := 1.4826 * median(off[:])
		for i, p := range mean {
			if p >= fadedMark*min(count[i], 6)*tick[i]/count[i]-2*scatter {
				return false
			}
		}
	}
	return true
}

// fadeSeconds is how far from a mark, s, the ticks tell whether it can be heard.
const fadeSeconds = 5

// fadedMark is the share of a tick's mean power under which the minute mark is
// taken to be missing, for each minute heard: one mark in twenty fades below it
// on a path that fades as Rayleigh's distribution has it, and the mean of
// several marks below several times of it hardly ever.
const fadedMark = 0.05

// minuteMarks returns the tones of a station's minute marks and the length of the
// shortest, if all its other marks are ticks.
func minuteMarks(s *station.Station) (tones []float64, length float64) {
	length = math.Inf(1)
	for minute := range 60 {
		for second := range 60 {
			m, ok := s.MarkAt(minute, second)
			switch {
			case !ok:
			case second > 0 && m.Length > 50e-3, second == 0 && m.Length < 0.2:
				return nil, 0
			case second == 0:
				length = min(length, m.Length)
				if !slices.Contains(tones, m.ToneHz) {
					tones = append(tones, m.ToneHz)
				}
			}
		}
	}
	return tones, length
}
