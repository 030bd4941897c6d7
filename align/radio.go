package align

import (
	"math"
	"slices"
	"time"

	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/longwave"
	"timeball/detect/longwave/pulsecode"
	"timeball/detect/tick/find"
	"timeball/detect/tick/timing"
	"timeball/detect/timecode"
)

// radio holds UTC against the flywheel: by the ticks in the receiver's audio, and by
// the marks of carriers on long wave.
type radio struct {
	ticks  *find.Finder
	long   *longwave.Finder
	tuned  []tuned            // to carriers that are sampled themselves
	beaten []*station.Station // on long wave, whose carriers frames at rate cannot hold
	rate   float64
	// raw is what is heard first where carriers may be sampled themselves, until they are
	// listed for whoever is not heard.
	raw      []float32
	carriers []longwave.Carrier
	listed   bool
}

// tuned is a stream of what is about a carrier.
type tuned struct {
	*audio.Stream
	hz float64
}

// heard is a station that is tracked.
type heard struct {
	Station *station.Station
	ear
}

type ear interface {
	// Onset is where second n's mark is expected, low-rate samples after the
	// flywheel's second.
	Onset(n int64) float64
	ToneHz() float64
	// Power is that of second n's mark and the noise together, over the noise's;
	// PowerSNR makes the mark's share of it a ratio of powers in 3 kHz of audio.
	Power(n int64) (power float64, ok bool)
	PowerSNR() float64
	Latest() int64
}

// newRadio looks for stations in the receiver's audio, and on their carriers where the
// recording may hold them.
func newRadio(s *audio.Stream, wheel *flywheel, settings *Settings, start time.Time) *radio {
	var short []*station.Station
	var inputs []*longwave.Input
	r := &radio{rate: wheel.rate}
	for _, st := range settings.Stations {
		switch {
		case !st.LongWave():
			short = append(short, st)
		case longwave.Direct(wheel.rate, st.Carriers[0].Hz):
			hz := st.Carriers[0].Hz
			i := slices.IndexFunc(inputs, func(in *longwave.Input) bool { return in.CarrierHz == hz })
			if i < 0 {
				i = len(inputs)
				loop := settings.loopFor(st)
				in := longwave.Tuned(wheel.rate, hz)
				in.Loop, in.FindLoop = loop.Loop, loop.Known == nil
				r.tuned = append(r.tuned, tuned{in.Stream, hz})
				inputs = append(inputs, in)
			}
			inputs[i].Stations = append(inputs[i].Stations, st)
		default:
			r.beaten = append(r.beaten, st)
		}
	}
	// A beat note may be anything: it is looked for when nothing else is.
	if len(r.beaten) > 0 && len(short) == 0 && len(inputs) == 0 {
		inputs = append(inputs, &longwave.Input{
			Stream: s, Stations: r.beaten, Loop: settings.loopFor(r.beaten[0]).Loop, LowHz: longwave.LowestPitch, HighHz: longwave.HighestPitch,
		})
	}
	if len(short) > 0 {
		r.ticks = find.NewFinder(s, wheel, find.Request{
			Stations: short, Named: settings.Named, Table: settings.table(), CarrierHz: settings.CarrierHz, Start: start, Receiver: settings.receiver(),
		})
	}
	for _, in := range inputs {
		in.Table = settings.whole()
	}
	if len(inputs) > 0 {
		r.long = longwave.NewFinder(wheel, inputs)
	}
	return r
}

func (r *radio) process(position int64, x []float32) {
	for _, s := range r.tuned {
		s.Process(position, x)
	}
	if room := longwave.SurveySeconds*int(r.rate) - len(r.raw); r.rate >= longwave.DirectRate && !r.listed && room > 0 {
		r.raw = append(r.raw, x[:min(len(x), room)]...)
	}
}

// standingCarriers are those on long wave that stand in what was heard first.
func (r *radio) standingCarriers() []longwave.Carrier {
	if !r.listed && len(r.raw) == longwave.SurveySeconds*int(r.rate) {
		r.carriers, r.raw, r.listed = longwave.Survey(r.rate, r.raw), nil, true
	}
	return r.carriers
}

func (r *radio) start(first int64) {
	if r.ticks != nil {
		r.ticks.Start(first)
	}
	if r.long != nil {
		r.long.Start(first)
	}
}

func (r *radio) advance(limit int64) {
	if r.ticks != nil {
		r.ticks.Advance(limit)
	}
	if r.long != nil {
		r.long.Advance(limit)
	}
}

// present weighs whether marks come in second n where they are expected.
func (r *radio) present(n int64) float64 {
	sum := 0.0
	if r.ticks != nil {
		sum += r.ticks.Present(n)
	}
	if r.long != nil {
		sum += r.long.Present(n)
	}
	return sum
}

// broken says that the flywheel may not go with what was heard before.
func (r *radio) broken() {
	if r.ticks != nil {
		r.ticks.Broken()
	}
}

// now returns a radio by itself that has weighed all that was heard.
func (r *radio) now() *radio {
	c := *r
	if r.ticks != nil {
		c.ticks = r.ticks.Now()
	}
	return &c
}

func (r *radio) restart(first int64) {
	if r.ticks != nil {
		r.ticks.Restart(first)
	}
	if r.long != nil {
		r.long.Restart(first)
	}
}

// moved weighs whether the marks of seconds from ≤ n < to arrive by shift low-rate
// samples later than expected.
func (r *radio) moved(from, to int64, shift float64) float64 {
	sum := 0.0
	if r.ticks != nil {
		sum += r.ticks.Moved(from, to, shift)
	}
	if r.long != nil {
		sum += r.long.Moved(from, to, shift)
	}
	return sum
}

// heard lists the stations that are known, or taken as named, in the order in which
// they were found.
func (r *radio) heard() []heard {
	return slices.DeleteFunc(r.tracked(), func(h heard) bool { return r.standing(h.Station) == find.Unknown })
}

// standing is how well a station is known.
func (r *radio) standing(s *station.Station) find.Standing {
	if s.LongWave() {
		return find.Known
	}
	return r.ticks.Standing(s)
}

// tracked lists the stations whose marks may be those that are heard.
func (r *radio) tracked() []heard {
	var all []heard
	if r.ticks != nil {
		for _, h := range r.ticks.Tracked() {
			all = append(all, heard{h.Station, h.Track})
		}
	}
	if r.long != nil {
		for _, t := range r.long.Heard() {
			all = append(all, heard{t.Station, t})
		}
	}
	return all
}

// arrivals fits all that has been found so far; with the receiver's response, if that is
// asked for.
func (r *radio) arrivals(calibrate bool) []*timing.Arrival {
	var all []*timing.Arrival
	switch {
	case r.ticks == nil:
	case calibrate:
		all = r.ticks.Calibrate()
	default:
		all = r.ticks.Arrivals()
	}
	if r.long != nil {
		for _, t := range r.long.Heard() {
			if a := t.Arrival(); a != nil {
				all = append(all, marks(a))
			}
		}
	}
	return all
}

// clockPPM is the sample clock's rate error by a carrier that is sampled itself, 1e-6;
// nil without one.
func (r *radio) clockPPM() *float64 {
	if r.long != nil {
		for _, t := range r.long.Heard() {
			if off, ok := t.ClockOff(); ok {
				ppm := off * 1e6
				return &ppm
			}
		}
	}
	return nil
}

// alike lists stations that send the same as one on long wave.
func (r *radio) alike(s *station.Station) []*station.Station {
	if r.long != nil {
		for _, t := range r.long.Heard() {
			if t.Station == s {
				return t.Alike()
			}
		}
	}
	return nil
}

// loop is the tuned antenna before a station as the recording's noise shows it; of none, or
// where that is not told, nothing is known.
func (r *radio) loop(s *station.Station) TunedLoop {
	if r.long != nil {
		for _, t := range r.long.Heard() {
			if l, ok := t.Loop(); ok && t.Station == s {
				return TunedLoop{Loop: l, Known: inNoise(l)}
			}
		}
	}
	return TunedLoop{}
}

func inNoise(l longwave.Loop) LoopInNoise { return LoopInNoise{l.Q, math.Pi * l.TunedHz * l.DelayU} }

// unordered is a station on long wave whose marks are heard, but not yet the order of a
// minute in them; nil: none is.
func (r *radio) unordered() *station.Station {
	if r.long == nil || r.long.Crowded() != nil || r.long.Other() != nil || r.long.Alike() != nil {
		return nil
	}
	return r.long.Unordered()
}

func idsOf(all []*station.Station) (ids []string) {
	for _, s := range all {
		ids = append(ids, s.ID)
	}
	return ids
}

// nobody is why no station is heard.
func (r *radio) nobody() Reason {
	if r.long != nil {
		if c := r.long.Crowded(); c != nil {
			return SharedCarrier{c.Station.ID, idsOf(c.Others), c.ToneHz, c.AtSeconds}
		}
		if s := r.long.Other(); s != nil {
			return OtherStation{idsOf(s)}
		}
		if s := r.long.Alike(); s != nil {
			return AlikeStations{idsOf(s)}
		}
	}
	if found := r.standingCarriers(); len(found) > 0 {
		asked := slices.DeleteFunc(slices.Clone(found), func(c longwave.Carrier) bool {
			return !slices.ContainsFunc(r.tuned, func(t tuned) bool { return t.hz == c.Hz })
		})
		if len(asked) > 0 {
			found = asked
		}
		return CarriersOnly{found, len(asked) > 0}
	}
	if len(r.beaten) == 0 && len(r.tuned) > 0 && r.ticks == nil {
		var none NoCarrier
		for _, t := range r.tuned {
			none.Hz = append(none.Hz, t.hz)
		}
		return none
	}
	if len(r.beaten) == 0 {
		return NoStation{}
	}
	s := r.beaten[0]
	if r.ticks != nil || len(r.tuned) > 0 {
		return NotBeside{s.ID}
	}
	return NoBeat{s.ID, s.Carriers[0].Hz, r.rate, longwave.LowestPitch, longwave.HighestPitch, r.long.Astray(), r.long.Tone()}
}

// marks is an arrival on long wave in the form of a tick's.
func marks(a *longwave.Arrival) *timing.Arrival {
	return &timing.Arrival{
		Station: a.Station, ToneHz: a.ToneHz, Ref: a.Ref, Lag: a.Lag, Rate: a.Rate,
		DoF: a.DoF, Coherent: true, EdgeU: a.EdgeU, FilterU: a.FilterU, Waves: &a.Waves,
		PhaseLater: a.PhaseLater, PhaseLaterU: a.PhaseLaterU, PhaseAgrees: a.PhaseAgrees,
		Ticks: a.Marks, Expected: a.Expected, SNRdB: a.CN0dBHz - 10*math.Log10(3000),
		Paths: []timing.Path{{}},
		Alternatives: []timing.Alternative{{
			Lag: a.Lag, Rate: a.Rate, VarLag: a.VarLag, VarRate: a.VarRate, Cov: a.Cov, Probability: 1,
		}},
	}
}

// picture draws up what was heard of an arrival.
func (r *radio) picture(a *timing.Arrival, audioFrom, audioTo float64) timing.Picture {
	if !a.Station.LongWave() {
		return r.ticks.Picture(a, audioFrom, audioTo)
	}
	for _, t := range r.long.Heard() {
		if t.Station == a.Station {
			return t.Picture(a.Ref, a.Lag, a.Rate)
		}
	}
	return timing.Picture{}
}

// decoder reads a station's time code.
type decoder interface {
	Reading() timecode.Reading
	// Close looks at all evidence that is left.
	Close() timecode.Reading
}

// pulseReader is the decoder of a long-wave station, which its track feeds.
type pulseReader struct{ *longwave.Track }

func (p pulseReader) Reading() timecode.Reading { return told(p.Code(false)) }
func (p pulseReader) Close() timecode.Reading   { return told(p.Code(true)) }

// told is a reading of pulses in the form of all readings.
func told(r pulsecode.Reading, from string) timecode.Reading {
	known := func(wrong float64) float64 { return max(wrong, r.UTCError, r.SecondError) }
	out := timecode.Reading{
		N:        r.N,
		Second:   timecode.Belief[int]{Value: r.Second, Error: r.SecondError, From: from},
		UTC:      timecode.Belief[time.Time]{Value: r.UTC, Error: r.UTCError, From: from},
		Inserted: r.Inserted,
		DUT1:     timecode.Belief[float64]{Value: r.DUT1, Error: known(r.DUT1Error), From: from},
	}
	out.Leap.Error, out.Leap.From = known(r.LeapError), from
	if r.Leap {
		out.Leap.Value = timecode.InsertSecond
	}
	out.DST = timecode.Belief[timecode.DST]{Value: timecode.SummerBegins, Error: known(r.ChangeError), From: from}
	switch r.Change {
	case 0:
		out.DST.Error = 1 // what is in force nobody asks
	case -1:
		out.DST.Value = timecode.SummerEnds
	}
	return out.Labelled(r.Shift())
}
