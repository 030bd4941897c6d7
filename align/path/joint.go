package path

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"timeball/align/path/ionosphere"
	"timeball/capture/station"
	"timeball/detect/mixture"
)

// Reception is what one recording tells of the local clock by one station.
type Reception struct {
	Station   *station.Station
	CarrierHz float64
	At        LatLon    // the receiver's antenna
	Time      time.Time // the offset holds for
	// Offset is the local clock minus UTC before the path delay is taken out, and U
	// its standard uncertainty without what all receptions share, s.
	Offset, U float64
	// Heard are the arrivals told apart; none: Offset is by their mean.
	Heard []Heard
	Delay mixture.Mixture // of the path, when it is not to be computed
}

// JointRequest asks for one offset from several receptions of one clock.
type JointRequest struct {
	Receptions []Reception
	Reference  time.Time // the offset is wanted for
	// Rate is the clock's, dimensionless, with its standard uncertainty.
	Rate, URate float64
	Sunspots    float64 // as in Request
	Maps        ionosphere.Maps
	Ionograms   []Ionogram
}

// Joint is what several receptions tell together.
type Joint struct {
	Offset      mixture.Mixture // at the reference; a label names the first mode of the last reception
	Rate, URate float64
	Parts       []Part // by reception
	// Half is half the length of the shortest set of 95 %, s.
	Half float64
}

// Part is one reception in a joint solution.
type Part struct {
	DistanceM float64 // of the path; 0: its delay was given
	Mode      string  // most likely to be its earliest arrival
	Chance    float64 // that it is
	// Late is by how much the receptions together make it likelier than it was that
	// all its arrivals come late, scattered sideways: from 10 on it is doubted.
	Late float64
	// Astray is the chance that its arrivals belong to none of the predicted modes
	// that go with the other receptions.
	Astray float64
	// Weight is what the reception contributes: by how much the interval would be
	// longer without it. The weights of all sum to 1.
	Weight float64
}

const (
	particles = 320
	// The clock's offset is weighed at places this far apart: a third of what is
	// left of a delay's uncertainty within a day, s.
	gridStep  = 10e-6
	mostGrid  = 1500
	moveFar   = 0.35 // of a move of a particle (Cotter and others 2013, preconditioned Crank-Nicolson)
	moveNear  = 0.14
	leastLive = 1.0 / 3 // of the particles that must count at each step
	// What is heard may be nothing of the model's: weight of any offset at all.
	astray = 1e-4
)

// rateNodes are Gauss and Hermite's rule of five points.
var rateNodes = [...]struct{ z, weight float64 }{{-2.856970, 0.011257}, {-1.355626, 0.222076}, {0, 0.533333}, {1.355626, 0.222076}, {2.856970, 0.011257}}

// evening is a joint solution under way.
type evening struct {
	*weather
	JointRequest
	legs  []leg // by reception
	least float64
	step  float64
	n     int      // of the grid
	shift [][5]int // by reception and rate: cells by which the clock differs from the reference
}

// Solve finds the offset from receptions of one clock over some hours. The days
// that explain them all are found by sequential Monte Carlo, one reception after
// the other. Every run gives the same.
func Solve(r JointRequest) (Joint, error) {
	e, err := newEvening(r, nil)
	if err != nil {
		return Joint{}, err
	}
	return e.joint(e.days(particles)), nil
}

// newEvening lays out the receptions, and further circuits after them.
func newEvening(r JointRequest, further []Reception) (*evening, error) {
	if len(r.Receptions) == 0 {
		return nil, errors.New("no recording to combine")
	}
	r.Receptions = slices.Clone(r.Receptions)
	slices.SortStableFunc(r.Receptions, func(a, b Reception) int { return a.Time.Compare(b.Time) })
	e := &evening{JointRequest: r}
	var over []*overhead
	r12, u := r.Sunspots, float64(givenSunspotsU)
	if math.IsNaN(r12) {
		r12, u = DefaultSunspots(r.Reference)
	}
	times := []time.Time{r.Reference}
	for _, x := range slices.Concat(r.Receptions, further) {
		times = append(times, x.Time)
		request := Request{Station: x.Station, CarrierHz: x.CarrierHz, At: x.At, Time: x.Time}
		if x.Delay != nil {
			e.legs = append(e.legs, leg{})
			continue
		}
		if err := request.check(); err != nil {
			return nil, err
		}
		carriers := request.carriers()
		if len(carriers) > 1 {
			return nil, fmt.Errorf("the carrier of %s at %s is not known, so neither is the path: give its carrier", x.Station.ID, x.Time.UTC().Format("15:04 UTC"))
		}
		var l leg
		l, over = survey(newInstant(x.Time, r.Maps, r12), request.circuit(carriers[0]), carriers[0].Hz, over)
		e.legs = append(e.legs, l)
	}
	over, told := observe(over, r.Ionograms, func(t time.Time) instant { return newInstant(t, r.Maps, r12) }, times...)
	e.weather = newWeather(r12, u, over, told)
	return e, e.lay()
}

// readings are what a reception may mean on a day drawn, without lateness.
func (e *evening) readings(k int, z []float64) []possibility {
	r := &e.Receptions[k]
	if r.Delay != nil {
		var all []possibility
		for _, c := range r.Delay {
			all = append(all, possibility{weight: c.Weight, mean: c.Mean, u: c.U})
		}
		return all
	}
	ways := e.arrivals(&e.legs[k], z)
	if len(r.Heard) == 0 {
		return firsts(ways)
	}
	return matches(ways, r.Heard)
}

// ContradictionError says that receptions cannot be of one clock.
type ContradictionError struct {
	Apart float64 // by how much at least the clock would have moved between two, s
}

func (e ContradictionError) Error() string {
	return fmt.Sprintf("the recordings contradict each other by %.1f ms at least: was the clock set in between, or is a station, carrier, place or time wrong?", 1e3*e.Apart)
}

// lay puts the grid where the receptions can put the offset.
func (e *evening) lay() error {
	const sample = 60
	low, high := math.Inf(-1), math.Inf(1)
	for k, r := range e.Receptions {
		lo, hi := math.Inf(1), math.Inf(-1)
		ahead := e.Rate * r.Time.Sub(e.Reference).Seconds()
		for i := range sample {
			z := make([]float64, e.size())
			draw(z, i)
			for _, p := range e.readings(k, z) {
				reach := 6 * math.Hypot(p.u, r.U)
				lo, hi = min(lo, r.Offset-ahead-p.mean-reach), max(hi, r.Offset-ahead-p.mean+reach)
			}
		}
		lo -= 2 * lateBy
		low, high = max(low, lo), min(high, hi)
	}
	if low > high {
		return ContradictionError{low - high}
	}
	e.step = max(gridStep, (high-low)/mostGrid)
	e.least = low
	e.n = int((high-low)/e.step) + 2
	for _, r := range e.Receptions {
		var cells [5]int
		for i, node := range rateNodes {
			cells[i] = int(math.Round(node.z * e.URate * r.Time.Sub(e.Reference).Seconds() / e.step))
		}
		e.shift = append(e.shift, cells)
	}
	return nil
}

// spread fills out with the likelihood of a reception over the grid, and late with
// the part of it that takes its arrivals for late.
func (e *evening) spread(r *Reception, all []possibility, out, late []float64) {
	floor := e.floor()
	for i := range out {
		out[i] = floor
	}
	at := r.Offset - e.Rate*r.Time.Sub(e.Reference).Seconds()
	for _, p := range all {
		addNormal(out, (at-p.mean-e.least)/e.step, math.Hypot(p.u, r.U)/e.step, p.weight/e.step)
	}
	// Arrivals that are late by d put the clock ahead by d: an exponential filter.
	keep := math.Exp(-e.step / lateBy)
	s := 0.0
	for i := len(out) - 1; i >= 0; i-- {
		s = keep*s + (1-keep)*out[i]
		late[i] = lateShare * s
		out[i] = (1-lateShare)*out[i] + late[i]
	}
}

// floor is the density of an offset that the model knows nothing of.
func (e *evening) floor() float64 { return astray / (float64(e.n) * e.step) }

// addNormal adds a normal density times weight, all in cells.
func addNormal(out []float64, mean, u, weight float64) {
	u = max(u, 0.3) // no narrower than a cell
	from, to := max(0, int(mean-5*u)), min(len(out)-1, int(mean+5*u)+1)
	if from > to {
		return
	}
	// exp of a square by two products a cell.
	d := (float64(from) - mean) / u
	value := weight * math.Exp(-d*d/2) / (u * math.Sqrt(2*math.Pi))
	ratio := math.Exp(-(2*d + 1/u) / (2 * u))
	fall := math.Exp(-1 / (u * u))
	for i := from; i <= to; i++ {
		out[i] += value
		value *= ratio
		ratio *= fall
	}
}

// work is the room one evaluation needs.
type work struct{ like, late [][]float64 }

func (e *evening) newWork() *work {
	w := &work{}
	for range e.Receptions {
		w.like = append(w.like, make([]float64, e.n))
		w.late = append(w.late, make([]float64, e.n))
	}
	return w
}

// evidence is the logarithm of the likelihood of the first k receptions on a day
// drawn, and of the first k-1.
func (e *evening) evidence(z []float64, k int, w *work) (all, before float64) {
	for j := range k {
		e.spread(&e.Receptions[j], e.readings(j, z), w.like[j], w.late[j])
	}
	if k > 1 {
		before = math.Log(e.total(w.like[:k-1]))
	}
	return math.Log(e.total(w.like[:k])), before
}

// total is the sum over offset and rate of the product of likelihoods.
func (e *evening) total(like [][]float64) float64 {
	sum := 0.0
	for i, node := range rateNodes {
		e.product(like, i, -1, func(_ int, v float64) { sum += node.weight * v })
	}
	return sum
}

// product calls f with the product of the likelihoods in each cell, for one rate;
// one reception may be left out.
func (e *evening) product(like [][]float64, rate, without int, f func(cell int, v float64)) {
	for i := range e.n {
		v := 1.0
		for k, l := range like {
			if k == without {
				continue
			}
			at := i + e.shift[k][rate]
			if at < 0 || at >= e.n {
				v = 0
				break
			}
			v *= l[at]
		}
		if v > 0 {
			f(i, v)
		}
	}
}

// particle is a day that explains what was heard so far.
type particle struct {
	z           []float64
	all, before float64 // evidence
}

// days draws n days and moves them until they explain all receptions.
func (e *evening) days(n int) []particle {
	live := make([]particle, n)
	each(n, func(i int) {
		live[i].z = make([]float64, e.size())
		draw(live[i].z, i)
	})
	turn := uint64(0)
	for k := 1; k <= len(e.Receptions); k++ {
		e.eachWorking(n, func(i int, w *work) { live[i].all, live[i].before = e.evidence(live[i].z, k, w) })
		for power := 0.0; power < 1; {
			next := e.nextPower(live, power)
			live = resampled(live, next-power, turn)
			power = next
			moves := 1
			if power == 1 {
				moves = 3
			}
			for m := range moves {
				turn++
				far := moveFar
				if m > 0 {
					far = moveNear
				}
				e.eachWorking(n, func(i int, w *work) { e.move(&live[i], k, power, far, rand.New(rand.NewPCG(turn, uint64(i))), w) })
			}
		}
	}
	return live
}

// eachWorking is each with room for an evaluation.
func (e *evening) eachWorking(n int, f func(i int, w *work)) {
	room := make(chan *work, n)
	each(n, func(i int) {
		var w *work
		select {
		case w = <-room:
		default:
			w = e.newWork()
		}
		f(i, w)
		room <- w
	})
}

// gain is by how much the latest reception raises a day's evidence.
func (p *particle) gain() float64 { return p.all - p.before }

// nextPower raises the power of the latest reception as far as leaves enough
// particles that count.
func (e *evening) nextPower(live []particle, from float64) float64 {
	counting := func(to float64) float64 {
		top := math.Inf(-1)
		for i := range live {
			top = max(top, live[i].gain())
		}
		var sum, squares float64
		for i := range live {
			w := math.Exp((to - from) * (live[i].gain() - top))
			sum, squares = sum+w, squares+w*w
		}
		return sum * sum / squares
	}
	least := leastLive * float64(len(live))
	if counting(1) >= least {
		return 1
	}
	low, high := from, 1.0
	for range 30 {
		if mid := (low + high) / 2; counting(mid) >= least {
			low = mid
		} else {
			high = mid
		}
	}
	return max(low, from+1e-3)
}

// resampled draws the particles anew by their weights, systematically.
func resampled(live []particle, power float64, turn uint64) []particle {
	top := math.Inf(-1)
	for i := range live {
		top = max(top, live[i].gain())
	}
	weights := make([]float64, len(live))
	sum := 0.0
	for i := range live {
		weights[i] = math.Exp(power * (live[i].gain() - top))
		sum += weights[i]
	}
	at := rand.New(rand.NewPCG(^turn, 1)).Float64()
	out := make([]particle, 0, len(live))
	below := 0.0
	for i, w := range weights {
		for below += w / sum * float64(len(live)); at < below && len(out) < len(live); at++ {
			p := live[i]
			p.z = slices.Clone(p.z)
			out = append(out, p)
		}
	}
	for len(out) < len(live) {
		p := live[len(live)-1]
		p.z = slices.Clone(p.z)
		out = append(out, p)
	}
	return out
}

// move tries another day near to a particle's; it keeps the prior exactly.
func (e *evening) move(p *particle, k int, power, far float64, r *rand.Rand, w *work) {
	z := make([]float64, len(p.z))
	near := math.Sqrt(1 - far*far)
	for i := range z {
		z[i] = near*p.z[i] + far*r.NormFloat64()
	}
	all, before := e.evidence(z, k, w)
	if math.Log(r.Float64()) < power*(all-p.all)+(1-power)*(before-p.before) {
		*p = particle{z, all, before}
	}
}

// joint states what the days tell.
func (e *evening) joint(live []particle) Joint {
	count := len(e.Receptions)
	total := make([]float64, e.n)
	without := make([][]float64, count)
	for k := range without {
		without[k] = make([]float64, e.n)
	}
	byFirst := map[kind][]float64{}
	modes := make([]map[kind]float64, count)
	for k := range modes {
		modes[k] = map[kind]float64{}
	}
	late, lost := make([]float64, count), make([]float64, count)
	var rate, rate2 float64
	w := e.newWork()
	own := make([]float64, e.n)
	for i := range live {
		z := live[i].z
		readings := make([][]possibility, count)
		for k := range count {
			readings[k] = e.readings(k, z)
			e.spread(&e.Receptions[k], readings[k], w.like[k], w.late[k])
		}
		sum := e.total(w.like)
		clear(own)
		// By reception: what the offset is on this day, in the reception's own cells.
		shifted := make([][]float64, count)
		for k := range shifted {
			shifted[k] = make([]float64, e.n)
		}
		for y, node := range rateNodes {
			share := 0.0
			e.product(w.like, y, -1, func(cell int, v float64) {
				v *= node.weight / sum
				own[cell] += v
				share += v
				for k := range shifted {
					shifted[k][cell+e.shift[k][y]] += v
				}
			})
			rate += share * node.z
			rate2 += share * node.z * node.z
			for k := range count {
				if count > 1 {
					e.product(w.like, y, k, func(cell int, v float64) { without[k][cell] += v * node.weight / sum })
				}
			}
		}
		for cell, v := range own {
			total[cell] += v
		}
		part := make([]float64, e.n)
		for k, r := range e.Receptions {
			at := r.Offset - e.Rate*r.Time.Sub(e.Reference).Seconds()
			for cell, v := range shifted[k] {
				late[k] += v * w.late[k][cell] / w.like[k][cell]
				lost[k] += v * e.floor() / w.like[k][cell]
			}
			for _, p := range readings[k] {
				clear(part)
				addNormal(part, (at-p.mean-e.least)/e.step, math.Hypot(p.u, r.U)/e.step, (1-lateShare)*p.weight/e.step)
				sum := 0.0
				for cell, v := range part {
					if v > 0 {
						part[cell] = shifted[k][cell] * v / w.like[k][cell]
						sum += part[cell]
					}
				}
				modes[k][p.first] += sum
				if k == count-1 {
					f := byFirst[p.first]
					if f == nil {
						f = make([]float64, e.n)
						byFirst[p.first] = f
					}
					for cell, v := range part {
						f[cell] += v
					}
				}
			}
		}
	}
	n := float64(len(live))
	j := Joint{Half: e.half(total), Rate: e.Rate + e.URate*rate/n}
	j.URate = e.URate * math.Sqrt(max(0, rate2/n-rate*rate/(n*n)))
	gains := 0.0
	for k := range count {
		p := Part{DistanceM: e.legs[k].distanceM, Astray: lost[k] / n}
		for m, v := range modes[k] {
			if v /= n; v > p.Chance || v == p.Chance && m.String() < p.Mode {
				p.Mode, p.Chance = m.String(), v
			}
		}
		if e.Receptions[k].Delay != nil {
			p.Mode, p.Chance = "given", 1
		}
		if odds := late[k] / n; odds < 1 {
			p.Late = odds / (1 - odds) / (lateShare / (1 - lateShare))
		} else {
			p.Late = math.Inf(1)
		}
		p.Weight = 1
		if count > 1 {
			p.Weight = max(1e-3, math.Log(e.half(without[k])/j.Half))
		}
		gains += p.Weight
		j.Parts = append(j.Parts, p)
	}
	for k := range j.Parts {
		j.Parts[k].Weight /= gains
	}
	rest := slices.Clone(total)
	var kinds []kind
	for k := range byFirst {
		kinds = append(kinds, k)
	}
	slices.SortFunc(kinds, func(a, b kind) int { return cmp.Compare(a.String(), b.String()) })
	for _, k := range kinds {
		j.Offset = e.appendCells(j.Offset, byFirst[k], k.String()+" first")
		for cell, v := range byFirst[k] {
			rest[cell] = max(0, rest[cell]-v)
		}
	}
	j.Offset = e.appendCells(j.Offset, rest, "") // scattered sideways, by whatever mode
	j.Offset.Normalise()
	return j
}

// half is half the length of the shortest set of 95 % of a density over the grid.
func (e *evening) half(density []float64) float64 {
	sorted := slices.Clone(density)
	slices.SortFunc(sorted, func(a, b float64) int { return cmp.Compare(b, a) })
	sum := 0.0
	for _, v := range sorted {
		sum += v
	}
	held, cells := 0.0, 0
	for held < 0.95*sum && cells < len(sorted) {
		held += sorted[cells]
		cells++
	}
	return float64(max(1, cells)) * e.step / 2
}

// appendCells adds a density over the grid to a mixture, some cells together.
func (e *evening) appendCells(m mixture.Mixture, density []float64, label string) mixture.Mixture {
	const together = 5
	whole := 0.0
	for _, v := range density {
		whole += v
	}
	for from := 0; from < len(density); from += together {
		var sum, mean, square float64
		for i := from; i < min(from+together, len(density)); i++ {
			x := float64(i) * e.step
			sum, mean, square = sum+density[i], mean+density[i]*x, square+density[i]*x*x
		}
		if sum > 1e-4*whole && sum > 0 {
			mean /= sum
			m = append(m, mixture.Component{
				Mean: e.least + mean, U: math.Sqrt(max(square/sum-mean*mean, 0)) + e.step*together/4,
				DoF: math.Inf(1), Weight: sum, Label: label,
			})
		}
	}
	return m
}
