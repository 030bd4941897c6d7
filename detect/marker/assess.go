package marker

import (
	"math"
	"slices"
)

// tally is what Assess needs to know of the pulses delivered.
type tally struct {
	pulses int
	// of the latest pulses, up to tallyPulses
	noise     []float64
	amplitude []float64
	match     []float64
	position  []float64
}

const tallyPulses = 32

// last is the position of the latest pulse.
func (t *tally) last() float64 {
	if len(t.position) == 0 {
		return math.Inf(-1)
	}
	return t.position[len(t.position)-1]
}

func (t *tally) add(p Pulse) {
	t.pulses++
	t.noise = push(t.noise, p.Noise)
	t.amplitude = push(t.amplitude, p.Amplitude)
	t.match = push(t.match, p.Match)
	t.position = push(t.position, p.Position)
}

func push(v []float64, x float64) []float64 {
	if len(v) == tallyPulses {
		v = slices.Delete(v, 0, 1)
	}
	return append(v, x)
}

// Assessment tells whether a channel carries the marker, and what it is like.
type Assessment struct {
	IsMarker  bool
	Ambiguous bool    // a pulse of half a second: the person must say which edge is on time
	Finding   Finding // why it is no marker, when IsMarker is false
	Score     float64 // edge height over noise, for comparing channels; 0 when IsMarker is false
	// The rest is meaningful when IsMarker.
	Edge                 Edge    // Rising or Falling
	Pulses               int     // delivered so far
	WidthSeconds         float64 // 0 when unknown
	PeriodFrames         float64 // frames in a local second, as first learned
	Amplitude            float64 // median height of the edge, full scale 1
	Noise                float64 // median rms departure from the average pulse, full scale 1
	Match                float64 // median likeness to the average pulse
	LastPosition         float64 // of the latest pulse, frames
	ReferenceSigmaFrames float64 // see Pulse
}

// Assess tells what the channel looks like so far; five seconds of a good
// marker are enough.
func (d *Detector) Assess() Assessment {
	var a Assessment
	if d.known == nil {
		a.Finding, a.Ambiguous = d.finding, d.finding == HalfSecond
		return a
	}
	t := &d.tally
	a.IsMarker = true
	a.Edge = Falling
	if d.rising {
		a.Edge = Rising
	}
	a.Pulses = t.pulses
	a.WidthSeconds = d.width
	a.PeriodFrames = d.period
	a.Amplitude = median(t.amplitude)
	a.Noise = median(t.noise)
	a.Match = median(t.match)
	a.LastPosition = t.last()
	a.ReferenceSigmaFrames = d.known.refSigma
	// The fit's baseline hides slow noise; the scan's floor shows it. A block's
	// largest lagged difference is 3.6 sigma of white noise.
	a.Score = a.Amplitude / max(a.Noise, d.floor/3.6, leastStep/6) // not quieter than 16 bits
	return a
}

// Choice is the outcome of comparing channels.
type Choice struct {
	Channel   int   // index of the marker's channel; -1 when none can be chosen
	Wired     []int // the channels that carry a marker when there are two or more: a comparison by wire
	Ambiguous int   // the channel, from 1, whose pulse has two edges alike, when that is why; else 0
}

const (
	wiredShare  = 0.1  // of the best score: a channel below it carries something else besides its pulse
	leakRatio   = 0.1  // of the marker's height: less on another channel, at the same instant, has leaked across
	leakSeconds = 2e-5 // by which a leaked edge may seem displaced
)

// Choose tells which channel of a recording of the given rate, Hz, carries the
// marker. A weaker copy of it that leaks into another channel at the same
// instant is not taken for a second marker, nor is a pulse among other sound,
// such as the clock's own movement picked up by the receiver.
func Choose(rate float64, channels []Assessment) Choice {
	best := -1
	var clean []int
	for i, a := range channels {
		if a.IsMarker && (best < 0 || a.Score > channels[best].Score) {
			best = i
		}
	}
	if best < 0 {
		for i, a := range channels {
			if a.Ambiguous {
				return Choice{Channel: -1, Ambiguous: i + 1}
			}
		}
		return Choice{Channel: -1}
	}
	top := channels[best]
	for i, a := range channels {
		if !a.IsMarker {
			continue
		}
		apart := math.Remainder(a.LastPosition-top.LastPosition, top.PeriodFrames) / rate
		leaked := a.Amplitude < leakRatio*top.Amplitude && math.Abs(apart) < leakSeconds
		if i == best || a.Score > wiredShare*top.Score && !leaked {
			clean = append(clean, i)
		}
	}
	if len(clean) > 1 {
		return Choice{Channel: -1, Wired: clean}
	}
	return Choice{Channel: best}
}
