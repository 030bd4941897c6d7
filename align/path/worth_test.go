package path

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"timeball/align/path/geodesic"
	"timeball/capture/station"
)

// simulatedChoice draws a first recording and, eight minutes later, all others that
// may be made then of carriers that are expected to be heard; one of which nothing
// is received has no offset.
func simulatedChoice(r *rand.Rand, stations []*station.Station) (first Reception, others []Reception, r12 float64) {
	for {
		at := eveningPlaces[r.IntN(len(eveningPlaces))]
		when := time.Date(2026, time.Month(1+3*r.IntN(4)), 15, r.IntN(24), 0, 0, 0, time.UTC)
		r12 = 30 + 70*float64(r.IntN(2))
		may := audible(JointRequest{Sunspots: r12}, stations, at, when)
		if len(may) < 3 {
			continue
		}
		first = may[r.IntN(len(may))]
		others = audible(JointRequest{Sunspots: r12, Receptions: []Reception{first}}, stations, at, when.Add(nextAfter))
		if len(others) < 2 {
			continue
		}
		t := newTruth(r, 1, r12, append([]Reception{first}, others...))
		timed, u, _, heard, ok := t.received(r, 0)
		if !ok {
			continue
		}
		first.Offset, first.U, first.Heard = timed, u, heard
		for i := range others {
			if timed, u, _, heard, ok := t.received(r, 1+i); ok {
				others[i].Offset, others[i].U, others[i].Heard = timed, u, heard
			} else {
				others[i].Offset = math.NaN()
			}
		}
		return first, others, r12
	}
}

// pretend draws what a receiver would tell apart of ways.
func pretend(r *rand.Rand, ways []arriving) (first float64, heard []Heard) {
	late := 0.0
	if r.Float64() < lateShare {
		late = lateBy * r.ExpFloat64()
	}
	for _, a := range ways {
		if r.Float64() < a.seen {
			heard = append(heard, Heard{Excess: a.delay + late + math.Hypot(a.u, nextU)*r.NormFloat64(), U: nextU, LevelDB: a.levelDB + uHeardDB/2*r.NormFloat64()})
		}
	}
	if len(heard) == 0 {
		return 0, nil
	}
	slices.SortFunc(heard, func(a, b Heard) int { return cmp.Compare(b.LevelDB, a.LevelDB) })
	heard = heard[:min(len(heard), 3)]
	slices.SortFunc(heard, func(a, b Heard) int { return cmp.Compare(a.Excess, b.Excess) })
	first = heard[0].Excess
	for i := range heard {
		heard[i].Excess -= first
	}
	return first, heard
}

// trials makes up so many outcomes of each choice, a day as likely as another, and
// gives the logarithm of what each leaves of the interval.
func (p *prospects) trials(n int, seed uint64) [][]float64 {
	logs := make([][]float64, n)
	each(n, func(t int) {
		r := rand.New(rand.NewPCG(uint64(t), seed))
		day := t * len(p.offsets) / n
		x, u := p.least, r.Float64()
		for cell, v := range p.offsets[day] {
			if u -= v; u < 0 {
				x += float64(cell) * p.step
				break
			}
		}
		logs[t] = make([]float64, len(p.ways))
		for c := range p.ways {
			if first, heard := pretend(r, p.ways[c][day]); len(heard) > 0 {
				logs[t][c] = min(0, math.Log(p.after(c, day, x+first, heard)/p.now))
			}
		}
	})
	return logs
}

// BenchmarkAdvice measures what the carrier that is advised brings, beside the best
// in hindsight and one taken at random: each other recording that may be made is
// made in turn, and the interval of the two together set against the first's alone.
// What can be had at all is measured in the program's own ionospheres, where what a
// choice may bring is known: on many days that explain the first recording, outcomes of
// all choices are made up, half of them to choose by and half to judge the choice.
func BenchmarkAdvice(b *testing.B) {
	all := station.Builtin()
	var stations []*station.Station
	for i := range all {
		stations = append(stations, &all[i])
	}
	var best, named, nearest, random, worst float64 // sums over evenings of the logarithm of what is left
	var own struct{ best, chosen, random float64 }  // likewise, made up
	for i := range *evenings {
		first, others, r12 := simulatedChoice(rand.New(rand.NewPCG(uint64(i), 27)), stations)
		request := JointRequest{Receptions: []Reception{first}, Reference: first.Time, URate: 1e-8, Sunspots: r12}
		choices, _, err := Advise(request, stations)
		if err != nil {
			b.Fatal(err)
		}
		before, err := Solve(request)
		if err != nil {
			b.Fatal(err)
		}
		left := make([]float64, len(others))
		for k, o := range others {
			if math.IsNaN(o.Offset) {
				continue
			}
			request.Receptions = []Reception{first, o}
			after, err := Solve(request)
			if err != nil {
				b.Fatal(err)
			}
			left[k] = math.Log(after.Half / before.Half)
		}
		of := func(c Choice) float64 {
			return left[slices.IndexFunc(others, func(o Reception) bool { return o.Station.ID == c.Station.ID && o.CarrierHz == c.CarrierHz })]
		}
		if len(choices) > 0 {
			named += of(choices[0])
		}
		for k := range left {
			random += left[k] / float64(len(left))
		}
		best, worst = best+slices.Min(left), worst+slices.Max(left)
		near := slices.MinFunc(others, func(x, y Reception) int {
			return int(Request{At: x.At}.circuit(carrierOf(x)).distanceM - Request{At: y.At}.circuit(carrierOf(y)).distanceM)
		})
		nearest += of(Choice{Station: near.Station, CarrierHz: near.CarrierHz})
		request.Receptions = []Reception{first}
		e, err := newEvening(request, others)
		if err != nil {
			b.Fatal(err)
		}
		p := e.prospects(320, len(others))
		const madeUp = 64
		halves := [2][]float64{make([]float64, len(others)), make([]float64, len(others))}
		for t, outcome := range p.trials(madeUp, uint64(i)) {
			own.best += slices.Min(outcome) / madeUp
			for c, v := range outcome {
				own.random += v / float64(len(others)) / madeUp
				halves[t%2][c] += v / (madeUp / 2)
			}
		}
		for h := range halves {
			own.chosen += halves[1-h][slices.Index(halves[h], slices.Min(halves[h]))] / 2
		}
		if n := float64(i + 1); (i+1)%10 == 0 || i+1 == *evenings {
			b.Logf("%d evenings: of the first's interval the best in hindsight leaves %.2f, the one advised %.2f, the nearest station %.2f, one at random %.2f, the worst %.2f: the advice brings %.2f of what the best brings more than a random one; of what is made up, the best expected brings %.2f",
				i+1, math.Exp(best/n), math.Exp(named/n), math.Exp(nearest/n), math.Exp(random/n), math.Exp(worst/n), (random-named)/(random-best), (own.random-own.chosen)/(own.random-own.best))
		}
	}
}

func carrierOf(r Reception) station.Carrier {
	return r.Station.Carriers[slices.IndexFunc(r.Station.Carriers, func(c station.Carrier) bool { return c.Hz == r.CarrierHz })]
}

// BenchmarkIonosonde measures what a layer measured at a distance from the middle of
// the path brings to a predicted delay, and whether the interval holds.
func BenchmarkIonosonde(b *testing.B) {
	distances := []float64{0, 250e3, 500e3, 1000e3, 2000e3, 4000e3}
	by := make([]summary, 1+len(distances)) // the first without
	narrower := make([]float64, len(distances))
	r := rand.New(rand.NewPCG(13, 18))
	for n := 0; n < *evenings; {
		from := LatLon{Lat: 120*r.Float64() - 60, Lon: 360*r.Float64() - 180}
		km := 300 * math.Pow(4000.0/300, r.Float64()) // one reflection point, or a few
		toward := 360 * r.Float64()
		at, _ := geodesic.Direct(from, toward, km*1e3)
		middle, _ := geodesic.Direct(from, toward, km*500)
		hz := []float64{2.5e6, 5e6, 7.85e6, 10e6, 15e6, 20e6}[r.IntN(6)]
		s := &station.Station{ID: "any", Depth: 1, Carriers: []station.Carrier{{Hz: hz, Lat: from.Lat, Lon: from.Lon, PowerW: 10e3}}}
		request := Request{Station: s, CarrierHz: hz, At: at, Time: time.Date(2026, time.Month(1+r.IntN(12)), 15, r.IntN(24), 0, 0, 0, time.UTC), Sunspots: 150 * r.Float64()}
		var sondes []LatLon
		for _, d := range distances {
			p, _ := geodesic.Direct(middle, 360*r.Float64(), d)
			sondes = append(sondes, p)
		}
		t := newTruth(r, 1, request.Sunspots, []Reception{{Station: s, CarrierHz: hz, At: at, Time: request.Time}}, sondes...)
		_, _, delay, _, ok := t.received(r, 0)
		if !ok {
			continue
		}
		n++
		one := func(k int) float64 {
			p, err := Predict(request)
			if err != nil {
				b.Fatal(err)
			}
			by[k].add(holds(p.Delay, delay), 1.96*p.USeconds)
			return p.USeconds
		}
		without := one(0)
		for k := range distances {
			density, peak := t.layers(len(t.w.over) - len(sondes) + k)
			request.Ionograms = []Ionogram{{At: sondes[k], FoF2Hz: 1e6 * math.Sqrt(density(peak)) * math.Exp(uMeasuredFoF2*r.NormFloat64()), HmF2M: 1e3*peak + uMeasuredHeightM*r.NormFloat64()}}
			narrower[k] += math.Log(one(1+k) / without)
		}
	}
	for k := range by {
		name, left := "without", 1.0
		if k > 0 {
			name, left = fmt.Sprintf("%4.0f km", distances[k-1]/1e3), math.Exp(narrower[k-1]/float64(by[k].n))
		}
		b.Logf("%s: %d circuits, held %.1f %%, half of 95 %% %.3f ms in the median, %.2f of that without", name, by[k].n, 100*by[k].share(), 1e3*by[k].median(), left)
	}
}
