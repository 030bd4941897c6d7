package longwave

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"timeball/capture/station"
	"timeball/detect/longwave/pulsecode"
	"timeball/detect/rank"
)

// rest is what the marks of the station that a track is taken for leave unexplained. Where
// nobody else keys the carrier, its level and phase change at the edges of each second's mark
// and nowhere else. Another station keys it at places of its own, at the same ones in each
// second, for both keep UTC. What the phase of its changes is tells nothing: either may turn
// over, and what it is measured against holds both.
type rest struct {
	seconds, squares float64 // of fading memory: the sums of weights, and of their squares
	// power is the sum of squared changes of the carrier over the track's level, by place in
	// the second.
	power []float64
}

const (
	// A change is that from one mean of the carrier to the next, each of restWing but for
	// restGap on either side of the place, s, in which it may take place: that of poles of
	// half a millisecond, six time constants. Places are restStep apart.
	restWing, restGap, restStep = 9e-3, 3e-3, 3e-3
	// restClear is how long after and before a mark's own edges the level is at rest, s: ten
	// time constants.
	restClear = 5e-3
	// restMemory is that of the sums, s; from restLeast on they tell.
	restMemory, restLeast = 60, 20
	// restOdds is by how many standard deviations a place must stand out of the median one:
	// of the mean of some tens of squares chance makes so much at some 300 places once in 10³
	// minutes, or seldomer (of an exponential distribution, deviation and mean are alike).
	restOdds = 6
	// A change of the share s somewhere about an edge moves it by up to s time constants of
	// a third of a millisecond: restShare by a quarter of what a fix is good to, 40 us.
	restShare = 0.03
	// No second counts for more than a change of 2·restShare or, in strong noise, than
	// restMost of its median square, which chance exceeds once in 2⁸: lightning must not
	// decide.
	restMost = 8
)

func newRest() rest { return rest{power: make([]float64, int(math.Round(1/restStep)))} }

// add takes the second before a cut's edge, whose own edges are at some times after its
// start, s; level is that of the full carrier.
func (r *rest) add(c *cutter, edges []float64, level float64) {
	sums := make([]complex128, len(c.z)+1)
	for i, z := range c.z {
		sums[i+1] = sums[i] + z
	}
	mean := func(from, to float64) complex128 {
		lo, hi := index(from-1), index(to-1)
		return (sums[hi] - sums[lo]) / complex(float64(hi-lo)*level, 0)
	}
	const reach = restGap + restWing
	var places []int
	var squares []float64
	for i := range r.power {
		at := float64(i) * restStep
		if slices.ContainsFunc(edges, func(e float64) bool { return math.Abs(at-e) < reach+restClear }) {
			continue
		}
		change := mean(at+restGap, at+reach) - mean(at-reach, at-restGap)
		places = append(places, i)
		squares = append(squares, real(change)*real(change)+imag(change)*imag(change))
	}
	median := rank.Median(slices.Clone(squares))
	most := max(restMost*median, 4*restShare*restShare)
	const fade = 1 - 1.0/restMemory
	r.seconds, r.squares = fade*r.seconds+1, fade*fade*r.squares+1
	for i := range r.power {
		r.power[i] *= fade
	}
	for i, at := range places {
		r.power[at] += min(squares[i], most)
	}
}

// told reports whether enough was heard to tell.
func (r *rest) told() bool {
	return r.seconds >= restMemory*(1-math.Exp(-restLeast/float64(restMemory)))
}

// edge is the greatest change that comes again and again: where in the second, s; false where
// there is none.
func (r *rest) edge() (at float64, ok bool) {
	best := floats.MaxIdx(r.power)
	median := rank.Median(slices.Clone(r.power)) / r.seconds
	more := r.power[best]/r.seconds - median
	return float64(best) * restStep, more > max(restOdds*median*math.Sqrt(r.squares)/r.seconds, restShare*restShare)
}

// Crowd is a carrier that another station keys, too.
type Crowd struct {
	Station *station.Station   // the one whose marks are heard
	Others  []*station.Station // that send on the carrier
	ToneHz  float64
	// AtSeconds is how long after the first one's second an edge comes that its code does
	// not have.
	AtSeconds float64
}

// others are stations that send on the carrier of the one that the track is looked at as.
func (t *Track) others() (all []*station.Station) {
	for _, s := range t.input.Table {
		if s.LongWave() && s.ID != t.plan.Station.ID && s.Carriers[0].Hz == t.plan.Carriers[0].Hz {
			all = append(all, s)
		}
	}
	return all
}

// weighRest takes the second before the cut's edge, in which a symbol was sent, and finds
// whether the station is alone on its carrier; nothing of what was heard while it was not may
// be timed.
func (t *Track) weighRest(symbol pulsecode.Symbol) {
	if t.ramps() || len(t.others()) == 0 {
		return
	}
	edges := append([]float64{0, 1}, symbol...)
	if t.plan.Phase.Kind == "wwvb" {
		edges = append(edges, 1+turnAt)
	}
	t.rest.add(t.cutter, edges, t.level)
	t.crowd = nil
	if at, found := t.rest.edge(); found && t.rest.told() {
		t.crowd = &Crowd{ToneHz: t.input.recordedHz(t.hz), AtSeconds: at}
		t.blocks, t.open = nil, nil
	}
}

// alone reports whether no other station is on the carrier, as far as can be told.
func (t *Track) alone() bool {
	return t.crowd == nil && (t.rest.told() || t.ramps() || len(t.others()) == 0)
}

// Crowded is a carrier that more than one station keys; nil: there is none.
func (f *Finder) Crowded() *Crowd {
	for _, t := range f.tracks {
		if s := cmp.Or(t.Station, t.other); s != nil && t.crowd != nil {
			c := *t.crowd
			c.Station, c.Others = s, t.others()
			return &c
		}
	}
	return nil
}
