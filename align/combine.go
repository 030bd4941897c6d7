package align

import (
	"errors"
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
	var latest *Fix
	var receptions []path.Reception
	var parts []Combined
	var left []Reason
	var rate, weight float64
	for i := range fixes {
		f := &fixes[i]
		n := len(receptions)
		var err error
		if receptions, parts, err = c.receive(receptions, parts, f); err != nil {
			left = append(left, LeftOut{f.Recording.Path, err})
			continue
		}
		if len(receptions) == n {
			left = append(left, LeftOut{f.Recording.Path, errors.New(f.Reason)})
			continue
		}
		if f.Rate != nil {
			w := 1 / (f.Rate.U*f.Rate.U + leastRateU*leastRateU)
			rate, weight = rate+w*f.Rate.Y, weight+w
		}
		if latest == nil || f.At.After(*latest.At) {
			latest = f
		}
	}
	if latest == nil {
		if len(left) > 0 {
			return Fix{}, left[0].(LeftOut).Err
		}
		return Fix{}, errors.New("no recording to combine")
	}
	// About the latest's offset, so that half a second's wrap does not matter.
	for i := range receptions {
		receptions[i].Offset = receptions[0].Offset + wrap(receptions[i].Offset-receptions[0].Offset)
	}
	request := path.JointRequest{
		Receptions: receptions, Reference: *latest.At, URate: 1e-5, Sunspots: c.Sunspots, Maps: c.Maps, Ionograms: c.Ionograms,
	}
	if weight > 0 {
		request.Rate, request.URate = rate/weight, max(leastRateU, 1/math.Sqrt(weight))
	}
	joint, err := path.Solve(request)
	if err != nil {
		return Fix{}, err
	}
	f := *latest
	f.Verdict, f.Why, f.Reason = Found, nil, ""
	f.Warnings, f.Notices = []string{}, left
	f.Candidates, f.DoF = nil, nil
	var common []BudgetLine
	for _, l := range latest.Budget {
		if l.Source == receiverDelay || l.Source == skewLine || l.Source == markerEdge {
			common = append(common, l)
		}
	}
	commonU, _ := combine(common)
	f.Budget = append([]BudgetLine{{Source: "joint path and ticks", Type: "B", U: joint.Offset.U(), Note: "of all recordings together"}}, common...)
	f.state(joint.Offset.Widen(commonU))
	f.Rate = &Rate{joint.Rate, math.Hypot(joint.URate, leastRateU)}
	// The joint solution has the receptions in order of time.
	order := make([]int, len(parts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return parts[a].At.Compare(parts[b].At) })
	for k, i := range order {
		p, j := parts[i], joint.Parts[k]
		p.Mode, p.Chance, p.Weight, p.Late = j.Mode, j.Chance, j.Weight, min(j.Late, 1e6)
		f.Recordings = append(f.Recordings, p)
		if len(order) > 2 && j.Late > doubtedLate {
			f.Notices = append(f.Notices, Doubted{p.Path, p.Station, j.Late})
		}
	}
	return f, nil
}

// receive adds a fix's receptions, one for each station.
func (c Combination) receive(receptions []path.Reception, parts []Combined, f *Fix) ([]path.Reception, []Combined, error) {
	if f.Offset == nil {
		return receptions, parts, nil
	}
	if f.At == nil {
		return receptions, parts, errors.New("its time is not known: give --start")
	}
	for _, s := range f.Stations {
		i := slices.IndexFunc(c.Stations, func(st *station.Station) bool { return st.ID == s.ID })
		if i < 0 {
			continue
		}
		if s.Received == nil {
			return receptions, parts, errors.New("its fix does not say when the tick was received: replay the recording")
		}
		st := c.Stations[i]
		r := path.Reception{Station: st, CarrierHz: s.CarrierHz, Time: *f.At, Offset: s.Received.Offset, U: s.Received.U}
		switch {
		case s.Path != nil && (s.Path.Mode == givenMode || st.LongWave()):
			r.Delay = mixture.Normal(s.Path.Delay, s.Path.U)
		case f.Place == nil:
			return receptions, parts, errors.New("its place is not known: give --at")
		default:
			r.At = path.LatLon{Lat: f.Place.Lat, Lon: f.Place.Lon}
		}
		if s.TimedBy != PowerWeightedMean {
			for _, a := range s.Arrivals {
				r.Heard = append(r.Heard, path.Heard{Excess: a.Excess, U: a.U, LevelDB: a.Level})
			}
		}
		receptions = append(receptions, r)
		p := Combined{Path: f.Recording.Path, Station: s.ID, CarrierHz: s.CarrierHz, At: *f.At}
		if s.Offset != nil && s.U != nil && s.CI95 != nil {
			p.Alone = OffsetAlone{*s.Offset, *s.U, *s.CI95}
		}
		parts = append(parts, p)
	}
	return receptions, parts, nil
}
