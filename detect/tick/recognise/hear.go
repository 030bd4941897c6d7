package recognise

import (
	"maps"
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/rank"
	"timeball/detect/tick/timing"
	"timeball/detect/tone"
)

// Listener hears one place in the second, second by second: whether a mark begins
// there and whether it sounds on.
type Listener struct {
	stream *audio.Stream
	base   func(n int64) (at float64, ok bool)
	line   func(n int64) float64 // lag of the mark, s
	tiles  tiles
	tones  []float64 // as received, the seconds' first
	length float64   // of the shortest mark, s
	after  bool      // it is quiet behind a mark
	offs   []float64 // mistuning that is tried, Hz
	heard  []second
	next   int64
	// Worked out so far.
	schedules map[*station.Station]*[60]*schedule
	sounds    []sound // of all schedules
	// Working memory.
	audio   []float32
	z       []complex128
	windows []*tone.Tone // of each of tones, in a window
	mark    *tone.Tone   // of the first, as long as a mark
}

// second is what one second told.
type second struct {
	n    int64
	tick float64     // power where the mark begins, over what is beside it
	tile [][]float32 // by mistuning; power over the noise, by tone and tile
}

const (
	hop         = 2.5e-3 // s between points of the tone's envelope
	mostSeconds = 1800   // that are kept
	mostOff     = 10.0   // Hz by which a tuned pitch may be out,
	offStep     = 2.5    // tried so often: half the width of the longest tile
)

// Listen returns a listener for the marks of station s, received at toneHz, along a
// line. The seconds from first on count. A tone whose pitch is not sure is searched
// for nearby.
func Listen(stream *audio.Stream, base func(n int64) (float64, bool), s *station.Station, table []*station.Station, toneHz float64, sure bool, line timing.Line, first int64) *Listener {
	l := &Listener{stream: stream, base: base, tiles: newTiles(table), next: first, offs: []float64{0},
		schedules: map[*station.Station]*[60]*schedule{}}
	l.Along(line)
	for _, hz := range tonesOf(s) {
		l.tones = append(l.tones, hz-s.ToneHz+toneHz)
	}
	l.length, l.after = min(slices.Min(s.Lengths()), 10e-3), ticks(s)
	if !sure {
		for hz := offStep; hz <= mostOff; hz += offStep {
			l.offs = append(l.offs, hz, -hz)
		}
	}
	for _, hz := range l.tones {
		l.windows = append(l.windows, newWindow(hz, stream.Rate()))
	}
	rate := stream.Rate()
	l.mark = tone.New(l.tones[0]/rate, int(l.length*rate))
	l.audio = make([]float32, int((ahead+1)*rate)+int(rate*2*hop)+2)
	return l
}

// Clone returns a listener that has heard the same and goes on by itself.
func (l *Listener) Clone() *Listener {
	c := *l
	c.heard, c.schedules, c.sounds = slices.Clone(l.heard), maps.Clone(l.schedules), slices.Clip(l.sounds)
	return &c
}

// Along moves the line.
func (l *Listener) Along(line timing.Line) {
	l.line = func(n int64) float64 { return line.At(float64(n)) }
}

// newWindow plans a tone in a Hann window of two hops.
func newWindow(hz, rate float64) *tone.Tone {
	taps := make([]float64, int(math.Round(2*hop*rate)))
	n := float64(len(taps))
	for i := range taps {
		taps[i] = (1 - math.Cos(2*math.Pi*(float64(i)+0.5)/n)) / n
	}
	return tone.Windowed(hz/rate, taps)
}

// Through hears the seconds up to, not including, limit that are held.
func (l *Listener) Through(limit int64) {
	for ; l.next < limit; l.next++ {
		l.hear(l.next)
	}
	if n := len(l.heard) - mostSeconds; n > 0 {
		l.heard = slices.Delete(l.heard, 0, n)
	}
}

func (l *Listener) hear(n int64) {
	rate := l.stream.Rate()
	at, ok := l.base(n)
	at += (l.line(n) - ahead) * rate
	if !ok || !l.stream.Copy(l.audio, int64(math.Round(at))) {
		return
	}
	s := second{n: n, tick: l.tick()}
	points := int(math.Floor((ahead + 1) / hop))
	step := hop * rate
	if len(l.z) < points {
		l.z = make([]complex128, points)
	}
	s.tile = make([][]float32, len(l.offs))
	for o := range s.tile {
		s.tile[o] = make([]float32, 0, len(l.tones)*len(l.tiles))
	}
	for _, w := range l.windows {
		for k := range points {
			first := int(float64(k) * step)
			l.z[k] = w.Of(l.audio[first:first+w.Len()]) * tone.Turn(w.Cycles(), float64(first))
		}
		for _, t := range l.tiles {
			// A point's window is centred a hop after it begins.
			from, to := int((t[0]+ahead)/hop)-1, int((t[1]+ahead)/hop)-1
			z := l.z[max(from, 0):min(to, points)]
			var beside [len(besideHz)]float64
			for i, hz := range besideHz {
				beside[i] = sqAbs(at2(z, hz)) / hannPower(hz)
			}
			floor := rank.Median(beside[:])/math.Ln2 + 1e-30
			for o, hz := range l.offs {
				s.tile[o] = append(s.tile[o], float32(sqAbs(at2(z, hz))/floor))
			}
		}
	}
	l.heard = append(l.heard, s)
}

// besideHz are the distances from the tone at which its noise is measured: nearer
// than another station's tone, farther than mistuning.
var besideHz = [...]float64{-180, -160, -140, -120, -100, -80, -60, 60, 80, 100, 120, 140, 160, 180}

// at2 is Σ z·exp(−2πi·hz·t).
func at2(z []complex128, hz float64) complex128 {
	if hz == 0 {
		var sum complex128
		for _, v := range z {
			sum += v
		}
		return sum
	}
	var sum complex128
	for i, turn := range tone.Rotating(hz*hop, 1, len(z)) {
		sum += z[i] * turn
	}
	return sum
}

// hannPower is what the window of two hops leaves of the power so far beside its tone.
func hannPower(hz float64) float64 {
	x := hz * 2 * hop
	if x == 0 {
		return 1
	}
	a := math.Sin(math.Pi*x) / (math.Pi * x) / (1 - x*x)
	return a * a
}

// toneScore is the log likelihood of a power e, over that of noise, with a tone that
// fades by Rayleigh's law and is of unknown strength, not under least, over that
// without. No tile counts for more than mostTile: its noise is known by few neighbours.
func toneScore(e, least float64) float64 {
	sum, n := 0.0, 0.0
	for i, s := range toneStrengths {
		if s >= least || i == len(toneStrengths)-1 {
			sum += math.Exp(min(e*s/(1+s), 50)) / (1 + s)
			n++
		}
	}
	return min(math.Log(sum/n), mostTile)
}

var toneStrengths = [...]float64{1, 3, 10, 30, 100, 1000}

const (
	mostTile = 3.5
	mostTick = 5
)

// tick is the power of the tone where the mark begins, the best within a path's
// doubt, over its noise before and, of a short mark, after it.
func (l *Listener) tick() float64 {
	rate := l.stream.Rate()
	power := func(at float64) float64 {
		first := int((ahead + at) * rate)
		return sqAbs(l.mark.Of(l.audio[first : first+l.mark.Len()]))
	}
	best := 0.0
	for k := range 5 {
		best = max(best, power(-0.5e-3+float64(k)*0.6e-3)/bestOfFive)
	}
	// Another station's tick may be in some of the windows beside.
	at := []float64{-9.5e-3, -7e-3, 13e-3, 16e-3, 19e-3, 22e-3}
	if !l.after {
		at = []float64{-39e-3, -33e-3, -27e-3, -21e-3, -16e-3, -12e-3}
	}
	var noise [6]float64
	for k := range noise {
		if at[k] < 0 {
			at[k] -= l.length - 5e-3
		}
		noise[k] = power(at[k])
	}
	slices.Sort(noise[:])
	return best / (noise[2]/thirdOfSix + 1e-30)
}

// thirdOfSix is the mean of the third least of six powers in noise over their mean:
// 1/6 + 1/5 + 1/4.
const thirdOfSix = 0.617

// bestOfFive is the mean of the greatest of the five powers in noise over that of
// one (simulated for ticks of 5 ms).
const bestOfFive = 1.4
