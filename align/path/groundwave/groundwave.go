// Package groundwave gives the delay and the field of a wave that follows the
// ground, at frequencies of tens to hundreds of kilohertz, where it is the way by
// which a time signal is known best.
//
// The wave is later than light over the same distance by the phase of the
// attenuation function, which depends on the ground's conductivity and
// permittivity. The function is the residue series of diffraction by a sphere (Wait;
// NTIA Report 99-368, eq. 26), the effective radius standing for the air's index
// of refraction that falls with height.
package groundwave

import (
	"fmt"
	"math"
	"math/cmplx"
	"strconv"
	"strings"
	"sync"
)

// Ground is a kind of ground. Values by kind: Rec. ITU-R P.832 and P.527, rounded.
type Ground struct {
	Conductivity float64 // S/m
	Permittivity float64 // relative
}

var (
	Sea  = Ground{5, 70}
	Wet  = Ground{0.01, 40}
	Land = Ground{0.003, 22}
	Dry  = Ground{0.001, 15}
)

const (
	lightMPerS = 299792458
	// Index is that of the air at the ground (Rec. ITU-R P.368 takes 1.000315).
	Index = 1.000315
	// effectiveRadius is the earth's at long wave, where the air of P.368 bends less
	// than at high frequencies: 1.25 times the true one reproduces the United States
	// Coast Guard's polynomial for 100 kHz over sea within 0.02 us to 1400 km.
	effectiveRadius    = 1.25 * 6371e3
	vacuumPermittivity = 8.8541878128e-12 // F/m
	// nearest is the least distance at which the series converges with its terms, m.
	nearest = 50e3
	terms   = 160
)

// Wave is a ground wave of one frequency over one kind of ground.
type Wave struct {
	hz    float64
	scale float64 // (k·a/2)^(1/3)
	q2    complex128
	roots []complex128 // t_s of w1'(t) = q·w1(t)
}

// waves are those made so far: their roots are the costly part, and the stations'
// frequencies few.
var waves sync.Map

// New returns the wave of a frequency over ground g.
func New(hz float64, g Ground) *Wave {
	type key struct {
		hz float64
		g  Ground
	}
	if w, known := waves.Load(key{hz, g}); known {
		return w.(*Wave)
	}
	w := newWave(hz, g)
	waves.Store(key{hz, g}, w)
	return w
}

func newWave(hz float64, g Ground) *Wave {
	k := 2 * math.Pi * hz / lightMPerS
	w := &Wave{hz: hz, scale: math.Cbrt(k * effectiveRadius / 2)}
	eta := complex(g.Permittivity, -g.Conductivity/(2*math.Pi*hz*vacuumPermittivity))
	q := complex(0, -w.scale) * cmplx.Sqrt(eta-1) / eta
	w.q2 = q * q
	for s := 1; s <= terms; s++ {
		w.roots = append(w.roots, root(s, q))
	}
	return w
}

// root follows the s-th root from q = 0, where it is a zero of the derivative of
// Airy's function, by dt/dq = 1/(t − q²) (Runge and Kutta's fourth order).
func root(s int, q complex128) complex128 {
	z := 3 * math.Pi * float64(4*s-3) / 8 // Abramowitz and Stegun 10.4.95
	zero := math.Pow(z, 2.0/3) * (1 - 7/(48*z*z) + 35/(288*math.Pow(z, 4)))
	if s == 1 {
		zero = 1.0187929716 // table 10.13
	}
	t := cmplx.Rect(zero, -math.Pi/3)
	const steps = 60
	h := q / steps
	slope := func(t, q complex128) complex128 { return 1 / (t - q*q) }
	for i := range steps {
		at := h * complex(float64(i), 0)
		k1 := slope(t, at)
		k2 := slope(t+h/2*k1, at+h/2)
		k3 := slope(t+h/2*k2, at+h/2)
		k4 := slope(t+h*k3, at+h)
		t += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
	}
	return t
}

// attenuation is the field over that of a perfectly conducting plane.
func (w *Wave) attenuation(distanceM float64) complex128 {
	x := w.scale * distanceM / effectiveRadius
	var sum complex128
	for _, t := range w.roots {
		sum += cmplx.Exp(complex(0, -x)*t) / (t - w.q2)
	}
	return cmplx.Rect(math.Sqrt(math.Pi*x), -math.Pi/4) * sum
}

// PhaseSecondary is by how much the carrier's phase is later than that of light in
// air over the distance, s.
func (w *Wave) PhaseSecondary(distanceM float64) float64 {
	if distanceM < nearest {
		// It begins with the root of the distance (Norton).
		return w.PhaseSecondary(nearest) * math.Sqrt(max(0, distanceM)/nearest)
	}
	// The phase falls steadily with distance; it is followed over whole turns.
	const stride = 250e3
	phase := cmplx.Phase(w.attenuation(nearest))
	for d := nearest; d < distanceM; {
		d = min(d+stride, distanceM)
		phase += math.Remainder(cmplx.Phase(w.attenuation(d))-phase, 2*math.Pi)
	}
	return -phase / (2 * math.Pi * w.hz)
}

// FieldDB is the field for 1 kW radiated by a short vertical antenna, dB over
// 1 uV/m.
func (w *Wave) FieldDB(distanceM float64) float64 {
	return 20 * math.Log10(3e5/(distanceM/1e3)*cmplx.Abs(w.attenuation(max(nearest, distanceM))))
}

// groupSecondary is by how much an edge of the carrier's level is later than light
// in air over the distance, s.
func groupSecondary(hz, distanceM float64, g Ground) float64 {
	const step = 0.01
	lo, hi := hz*(1-step), hz*(1+step)
	// d(ω·delay)/dω
	return (hi*New(hi, g).PhaseSecondary(distanceM) - lo*New(lo, g).PhaseSecondary(distanceM)) / (hi - lo)
}

// Mix says which kinds of ground lie under a path, by their shares of it.
type Mix []Share

// Share is one kind's, 0 to 1.
type Share struct {
	Ground
	Share float64
}

// AnyLand is what land is when nobody has said: 1 to 10 mS/m as in most of Rec. ITU-R
// P.832's map (from memory).
var AnyLand = Mix{{Wet, 1.0 / 4}, {Land, 1.0 / 2}, {Dry, 1.0 / 4}}

// WithSea is the mix with a share of sea beside it.
func (m Mix) WithSea(share float64) Mix {
	all := Mix{{Sea, share}}
	for _, s := range m {
		all = append(all, Share{s.Ground, s.Share * (1 - share)})
	}
	return all
}

// Delay is that of an edge of the carrier's level from antenna to antenna, the
// group delay, s, by the mean of the kinds of ground under the path.
func (m Mix) Delay(hz, distanceM float64) float64 {
	d := distanceM * Index / lightMPerS
	for _, s := range m {
		d += s.Share * groupSecondary(hz, distanceM, s.Ground)
	}
	return d
}

// Spread is the standard deviation of that delay, s, if the path were all of one
// kind and the shares were the chances of the kinds.
func (m Mix) Spread(hz, distanceM float64) float64 {
	var sum, squares float64
	for _, s := range m {
		d := groupSecondary(hz, distanceM, s.Ground)
		sum += s.Share * d
		squares += s.Share * d * d
	}
	return math.Sqrt(max(0, squares-sum*sum))
}

// FieldDB is the mean of the kinds' fields, see Wave.FieldDB.
func (m Mix) FieldDB(hz, distanceM float64) float64 {
	db := 0.0
	for _, s := range m {
		db += s.Share * New(hz, s.Ground).FieldDB(distanceM)
	}
	return db
}

// Parse reads a kind of ground, sea, wet, land or dry, or several with their
// parts, as "sea:1,land:3".
func Parse(text string) (Mix, error) {
	kinds := map[string]Ground{"sea": Sea, "wet": Wet, "land": Land, "dry": Dry}
	var m Mix
	total := 0.0
	for item := range strings.SplitSeq(text, ",") {
		name, part, given := strings.Cut(strings.TrimSpace(item), ":")
		g, ok := kinds[name]
		share := 1.0
		if given {
			var err error
			share, err = strconv.ParseFloat(part, 64)
			ok = ok && err == nil && share > 0 && !math.IsInf(share, 1)
		}
		if !ok {
			return nil, fmt.Errorf("%q is no kind of ground: write sea, wet, land or dry, or parts of them such as sea:1,land:3", item)
		}
		m = append(m, Share{g, share})
		total += share
	}
	for i := range m {
		m[i].Share /= total
	}
	return m, nil
}
