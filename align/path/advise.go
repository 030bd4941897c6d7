package path

import (
	"cmp"
	"math"
	"slices"
	"time"

	"timeball/capture/station"
)

// Choice is a carrier that may be received next, and what that would bring.
type Choice struct {
	Station   *station.Station
	CarrierHz float64
	// Half is half the length of the shortest set of 95 % of the offset that is to be
	// expected then, s.
	Half float64
}

const (
	advised = 160 // particles
	// So many of the days in turn are taken for the truth. On a hundred simulated
	// evenings what is expected so ranked better than how little a carrier's first
	// arrival strays, or than how near its station is (ACCURACY.md).
	truths = 16
	// nextAfter is when the next recording is taken to be made.
	nextAfter = 8 * time.Minute
	// An arrival is timed to this in some minutes, s: common practice.
	nextU = 20e-6
)

// Advise finds which of the stations' carriers, of those expected to be heard at
// the receptions' place in a few minutes on more than half of all days, would
// narrow the offset most, the best first. now is half the length of the set that
// the receptions give so far. No choice is returned when nothing else is heard.
func Advise(r JointRequest, stations []*station.Station) (choices []Choice, now float64, err error) {
	next := r.Reference.Add(nextAfter)
	var further []Reception
	for _, x := range r.Receptions {
		if x.Delay == nil && len(further) == 0 {
			further = audible(r, stations, x.At, next)
		}
	}
	e, err := newEvening(r, further)
	if err != nil {
		return nil, 0, err
	}
	live := e.days(advised)
	if len(further) == 0 {
		return nil, e.joint(live).Half, nil
	}
	// The offset on each day, and the ways of each choice.
	offsets := make([][]float64, advised)
	ways := make([][][]arriving, len(further))
	for c := range ways {
		ways[c] = make([][]arriving, advised)
	}
	e.eachWorking(advised, func(i int, w *work) {
		z := live[i].z
		e.evidence(z, len(e.Receptions), w)
		own := make([]float64, e.n)
		sum := 0.0
		for y, node := range rateNodes {
			e.product(w.like, y, -1, func(cell int, v float64) { own[cell] += node.weight * v; sum += node.weight * v })
		}
		for cell := range own {
			own[cell] /= sum
		}
		offsets[i] = own
		for c := range further {
			ways[c][i] = e.arrivals(&e.legs[len(e.Receptions)+c], z)
		}
	})
	total := make([]float64, e.n)
	for _, own := range offsets {
		for cell, v := range own {
			total[cell] += v
		}
	}
	now = e.half(total)
	for _, f := range further {
		choices = append(choices, Choice{Station: f.Station, CarrierHz: f.CarrierHz})
	}
	for i := range choices {
		choices[i].Half = min(now, e.expected(further[i], ways[i], offsets))
	}
	slices.SortStableFunc(choices, func(a, b Choice) int { return cmp.Compare(a.Half, b.Half) })
	return choices, now, nil
}

// expected is the mean (of the logarithm) of the interval's half after one more
// reception, when some of the days in turn are the truth.
func (e *evening) expected(next Reception, ways [][]arriving, offsets [][]float64) float64 {
	logs := make([]float64, truths)
	each(truths, func(t int) {
		truth := t * len(ways) / truths
		var heard []Heard
		var first float64
		for _, a := range ways[truth] {
			if a.seen < 0.5 && (len(heard) > 0 || len(ways[truth]) > 1) {
				continue
			}
			if len(heard) == 0 {
				first = a.delay
			}
			heard = append(heard, Heard{Excess: a.delay - first, U: nextU, LevelDB: a.levelDB})
			if len(heard) == 3 {
				break
			}
		}
		if len(heard) == 0 {
			heard, first = []Heard{{}}, ways[truth][0].delay
		}
		x := 0.0
		for cell, v := range offsets[truth] {
			x += v * (e.least + float64(cell)*e.step)
		}
		r := Reception{Time: e.Reference, Offset: x + first, U: nextU}
		like, late, total := make([]float64, e.n), make([]float64, e.n), make([]float64, e.n)
		for i := range ways {
			if i == truth {
				continue
			}
			e.spread(&r, matches(ways[i], heard), like, late)
			for cell, v := range offsets[i] {
				total[cell] += v * like[cell]
			}
		}
		logs[t] = math.Log(e.half(total))
	})
	sum := 0.0
	for _, l := range logs {
		sum += l
	}
	return math.Exp(sum / truths)
}

// audible lists the carriers on shortwave that are expected to be heard and were
// not received yet.
func audible(r JointRequest, stations []*station.Station, at LatLon, when time.Time) []Reception {
	r12 := r.Sunspots
	if math.IsNaN(r12) {
		r12, _ = DefaultSunspots(when)
	}
	now := newInstant(when, r.Maps, r12)
	var all []Reception
	for _, s := range stations {
		if s.LongWave() || s.Lookalike {
			continue
		}
		for _, c := range s.Carriers {
			received := func(x Reception) bool { return x.Station.ID == s.ID && math.Abs(x.CarrierHz-c.Hz) < 1 }
			if !c.OnAir(when) || slices.ContainsFunc(r.Receptions, received) {
				continue
			}
			way := Request{At: at}.circuit(c)
			if now.sky(way).reception(c, s.Depth, DefaultReceiver, now.noiseAt(at, DefaultReceiver, c.Hz)).reliability > 0.5 {
				all = append(all, Reception{Station: s, CarrierHz: c.Hz, At: at, Time: when})
			}
		}
	}
	return all
}
