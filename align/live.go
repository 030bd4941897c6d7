package align

import (
	"math"
	"slices"

	"timeball/capture"
	"timeball/detect/levels"
	"timeball/detect/marker"
	"timeball/detect/tick/find"
	"timeball/detect/tick/timing"
	"timeball/detect/timecode"
)

const (
	// The radio fit is renewed after a third of the time heard, within these
	// bounds, s: it costs as much as a minute of everything else.
	shortestRefit = 5
	longestRefit  = 60
	// afterPulse is how long after a pulse that is done, s.
	afterPulse = 0.4
	// coastAfter is how long a station may be gone until it is said to have
	// faded for good, s.
	coastAfter = 20
)

// Live follows an Attempt second by second. The offset is that of the marker's
// newest pulse against the latest radio fit, carried on to the present: a step
// of the marker shows with its first pulse, while the radio's part is renewed
// every few seconds as long as a station is heard.
type Live struct {
	attempt  *Attempt
	meters   []levels.Meter
	second   int     // local seconds reported
	spoken   float64 // sample clock at the latest report, s
	arrivals []*timing.Arrival
	watch    map[heard]*watch
	refit    int64 // second from which the radio fit is renewed
	restarts int   // of the attempt that have been heeded
	coasting bool  // there is nothing to be gained by that
}

// watch follows the presence of one station.
type watch struct {
	presence
	next int64 // second not yet seen
	snr  *float64
}

// NewLive follows a, which must not have been given any block.
func NewLive(a *Attempt) *Live {
	return &Live{attempt: a, meters: make([]levels.Meter, a.info.Channels), watch: map[heard]*watch{}}
}

// Fix states the measurement so far, as the attempt by itself would.
func (l *Live) Fix() Fix { return l.attempt.Fix() }

// Aside lets another measurement follow the clock's adjustment from now on.
func (l *Live) Aside() { l.attempt.settings.Turns = nil }

// HandsNow tells what the clock's hands show at this moment.
func (l *Live) HandsNow(shown timecode.Hands) {
	l.attempt.Hands(HandsReading{Shown: shown, At: l.attempt.Heard()})
}

// Process takes the next block, and returns the state when a pulse has come or,
// without one, when a second has passed.
func (l *Live) Process(b *capture.Block) (Second, bool) {
	a := l.attempt
	a.Process(b)
	if l.restarts != a.restarts {
		// What was heard before does not go with the flywheel as it now is.
		l.restarts, l.arrivals, l.refit, l.coasting = a.restarts, nil, 0, false
	}
	for i, x := range b.Channels {
		l.meters[i].Add(x)
	}
	now := 0
	if a.marker >= 0 {
		now = a.pulses.Seconds()
	}
	if now == l.second && a.seconds() < l.spoken+1.1 {
		// The radio fit takes a while: it must not hold up a pulse.
		if a.marker >= 0 && a.seconds() > l.spoken+afterPulse {
			l.fit()
		}
		return Second{}, false
	}
	l.second, l.spoken = now, a.seconds()
	return l.state(), true
}

// state is what there is to say now.
func (l *Live) state() Second {
	a := l.attempt
	s := Second{
		Schema: SecondSchema, T: a.seconds(), Radio: Reception{State: NeverHeard},
		Stations: []StationState{}, Levels: l.levels(),
	}
	if a.marker >= 0 {
		s.Count = a.pulses.Seconds()
		s.Marker = stateOf(a.pulses)
		s.Marker.Step /= a.rate
		s.Marker.Moved /= a.rate
		s.Marker.Channel, s.Marker.Edge = a.marker+1, a.detectors[a.marker].Assess().Edge.String()
		l.listen(&s)
		l.coasting = s.Radio.State == Coasting
	}
	f := a.report(l.arrivals, decoder.Reading)
	s.take(f)
	for _, st := range f.Stations {
		if i := slices.IndexFunc(s.Stations, func(x StationState) bool { return x.ID == st.ID }); i >= 0 {
			s.Stations[i].Sounding = st.Sounding
		}
	}
	s.Turning = a.settings.Turns.follow(&s)
	if f.Offset != nil {
		s.SecondOfMinute = a.secondOfMinute(&f)
	}
	return s
}

// Now is the fix so far, by the latest radio fit.
func (l *Live) Now() Fix { return l.attempt.report(l.arrivals, decoder.Reading) }

// Ticks is what is heard of stations, for a list of wiring and levels.
func (l *Live) Ticks() levels.Ticks {
	a := l.attempt
	t := levels.Ticks{Stations: []levels.StationTicks{}}
	if a.marker < 0 {
		return t
	}
	t.Seconds, t.Marks = a.seconds(), a.radio.ticks == nil
	for _, h := range a.radio.heard() {
		s := levels.StationTicks{ID: h.Station.ID, AsNamed: a.radio.standing(h.Station) == find.AsNamed}
		if w := l.watch[h]; w != nil && w.gone {
			s.Gone = float64(int64(a.pulses.Seconds()) - 1 - w.since)
		}
		for _, arr := range l.arrivals {
			if arr.Station == h.Station {
				s.SNRdB = &arr.SNRdB
			}
		}
		t.Stations = append(t.Stations, s)
	}
	t.Unknown = a.radio.ticks != nil && len(a.radio.ticks.Unsettled()) > 0
	return t
}

// levels reads the meters.
func (l *Live) levels() []ChannelLevel {
	all := make([]ChannelLevel, len(l.meters))
	for i := range l.meters {
		all[i] = ChannelLevel{Channel: i + 1, Level: l.meters[i].Take()}
		if a := l.attempt; a.marker >= 0 {
			switch i {
			case a.marker:
				all[i].Role = "marker"
			case a.receiver:
				all[i].Role = "receiver"
			}
		}
	}
	return all
}

// stateOf describes the latest pulse of a track; the step and their
// sum are in frames.
func stateOf(t *marker.Track) MarkerState {
	last := t.Seconds() - 1
	m := MarkerState{Jitter: t.JitterSeconds(), Beat: math.Abs(t.BeatSeconds()), Moved: t.Shift()}
	for m.Missing = 0; m.Missing <= last; m.Missing++ {
		if _, ok := t.Pulse(last - m.Missing); ok {
			break
		}
	}
	if before, ok := t.Phase(last - 1); ok {
		m.Step = t.Shift() - before
	}
	return m
}

// take copies from f what a Second has of it.
func (s *Second) take(f Fix) {
	s.Verdict, s.Why, s.Waiting, s.Standing = f.Verdict, f.Why, f.Waiting, f.Standing
	s.Offset, s.U, s.CI95, s.Sense, s.Rate = f.Offset, f.U, f.CI95, f.Sense, f.Rate
	if f.CI95 != nil {
		s.Prospect = f.prospect()
	}
	s.At, s.WholeSeconds, s.Setting, s.UTC = f.At, f.WholeSeconds, f.Setting, f.UTC
}

// listen looks whether the stations' ticks still come.
func (l *Live) listen(s *Second) {
	for _, h := range l.attempt.radio.heard() {
		w := l.watch[h]
		if w == nil {
			w = &watch{next: int64(s.Count) - 1, presence: presence{since: int64(s.Count) - 1}}
			l.watch[h] = w
			l.refit = 0
		}
		mean := l.meanPower(h)
		for ; w.next <= h.Latest(); w.next++ {
			power, ok := h.Power(w.next)
			if !ok {
				continue // its frames were lost
			}
			w.snr = nil
			if power > 1 {
				db := 10 * math.Log10((power-1)*h.PowerSNR())
				w.snr = &db
			}
			w.add(w.next, power, mean)
		}
		st := StationState{ID: h.Station.ID, ToneHz: h.Station.ToneHz, SNRdB: w.snr, Reception: Reception{State: HeardNow}}
		if w.gone {
			st.Gone = float64(int64(s.Count) - 1 - w.since)
			st.State = Fading
			if st.Gone > coastAfter {
				st.State = Coasting
			}
		}
		s.Stations = append(s.Stations, st)
		if s.Radio.State == NeverHeard || st.Gone < s.Radio.Gone {
			s.Radio = st.Reception
		}
	}
}

// meanPower is what h's tick of mean strength adds to the noise's power of 1.
func (l *Live) meanPower(h heard) float64 {
	for _, a := range l.arrivals {
		if a.Station == h.Station {
			return math.Pow(10, a.SNRdB/10) / h.PowerSNR()
		}
	}
	return 1
}

// fit renews the radio fit when that is due and there is something to hear.
func (l *Live) fit() {
	f := l.attempt.radio
	n := int64(l.attempt.pulses.Seconds())
	if n < l.refit || l.coasting {
		return
	}
	fresh := f.arrivals(false)
	for _, old := range l.arrivals {
		if stillHeard(f.heard(), old) && !holds(fresh, old) {
			fresh = append(fresh, old) // its fit fails now: it is carried on
		}
	}
	l.arrivals = fresh
	l.refit = n + max(shortestRefit, min(n/3, longestRefit))
}

func stillHeard(all []heard, a *timing.Arrival) bool {
	for _, h := range all {
		if h.Station == a.Station {
			return true
		}
	}
	return false
}

func holds(arrivals []*timing.Arrival, a *timing.Arrival) bool {
	for _, b := range arrivals {
		if b.Station == a.Station {
			return true
		}
	}
	return false
}

// secondOfMinute is the broadcast's second at the last marker, nil when no code
// has told it.
func (a *Attempt) secondOfMinute(f *Fix) *int {
	last := a.pulses.Seconds() - 1
	for _, c := range a.told() {
		r := c.dec.Reading()
		if !r.Second.Known() {
			continue
		}
		if f.UTC != nil && f.UTC.Inserted {
			sixty := 60
			return &sixty
		}
		if f.At != nil {
			s := f.At.Second()
			return &s
		}
		s := (int64(r.Second.Value) + int64(last) - r.N - a.turn(f, c, last)) % 60
		n := int((s + 60) % 60)
		return &n
	}
	return nil
}
