package align

import (
	"math"
	"slices"
	"time"

	"timeball/align/path"
	"timeball/capture/station"
	"timeball/detect/chirp"
	"timeball/detect/tick/find"
	"timeball/detect/tick/timing"
	"timeball/detect/timecode"
)

// Sounding is what a station's chirps, sent to measure the channel by, told of the
// ways the signal comes.
type Sounding struct {
	At       time.Time `json:"at"`     // minute in which they were sent
	SNRdB    float64   `json:"snr_db"` // of the strongest way, behind the matched filter
	Arrivals []Arrival `json:"arrivals"`
	// Late is by how much the tick is timed later than the earliest of these
	// arrivals, s, and ULate its standard uncertainty: where the tick is the mean of
	// some, or its earliest arrival is not theirs.
	Late  float64 `json:"late_s"`
	ULate float64 `json:"u_late_s"`
}

// soundings hears stations' chirps.
type soundings struct {
	second int64                      // of the recording, at which they were last thought of
	next   map[*station.Station]int64 // second at which a station's are thought of next
	under  *sounded                   // being searched for
	found  map[*station.Station]*sounded
}

// sounded is one station's chirps.
type sounded struct {
	station *station.Station
	minute  time.Time
	search  *aside
	at      float64         // where the search begins, s from the first frame
	result  *chirp.Sounding // nil: none, or the search goes on
}

// sound looks for the chirps whose minute has passed, aside.
func (a *Attempt) sound() {
	s := &a.sounds
	now := int64(a.seconds())
	if now == s.second {
		return
	}
	s.second = now
	if s.under != nil && s.under.search.idle() {
		a.soundOut()
	}
	for _, st := range a.settings.Stations {
		if st.Sounding.Kind == "" || a.radio.standing(st) == find.Unknown || now < s.next[st] {
			continue
		}
		if s.next == nil {
			s.next, s.found = map[*station.Station]int64{}, map[*station.Station]*sounded{}
		}
		begin, doubt := a.broadcastBegin(decoder.Reading), 0.0
		if begin.IsZero() {
			begin, doubt = a.start(), roughStart.Seconds()/2
		}
		if begin.IsZero() {
			s.next[st] = now + timecode.SearchEvery // who asks waits for all that was given to the reader
			continue
		}
		utc := begin.Add(seconds(a.seconds()))
		a.soundOut() // of what is held nothing depends on how long a search takes
		// The latest minute that is over.
		next := st.Sounding.Next(utc)
		s.next[st] = now + int64(math.Ceil(next.Add(time.Minute).Sub(utc).Seconds()))
		minute := next.Add(-time.Hour)
		// A start that was given may be half a minute out.
		from := max(0, minute.Sub(begin).Seconds()-doubt)
		to := minute.Add(time.Minute).Sub(begin).Seconds()
		stream := a.streams[a.receiver]
		if begun := float64(stream.Begin()) / stream.Rate(); from < begun {
			from = begun
		}
		audio := make([]float32, max(0, int((to-from)*stream.Rate())))
		first := int64(math.Ceil(from * stream.Rate()))
		if first+int64(len(audio)) > stream.End() {
			audio = audio[:max(0, stream.End()-first)]
		}
		if len(audio) == 0 || !stream.Copy(audio, first) {
			continue
		}
		rate := a.pulses.PeriodFrames() / float64(stream.Factor())
		u := &sounded{station: st, minute: minute, search: newAside(), at: float64(first) / stream.Rate()}
		u.search.do(func() {
			if r, ok := chirp.Find(audio, rate); ok {
				u.result = &r
			}
		})
		s.under = u
		return
	}
}

// soundOut finishes a search that is under way, and keeps what it has come to.
func (a *Attempt) soundOut() {
	u := a.sounds.under
	if u == nil {
		return
	}
	a.sounds.under = nil
	if u.search.wait(); u.result != nil {
		a.sounds.found[u.station] = u
	}
}

const (
	// Arrivals this near are timed as one tick when it shows only one, s: what the
	// ticks of a few minutes part (DESIGN's table of targets, from 0.5 ms on).
	oneTick = 0.6e-3
	// A tick's arrivals are a sounding's when their excesses differ by less, s, some
	// standard uncertainties of both.
	sameArrival = 0.15e-3
)

// soundingOf is what the station's chirps tell of the ways its tick comes; nil when
// none were heard.
func (a *Attempt) soundingOf(arr *timing.Arrival) *Sounding {
	u := a.sounds.found[arr.Station]
	if u == nil {
		return nil
	}
	s := &Sounding{At: u.minute, SNRdB: u.result.SNRdB}
	for _, r := range u.result.Arrivals {
		s.Arrivals = append(s.Arrivals, Arrival{r.Excess, r.U, r.LevelDB})
	}
	if len(arr.Paths) < 2 {
		s.Late, s.ULate = meanOf(s.Arrivals)
		return s
	}
	// Which of them the tick's earliest is: that by which most others agree.
	most := 0
	for i, first := range s.Arrivals {
		agree := 0
		for _, p := range arr.Paths {
			if slices.ContainsFunc(s.Arrivals, func(x Arrival) bool {
				return math.Abs(x.Excess-first.Excess-p.ExcessSeconds) < sameArrival
			}) {
				agree++
			}
		}
		if agree > most {
			most, s.Late = agree, s.Arrivals[i].Excess
			s.ULate = s.Arrivals[i].U
		}
	}
	return s
}

// heard is what a sounding tells the path's modes, with the tick's own arrivals in
// the place of those that they time better.
func (s *Sounding) heard(ticks []Arrival) []path.Heard {
	var all []path.Heard
	for i, x := range s.Arrivals {
		h := path.Heard{Excess: x.Excess, U: x.U, LevelDB: x.Level}
		for _, p := range ticks {
			if i > 0 && p.U > 0 && p.U < x.U && math.Abs(x.Excess-s.Late-p.Excess) < sameArrival {
				h = path.Heard{Excess: p.Excess + s.Late, U: math.Hypot(p.U, s.ULate), LevelDB: p.Level}
			}
		}
		all = append(all, h)
	}
	return all
}

// meanOf is how late the power-weighted mean of arrivals near the first is, and the
// standard uncertainty of that, as they fade against each other.
func meanOf(all []Arrival) (late, u float64) {
	var power, moment, last float64
	for _, x := range all {
		if x.Excess < oneTick {
			p := math.Pow(10, x.Level/10)
			power, moment, last = power+p, moment+p*x.Excess, x.Excess
		}
	}
	return moment / power, 0.3 * last
}
