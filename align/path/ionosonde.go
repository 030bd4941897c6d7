package path

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"timeball/align/path/ionosphere"
)

// Ionogram is what an ionosonde measured of the F2 layer overhead.
type Ionogram struct {
	Time   time.Time // zero: when the path is asked for
	At     LatLon
	FoF2Hz float64 // 0: not measured
	// HmF2M is the height of the peak in metres, and MUF3000Hz the MUF for 3000 km;
	// either tells the height. 0: not measured.
	HmF2M, MUF3000Hz float64
}

// Standard uncertainties of scaled values, passing disturbances aside: common
// practice for automatic scaling checked by a person.
const uMeasuredFoF2, uMeasuredHeightM = 0.04, 10e3

// A correlation that falls exponentially with time is Markov's: with a measurement at
// hand those beyond it tell nothing more of the field, and only help to average the
// errors of measurement, which from one ionogram to the next are alike. So of each
// series the nearbyIonograms before and as many after a time count (judgement); after
// staleIonogram, four times the field's correlation time, none does.
const (
	nearbyIonograms = 4
	staleIonogram   = 24 * time.Hour
)

// NearIonograms are those of all that bear on the ionosphere at some of the times; one
// without a time is of the first.
func NearIonograms(all []Ionogram, times ...time.Time) []Ionogram {
	all = slices.Clone(all)
	for i := range all {
		if all[i].Time.IsZero() {
			all[i].Time = times[0]
		}
	}
	slices.SortStableFunc(all, func(a, b Ionogram) int { return a.Time.Compare(b.Time) })
	near := make([]bool, len(all))
	for _, t := range times {
		after, _ := slices.BinarySearchFunc(all, t, func(g Ionogram, t time.Time) int { return g.Time.Compare(t) })
		for i := max(0, after-nearbyIonograms); i < min(len(all), after+nearbyIonograms); i++ {
			near[i] = near[i] || all[i].Time.Sub(t).Abs() <= staleIonogram
		}
	}
	var out []Ionogram
	for i, g := range all {
		if near[i] {
			out = append(out, g)
		}
	}
	return out
}

// observe adds the ionograms near the times to the places of a weather about to be made.
func observe(over []*overhead, ionograms []Ionogram, now func(time.Time) instant, times ...time.Time) ([]*overhead, []observed) {
	var all []observed
	for _, g := range NearIonograms(ionograms, times...) {
		all = append(all, observed{g, len(over)})
		over = append(over, newOverhead(ionosphere.NewPlace(g.At), now(g.Time)))
	}
	return over, all
}

// observed is an ionogram at one of the weather's places.
type observed struct {
	Ionogram
	place int
}

// stray is what an ionogram says of a field in standard deviations on a day of the
// given sunspot number and scale, and to what u.
func (o observed) stray(w *weather, quantity int, r12, wide float64) (y, u float64, ok bool) {
	h := w.over[o.place]
	beyond := min(r12, 160) - min(w.r12, 160)
	foF2 := o.FoF2Hz
	if foF2 == 0 {
		foF2 = max(h.foF2Hz+h.perFoF2*beyond, 1e6)
	}
	switch quantity {
	case strayFoF2:
		if o.FoF2Hz == 0 {
			return 0, 0, false
		}
		d := math.Log(foF2 / max(h.foF2Hz+h.perFoF2*beyond, 1e6))
		s := h.high
		if d < 0 {
			s = h.low
		}
		return d / (s * wide), math.Hypot(uMeasuredFoF2, uPassingFoF2) / (s * wide), true
	case strayM3000:
		var m, um float64
		switch {
		case o.HmF2M > 0:
			factor := 1490e3 / (o.HmF2M + 176e3)
			m = factor - peakTerm(foF2/h.foEHz, r12)
			um = factor / (o.HmF2M + 176e3) * math.Hypot(uMeasuredHeightM, uPassingHeightM)
		case o.MUF3000Hz > 0:
			m = o.MUF3000Hz / foF2
			um = m * uMeasuredFoF2
		default:
			return 0, 0, false
		}
		return (m - max(h.m3000+h.perM3000*beyond, 2)) / (uM3000 * wide), um / (uM3000 * wide), true
	}
	return 0, 0, false
}

// furthest is how far the ionogram that strays most does so.
func (w *weather) furthest() (most float64) {
	for _, o := range w.observed {
		for _, quantity := range [...]int{strayFoF2, strayM3000} {
			if y, _, ok := o.stray(w, quantity, w.r12, 1); ok {
				most = max(most, math.Abs(y))
			}
		}
	}
	return most
}

// told bends a draw towards what ionosondes measured, by their correlation with it
// (conditional simulation: G. Matheron 1973, Adv. Appl. Prob. 5, 439-468). The
// draw's last elements are the measurements' own errors.
func (w *weather) told(z []float64) []float64 {
	if len(w.observed) == 0 {
		return z
	}
	n := len(w.over)
	r12, wide := w.sunspots(z), scale(z)
	errors := z[globals+fields*n:]
	out := append([]float64(nil), z...)
	for q, quantity := range [...]int{strayFoF2, strayM3000} {
		var rows [][]float64
		var residual, variance []float64
		for i, o := range w.observed {
			y, u, ok := o.stray(w, quantity, r12, wide)
			if !ok {
				continue
			}
			rows = append(rows, w.day[o.place])
			residual = append(residual, y-w.field(z, quantity, o.place)-u*errors[q*len(w.observed)+i])
			variance = append(variance, u*u)
		}
		for i, a := range solve(rows, variance, residual) {
			for j, v := range rows[i] {
				out[globals+quantity*n+j] += a * v
			}
		}
	}
	return out
}

// solve finds x of (R·Rᵀ + diag(variance))·x = y, whose rows may differ in length.
func solve(rows [][]float64, variance, y []float64) []float64 {
	l := make(triangle, len(rows))
	for i := range rows {
		l[i] = make([]float64, i+1)
		for j := range l[i] {
			sum := 0.0
			for k := range min(len(rows[i]), len(rows[j])) {
				sum += rows[i][k] * rows[j][k]
			}
			if i == j {
				sum += variance[i]
			}
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(sum)
			} else {
				l[i][j] = sum / l[j][j]
			}
		}
	}
	x := append([]float64(nil), y...)
	for i := range x {
		for k := range i {
			x[i] -= l[i][k] * x[k]
		}
		x[i] /= l[i][i]
	}
	for i := len(x) - 1; i >= 0; i-- {
		for k := i + 1; k < len(x); k++ {
			x[i] -= l[k][i] * x[k]
		}
		x[i] /= l[i][i]
	}
	return x
}

// Check finds what no ionosphere has.
func (g Ionogram) Check() error {
	switch m := g.MUF3000Hz / g.FoF2Hz; {
	case g.FoF2Hz != 0 && !(g.FoF2Hz >= 0.5e6 && g.FoF2Hz <= 30e6):
		return fmt.Errorf("foF2 of %g MHz: it lies between 0.5 and 30 MHz", g.FoF2Hz/1e6)
	case g.HmF2M != 0 && !(g.HmF2M >= 150e3 && g.HmF2M <= 700e3):
		return fmt.Errorf("hmF2 of %g km: it lies between 150 and 700 km", g.HmF2M/1e3)
	case g.MUF3000Hz != 0 && g.FoF2Hz == 0:
		return errors.New("a MUF for 3000 km tells the height only beside foF2")
	case g.MUF3000Hz != 0 && !(m >= 1.8 && m <= 5):
		return fmt.Errorf("a MUF for 3000 km of %g MHz: it is 1.8 to 5 times foF2", g.MUF3000Hz/1e6)
	case g.MUF3000Hz != 0 && g.HmF2M != 0:
		return errors.New("height and MUF for 3000 km: give one of them")
	}
	return nil
}
