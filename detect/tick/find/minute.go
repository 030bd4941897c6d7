package find

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/rank"
	"timeball/detect/tick/timing"
	"timeball/detect/tone"
)

// believable reports whether the logarithms of the odds for a tick, against
// something struck, and for the minute mark, against none, speak for a station.
func believable(tick, minute float64) bool {
	return minute > missing && max(tick, distorted)+minute > sure
}

// Logarithms of odds. A ring that is taken for a tick is seen again and again as
// seconds pass, and a station that fades is missed until there are more of them.
const (
	sure    = 5  // from which a station is believed
	missing = -4 // of a minute mark that is missing, whatever the ticks look like
	// distorted is the least odds of a tick: a path or a receiver may do anything
	// to it.
	distorted = -4
)

// minute is the evidence for st's minute mark at c from second first on. A tone
// that has not been tuned may be off by as much as a receiver is mistuned.
func (f *Finder) minute(st *station.Station, sh timing.Shape, c candidate, first int64) float64 {
	offsets := []float64{0}
	if sh.ToneHz == st.ToneHz && !c.coherent {
		for hz := tuneRange; hz > 0; hz -= 1 / (2 * pieceSeconds) {
			offsets = append(offsets, hz, -hz)
		}
	}
	// Of a tick that is tracked the candidates of all shapes are alike.
	c.odds = 0
	key := weighed{st, sh.ToneHz, c, first}
	e, ok := f.minutes[key]
	if !ok {
		e = minuteEvidence(f.stream, f.tb, st, sh.ToneHz, offsets, c, first, f.next)
		f.minutes[key] = e
	}
	return e
}

// weighed tells what the evidence for a minute mark was weighed from.
type weighed struct {
	station *station.Station
	toneHz  float64
	c       candidate
	first   int64
}

// minuteEvidence is what seconds from ≤ n < to say for the long mark that begins
// station st's minute, of a machine that is alike every second against it: the
// logarithm of the ratio of their likelihoods. The ticks are at candidate c, their
// tone at toneHz, or some offsets from it. It is nought for a station whose minute
// is not so marked, and near it while the ticks are too weak to tell.
func minuteEvidence(s *audio.Stream, tb Timebase, st *station.Station, toneHz float64, offsets []float64, c candidate, from, to int64) float64 {
	const (
		clear  = 20e-3 // s from a mark's start that a smeared tick may fill
		before = 10e-3 // s before it that are quiet
		short  = 5e-3  // s, no longer than a tick
	)
	tones, length := minuteMarks(st)
	if len(tones) == 0 {
		return 0
	}
	fl := s.Rate()
	gap, tick, piece := int(clear*fl), int(short*fl), int(pieceSeconds*fl)
	lead := piece
	pieces := int((length - clear - short) / pieceSeconds)
	buf := make([]float32, lead+gap+pieces*piece)
	powers := make([]float64, pieces)
	// By second: power of the tick, and after it at each tone and offset the median
	// of the pieces' powers, which neither lightning nor a syllable moves, and the
	// power ahead of it.
	var seconds []int64
	var ticks []float64
	tickTone := tone.New(toneHz/fl, tick)
	tuned := make([]*tone.Tone, 0, len(offsets)*len(tones))
	for _, off := range offsets {
		for _, hz := range tones {
			tuned = append(tuned, tone.New((hz+off+toneHz-st.ToneHz)/fl, piece))
		}
	}
	var coherent complex128
	noise := 0.0
	after, ahead := make([][]float64, len(tuned)), make([][]float64, len(tuned))
	for n := from; n < to; n++ {
		base, ok := tb.Base(n)
		if !ok {
			continue
		}
		at := base/float64(s.Factor()) + (c.lag+c.rate*float64(n-c.ref))*fl
		first := math.Round(at)
		if !s.Copy(buf, int64(first)-int64(lead)) {
			continue
		}
		heard := func(t *tone.Tone, at int) complex128 { return t.Of(buf[at : at+t.Len()]) }
		z, quiet := heard(tickTone, lead), heard(tickTone, lead-int(before*fl))
		lag := c.lag*fl + first - at
		coherent += z * tone.Turn(tickTone.Cycles(), lag)
		noise += sqAbs(quiet)
		seconds = append(seconds, n)
		ticks = append(ticks, sqAbs(z)-sqAbs(quiet))
		for l, t := range tuned {
			for k := range powers {
				powers[k] = sqAbs(heard(t, lead+gap+k*piece))
			}
			after[l] = append(after[l], math.Log(rank.Upper(powers)/math.Ln2+1e-30))
			ahead[l] = append(ahead[l], math.Log(sqAbs(heard(t, 0))+1e-30))
		}
	}
	k := float64(len(seconds))
	if k < 3 {
		return 0
	}
	mean := floats.Sum(ticks) / k
	if c.coherent {
		mean = (sqAbs(coherent)/k - noise/k) / k
	}
	if mean <= 0 {
		return 0
	}
	// A mark in a fade proves nothing: it is as strong as the ticks around let it be.
	expected := make([]float64, len(seconds))
	for m := range seconds {
		near := ticks[max(0, m-fadeSeconds):min(len(ticks), m+fadeSeconds+1)]
		level, deviation := stat.MeanStdDev(near, nil)
		most := max(0, level) + 2*deviation/math.Sqrt(float64(len(near)))
		expected[m] = min(mean, most) * float64(piece*piece) / float64(tick*tick)
	}
	// The mean over offsets, strengths and seconds at which the minute may begin.
	sum := 0.0
	for i := range offsets {
		for _, strength := range markStrengths {
			ratio := make([]float64, len(seconds))
			for j := range tones {
				levels, before := after[i*len(tones)+j], ahead[i*len(tones)+j]
				floor, scatter := robust(levels)
				scatter = max(scatter, 1/math.Sqrt(float64(pieces)))
				for m, e := range expected {
					if levels[m]-floor > math.Log(8) && levels[m]-before[m] < math.Ln2 {
						ratio[m] += 1 / float64(len(tones)) // began before: another's
						continue
					}
					ratio[m] += markRatio(levels[m]-floor, scatter, strength*e/math.Exp(floor)) / float64(len(tones))
				}
			}
			var odds [60]float64
			for m, n := range seconds {
				odds[n%60] += math.Log(ratio[m])
			}
			for _, o := range odds {
				sum += math.Exp(min(o, 500)) / float64(len(odds)*len(offsets)*len(markStrengths))
			}
		}
	}
	return math.Log(sum)
}

// markStrengths are the powers a minute mark may have, against a tick's: the marks
// of two stations on one carrier sound at once and weaken each other.
var markStrengths = [...]float64{1, 0.1}

const (
	// pieceSeconds is the length of audio in which the tone of a minute mark is
	// measured: the longer, the less noise comes with it, but a receiver may be
	// mistuned by some hertz.
	pieceSeconds = 25e-3
	// fadeSeconds is how far from a mark, s, the ticks tell whether it can be heard.
	fadeSeconds = 5
)

// markRatio is the likelihood ratio of a level that is so much (ln of power) above
// its median over all seconds, where it scatters so, between a mark of a given mean
// power, in units of the median, that fades by Rayleigh's law, and none. The
// levels' distribution is Student's with 8 degrees of freedom, with room for bursts.
func markRatio(above, scatter, power float64) float64 {
	density := func(x float64) float64 {
		y := 1 + x*x/(8*scatter*scatter)
		return 1 / (y * y * y * y * math.Sqrt(y))
	}
	sum := 0.0
	for _, faded := range fadings {
		sum += density(above-math.Log1p(faded*power)) / float64(len(fadings))
	}
	return sum / density(above)
}

// fadings are quantiles of the power of Rayleigh fading, over its mean.
var fadings = func() (q [16]float64) {
	for i := range q {
		q[i] = -math.Log1p(-(float64(i) + 0.5) / float64(len(q)))
	}
	return q
}()

// robust returns the median and a standard deviation that outliers do not move.
func robust(v []float64) (mid, deviation float64) {
	mid = rank.Upper(slices.Clone(v))
	off := make([]float64, len(v))
	for i, x := range v {
		off[i] = math.Abs(x - mid)
	}
	return mid, 1.4826 * rank.Upper(off)
}

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
