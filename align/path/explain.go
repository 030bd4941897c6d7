package path

import (
	"math"
)

// Heard is one of the arrivals a recording tells apart, in their order.
type Heard struct {
	Excess  float64 // after the first, s; the first's own is 0
	U       float64 // standard uncertainty of the excess, s
	LevelDB float64 // over the strongest, or any other
}

const (
	// A spurious arrival (an echo, the two magneto-ionic rays of another mode, a
	// fault of the finder) comes in one recording of twenty, anywhere within 20 ms
	// and over 20 dB; per second and dB. A level strays by 8 dB from its median.
	// Judgement.
	strayDensity = 0.05 / 20e-3 / 20
	uHeardDB     = 8
	// Scattered sideways, all of a recording's arrivals come late: how often, and
	// by how much in the mean (judgement).
	lateShare, lateBy = 0.05, 0.7e-3
	// negligible is the share below which a possibility is dropped.
	negligible = 1e-4
)

// lateParts are the exponential distribution in three equally likely parts: mean
// and standard deviation of each, of its mean.
var lateParts = [...]struct{ mean, u float64 }{{0.189, 0.117}, {0.712, 0.197}, {2.099, 1}}

// possibility is one reading of what was heard on one day: the delay of the
// earliest arrival would be mean, to u.
type possibility struct {
	weight, mean, u float64
	first           kind
	late            bool
	strays          int    // arrivals that belong to no mode
	taken           []kind // modes of the arrivals; a stray's is its zero value's scatter
}

// explain gives the readings of the arrivals heard when all ways could bring
// one; weights are likelihoods. Without arrivals it tells which may be the first.
func explain(all []arriving, heard []Heard) []possibility {
	out := firsts(all)
	if len(heard) > 0 {
		out = matches(all, heard)
	}
	for _, p := range out[:len(out):len(out)] {
		if p.first.hops() == 0 && !p.first.scatter {
			continue // the ground wave comes straight
		}
		for _, part := range lateParts {
			l := p
			l.late, l.weight = true, p.weight*lateShare/float64(len(lateParts))
			l.mean, l.u = p.mean+part.mean*lateBy, math.Hypot(p.u, part.u*lateBy)
			out = append(out, l)
		}
	}
	return out
}

// firsts: a way brings the earliest arrival when it is seen and none before is.
func firsts(all []arriving) []possibility {
	var out []possibility
	left := 1.0
	for _, a := range all {
		if w := left * a.seen; w > negligible {
			out = append(out, possibility{weight: w, mean: a.delay, u: a.u, first: a.kind})
		}
		left *= 1 - a.seen
	}
	return out
}

// matches lists the assignments of arrivals to ways that keep the order: a way
// may be missed, an arrival may be a stray, but not all.
func matches(all []arriving, heard []Heard) []possibility {
	strongest := math.Inf(-1)
	for _, h := range heard {
		strongest = max(strongest, h.LevelDB)
	}
	var out []possibility
	best := 0.0
	taken := make([]kind, len(heard))
	// What the hits so far say of the earliest arrival's delay: mean and variance.
	var next func(way, arrival int, weight, mean, variance float64, hits int)
	next = func(way, arrival int, weight, mean, variance float64, hits int) {
		if weight < negligible*best || weight == 0 {
			return
		}
		if arrival == len(heard) {
			for _, a := range all[way:] {
				weight *= 1 - a.seen
			}
			if hits == 0 {
				return
			}
			best = max(best, weight)
			p := possibility{weight: weight, mean: mean, u: math.Sqrt(variance), strays: len(heard) - hits}
			p.taken = append(p.taken, taken...)
			for _, k := range taken {
				if k != stray {
					p.first = k
					break
				}
			}
			out = append(out, p)
			return
		}
		h := heard[arrival]
		missed := 1.0
		for m := way; m < len(all); m++ {
			a := &all[m]
			taken[arrival] = a.kind
			off := (h.LevelDB - strongest) - min(a.levelDB, 0)
			w := weight * missed * a.seen * math.Exp(-off*off/(2*uHeardDB*uHeardDB)) / (uHeardDB * math.Sqrt(2*math.Pi))
			first, v := a.delay-h.Excess, a.u*a.u+h.U*h.U
			if hits == 0 {
				next(m+1, arrival+1, w, first, v, 1)
			} else {
				total := variance + v
				d := first - mean
				w *= math.Exp(-d*d/(2*total)) / math.Sqrt(2*math.Pi*total)
				next(m+1, arrival+1, w, mean+d*variance/total, variance*v/total, hits+1)
			}
			missed *= 1 - a.seen
		}
		taken[arrival] = stray
		next(way, arrival+1, weight*strayDensity, mean, variance, hits)
	}
	next(0, 0, 1, 0, 0, 0)
	return out
}

// stray stands for the mode of an arrival that has none.
var stray = kind{scatter: true, high: true}
