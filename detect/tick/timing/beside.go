package timing

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
)

// guest is another station whose ticks, of another tone, may be heard on the same
// carrier: each of its paths is a wave of the same linear model, whose amplitudes are as
// free as those of the station that is timed.
type guest struct {
	*sent
	tick, turn wave
	grids      [2]*grid
}

// invite is b with another's ticks of shape sh.
func (b *bench) invite(sh Shape) *bench {
	o := *b
	f := &filter{Shape: sh, rate: b.stack.rate}
	g := &guest{sent: f.sent()}
	// Behind the same chain, and timed alike: by the group delay at the station's own tone.
	g.tick = b.wave(func(_ *filter, hz float64) complex128 { return inPhase(f, hz) })
	g.turn = b.wave(func(_ *filter, hz float64) complex128 { return quadrature(f, hz) })
	o.guest = g
	return &o
}

// sentOn is the mark that comes on path i.
func (nr *near) sentOn(i int) *sent {
	if i >= nr.own {
		return nr.guest.sent
	}
	return nr.sent
}

// guestGrid is a grid of the guest's waves, at all lags of which a window holds enough.
func (b *bench) guestGrid(h hearing) *grid {
	g := b.guest
	which := 0
	if h == turned || h == turning {
		which = 1
	}
	if g.grids[which] == nil {
		from := -b.before - g.burst()*b.stack.rate/2
		to := float64(b.points) - b.before - g.burst()*b.stack.rate/2
		g.grids[which] = b.tabulate(b.spaced(from, to), []*wave{&g.tick, &g.turn}[:1+which])
	}
	return g.grids[which]
}

// still are waves at lags that are not looked for.
type still struct {
	*bench
	waves, filters, left blas64.General
}

// held holds the waves of the station itself, or of its guest, at lags still.
func (b *bench) held(h hearing, lags []float64, ofGuest bool) *still {
	waves := []*wave{&b.tick, &b.turn}
	if ofGuest {
		waves = []*wave{&b.guest.tick, &b.guest.turn}
	}
	if h == steady || h == enveloped {
		waves = waves[:1]
	}
	s := &still{bench: b, waves: b.sampled(lags, waves)}
	s.filters = matmul(s.waves, b.inverse)
	s.left = matmul(s.filters, b.matrix(b.square[0]))
	return s
}

// heldBeside is what still waves have in common with each other and with a grid's.
type heldBeside struct {
	n                            int
	mean                         []float64
	gram, prod, crossed, between blas64.General
}

func (s *still) beside(g *grid) (c heldBeside) {
	if s == nil {
		return c
	}
	c.n = s.waves.Rows
	for i := range c.n {
		c.mean = append(c.mean, dot(s.filters, i, s.bench.mean[0]))
	}
	c.gram, c.prod = matmul(s.filters, s.waves), matmul(s.left, s.filters)
	c.crossed, c.between = matmul(g.filters, s.waves), matmul(g.filters, s.left)
	return c
}

// into puts the still waves first among the outputs.
func (c *heldBeside) into(m *moments, g *matrix) {
	m.d = c.n
	for i := range c.n {
		m.mean[i] = c.mean[i]
		copy(g[i][:], c.gram.Data[i*c.gram.Stride:][:c.n])
		copy(m.prod[i][:], c.prod.Data[i*c.prod.Stride:][:c.n])
	}
}

// across puts in what output x, row i of the grid, has in common with them.
func (c *heldBeside) across(m *moments, g *matrix, x, i int) {
	for y := range c.n {
		gram, prod := c.crossed.Data[i*c.crossed.Stride+y], c.between.Data[i*c.between.Stride+y]
		g[x][y], g[y][x], m.prod[x][y], m.prod[y][x] = gram, gram, prod, prod
	}
}

const (
	// mostGuest is up to how many paths another station's tick is heard on.
	mostGuest = 2
	// mostAlike is how many places of as many paths of both are looked at closely, how many
	// of the other's are tried with the station's own from either side, and how many of both
	// through every chain: a bound on the work.
	mostAlike = 3
)

// together returns places of the station's paths and its guest's about which the
// likelihood of both is greatest, the likeliest first; none where the guest is not heard
// beside the station alone.
func (b *bench) together(h hearing, alone [][]place, p *Priors) []trial {
	turns := h == turning
	own, guests := b.grid(h), b.guestGrid(h)
	besideOwn := func(lags []float64, most int) [][]place {
		return b.among(guests, b.held(h, lags, false), turns, most, p)
	}
	besideGuest := func(lags []float64, most int) [][]place {
		return b.among(own, b.held(h, lags, true), turns, most, p)
	}
	lone := first(alone[:min(mostGuest, len(alone))])
	if lone.lags == nil {
		return nil
	}
	heard := first(besideOwn(lone.lags, 1))
	if heard.lags == nil || p.trust(heard.log, 0)*(heard.log-lone.log) < leastGain {
		return nil
	}
	// From either side: what the one takes for itself at first, it may not give back.
	var sets []place
	for _, guest := range []place{heard, first(b.among(guests, nil, turns, mostGuest, p))} {
		last := math.Inf(-1)
		for range mostTurns {
			q := first(besideGuest(guest.lags, mostGuest))
			if q.lags == nil || q.log <= last {
				break
			}
			last = q.log
			found := besideOwn(q.lags, mostGuest)
			sets = append(sets, slices.Concat(found...)...)
			guest = first(found)
		}
	}
	var all []trial
	for _, set := range likeliest(sets, 2*mostAlike) {
		for _, q := range slices.Concat(besideGuest(set.lags, mostPaths)...) {
			q.beside = set.lags
			all = append(all, trial{bench: b, hearing: h, place: q})
		}
	}
	return all
}

// joined climbs trials of two stations together, and the likeliest of them in all ways in
// which they may be heard, and then those of the station alone that are not far less likely;
// none where the two do not stand.
func joined(joint, alone, ways []trial, still func() standings, p *Priors) (peaks []peak) {
	slices.SortFunc(joint, func(a, b trial) int { return cmp.Compare(b.log, a.log) })
	// The likeliest of each number of paths: on a grid, coarse for strong ticks, further
	// paths make up for what a place is off.
	var leaders, others []trial
	var count [mostPaths][mostGuest]int
	for _, t := range joint {
		n := &count[len(t.lags)-1][len(t.beside)-1]
		if t.guest != joint[0].guest || *n == mostAlike {
			continue
		}
		if *n++; *n == 1 {
			leaders = append(leaders, t)
		} else {
			others = append(others, t)
		}
	}
	// In whatever way any of them shows best.
	var way trial
	most, trust := math.Inf(-1), 1.0
	for _, w := range ways {
		if w.shaper != joint[0].shaper {
			continue
		}
		for _, t := range leaders {
			f := t.about(w.hearing, t.lags, t.beside...).climb(1, p)
			if log := f.gain.log - f.gain.free/2; f.ok && log > most {
				way, most, trust = w, log, p.trust(f.gain.log, f.misfit)
				way.place = t.place
			}
		}
	}
	if way.bench == nil || !way.stands(joint[0].guest, most, alone, still, p) {
		return nil
	}
	look := func(t trial) {
		t.hearing, t.prior = way.hearing, t.prior+math.Log(p.Paths[len(t.lags)-1])
		peaks = t.climb(peaks, trust, p)
	}
	for _, t := range append(leaders, others...) {
		t.prior = way.prior
		look(t)
	}
	slices.SortFunc(peaks, func(a, b peak) int { return cmp.Compare(b.LogWeight, a.LogWeight) })
	for _, k := range peaks[:min(mostAlike, len(peaks))] {
		for _, t := range ways {
			if t.hearing == way.hearing && t.shaper != way.shaper {
				t.bench = t.invite(joint[0].guest.Shape)
				t.lags, t.beside = k.places(t.stack)
				look(t)
			}
		}
	}
	best := slices.MaxFunc(joint, func(a, b trial) int { return cmp.Compare(a.log, b.log) })
	for _, t := range alone {
		if t.counts(trust) && trust*(best.log-t.log) < 2*clearLead {
			b := *t.bench
			b.guest = best.guest // they cost alike
			t.bench = &b
			peaks = t.climb(peaks, trust, p)
		}
	}
	return peaks
}

// stands reports whether two stations' ticks, of which t is the likeliest place with the
// log likelihood most, overlap and are clearly likelier than the station's alone, heard
// alike. Where they do not overlap the one does little to the other.
func (t *trial) stands(g *guest, most float64, alone []trial, still func() standings, p *Priors) bool {
	if apart := math.Abs(t.lags[0] - t.beside[0]); apart > (min(t.shaper.burst(), g.burst())-leastOverlap)*t.stack.rate {
		return false
	}
	explains := func(f *climbed) bool {
		return f.ok && p.trust(most, 0)*(most-f.gain.log+f.gain.free/2) < 2*clearLead
	}
	for _, a := range alone {
		if a.shaper == t.shaper && a.hearing == t.hearing && a.behind < farBehind {
			if f := a.about(a.hearing, a.lags).climb(1, p); explains(&f) {
				return false
			}
		}
	}
	best := still().best
	return !explains(&best)
}

// leastOverlap is for how long two ticks must sound together, s, that the one is fitted with
// the other: a fifth of the shortest (from the recordings of the bench).
const leastOverlap = 1e-3

// places are k's paths' lags after the axis of st, samples, and those of the other station's.
func (k *peak) places(st *stack) (own, beside []float64) {
	own = append(own, k.Lag*st.rate-st.axis.lag)
	for _, e := range k.Excess {
		own = append(own, own[0]+e*st.rate)
	}
	for _, lag := range k.beside {
		beside = append(beside, lag*st.rate-st.axis.lag)
	}
	return own, beside
}

// mostTurns is how often at most the two stations take turns.
const mostTurns = 4

// first is the likeliest of all places.
func first(found [][]place) place {
	best := place{log: math.Inf(-1)}
	for _, places := range found {
		if len(places) > 0 && places[0].log > best.log {
			best = places[0]
		}
	}
	return best
}

// likeliest are the places, each once, that are the likeliest of all.
func likeliest(all []place, most int) []place {
	slices.SortFunc(all, func(a, b place) int { return cmp.Compare(b.log, a.log) })
	all = slices.CompactFunc(all, func(a, b place) bool { return slices.Equal(a.lags, b.lags) })
	return all[:min(most, len(all))]
}

// cost is what the amplitudes' distribution costs that g has fitted. Alone it is what they
// tell of a distribution of which nothing was known. Of two stations' paths the parameters
// are many, and all but the paths' powers follow from how fading works: there it is what
// fitting them gains by chance, half a unit each (Wilks).
func (nr *near) cost(g gain, trust float64) float64 {
	if nr.guest == nil {
		return g.cost
	}
	return trust * g.free / 2
}

// besides are the other stations of which peaks have arrivals.
func besides(peaks []peak) (all []Beside) {
	for _, k := range peaks {
		if k.guestHz == 0 || slices.ContainsFunc(all, func(b Beside) bool { return b.ToneHz == k.guestHz }) {
			continue
		}
		var w, x, y, within, product float64
		for _, o := range peaks {
			if o.guestHz == k.guestHz {
				p, dx, dy := math.Exp(o.LogWeight), o.Lag-k.Lag, o.beside[0]-k.beside[0]
				w, x, y, within, product = w+p, x+p*dx, y+p*dy, within+p*o.shared, product+p*dx*dy
			}
		}
		all = append(all, Beside{k.guestHz, (within + product - x*y/w) / w})
	}
	return all
}
