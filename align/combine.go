package align

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"timeball/align/path"
	"timeball/align/path/ionosphere"
	"timeball/capture/station"
	"timeball/detect/mixture"
)

// Combination is what is asked of several fixes of one clock together.
type Combination struct {
	Stations  []*station.Station // those of the fixes
	Sunspots  float64            // R12; NaN: the default for the phase of the cycle
	Maps      ionosphere.Maps    // nil: the embedded climatology
	Ionograms []path.Ionogram    // the F2 layer as measured
}

// Combined is one recording's part in a combined fix.
type Combined struct {
	Path      string      `json:"path"`
	Station   string      `json:"station"`
	CarrierHz float64     `json:"carrier_hz"`
	At        time.Time   `json:"at"`
	Alone     OffsetAlone `json:"alone"`
	Mode      string      `json:"mode"` // most likely the first
	Chance    float64     `json:"chance"`
	// Weight is by how much the interval would be longer without it; they sum to 1.
	Weight float64 `json:"weight"`
	// Late is by how much the others make it likelier that all its arrivals come
	// late, scattered sideways.
	Late float64 `json:"late"`

	seconds float64 // length of the recording, which ended at At
}

// sameTicks holds for recordings of one station's carrier that overlap in time: the
// same arrivals twice, be it by another receiver, tell nothing twice of the path.
func (c Combined) sameTicks(o Combined) bool {
	apart := c.At.Sub(o.At).Seconds()
	return c.Station == o.Station && c.CarrierHz == o.CarrierHz && apart < c.seconds && -apart < o.seconds
}

// OffsetAlone is what a recording says by itself.
type OffsetAlone struct {
	Offset float64    `json:"offset_s"`
	U      float64    `json:"u_s"`
	CI95   [2]float64 `json:"ci95_s"`
}

// doubtedLate is from what likelihood ratio on a recording is named as late: in
// simulated evenings of three it named 15 of 16 late ones and 2 of 46 that were not.
const doubtedLate = 10

// leastRateU is how well the rate of a clock is known at best: it changes within
// the hours of an evening, dimensionless (common practice for quartz).
const leastRateU = 1e-9

// Combine joins fixes of one clock that were made within some hours: their path
// delays are of one ionosphere, whose errors they share. The result is the fix at
// the last marker of the latest. Fixes without an offset, carrier, place or time
// cannot take part and are named.
func Combine(fixes []Fix, c Combination) (Fix, error) {
	g, err := c.gather(fixes)
	if err != nil {
		return Fix{}, err
	}
	joint, err := path.Solve(g.request)
	if err != nil {
		return Fix{}, err
	}
	f := *g.latest
	f.Verdict, f.Why, f.Reason = Found, nil, ""
	f.Warnings, f.Notices = []string{}, g.left
	f.Candidates, f.DoF = nil, nil
	common, commonU := f.common()
	f.Budget = append([]BudgetLine{{Source: "joint path and ticks", Type: "B", U: joint.Offset.U(), Known: AllTogether{}}}, common...)
	f.state(joint.Offset, commonU)
	f.Rate = &Rate{joint.Rate, math.Hypot(joint.URate, leastRateU)}
	if n := len(c.Ionograms); n > 0 && len(path.NearIonograms(c.Ionograms, g.times()...)) == 0 {
		f.Notices = append(f.Notices, IonosondeElsewhen{n, *f.At})
	}
	// The joint solution has the receptions in order of time.
	parts := g.parts
	order := make([]int, len(parts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return parts[a].At.Compare(parts[b].At) })
	for k, i := range order {
		p, j := parts[i], joint.Parts[k]
		p.Mode, p.Chance, p.Weight, p.Late = j.Mode, j.Chance, j.Weight, min(j.Late, 1e6)
		f.Recordings = append(f.Recordings, p)
		if far := (FarPath{p.Station}); j.DistanceM > path.ModelledM && !slices.Contains(f.Notices, Reason(far)) {
			f.Notices = append(f.Notices, far)
		}
		switch {
		case j.Astray > 0.5:
			f.Notices = append(f.Notices, Contradicts{p.Path, p.Station})
		case len(order) > 2 && j.Late > doubtedLate:
			f.Notices = append(f.Notices, Doubted{p.Path, p.Station, j.Late})
		}
	}
	return f, nil
}

// common are the contributions that all recordings share, and their u.
func (f *Fix) common() (lines []BudgetLine, u float64) {
	for _, l := range f.Budget {
		if l.Source == receiverDelay || l.Source == skewLine || l.Source == markerEdge {
			lines = append(lines, l)
		}
	}
	u, _ = combine(lines)
	return lines, u
}

// gathered is what fixes say together.
type gathered struct {
	request path.JointRequest
	parts   []Combined // of the receptions
	latest  *Fix
	left    []Reason // fixes that cannot take part
}

// times are those of the receptions.
func (g gathered) times() (all []time.Time) {
	for _, r := range g.request.Receptions {
		all = append(all, r.Time)
	}
	return all
}

// gather takes what fixes say of the receptions.
func (c Combination) gather(fixes []Fix) (gathered, error) {
	g := gathered{request: path.JointRequest{URate: 1e-5, Sunspots: c.Sunspots, Maps: c.Maps, Ionograms: c.Ionograms}}
	var rate, weight float64
	for i := range fixes {
		f := &fixes[i]
		n := len(g.parts)
		err := c.receive(&g, f)
		if err == nil && len(g.parts) == n {
			err = errors.New(f.Reason)
		}
		if err != nil {
			g.request.Receptions, g.parts = g.request.Receptions[:n], g.parts[:n]
			g.left = append(g.left, LeftOut{f.Recording.Path, err})
			continue
		}
		if f.Rate != nil {
			w := 1 / (f.Rate.U*f.Rate.U + leastRateU*leastRateU)
			rate, weight = rate+w*f.Rate.Y, weight+w
		}
		if g.latest == nil || f.At.After(*g.latest.At) {
			g.latest = f
		}
	}
	if g.latest == nil {
		if len(g.left) > 0 {
			return g, g.left[0].(LeftOut).Err
		}
		return g, errors.New("no recording to combine")
	}
	g.request.Reference = *g.latest.At
	if weight > 0 {
		g.request.Rate, g.request.URate = rate/weight, max(leastRateU, 1/math.Sqrt(weight))
	}
	// About the first's offset, so that half a second's wrap does not matter.
	all := g.request.Receptions
	for i := range all {
		all[i].Offset = all[0].Offset + wrap(all[i].Offset-all[0].Offset)
	}
	return g, nil
}

// Advice is what one more recording would bring.
type Advice struct {
	Station   string  `json:"station"`
	CarrierHz float64 `json:"carrier_hz"`
	// 95 % half-widths of the offset now, and to be expected then.
	HalfNow  float64 `json:"half_now_s"`
	HalfThen float64 `json:"half_then_s"`
}

// worthwhile is the gain from which on a recording is advised: the expected half
// over the present one, whose scatter is a factor of two.
const worthwhile = 0.8

// Advise finds the station and carrier whose reception in the next minutes would
// narrow the interval of the fixes most, of those expected to be heard now; nil
// when none would do much.
func Advise(fixes []Fix, c Combination) *Advice {
	g, err := c.gather(fixes)
	if err != nil {
		return nil
	}
	choices, now, err := path.Advise(g.request, c.Stations)
	if err != nil || len(choices) == 0 {
		return nil
	}
	_, u := g.latest.common()
	best := choices[0]
	a := &Advice{best.Station.ID, best.CarrierHz, math.Hypot(now, 1.96*u), math.Hypot(best.Half, 1.96*u)}
	if ci := fixes[0].CI95; len(fixes) == 1 && ci != nil {
		a.HalfNow = (ci[1] - ci[0]) / 2 // as it is stated
	}
	if a.HalfThen > worthwhile*a.HalfNow {
		return nil
	}
	return a
}

// receive adds a fix's receptions, one for each station.
func (c Combination) receive(g *gathered, f *Fix) error {
	if f.Offset == nil {
		return nil
	}
	if f.At == nil {
		return errors.New("its time is not known: give its start")
	}
	for _, s := range f.Stations {
		i := slices.IndexFunc(c.Stations, func(st *station.Station) bool { return st.ID == s.ID })
		if i < 0 {
			continue
		}
		if s.Received == nil {
			return errors.New("its fix does not say when the tick was received: replay the recording")
		}
		st := c.Stations[i]
		r := path.Reception{Station: st, CarrierHz: s.CarrierHz, Time: *f.At, Offset: s.Received.Offset, U: s.Received.U}
		switch {
		case s.Path != nil && (s.Path.Mode == givenMode || st.LongWave()):
			r.Delay = mixture.Normal(s.Path.Delay, s.Path.U)
		case f.Place == nil:
			return errors.New("its place is not known: give the place of the receiver")
		default:
			r.At = path.LatLon{Lat: f.Place.Lat, Lon: f.Place.Lon}
		}
		switch {
		case s.Sounding != nil:
			r.Heard = s.Sounding.heard(s.Arrivals)
			r.Offset, r.U = r.Offset-s.Sounding.Late, math.Hypot(r.U, s.Sounding.ULate)
		case s.TimedBy != PowerWeightedMean:
			for _, a := range s.Arrivals {
				r.Heard = append(r.Heard, path.Heard{Excess: a.Excess, U: a.U, LevelDB: a.Level})
			}
		}
		p := Combined{Path: f.Recording.Path, Station: s.ID, CarrierHz: s.CarrierHz, At: *f.At, seconds: f.Recording.Seconds}
		if i := slices.IndexFunc(g.parts, p.sameTicks); i >= 0 {
			return fmt.Errorf("it has the same ticks as %s, which count once", g.parts[i].Path)
		}
		g.request.Receptions = append(g.request.Receptions, r)
		if s.Offset != nil && s.U != nil && s.CI95 != nil {
			p.Alone = OffsetAlone{*s.Offset, *s.U, *s.CI95}
		}
		g.parts = append(g.parts, p)
	}
	return nil
}
