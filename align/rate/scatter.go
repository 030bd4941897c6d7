package rate

import (
	"math"
	"time"

	"timeball/align/stability"
)

// Scatter is the stability of the clock as the fixes show it.
type Scatter struct {
	// Spacing of the grid, s: the median spacing of the fixes. Filled of Cells
	// hold a fix.
	Spacing       float64
	Cells, Filled int
	Deviations    []stability.Deviation
	// U is the fixes' own typical uncertainty, s, of which stability.Floor
	// makes the noise floor.
	U float64
}

// mostCells bounds the grid; fixes closer together share a cell.
const mostCells = 200000

// Stability computes deviations of the fixes. Steps, trims and ageing as fitted
// and the mean rate are taken out first. Fixes come at uneven times: each is
// carried along the fitted track to the nearest point of a grid of their median
// spacing, those that meet there are averaged, and the points without one are
// left out; nothing is interpolated between fixes. Outliers stay out. Degrees
// of freedom are scaled by the share of terms that are left.
func (f *Fit) Stability() Scatter {
	fixes := make([]*FittedFix, 0, len(f.Fixes))
	gaps, us := make([]float64, 0, len(f.Fixes)), make([]float64, 0, len(f.Fixes))
	for i := range f.Fixes {
		fix := &f.Fixes[i]
		if fix.Outlier {
			continue
		}
		if n := len(fixes); n > 0 {
			if gap := fix.At.Sub(fixes[n-1].At).Seconds(); gap > 0 {
				gaps = append(gaps, gap)
			}
		}
		fixes, us = append(fixes, fix), append(us, math.Sqrt(ownVariance(fix.Fix)))
	}
	var s Scatter
	if len(gaps) == 0 {
		return s
	}
	s.U = median(us)
	span := fixes[len(fixes)-1].At.Sub(fixes[0].At).Seconds()
	s.Spacing = math.Max(median(gaps), span/(mostCells-1))
	s.Cells = int(math.Round(span/s.Spacing)) + 1
	sums, weights := make([]float64, s.Cells), make([]float64, s.Cells)
	rest := f.lessModel()
	for _, fix := range fixes {
		since := fix.At.Sub(fixes[0].At).Seconds()
		cell := int(math.Round(since / s.Spacing))
		t := f.daysTo(fix.At)
		centre := t + (float64(cell)*s.Spacing-since)/day
		x := rest(t, fix.X)
		if centre != t {
			x += rest(centre, f.within(centre).x) - rest(t, f.within(t).x)
		}
		w := 1 / ownVariance(fix.Fix)
		sums[cell], weights[cell] = sums[cell]+w*x, weights[cell]+w
	}
	x := make([]float64, s.Cells)
	for i := range x {
		x[i] = math.NaN()
		if weights[i] > 0 {
			x[i] = sums[i] / weights[i]
			s.Filled++
		}
	}
	removeLine(x)
	factors := stability.Factors(len(x))
	noises := make([]stability.Noise, len(factors))
	for i, m := range factors {
		noises[i] = f.Noise.at(float64(m)*s.Spacing/day, s.U*s.U)
	}
	s.Deviations = stability.TableOf(x, s.Spacing, stability.Kinds, factors, noises)
	return s
}

// removeLine takes the mean rate out, so that a mean over a span with holes
// does not depend on where in the span they are.
func removeLine(x []float64) {
	t, known := make([]float64, 0, len(x)), make([]float64, 0, len(x))
	for i, v := range x {
		if v == v {
			t, known = append(t, float64(i)), append(known, v)
		}
	}
	slope, intercept := straightLine(t, known)
	for i := range x {
		x[i] -= intercept + slope*float64(i)
	}
}

// lessModel returns a function that takes steps, trims and ageing as fitted
// out of an offset at t days.
func (f *Fit) lessModel() func(t, x float64) float64 {
	type change struct{ t, step, trim float64 }
	var changes []change
	for _, c := range f.Changes {
		changes = append(changes, change{f.daysTo(c.At), c.Step, c.Trim * day})
	}
	ageing := f.Ageing * day
	return func(t, x float64) float64 {
		x -= ageing * t * t / 2
		for _, c := range changes {
			if t < c.t {
				break
			}
			x -= c.step + c.trim*(t-c.t)
		}
		return x
	}
}

// NoiseAt names the noise that has the largest share of the fitted Allan
// variance at averaging time tau.
func (f *Fit) NoiseAt(tau time.Duration) stability.Noise {
	us := make([]float64, len(f.Fixes))
	for i := range f.Fixes {
		us[i] = ownVariance(f.Fixes[i].Fix)
	}
	return f.Noise.at(tau.Hours()/24, median(us))
}

// at names the strongest noise at t days, v being the fixes' own variance, s²
// (IEEE Std 1139: 3 x²/tau² for white phase, a straight share for white
// frequency and one that grows with tau for its random walk).
func (p Powers) at(t, v float64) stability.Noise {
	phase := 3 * (v + square(p.ExtraU)) / square(t*day)
	white, walk := square(p.White)/t, square(p.Walk)*t
	switch {
	case phase >= white && phase >= walk:
		return stability.WhitePM
	case white >= walk:
		return stability.WhiteFM
	default:
		return stability.RandomWalkFM
	}
}

// Span is the length of the record.
func (f *Fit) Span() time.Duration { return f.Epoch.Sub(f.start) }

// Start is the time of the first fix.
func (f *Fit) Start() time.Time { return f.start }
