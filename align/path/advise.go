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
	p := e.prospects(advised, len(further))
	for c, f := range further {
		choices = append(choices, Choice{Station: f.Station, CarrierHz: f.CarrierHz, Half: min(p.now, p.expected(c))})
	}
	slices.SortStableFunc(choices, func(a, b Choice) int { return cmp.Compare(a.Half, b.Half) })
	return choices, p.now, nil
}

// prospects are days that explain what was received, and what further receptions
// would bring on each.
type prospects struct {
	*evening
	offsets [][]float64    // the offset's distribution over the grid, by day
	ways    [][][]arriving // by further reception and day
	now     float64        // half of the set that the receptions give so far
}

// prospects finds n days for the receptions, and the ways of those after them.
func (e *evening) prospects(n, further int) prospects {
	p := prospects{e, make([][]float64, n), make([][][]arriving, further), 0}
	for c := range p.ways {
		p.ways[c] = make([][]arriving, n)
	}
	live := e.days(n)
	e.eachWorking(n, func(i int, w *work) {
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
		p.offsets[i] = own
		for c := range p.ways {
			p.ways[c][i] = e.arrivals(&e.legs[len(e.Receptions)+c], z)
		}
	})
	total := make([]float64, e.n)
	for _, own := range p.offsets {
		for cell, v := range own {
			total[cell] += v
		}
	}
	p.now = e.half(total)
	return p
}

// expected is the mean (of the logarithm) of the interval's half after a further
// reception, when some of the days in turn are the truth.
func (p *prospects) expected(choice int) float64 {
	logs := make([]float64, truths)
	each(truths, func(t int) {
		truth := t * len(p.offsets) / truths
		ways := p.ways[choice][truth]
		var heard []Heard
		var first float64
		for _, a := range ways {
			if a.seen < 0.5 && (len(heard) > 0 || len(ways) > 1) {
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
			heard, first = []Heard{{}}, ways[0].delay
		}
		x := 0.0
		for cell, v := range p.offsets[truth] {
			x += v * (p.least + float64(cell)*p.step)
		}
		logs[t] = math.Log(p.after(choice, truth, x+first, heard))
	})
	sum := 0.0
	for _, l := range logs {
		sum += l
	}
	return math.Exp(sum / truths)
}

// after is half of the set when a further reception's first arrival says offset and
// all are those heard; the day that this was made up from does not count.
func (p *prospects) after(choice, madeUp int, offset float64, heard []Heard) float64 {
	r := Reception{Time: p.Reference, Offset: offset, U: nextU}
	like, late, total := make([]float64, p.n), make([]float64, p.n), make([]float64, p.n)
	for i, own := range p.offsets {
		if i == madeUp {
			continue
		}
		p.spread(&r, matches(p.ways[choice][i], heard), like, late)
		for cell, v := range own {
			total[cell] += v * like[cell]
		}
	}
	return p.half(total)
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
