package timing

import (
	"math"

	"timeball/capture/station"
)

// Arrival says when a station's ticks arrive, on the flywheel's second, in
// seconds of the sample clock's nominal rate.
type Arrival struct {
	Station *station.Station
	ToneHz  float64
	// At second Ref the earliest path's tick most likely arrives Lag after the
	// flywheel's second; the lag grows by Rate a second.
	Ref       float64
	Lag, Rate float64
	DoF       float64 // degrees of freedom of the variances
	// Alternatives are all places the arrival may have, the likeliest first.
	Alternatives []Alternative
	Coherent     bool // the audio keeps the tick's phase (AM); else SSB
	Ticks        int
	Expected     int
	SNRdB        float64 // of the tone in a burst against noise in 3 kHz
	Paths        []Path  // of the likeliest place
	// FadingShare is the share of the tick's power that fades: 0 when it is
	// steady, 1 for Rayleigh fading.
	FadingShare float64
	// EdgeU is the standard uncertainty, s, of an arrival on long wave that comes from
	// the time constant of the carrier's edge; 0 of a tick.
	EdgeU float64
	// FilterU is the standard uncertainty of the receiver's group delay against its
	// phase, s, for what its filter may be that none of the family is.
	FilterU float64
	// Calibrated: it was timed through the response that was calibrated of the receiver.
	Calibrated bool
	Response   *Response // that the tick tells of the receiver, if that was asked for
	Beside     []Beside
	// PhaseLater is by how much a phase code on long wave comes later than the level's edge,
	// s, PhaseLaterU its standard uncertainty, 0 where there is none, and PhaseAgrees that
	// noise explains it.
	PhaseLater, PhaseLaterU float64
	PhaseAgrees             bool
	// Waves is set of an arrival on long wave: what its marks tell of ground and sky wave,
	// on the line of Ref, Lag and Rate.
	Waves *Waves
}

// Waves are the marks of a long-wave station by stretches of time.
type Waves struct {
	Stretches []Stretch
	// NoiseU is the part of the line's standard uncertainty that noise makes, s, and
	// Scatter by what that of the stretches must be multiplied to explain how they stray
	// from the line; 1: by nothing.
	NoiseU, Scatter float64
	RateU           float64 // of the line's rate when the carrier's cycles tell it; else 0
}

// Stretch is what some tens of seconds of marks tell.
type Stretch struct {
	Second  float64 // the middle one
	Late, U float64 // after the arrival's line, s
	// Across is by how much another way of the signal turns the marks across the carrier's
	// phase, s: of a way later by D, whose share of the sum of all is σ, the marks are later
	// by D·Re σ, and this is D·Im σ. AcrossU is 0 where it was not measured.
	Across, AcrossU float64
	Level           float64 // of the carrier, in any unit; 0 where the receiver sets it
}

// Beside is another station's tick that was fitted with the station's own.
type Beside struct {
	ToneHz float64
	Cov    float64 // of both arrivals, s²: what the one does to the other's estimate
}

// Alternative is one place the arrival may have, with its probability; they
// differ in the cycle of the tone, the number of paths or the receiver's filter.
type Alternative struct {
	Lag, Rate            float64
	VarLag, VarRate, Cov float64
	Probability          float64
}

// Path is one arrival, relative to the earliest.
type Path struct {
	ExcessSeconds float64
	UExcess       float64 // its standard uncertainty
	LevelDB       float64 // against the strongest
}

// Arrival times the tick of a station by what is kept; nil when there is none.
func (t *Track) Arrival(s *station.Station, others ...Shape) *Arrival {
	st, peaks := t.posterior(s, others, &priors)
	return t.arrival(s, st, peaks)
}

// Calibrate is Arrival through the response that the tick tells of the receiver, which comes
// with it where there is one; FilterU is of one that is not timed through it.
func (t *Track) Calibrate(s *station.Station, others ...Shape) *Arrival {
	st, peaks := t.posterior(s, others, &priors)
	a := t.arrival(s, st, peaks)
	if a == nil {
		return nil
	}
	r := st.response(&peaks[0], t.receiver.OnePath, &priors)
	if r == nil {
		return a
	}
	through := *t
	through.receiver.Response = r
	b := through.Arrival(s, others...)
	if b == nil || !b.Calibrated {
		return a
	}
	// The group delay lies between that of the filters and that of the ticks alike probable.
	b.FilterU, b.Response = math.Hypot(a.FilterU, r.later()/math.Sqrt(3)), r
	return b
}

// arrival is what peaks of st say; nil when there are none.
func (t *Track) arrival(s *station.Station, st *stack, peaks []peak) *Arrival {
	if len(peaks) == 0 {
		return nil
	}
	best := peaks[0]
	a := &Arrival{
		Station: s, ToneHz: best.toneHz, Ref: st.axis.ref, Lag: best.Lag, Rate: best.Rate, DoF: math.Inf(1),
		Coherent: best.hearing != turning, FadingShare: best.gain.varying,
		Ticks: int(st.count), Expected: int(2*st.span) + 1,
	}
	v := 0.0
	for _, p := range peaks {
		w := math.Exp(p.LogWeight)
		a.Alternatives = append(a.Alternatives, Alternative{p.Lag, p.Rate, p.Cov[0][0], p.Cov[1][1], p.Cov[0][1], w})
		v += w * p.filterU * p.filterU
	}
	a.FilterU, a.Calibrated = math.Sqrt(v), best.kind.known != nil
	a.Beside = besides(peaks)
	levels, total := levelsOf(best.Power, st.count)
	for i, db := range levels {
		path := Path{LevelDB: db}
		if i > 0 {
			path.ExcessSeconds, path.UExcess = best.Excess[i-1], best.uExcess[i-1]
		}
		a.Paths = append(a.Paths, path)
	}
	a.SNRdB = 10 * math.Log10(total/(6000*st.heardSeconds()))
	return a
}

// levelsOf are those of paths, dB against the strongest, and the power of all: none is
// told weaker than the mean of count seconds' noise scatters.
func levelsOf(power []float64, count float64) (db []float64, total float64) {
	strongest := 0.0
	for _, p := range power {
		p = max(p, math.Sqrt(2/count))
		db = append(db, 10*math.Log10(p))
		strongest = max(strongest, p)
		total += p
	}
	for i := range db {
		db[i] -= 10 * math.Log10(strongest)
	}
	return db, total
}

// heardSeconds is how much of a mark at the axis a window holds.
func (st *stack) heardSeconds() float64 {
	if st.Onset {
		return onsetEnd
	}
	return st.Seconds
}

const mostPaths = 3

// posterior is that of the kept seconds, and the stack it was made of: along a line on
// which the tick of station s stays where it is.
func (t *Track) posterior(s *station.Station, others []Shape, p *Priors) (*stack, []peak) {
	if len(t.snaps) == 0 {
		return nil, nil
	}
	t.refer()
	snaps := t.snaps
	if s.UpperSideband {
		snaps = snaps[max(0, len(snaps)-sidebandSeconds):]
	}
	build := func(m model) *stack {
		st := buildStack(t.filter, snaps, m, 3)
		st.listen(snaps, s.QuietAfterSeconds)
		st.receiver, st.depth = t.receiver.Response, s.Depth
		return st
	}
	st := build(t.straightened().amid(snaps))
	if s.UpperSideband {
		toneHz := s.ToneHz
		if t.ToneHz() != toneHz {
			toneHz = t.Pitch(s) // all seconds tell it better
		}
		if peaks := t.sideband(st, snaps, toneHz, p); len(peaks) > 0 {
			return st, peaks
		}
		// Too few long marks: a path's weight turns with the others' fading.
		return st, st.posterior(s.ToneHz, false, mostPaths, nil, p)
	}
	carrier, most := s.Keying != station.CarrierOn, mostPaths
	if t.receiver.OnePath {
		others, most = nil, 1
	}
	peaks := st.posterior(s.ToneHz, carrier, most, others, p)
	if len(others) > 0 && math.Abs(st.axis.rate)*st.span > straight {
		// Another's ticks may have led the line astray: most clocks hardly drift.
		m := st.axis
		m.rate = 0
		level := build(m)
		if found := level.posterior(s.ToneHz, carrier, most, others, p); explained(found) > explained(peaks) {
			st, peaks = level, found
		}
	}
	for range 2 {
		if len(peaks) == 0 {
			break
		}
		m := st.axis
		m.rate = peaks[0].Rate * t.rate
		if math.Abs(m.rate-st.axis.rate)*st.span < straight {
			break
		}
		m.lag = peaks[0].Lag * t.rate
		st = build(m)
		peaks = st.posterior(s.ToneHz, carrier, most, others, p)
	}
	return st, peaks
}

// sidebandSeconds are the latest from which marks of one sideband are timed. Ten minutes of
// them leave some microseconds, a tenth of SidebandU, which more would not lessen; and in
// fading fits of each second's amplitudes over longer are seen to end beside the likeliest
// place.
const sidebandSeconds = 600

// straight is how far, in samples, a tick may drift from the middle to the end of a
// stack.
const straight = 0.4

// explained is the greatest log likelihood that any of the peaks has.
func explained(peaks []peak) float64 {
	most := 0.0
	for _, k := range peaks {
		most = max(most, k.gain.log)
	}
	return most
}
