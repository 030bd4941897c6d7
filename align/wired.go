package align

import (
	"fmt"
	"math"
	"time"

	"timeball/align/stability"
	"timeball/capture"
	"timeball/detect/levels"
	"timeball/detect/marker"
)

// Wired compares the marker with another clock's pulse that takes the
// receiver's place: marker minus reference, no radio, no corrections but the
// skew.
//
// The reference is the time base. A marker pulse is placed on it by the
// reference pulse before it, less than a second away, and by the length of the
// reference's second, so that the sample clock's rate does not count.
type Wired struct {
	info     capture.Info
	settings Settings
	rate     float64

	receiver, marker int // channel indices
	detectors        [2]*marker.Detector
	reference        *marker.Track // on the sample clock
	pulses           *marker.Track // of the marker, on the reference
	frames           *framer
	found            [2][]marker.Pulse // not yet passed on
	broken           float64           // position after the latest loss, frames
	gaps             []capture.Gap
	last             float64 // position of the marker's latest pulse, frames

	meters []levels.Meter
	second int     // local seconds reported
	spoken float64 // sample clock at the latest report, s
}

const (
	// lineOver is the stretch whose straight line gives the offset at its end,
	// s: over longer ones a clock's rate is not constant to nanoseconds.
	lineOver = 300
	// leastPulses are needed for an offset by wire.
	leastPulses = 8
	// settling is how many pulses the reference's second takes to be known to a
	// nanosecond; they are left out as soon as there are twice as many others.
	settling = 20
)

// NewWired returns a comparison of the two clocks in a source described by
// info. Unless the settings say otherwise the reference is on channel 1 and the
// marker on channel 2: the pulses themselves cannot tell.
func NewWired(info capture.Info, s Settings) (*Wired, error) {
	w := &Wired{info: info, settings: s, rate: float64(info.Rate), receiver: s.ReceiverChannel - 1, marker: s.MarkerChannel - 1}
	switch {
	case w.receiver < 0 && w.marker < 0:
		w.receiver, w.marker = 0, 1
	case w.receiver < 0:
		w.receiver = 1 - min(1, w.marker)
	case w.marker < 0:
		w.marker = 1 - min(1, w.receiver)
	}
	if info.Channels <= max(w.receiver, w.marker) {
		return nil, fmt.Errorf("%s has %d channel(s): a comparison by wire needs channels %d and %d", info.Name, info.Channels, w.receiver+1, w.marker+1)
	}
	c := marker.Config{Rate: w.rate, Edge: s.Edge}
	w.detectors = [2]*marker.Detector{marker.NewDetector(c), marker.NewDetector(c)}
	w.frames = newFramer(info)
	w.reference, w.pulses = marker.NewTrack(w.rate), marker.NewTrack(w.rate)
	w.meters = make([]levels.Meter, info.Channels)
	return w, nil
}

// Process takes the next block, and returns the state when a pulse has come or,
// without one, when a second has passed.
func (w *Wired) Process(b *capture.Block) (Second, bool) {
	if b.Lost > 0 {
		w.gaps = append(w.gaps, capture.Gap{At: b.Position - b.Lost, Lost: b.Lost, Inexact: b.Inexact})
		w.broken = float64(b.Position)
	}
	w.frames.process(b, w.take, w.step)
	for i, x := range b.Channels {
		w.meters[i].Add(x)
	}
	now := w.pulses.Seconds()
	if now == w.second && w.seconds() < w.spoken+1.1 {
		return Second{}, false
	}
	w.second, w.spoken = now, w.seconds()
	return w.state(), true
}

// take passes frames on.
func (w *Wired) take(position int64, channels [][]float32) {
	w.found[0] = append(w.found[0], w.detectors[0].Process(position, channels[w.receiver])...)
	w.found[1] = append(w.found[1], w.detectors[1].Process(position, channels[w.marker])...)
}

// step goes on with what has been taken.
func (w *Wired) step() {
	through := float64(w.frames.position) - 0.03*w.rate
	w.reference.Update(through, w.found[0])
	for _, p := range w.found[1] {
		w.last = p.Position
		if at, ok := w.onReference(p.Position); ok {
			p.Position = at
			w.pulses.Update(at, []marker.Pulse{p})
		}
	}
	w.found[0], w.found[1] = w.found[0][:0], w.found[1][:0]
	if at, ok := w.onReference(through); ok {
		w.pulses.Update(at, nil)
	}
}

// onReference turns a position on the sample clock into one on a clock that
// counts rate frames in each second of the reference. It is false when no
// reference pulse is near enough.
func (w *Wired) onReference(position float64) (float64, bool) {
	for k := w.reference.Seconds() - 1; k >= max(0, w.reference.Oldest()); k-- {
		r, ok := w.reference.Pulse(k)
		if !ok || r > position+0.5*w.rate {
			continue
		}
		if r < w.broken || position-r > 3*w.rate {
			return 0, false
		}
		return w.rate * (float64(k) + (position-r)/w.reference.PeriodFrames()), true
	}
	return 0, false
}

func (w *Wired) seconds() float64 { return float64(w.frames.position) / w.rate }

// steady is the longest, or the latest, run of seconds without a step, from its
// first to before its end.
func (w *Wired) steady(latest bool) (from, end int) {
	begin := w.pulses.Oldest()
	if w.pulses.Seconds()-begin >= 3*settling {
		begin = max(begin, settling)
	}
	last := w.pulses.Seconds()
	for _, s := range w.pulses.Steps() {
		if latest || s.First-begin > end-from {
			from, end = begin, max(begin, s.First)
		}
		begin = max(begin, s.Last)
	}
	if latest || last-begin > end-from {
		from, end = begin, last
	}
	return from, end
}

// phases lists the marker against the reference for seconds from to before end,
// in seconds, ahead positive, steps taken out; NaN where there was no pulse.
func (w *Wired) phases(from, end int) []float64 {
	var x []float64
	for n := from; n < end; n++ {
		v := math.NaN()
		if at, ok := w.pulses.Pulse(n); ok {
			phase, _ := w.pulses.Phase(n)
			v = float64(n) - (at-phase)/w.rate
		}
		x = append(x, v)
	}
	return x
}

// fitPhases is the straight line through phases, referred to the middle. Its
// variances allow for successive phases that resemble each other, as those of a
// wandering clock do.
func fitPhases(x []float64) (l line, middle float64, ok bool) {
	n, st, sx, origin := 0.0, 0.0, 0.0, 0.0
	for i, v := range x {
		if math.IsNaN(v) {
			continue
		}
		if n == 0 {
			origin = v // phases are near each other: keeps the digits
		}
		n++
		st += float64(i)
		sx += v - origin
	}
	if n < leastPulses {
		return l, 0, false
	}
	middle = st / n
	mean := sx / n
	stt, stx := 0.0, 0.0
	for i, v := range x {
		if !math.IsNaN(v) {
			stt += (float64(i) - middle) * (float64(i) - middle)
			stx += (float64(i) - middle) * (v - origin - mean)
		}
	}
	l = line{x: origin + mean, y: stx / stt, probability: 1, dof: n - 2}
	square, product, last := 0.0, 0.0, 0.0
	for i, v := range x {
		r := 0.0 // a missing phase says nothing
		if !math.IsNaN(v) {
			r = v - l.x - l.y*(float64(i)-middle)
		}
		square += r * r
		product += r * last
		last = r
	}
	alike := max(0, min(0.98, product/max(square, 1e-300)))
	variance := square / l.dof * (1 + alike) / (1 - alike)
	l.vx, l.vy = variance/n, variance/stt
	return l, middle, true
}

// Fix states the comparison so far.
func (w *Wired) Fix() Fix {
	f := w.report()
	if f.Offset == nil {
		return f
	}
	// Rate and stability are those of the longest stretch without a step.
	x := w.phases(w.steady(false))
	if l, _, ok := fitPhases(x); ok {
		f.Rate = &Rate{l.y, math.Sqrt(l.vy)}
	}
	f.Wire.Deviations = []Deviation{}
	for _, d := range stability.Table(x, 1, stability.Kinds, stability.Factors(len(x))) {
		f.Wire.Deviations = append(f.Wire.Deviations, Deviation{string(d.Kind), d.M, d.Tau, d.Value, d.CI95, d.EDF, d.Noise.String()})
	}
	return f
}

// report is Fix without what takes long.
func (w *Wired) report() Fix {
	f := Fix{
		Schema:    Schema,
		Recording: Recording{Path: w.info.Name, RateHz: w.info.Rate, Seconds: w.seconds(), Gaps: []Gap{}},
		Verdict:   NoMarker,
		Budget:    []BudgetLine{},
		Stations:  []StationFix{},
		Warnings:  []string{},
	}
	for _, g := range w.gaps {
		f.Recording.Gaps = append(f.Recording.Gaps, Gap{At: float64(g.At) / w.rate, LostFrames: g.Lost})
	}
	reference, local := w.detectors[0].Assess(), w.detectors[1].Assess()
	switch {
	case !reference.IsMarker:
		f.Why = NoPulse{Channel: w.receiver + 1, Reference: true, Finding: reference.Finding}
		return f
	case !local.IsMarker:
		f.Why = NoPulse{Channel: w.marker + 1, Finding: local.Finding}
		return f
	}
	f.Marker = describe(w.marker, local, w.pulses)
	f.Wire = &Wire{Reference: *describe(w.receiver, reference, w.reference)}
	ppm := (w.reference.PeriodFrames()/w.rate - 1) * 1e6
	f.SampleClock = &SampleClock{PPMvsUTC: &ppm, PPMvsMarker: &ppm}
	last := w.pulses.Seconds() - 1
	// Pulses before a step tell nothing beyond it, for its size is not known
	// better than the pulses after it tell. Just after one they have to do.
	from, _ := w.steady(true)
	doubt := 0.0
	if after := last + 1 - from; after < leastPulses {
		from = w.pulses.Oldest()
		doubt = w.pulses.JitterSeconds() / math.Sqrt(float64(after))
	}
	from = max(from, last-lineOver)
	l, middle, ok := fitPhases(w.phases(from, last+1))
	if !ok {
		f.Why = FewPulses{leastPulses}
		return f
	}
	l.vx += doubt * doubt
	value, rate := extrapolate([]line{l}, float64(last-from)-middle)
	_, skew := w.settings.Delays(w.rate)
	dof := l.dof
	f.Budget = []BudgetLine{
		{Source: "pulse average", Type: "A", U: value.U(), DoF: &dof},
		{Source: "marker edge", Type: "B", U: local.ReferenceSigmaFrames / w.rate},
		{Source: "reference edge", Type: "B", U: reference.ReferenceSigmaFrames / w.rate},
		{Source: "skew", Type: "B", U: skew.U, Known: skew.Known},
	}
	if Alike(local, reference) {
		for i := 1; i <= 2; i++ {
			f.Budget[i].U *= AlikeShare
			f.Budget[i].Known = OneShape{}
		}
	}
	ub, _ := combine(f.Budget[1:])
	whole := value.Shift(skew.Value - w.pulses.Shift()/w.rate).Widen(ub)
	f.Verdict = Found
	f.state(whole, 0)
	f.Rate = &Rate{rate.Median(), rate.U()}
	if start := startOf(w.settings, w.info); !start.IsZero() {
		at := start.Add(time.Duration((w.last/w.rate + *f.Offset) * 1e9)).Round(time.Second)
		f.At = &at
	}
	return f
}

// AlikeShare is how much of the doubt about where a pulse's edge lies within its
// shape is left in the difference of two pulses that are Alike: it comes from
// the converter and the shape, which they share (judgement).
const AlikeShare = 0.1

// Alike reports whether two pulses are of one shape as far as can be seen: the
// same edge, and a width and a doubt about the edge that agree within 2 %, or
// 20 %.
func Alike(a, b marker.Assessment) bool {
	return a.Edge == b.Edge && math.Abs(a.WidthSeconds-b.WidthSeconds) < 0.02*a.WidthSeconds &&
		math.Abs(a.ReferenceSigmaFrames-b.ReferenceSigmaFrames) < 0.2*a.ReferenceSigmaFrames
}

// describe tells of the marker, or reference, on a channel.
func describe(channel int, as marker.Assessment, t *marker.Track) *MarkerFix {
	pulses, missed, _ := t.Counts()
	mean := t.Mean(0)
	m := &MarkerFix{
		Channel: channel + 1, Edge: as.Edge.String(), Pulses: pulses, Missed: missed,
		Jitter: mean.Jitter / as.PeriodFrames, Scatter: mean.Pattern, Beat: math.Abs(t.BeatSeconds()), Steps: []Step{},
	}
	for _, s := range t.Steps() {
		m.Steps = append(m.Steps, Step{s.At / as.PeriodFrames, s.BySeconds})
	}
	return m
}

// state is what there is to say now.
func (w *Wired) state() Second {
	s := Second{
		Schema: SecondSchema, T: w.seconds(), Radio: Reception{State: ByWire},
		Stations: []StationState{}, Count: w.pulses.Seconds(),
	}
	for i := range w.meters {
		l := ChannelLevel{Channel: i + 1, Level: w.meters[i].Take()}
		switch i {
		case w.marker:
			l.Role = "marker"
		case w.receiver:
			l.Role = "reference"
		}
		s.Levels = append(s.Levels, l)
	}
	if s.Count > 0 {
		s.Marker = stateOf(w.pulses)
		s.Marker.Step /= w.rate
		s.Marker.Moved /= w.rate
		s.Marker.Channel, s.Marker.Edge = w.marker+1, w.detectors[1].Assess().Edge.String()
	}
	s.take(w.report())
	s.Turning = w.settings.Turns.follow(&s)
	return s
}
