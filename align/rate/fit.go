package rate

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"
)

// Standard uncertainties of adjustments for which none was stated.
const (
	stepShare = 0.05        // of a phase step's size
	trimShare = 0.10        // of a trim's size
	dialShare = 0.30        // of a trim known only by divisions and what the maker says of one
	moveRate  = 1e-9 * day  // of the rate when a clock is carried elsewhere, s/day
	stepFloor = 1e-6        // of a step, s: nobody turns closer
	trimFloor = 1e-12 * day // of a trim, s/day
)

// Fit is what the record says of the clock. Offsets are local clock minus UTC
// in seconds, with whole seconds; rates are dimensionless, positive gaining;
// uncertainties are standard ones.
type Fit struct {
	Epoch           time.Time // the last fix or, if later, the last adjustment
	Offset, UOffset float64   // at Epoch
	Y, UY           float64   // at Epoch
	Ageing, UAgeing float64   // per day
	Noise           Powers
	Fixes           []FittedFix // in order of time
	Changes         []Change    // in order of time
	Disagreements   []Disagreement
	UCommon         float64    // part of UOffset that is the same in all fixes, s
	Condensed       int        // normal points that stood for the fixes; 0: each fix for itself
	spread          []weighted // the end of the record under each plausible noise
	start           time.Time
	track           []smoothed
	nodes           []node
}

// Powers is the noise that the fixes show.
type Powers struct {
	ExtraU float64 // white phase noise beyond the fixes' own uncertainties, standard deviation, s
	White  float64 // white frequency noise: its Allan deviation at one day
	Walk   float64 // random walk frequency noise: its Allan deviation at one day
}

// FittedFix is one fix beside the fit.
type FittedFix struct {
	Fix
	X        float64 // unwrapped offset, s
	Residual float64 // X less the fit at that time, s
	Weight   float64 // 1; less for an outlier
	Outlier  bool
}

// Change is an adjustment logged or found, with what the fixes say it did.
type Change struct {
	Adjustment
	Found bool // not logged: found by the test between From and At
	From  time.Time
	// Size of the change in offset (s) and rate with all that is known of it.
	Step, UStep float64
	Trim, UTrim float64
	// What the fixes alone say of the rate change, nothing logged assumed; a
	// U of +Inf says nothing.
	Seen, USeen float64
}

// weighted is a state with the share of the probability it has.
type weighted struct {
	state
	noise noise
	share float64
}

// ErrTooFew is returned for fewer than two fixes.
var ErrTooFew = errors.New("a rate needs at least two fixes of the clock, apart in time")

// mostNodes is how many fixes are fitted one by one; more are first averaged
// to that many normal points.
const mostNodes = 2000

// analyse fits a clock's history by the fixes' uncertainties as they are.
func analyse(fixes []Fix, adjustments []Adjustment) (*Fit, error) {
	if len(fixes) < 2 || !fixes[len(fixes)-1].At.After(fixes[0].At) {
		return nil, ErrTooFew
	}
	for i, f := range fixes {
		if !(f.U > 0) {
			return nil, fmt.Errorf("fix %d has the uncertainty %g s, must be positive", f.ID, f.U)
		}
		if i > 0 && f.At.Before(fixes[i-1].At) {
			panic("rate: fixes out of order")
		}
	}
	adjustments = slices.Clone(adjustments)
	sort.SliceStable(adjustments, func(i, j int) bool { return adjustments[i].At.Before(adjustments[j].At) })
	fit := &Fit{start: fixes[0].At}
	x := unwrap(fixes, adjustments)
	fit.Fixes = make([]FittedFix, len(fixes))
	common := make([]float64, len(fixes))
	for i, f := range fixes {
		fit.Fixes[i] = FittedFix{Fix: f, X: x[i], Weight: 1}
		common[i] = f.UCommon
	}
	fit.UCommon = median(common)

	nodes, logged := fit.insert(fit.measurementNodes(adjustments), adjustments)
	m := newModel(nodes)
	m.diffuse(adjustments, logged)
	m.fit()

	fit.nodes = m.nodes
	fit.track = smooth(m.nodes, m.prior, m.noise)
	fit.spread = m.plausible()
	fit.Noise = Powers{
		ExtraU: math.Sqrt(m.noise.extra),
		White:  math.Sqrt(m.noise.white) / day,
		Walk:   math.Sqrt(m.noise.walk/3) / day,
	}
	fit.Epoch = fit.timeOf(m.nodes[len(m.nodes)-1].t)
	end := fit.at(fit.Epoch)
	fit.Offset, fit.UOffset = end.x, math.Sqrt(end.xx+square(fit.UCommon))
	fit.Y, fit.UY = end.y/day, math.Sqrt(end.yy)/day
	fit.Ageing, fit.UAgeing = end.d/day, math.Sqrt(end.dd)/day
	fit.compare(m)
	fit.describe(m, adjustments, logged)
	return fit, nil
}

func (f *Fit) timeOf(t float64) time.Time {
	return f.start.Add(time.Duration(math.Round(t * day * 1e9)))
}

func (f *Fit) daysTo(at time.Time) float64 { return at.Sub(f.start).Seconds() / day }

// ownVariance is the variance of a fix without what is common to all.
func ownVariance(f Fix) float64 {
	own := f.U*f.U - f.UCommon*f.UCommon
	return math.Max(own, 1e-4*f.U*f.U) // a fix that is all common still has some scatter
}

// pathHolds is how long a path's error lasts: that of a day's ionosphere against
// its median (common practice, as for path delays).
const pathHolds = 6 * time.Hour

// crowding is by how much each fix counts for less because others by the same
// stations, within hours of it, share its path's error: n fixes of an evening are
// together no surer than one. Fixes without named stations stand each for itself.
func crowding(fixes []FittedFix) []float64 {
	crowd := make([]float64, len(fixes))
	for i := range fixes {
		crowd[i]++
		for j := i - 1; j >= 0; j-- {
			apart := fixes[i].At.Sub(fixes[j].At)
			if apart > 6*pathHolds {
				break
			}
			if fixes[i].Stations != "" && fixes[i].Stations == fixes[j].Stations {
				shared := math.Exp(-apart.Hours() / pathHolds.Hours())
				crowd[i] += shared
				crowd[j] += shared
			}
		}
	}
	return crowd
}

// measurementNodes makes a node of each fix or, of too many fixes, normal
// points: weighted means over equal spans, across no adjustment, without the
// fixes that lie far from their span's median.
func (f *Fit) measurementNodes(adjustments []Adjustment) []node {
	crowd := crowding(f.Fixes)
	if len(f.Fixes) <= mostNodes {
		nodes := make([]node, len(f.Fixes))
		for i, fix := range f.Fixes {
			nodes[i] = node{t: f.daysTo(fix.At), measured: true, x: fix.X, r: crowd[i] * ownVariance(fix.Fix), weight: 1}
		}
		return nodes
	}
	span := f.daysTo(f.Fixes[len(f.Fixes)-1].At) / mostNodes
	var nodes []node
	next := 0
	for i := 0; i < len(f.Fixes); {
		start := f.daysTo(f.Fixes[i].At)
		for next < len(adjustments) && !adjustments[next].At.After(f.Fixes[i].At) {
			next++
		}
		j := i + 1
		for j < len(f.Fixes) && f.daysTo(f.Fixes[j].At) < start+span &&
			(next == len(adjustments) || f.Fixes[j].At.Before(adjustments[next].At)) {
			j++
		}
		nodes = append(nodes, f.normalPoint(i, j, crowd[i:j]))
		i = j
	}
	f.Condensed = len(nodes)
	return nodes
}

// normalPoint averages fixes i to j-1.
func (f *Fit) normalPoint(i, j int, crowd []float64) node {
	run := f.Fixes[i:j]
	values := make([]float64, len(run))
	for k, fix := range run {
		values[k] = fix.X
	}
	middle := median(values)
	for k, fix := range run {
		values[k] = math.Abs(fix.X - middle)
	}
	mad := 1.4826 * median(values)
	limit := deviate(len(f.Fixes))
	var sum, sumT, sumX float64
	for k := range run {
		fix := &run[k]
		v := crowd[k] * ownVariance(fix.Fix)
		if len(run) > 2 && math.Abs(fix.X-middle) > limit*math.Sqrt(math.Max(v, mad*mad)) {
			fix.Weight, fix.Outlier = 0, true
			continue
		}
		sum, sumT, sumX = sum+1/v, sumT+f.daysTo(fix.At)/v, sumX+(fix.X-middle)/v
	}
	return node{t: sumT / sum, measured: true, x: middle + sumX/sum, r: 1 / sum, weight: 1}
}

// insert places the adjustments among the measurements and returns which
// adjustment each new node is, by node. What was done before the first fix does not
// matter to the fit.
func (f *Fit) insert(nodes []node, adjustments []Adjustment) ([]node, map[int]int) {
	logged := map[int]int{}
	var all []node
	i := 0
	for k, a := range adjustments {
		t := f.daysTo(a.At)
		if !(t > nodes[0].t) {
			continue
		}
		switch a.Kind {
		case StepMade, Trimmed, Stopped, Moved:
		default:
			continue
		}
		for i < len(nodes) && nodes[i].t <= t {
			all = append(all, nodes[i])
			i++
		}
		logged[len(all)] = k
		all = append(all, node{t: t})
	}
	return append(all, nodes[i:]...), logged
}

// diffuse gives the nodes of logged adjustments their sizes.
func (m *model) diffuse(adjustments []Adjustment, logged map[int]int) {
	clockwise, _ := statedDial(adjustments)
	for i, k := range logged {
		a, nd := &adjustments[k], &m.nodes[i]
		switch a.Kind {
		case StepMade:
			nd.stepX = *a.Step
			nd.varX = square(math.Max(stepShare*math.Abs(*a.Step), stepFloor))
			if a.U != nil {
				nd.varX = square(*a.U)
			}
		case Trimmed:
			switch {
			case a.Trim != nil:
				nd.stepY = *a.Trim * day
				nd.varY = square(math.Max(trimShare*math.Abs(nd.stepY), trimFloor))
			case clockwise != 0:
				nd.stepY = *a.Divisions * clockwise * day
				nd.varY = square(math.Max(dialShare*math.Abs(nd.stepY), trimFloor))
			default:
				nd.varY = m.prior.yy
			}
			if a.U != nil && a.Trim != nil {
				nd.varY = square(*a.U * day)
			}
		case Stopped:
			nd.varX, nd.varY = m.prior.xx, m.prior.yy
		case Moved:
			nd.varY = square(moveRate)
		}
	}
}

// statedDial is what one division clockwise does to the rate as the last Dial
// entry says; 0 when there is none.
func statedDial(adjustments []Adjustment) (clockwise, u float64) {
	for _, a := range adjustments {
		if a.Kind == Dial {
			clockwise, u = *a.Trim, dialShare*math.Abs(*a.Trim)
			if a.U != nil {
				u = *a.U
			}
		}
	}
	return clockwise, u
}

// plausible returns the end of the record under the noises that may be behind
// it, each with its share of the probability: so the uncertainty of a short
// record's noise enters the forecast. They lie on a grid about the most likely
// one that is followed outwards for as long as the shares tell.
//
// Before the fixes are seen, extra and white noise are taken as equally likely
// in every octave (H. Jeffreys' prior of a scale), the deviation of the random
// walk as equally likely anywhere within its bounds (A. Gelman, "Prior
// distributions for variance parameters in hierarchical models", Bayesian
// Analysis 1, 2006): a walk that the record is too short to show must not be
// left out of the forecast.
func (m *model) plausible() []weighted {
	const negligible = 14 // in deviance below the best: a share of 1e-3
	type cell [3]int      // powers of the factors from the most likely noise
	queue := []cell{{}}
	seen := map[cell]bool{{}: true}
	var all []weighted
	least := math.Inf(1)
	for ; len(queue) > 0; queue = queue[1:] {
		c := queue[0]
		n := noise{
			extra: m.noise.extra * math.Pow(16, float64(c[0])),
			white: m.noise.white * math.Pow(4, float64(c[1])),
			walk:  m.noise.walk * math.Pow(2, float64(c[2])),
		}
		if !m.allows(n) {
			continue
		}
		d, last := likelihood(m.nodes, m.prior, n)
		d -= math.Log(n.walk)
		if d > least+negligible {
			continue
		}
		least = math.Min(least, d)
		all = append(all, weighted{last, n, d})
		for axis := range c {
			for _, by := range []int{-1, 1} {
				next := c
				next[axis] += by
				if !seen[next] {
					seen[next] = true
					queue = append(queue, next)
				}
			}
		}
	}
	var sum float64
	for i := range all {
		all[i].share = math.Exp(-(all[i].share - least) / 2)
		sum += all[i].share
	}
	for i := range all {
		all[i].share /= sum
	}
	return all
}

// allows reports whether a noise is within bounds, but for rounding.
func (m *model) allows(n noise) bool {
	const slack = 1 + 1e-9
	return n.extra*slack >= m.least.extra && n.extra <= m.most.extra*slack &&
		n.white*slack >= m.least.white && n.white <= m.most.white*slack &&
		n.walk*slack >= m.least.walk && n.walk <= m.most.walk*slack
}

// representatives picks up to count of the plausible noises, from the quietest
// walk to the strongest, that stand for equal shares.
func representatives(spread []weighted, count int) []noise {
	spread = slices.Clone(spread)
	slices.SortFunc(spread, func(a, b weighted) int {
		return cmp.Or(cmp.Compare(a.noise.walk, b.noise.walk), cmp.Compare(a.noise.white, b.noise.white))
	})
	var picked []noise
	var share float64
	for _, w := range spread {
		for share += w.share; float64(len(picked))+0.5 < share*float64(count); {
			picked = append(picked, w.noise)
		}
	}
	return picked
}

// at is the state at a time from Epoch on: mean and covariance over the
// plausible noises.
func (f *Fit) at(at time.Time) state {
	dt := at.Sub(f.Epoch).Seconds() / day
	var mean, s state
	ends := make([]state, len(f.spread))
	for i, w := range f.spread {
		e := w.state
		e.advance(dt, w.noise)
		ends[i] = e
		mean.x, mean.y, mean.d = mean.x+w.share*e.x, mean.y+w.share*e.y, mean.d+w.share*e.d
	}
	s = mean
	for i, w := range f.spread {
		e := ends[i]
		dx, dy, dd := e.x-mean.x, e.y-mean.y, e.d-mean.d
		s.xx += w.share * (e.xx + dx*dx)
		s.xy += w.share * (e.xy + dx*dy)
		s.xd += w.share * (e.xd + dx*dd)
		s.yy += w.share * (e.yy + dy*dy)
		s.yd += w.share * (e.yd + dy*dd)
		s.dd += w.share * (e.dd + dd*dd)
	}
	return s
}

// Forecast is the offset expected at a time, s, with its standard uncertainty;
// within the record, what the whole record says of that time.
func (f *Fit) Forecast(at time.Time) (offset, u float64) {
	var s state
	if at.Before(f.Epoch) {
		s = f.within(f.daysTo(at))
	} else {
		s = f.at(at)
	}
	return s.x, math.Sqrt(s.xx + square(f.UCommon))
}

// within is the smoothed state at t days, carried on from the node before it.
func (f *Fit) within(t float64) state {
	i := sort.Search(len(f.nodes), func(i int) bool { return f.nodes[i].t > t }) - 1
	if i < 0 {
		i = 0
	}
	s := f.track[i].state
	if i+1 == len(f.nodes) {
		return s
	}
	// Between two nodes the offset is the cubic with their offsets and rates,
	// which is the mean path of a random walk of the rate.
	from, to := f.nodes[i].t, f.nodes[i+1].t
	if to == from {
		return s
	}
	next, nd := f.track[i+1].state, &f.nodes[i+1]
	if nd.varX > 0 || nd.varY > 0 || nd.stepX != 0 || nd.stepY != 0 {
		s.advance(t-from, noise{}) // something was done in between
		return s
	}
	u := (t - from) / (to - from)
	h := to - from
	s.x = (1+2*u)*(1-u)*(1-u)*s.x + u*(1-u)*(1-u)*h*s.y + u*u*(3-2*u)*next.x - u*u*(1-u)*h*next.y
	s.xx = s.xx + u*(next.xx-s.xx)
	return s
}

// compare sets residuals, weights and outliers of the fixes.
func (f *Fit) compare(m *model) {
	if f.Condensed == 0 {
		limit := deviate(len(f.Fixes))
		i := 0
		for k := range m.nodes {
			nd := &m.nodes[k]
			if !nd.measured {
				continue
			}
			fix := &f.Fixes[i]
			fix.Residual = fix.X - f.track[k].x
			fix.Weight = nd.weight
			fix.Outlier = m.excess(nd, &f.track[k]) > limit
			i++
		}
		return
	}
	for i := range f.Fixes {
		fix := &f.Fixes[i]
		fix.Residual = fix.X - f.within(f.daysTo(fix.At)).x
	}
}

// describe lists the changes with what the fixes say of them.
func (f *Fit) describe(m *model, adjustments []Adjustment, logged map[int]int) {
	noises := representatives(f.spread, 12)
	for i := range m.nodes {
		k, isLogged := logged[i]
		isFound := slices.Contains(m.found, i)
		if !isLogged && !isFound {
			continue
		}
		nd := &m.nodes[i]
		c := Change{Found: isFound}
		if isLogged {
			c.Adjustment = adjustments[k]
			c.From = c.At
		} else {
			c.At = f.timeOf(nd.t)
			c.Kind = StepMade
			if nd.varY > 0 {
				c.Kind = Trimmed
			}
			c.From = f.start
			for j := i - 1; j >= 0; j-- {
				if m.nodes[j].measured {
					c.From = f.timeOf(m.nodes[j].t)
					break
				}
			}
		}
		x, y := m.alone(i, noises)
		c.Step, c.UStep = x.with(nd.stepX, nd.varX)
		trim, u := y.with(nd.stepY, nd.varY)
		c.Trim, c.UTrim = trim/day, u/day
		c.Seen, c.USeen = y.size/day, y.u/day
		f.Changes = append(f.Changes, c)
	}
}

// sight is what the fixes alone say of the size of a shock.
type sight struct {
	size, u float64 // u is +Inf when they say nothing
}

// alone returns what the fixes say of the shock at node i in offset and in
// rate, each without what was known of it before, over the noises given.
func (m *model) alone(i int, noises []noise) (x, y sight) {
	nd := &m.nodes[i]
	x = m.look(i, nd.stepX, &nd.varX, noises, func(s *smoothed) (score, info float64) { return s.scoreX, s.infoX })
	y = m.look(i, nd.stepY, &nd.varY, noises, func(s *smoothed) (score, info float64) { return s.scoreY, s.infoY })
	return x, y
}

// look is alone for one component, whose size is taken as assumed with the
// variance pointed to. A size known exactly is not asked for.
func (m *model) look(i int, assumed float64, variance *float64, noises []noise, of func(s *smoothed) (score, info float64)) sight {
	nothing := sight{assumed, math.Inf(1)}
	known := *variance
	if known == 0 {
		return nothing
	}
	defer func() { *variance = known }()
	*variance = 0
	var seen []sight
	for _, n := range noises {
		score, info := of(&smooth(m.nodes, m.prior, n)[i])
		if info <= 0 {
			return nothing
		}
		seen = append(seen, sight{assumed + score/info, 1 / math.Sqrt(info)})
	}
	return pooled(seen)
}

// pooled is the mean of equally likely sights with the scatter among them.
func pooled(list []sight) sight {
	var p sight
	n := float64(len(list))
	for _, s := range list {
		p.size += s.size / n
	}
	var variance float64
	for _, s := range list {
		variance += (s.u*s.u + square(s.size-p.size)) / n
	}
	p.u = math.Sqrt(variance)
	return p
}

// with combines the sight with what was known before.
func (s sight) with(mean, variance float64) (size, u float64) {
	if variance == 0 || math.IsInf(s.u, 1) {
		return mean, math.Sqrt(variance)
	}
	w := 1 / (s.u * s.u)
	u = 1 / math.Sqrt(1/variance+w)
	return (mean/variance + s.size*w) * u * u, u
}
