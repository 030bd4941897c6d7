package align

import (
	"math"
	"slices"
	"time"

	"timeball/align/path"
	"timeball/align/path/groundwave"
	"timeball/align/path/ionosphere"
	"timeball/capture/station"
	"timeball/detect/longwave"
	"timeball/detect/marker"
	"timeball/detect/tick/find"
	"timeball/detect/tick/timing"
)

// Settings are what a person tells about an attempt.
type Settings struct {
	Stations  []*station.Station // those that may be heard
	Named     bool               // by the person: what only looks like them is taken for them
	Table     []*station.Station // all stations there are; nil: the built-in ones
	CarrierHz float64            // 0: unknown
	At        *path.LatLon       // the receiver's place; nil: unknown
	// PathDelays replaces the computed delay of a station, by ID; "" is for all.
	PathDelays    map[string]Quantity
	ReceiverDelay *Quantity // nil: DefaultReceiverDelay or, without a receiver, DirectDelay
	Skew          *Quantity // nil: DefaultSkew
	// Response goes with ReceiverDelay where that was measured by ticks; nil: it was not.
	// Calibrate asks the fix for it.
	Response  *ReceiverResponse
	Calibrate bool
	onePath   bool
	// Channels from 1; 0: found. Edge is the marker's on-time edge.
	ReceiverChannel, MarkerChannel int
	Edge                           marker.Edge
	Start                          time.Time      // UTC of the first frame, within half a minute; zero: unknown
	Hands                          *HandsReading  // nil: not told
	UT1                            bool           // the clock keeps UT1
	Sunspots                       float64        // R12; NaN: the default for the phase of the cycle
	Ground                         groundwave.Mix // under a path on long wave; nil: by the map
	LoopQ                          *float64       // quality of a tuned antenna for long wave, 0 when it is not tuned; nil: Loop's
	Loop                           *TunedLoop     // one that was calibrated; nil: it is found in the noise, if it can be
	// Maps are those of the F2 layer that path delays are computed from; nil: the
	// embedded climatology.
	Maps      ionosphere.Maps
	Ionograms []path.Ionogram // the F2 layer as measured
	// Turns learns what the clock's adjustment does, over several measurements; nil:
	// nobody adjusts it.
	Turns *Turns
}

// What is assumed when nothing is said. All are shown in the budget.
var (
	// DefaultReceiverDelay covers receivers with analogue filters of a few
	// kilohertz, whose delay is a fraction of a millisecond; a receiver with
	// digital filters may have more and must be calibrated (common practice).
	DefaultReceiverDelay = Quantity{0.3e-3, 0.3e-3, Assumed{}}
	// DirectDelay is that of an antenna which is sampled itself; a tuned loop's is in
	// the edge that is fitted. What is left is of the preamplifier (common practice).
	DirectDelay = Quantity{0, 2e-6, NoReceiver{}}
	// DefaultSkew is none, to half a sample at 48 kHz either way (rectangular).
	DefaultSkew = Quantity{0, 6e-6, Assumed{}}
)

// loopDetuned is how far a loop is off its tune, as a share of the frequency, 95 %: that
// of a rod with 100 to 200 ppm/K over some kelvins (from memory).
const loopDetuned = 1e-3

// ReceiverResponse is a receiver's to a tick, as it was calibrated, with the standard
// uncertainty of the delay to an arrival that is timed through it, s.
type ReceiverResponse struct {
	timing.Response
	DelayU float64 `toml:"u_delay_s"`
}

// receiver is what is known of the receiver, and asked of it.
func (s *Settings) receiver() timing.Receiver {
	r := timing.Receiver{OnePath: s.onePath}
	if s.Response != nil {
		r.Response = &s.Response.Response
	}
	return r
}

// TunedLoop is a tuned antenna as it was told or found.
type TunedLoop struct {
	longwave.Loop
	Known   Remark       // how
	Against *LoopInNoise // what the noise contradicts it with; nil: it does not
}

// loopTold is by how many standard uncertainties the noise must differ to contradict what was
// told of a loop: chance makes so much once in some ten thousand (normal distribution).
const loopTold = 4

// beside is a loop as it was told, with what the noise shows of it at a carrier. Where they
// contradict each other, the marks come later than they are taken for by the difference of
// the delays or by nothing, and nobody knows which.
func (l TunedLoop) beside(noise TunedLoop, hz float64) TunedLoop {
	if noise.Known == nil {
		return l
	}
	u, d := l.delayU(hz), noise.Delay(hz)-l.Delay(hz)
	if math.Abs(d) > loopTold*math.Hypot(u, noise.DelayU) {
		against := inNoise(noise.Loop)
		l.DelayU, l.Against = math.Hypot(u, d/math.Sqrt2), &against
	}
	return l
}

// loopFor is the loop before a station on long wave, as it was told; a calibrated one whose
// band does not hold the carrier is not that antenna. Known is nil where nobody told.
func (s *Settings) loopFor(st *station.Station) TunedLoop {
	if !st.LongWave() {
		return TunedLoop{}
	}
	hz := st.Carriers[0].Hz
	var l TunedLoop
	switch {
	case s.LoopQ != nil:
		l = TunedLoop{Loop: longwave.Loop{Q: *s.LoopQ, TunedHz: hz}, Known: TuningAssumed{}}
	case s.Loop != nil && math.Abs(hz-s.Loop.TunedHz) < s.Loop.TunedHz/s.Loop.Q:
		l = *s.Loop
	default:
		return l
	}
	l.TunedU = math.Hypot(l.TunedU, loopDetuned/1.96*l.TunedHz)
	return l
}

// delayU is what a loop's quality and tuning leave open of its delay at a carrier,
// standard uncertainty in s; 0 without a loop.
func (l TunedLoop) delayU(hz float64) float64 {
	if l.Q == 0 || l.DelayU > 0 {
		return l.DelayU
	}
	most := 0.0 // 95 %, of its tuning
	for _, off := range []float64{-1.96 * l.TunedU, 1.96 * l.TunedU} {
		tuned := l
		tuned.TunedHz += off
		most = max(most, math.Abs(tuned.Delay(hz)-l.Delay(hz)))
	}
	sharper := l
	sharper.Q += l.QU
	return math.Hypot(most/1.96, sharper.Delay(hz)-l.Delay(hz))
}

// A level that changes with frequency about a carrier by a natural logarithm in so many
// radians a second turns a mark across the carrier's phase as a second way of the signal
// does, by as many seconds. A sound card is flat to a tenth of a decibel in a kilohertz
// (common practice).
const cardTilt = 0.1 * math.Ln10 / 20 / (2 * math.Pi * 1000)

// tiltU is the standard uncertainty of that, s, of a loop off its tune, too.
func (l TunedLoop) tiltU(hz float64) float64 {
	u := cardTilt
	if l.Q > 0 {
		// Of 1/(1 + jx) the logarithm of the level has the slope −x/(1 + x²) in x.
		x := 2 * l.Q / l.TunedHz * math.Hypot(hz-l.TunedHz, l.TunedU)
		u = math.Hypot(u, l.Q/(math.Pi*l.TunedHz)*x/(1+x*x))
	}
	return u
}

// What ± is assumed for a value given without one, 95 % half-widths in seconds.
const (
	DefaultPathSpread     = 0.3e-3
	DefaultReceiverSpread = 0.1e-3
	DefaultSkewSpread     = 1e-6
)

// Keyed returns the settings for ticks that the marker itself keys in a signal
// generator: they leave with the marker, without the stations' advance or doubt,
// and have no path.
func (s Settings) Keyed() Settings {
	stations := make([]*station.Station, len(s.Stations))
	for i, of := range s.Stations {
		keyed := *of
		keyed.AdvanceSeconds, keyed.EmissionSeconds, keyed.Carriers = 0, 0, nil
		stations[i] = &keyed
	}
	s.Stations, s.onePath = stations, true
	s.PathDelays = map[string]Quantity{"": {Known: KeyedByMarker{}}}
	return s
}

// whole is the table of stations.
func (s *Settings) whole() []*station.Station {
	if s.Table != nil {
		return s.Table
	}
	var all []*station.Station
	builtin := station.Builtin()
	for i := range builtin {
		all = append(all, &builtin[i])
	}
	return all
}

// table is all stations that may be on the air at the carrier.
func (s *Settings) table() []*station.Station {
	return slices.DeleteFunc(slices.Clone(s.whole()), func(t *station.Station) bool {
		return s.CarrierHz > 0 && !slices.ContainsFunc(t.Carriers, func(c station.Carrier) bool { return math.Abs(c.Hz-s.CarrierHz) < find.NextCarrier })
	})
}

// Delays returns the receiver delay and the skew that hold for a recording of so many
// frames a second, given or default.
func (s *Settings) Delays(rate float64) (receiver, skew Quantity) {
	receiver, skew = DefaultReceiverDelay, DefaultSkew
	switch {
	case s.ReceiverDelay != nil:
		receiver = *s.ReceiverDelay
	case s.direct(rate):
		receiver = DirectDelay
	}
	if s.Skew != nil {
		skew = *s.Skew
	}
	return receiver, skew
}

// direct reports whether stations are looked for in the antenna's own signal alone.
func (s *Settings) direct(rate float64) bool {
	return slices.ContainsFunc(s.Stations, func(st *station.Station) bool {
		return st.LongWave() && longwave.Direct(rate, st.Carriers[0].Hz)
	}) && !slices.ContainsFunc(s.Stations, func(st *station.Station) bool { return !st.LongWave() })
}
