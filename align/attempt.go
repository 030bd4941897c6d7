package align

import (
	"fmt"
	"math"
	"slices"

	"timeball/capture"
	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/marker"
)

const (
	// memorySeconds is how much audio is remembered, memorySamples that at 8 kHz.
	memorySeconds = 480
	memorySamples = memorySeconds * 8000
	// decideAfter is how much of the recording is heard before the channels'
	// roles are first asked, frames per nominal second.
	decideAfter = 6
	// The radio tells lost frames from a step of the marker: how long it may
	// take, s, and how clear it must be (log likelihood), where lost frames are
	// likely and where a step is.
	// The offset stands meanwhile where a hand may have done it, by whole frames
	// too; so these may wait for as long as the audio is remembered.
	jumpPatience, jumpEvidence = 30, 12
	stepPatience, stepEvidence = 6, 30
	wholePatience              = memorySeconds - 60
	// paceKnown is how well the marker's rate on the sample clock must be known before
	// ticks are looked for on it: a third of what acquisition searches for the clock's.
	paceKnown = 5e-6
	// Ticks that move by less than sameTick, s, are hardly seen to; by less than
	// paths they may just come by another path.
	sameTick = 0.5e-3
	paths    = 3e-3
)

// Attempt measures one recording or live session: feed it blocks, ask for the
// fix at any time. It uses constant memory.
type Attempt struct {
	info     capture.Info
	settings Settings
	rate     float64

	detectors []*marker.Detector
	streams   []*audio.Stream
	found     [][]marker.Pulse // pulses of each channel not yet passed on
	reducer   *reducer
	reduced   Reduced // by Process
	position  int64   // after the newest frame
	gaps      []capture.Gap

	// Once the roles are known:
	receiver, marker int // channel indices; marker < 0: not known
	pulses           *marker.Track
	wheel            *flywheel
	radio            *radio
	codes            []*code
	courses          map[*station.Station]keptCourse // path delays computed
	waves            map[*station.Station]keptWaves
	paced            bool      // the marker has been good enough to fold ticks on
	settled          int       // ID after that of the latest jump settled
	trial            weighed   // whether the next one was lost frames
	breach           *breach   // nil: the flywheel is relied on
	restarts         int       // of the search for stations
	codesFrom        int64     // second from which the time is read
	sounds           soundings // chirps that stations measure their channels by
	why              Reason    // the channels are not told yet
}

// NewAttempt returns an attempt at a source described by info. It fails when
// the source cannot hold both the receiver and the marker.
func NewAttempt(info capture.Info, s Settings) (*Attempt, error) {
	if info.Channels < 2 {
		return nil, fmt.Errorf("%s has one channel: record the receiver on one and the marker on another", info.Name)
	}
	for _, c := range []int{s.ReceiverChannel, s.MarkerChannel} {
		if c > info.Channels {
			return nil, fmt.Errorf("%s has %d channels, there is no channel %d", info.Name, info.Channels, c)
		}
	}
	a := &Attempt{info: info, settings: s, rate: float64(info.Rate), marker: -1}
	for range info.Channels {
		a.detectors = append(a.detectors, marker.NewDetector(marker.Config{Rate: a.rate, Edge: s.Edge}))
		a.streams = append(a.streams, audio.NewStream(a.rate, memorySamples))
	}
	a.reducer = newReducer(info, a.streams, a.detectors)
	a.found = make([][]marker.Pulse, info.Channels)
	a.courses, a.waves = map[*station.Station]keptCourse{}, map[*station.Station]keptWaves{}
	return a, nil
}

// Process takes the next block.
func (a *Attempt) Process(b *capture.Block) {
	a.Reduce(b, &a.reduced)
	a.Measure(&a.reduced)
}

// Measure takes what Reduce has made of the next block.
func (a *Attempt) Measure(r *Reduced) {
	if r.block.Lost > 0 {
		a.lost(&r.block)
	}
	for i := range r.runs {
		a.take(&r.runs[i])
		if r.runs[i].step {
			a.step(r.runs[i].assessed)
		}
	}
	a.position = r.end
}

// take passes a run on.
func (a *Attempt) take(r *run) {
	a.position = r.position + r.frames
	for i, low := range r.low {
		if a.streams[i] != nil {
			a.streams[i].Take(low)
		}
		if a.marker >= 0 && i == a.receiver {
			a.radio.process(r.position, r.whole[i])
		}
		if a.detectors[i] != nil {
			a.found[i] = append(a.found[i], r.pulses[i]...)
		}
	}
}

// step goes on with what has been taken, and with the channels as they were assessed.
func (a *Attempt) step(assessed []marker.Assessment) {
	switch {
	case a.marker >= 0:
		a.follow()
	case assessed != nil:
		a.assign(assessed)
	}
}

// follow lets both tracks go on.
func (a *Attempt) follow() {
	a.pulses.Update(a.through(), a.found[a.marker])
	a.found[a.marker] = a.found[a.marker][:0]
	a.advance()
}

// seconds is how much has been heard, on the nominal rate.
func (a *Attempt) seconds() float64 { return float64(a.position) / a.rate }

// through is the position up to which the detector has delivered.
func (a *Attempt) through() float64 { return float64(a.position) - 0.03*a.rate }

// assign decides which channel is which, once that is clear.
func (a *Attempt) assign(assessed []marker.Assessment) {
	var choice marker.Choice
	if m := a.settings.MarkerChannel; m > 0 {
		if as := assessed[m-1]; !as.IsMarker {
			a.why = NoPulse{Channel: m, Finding: as.Finding}
			return
		}
		choice.Channel = m - 1
	} else {
		choice = marker.Choose(a.rate, assessed)
	}
	m := choice.Channel
	if m < 0 {
		a.why = NoMarkerChannel{choice}
		return
	}
	r := a.settings.ReceiverChannel - 1
	if r < 0 {
		if a.info.Channels > 2 {
			a.why = ManyReceivers{a.info.Channels - 1}
			return
		}
		r = 1 - m
	}
	if r == m {
		a.why = SameChannel{}
		return
	}
	a.receiver, a.marker = r, m
	a.reducer.roles.Store(&roles{r, m})
	for i := range a.streams {
		if i != r {
			a.streams[i].Drop()
			a.streams[i] = nil
		}
		if i != m {
			a.detectors[i] = nil
		}
	}
	a.pulses = marker.NewTrack(a.rate)
	a.wheel = &flywheel{rate: a.rate, track: a.pulses}
	a.radio = newRadio(a.streams[r], a.wheel, &a.settings, a.start())
	a.radio.start(0)
	a.follow()
}

// advance lets the radio track follow up to where the marker track stands.
func (a *Attempt) advance() {
	if !a.paced {
		// A jittering marker must be averaged before ticks can be folded on it.
		if a.paced = a.pulses.RateSigma() < paceKnown; !a.paced {
			return
		}
	}
	limit := int64(a.pulses.Seconds()) - 1
	if j, open := a.openJump(); open {
		limit = min(limit, int64(j.Second)-1)
		a.settle(j)
	} else if a.breach != nil {
		a.confirm()
	}
	if b := a.breach; b != nil {
		limit = min(limit, b.second-1)
	}
	a.radio.advance(limit)
	a.readCodes(limit)
	a.sound()
}

// breach is a loss of frames across which the flywheel must not be relied on until
// the ticks confirm it: their number was only estimated, or it was so large that
// nothing from before is remembered.
type breach struct {
	at     int64 // position after the loss, frames
	second int64 // first local second after it; noSecond until its pulse has come
	weighed
}

const noSecond = math.MaxInt64

// weighed is what the ticks of the seconds up to next have said.
type weighed struct {
	id   int // of the jump they are asked about
	next int64
	odds float64 // logarithmic
}

// lost takes note of frames lost before b.
func (a *Attempt) lost(b *capture.Block) {
	a.gaps = append(a.gaps, capture.Gap{At: b.Position - b.Lost, Lost: b.Lost, Inexact: b.Inexact})
	if a.marker < 0 {
		return
	}
	a.radio.broken()
	if b.Inexact || float64(b.Lost) > memorySeconds*a.rate {
		a.breach = &breach{at: b.Position, second: noSecond}
	}
}

// confirm asks the ticks whether they still come where the flywheel puts them.
func (a *Attempt) confirm() {
	b := a.breach
	last := int64(a.pulses.Seconds()) - 1
	if b.second == noSecond {
		for n := last; n > last-jumpPatience; n-- {
			if at, ok := a.pulses.Pulse(int(n)); ok && at >= float64(b.at) {
				b.second = n
			}
		}
		if b.second == noSecond {
			return
		}
		b.next = b.second
		a.forgetTime(b.second)
	}
	for ; b.next < last-1; b.next++ {
		b.odds += a.radio.present(b.next)
	}
	switch {
	case b.odds > jumpEvidence:
		a.breach = nil
	case b.next-b.second > jumpPatience:
		// Nobody can tell: what was heard before does not go with what follows.
		a.restart(b.second)
	}
}

// restart begins to look for stations anew at second n.
func (a *Attempt) restart(n int64) {
	a.radio.restart(n)
	a.forgetTime(n)
	a.breach = nil
	a.restarts++
}

// forgetTime lets the time be read anew from second n on.
func (a *Attempt) forgetTime(n int64) { a.codes, a.codesFrom = nil, n }

// openJump returns the first jump of the marker not yet settled.
func (a *Attempt) openJump() (marker.Jump, bool) {
	for _, j := range a.pulses.Jumps() {
		if j.ID >= a.settled {
			return j, true
		}
	}
	return marker.Jump{}, false
}

// settle decides whether a jump was lost frames or a step of the marker. Lost
// frames move the ticks too.
func (a *Attempt) settle(j marker.Jump) {
	resolve := func(isGap bool) {
		a.pulses.ResolveJump(j.ID, isGap)
		a.settled = j.ID + 1
		a.radio.broken()
	}
	shift := float64(j.Frames) / float64(a.streams[a.receiver].Factor())
	inexact := a.inexact(j)
	least, patience, evidence := paths, int64(stepPatience), float64(stepEvidence)
	switch {
	case inexact:
		least, patience, evidence = sameTick, jumpPatience, jumpEvidence
	case j.Whole:
		least, patience, evidence = sameTick, wholePatience, jumpEvidence
	}
	if math.Abs(float64(j.Frames)) < least*a.rate { // too little for the ticks to tell
		resolve(inexact)
		return
	}
	from, to := int64(j.Second), int64(a.pulses.Seconds())-2
	if to-from < 2 {
		return
	}
	if w := &a.trial; w.id != j.ID || w.next < from {
		*w = weighed{id: j.ID, next: from}
	}
	// The marker's movement is taken for a step so far, so the base runs on.
	a.trial.odds += a.radio.moved(a.trial.next, to, shift)
	a.trial.next = to
	switch {
	case a.trial.odds > evidence:
		resolve(true)
		if j.Frames < 0 && !inexact {
			a.gaps = append(a.gaps, capture.Gap{At: int64(j.AtPosition), Lost: -j.Frames, Inexact: !j.Whole})
		}
	case a.trial.odds < -jumpEvidence:
		resolve(false)
	case to-from <= patience:
	case inexact || j.Whole:
		resolve(false)
		a.restart(from)
	default:
		resolve(false)
	}
}

// standing tells how far the present offset may be relied on.
func (a *Attempt) standing() Standing {
	s := Settled
	if a.breach != nil {
		s = Withheld
	}
	for _, j := range a.pulses.Jumps() {
		switch {
		case j.ID < a.settled:
		case a.inexact(j):
			s = Withheld
		case j.Whole && s == Settled:
			s = Verifying
		}
	}
	return s
}

// inexact reports whether a loss of frames whose number was only estimated lies
// within jump j: then the estimate was out by the jump.
func (a *Attempt) inexact(j marker.Jump) bool {
	after, ok := a.pulses.Pulse(j.Second)
	return slices.ContainsFunc(a.gaps, func(g capture.Gap) bool {
		return g.Inexact && ok && float64(g.At+g.Lost) > j.AtPosition && float64(g.At) < after
	})
}
