package rate

import (
	"math"
	"slices"
	"time"
)

// Disagreement is a day on which stations said different things of the clock.
type Disagreement struct {
	Day      time.Time // its start, UTC
	Stations []string  // in order of time
	Entries  []int64   // the fixes' entry numbers
	// Apart is the greatest difference between two stations' offsets, s, and U its
	// standard uncertainty by what the fixes state.
	Apart, U float64
	// Widened is the factor on the uncertainties of the day's fixes.
	Widened float64
}

// Analyse fits a clock's history. Fixes must be in order of time. Fixes of one
// UTC day by different stations check each other: when they disagree by more than
// their uncertainties allow, they count for less, all of them, for nobody can
// tell which is wrong. What stations differ by in the long run is taken out.
func Analyse(fixes []Fix, adjustments []Adjustment) (*Fit, error) {
	fit, err := analyse(fixes, adjustments)
	if err != nil {
		return nil, err
	}
	days := fit.disagreements(adjustments)
	if len(days) > 0 {
		widened := map[int64]float64{}
		for _, d := range days {
			for _, id := range d.Entries {
				widened[id] = d.Widened
			}
		}
		fixes = slices.Clone(fixes)
		for i := range fixes {
			f := &fixes[i]
			if by, ok := widened[f.ID]; ok {
				f.U = math.Sqrt(square(f.UCommon) + square(by)*ownVariance(*f))
			}
		}
		if fit, err = analyse(fixes, adjustments); err != nil {
			return nil, err
		}
	}
	if even := fit.withoutBiases(fixes); even != nil {
		if fit, err = analyse(even, adjustments); err != nil {
			return nil, err
		}
	}
	fit.Disagreements = days
	return fit, nil
}

// disagreements compares the stations of each day between adjustments.
func (f *Fit) disagreements(adjustments []Adjustment) []Disagreement {
	var days []Disagreement
	for from := 0; from < len(f.Fixes); {
		day := f.Fixes[from].At.UTC().Truncate(24 * time.Hour)
		to := from + 1
		for to < len(f.Fixes) && f.Fixes[to].At.Before(day.Add(24*time.Hour)) && !changedBetween(adjustments, f.Fixes[to-1].At, f.Fixes[to].At) {
			to++
		}
		if d, ok := f.disagreement(f.Fixes[from:to]); ok {
			d.Day = day
			days = append(days, d)
		}
		from = to
	}
	return days
}

// changedBetween reports whether something was done to the clock.
func changedBetween(adjustments []Adjustment, from, to time.Time) bool {
	return slices.ContainsFunc(adjustments, func(a Adjustment) bool {
		changes := a.Kind == StepMade || a.Kind == Trimmed || a.Kind == Stopped || a.Kind == Moved
		return changes && !a.At.Before(from) && a.At.Before(to)
	})
}

// said is what one station, or several heard together, said of the clock on a
// day.
type said struct {
	stations          string
	sum, weight, best float64 // best is the least variance of a fix
}

// disagreement tests whether the stations of some fixes, close in time, agree.
// The clock's own rate is taken out, and its frequency noise is granted.
func (f *Fit) disagreement(fixes []FittedFix) (d Disagreement, found bool) {
	var all []said
	first, last := fixes[0], fixes[len(fixes)-1]
	middle := (f.daysTo(first.At) + f.daysTo(last.At)) / 2
	y := f.within(middle).y
	for _, fix := range fixes {
		if fix.Stations == "" {
			continue
		}
		d.Entries = append(d.Entries, fix.ID)
		i := slices.IndexFunc(all, func(s said) bool { return s.stations == fix.Stations })
		if i < 0 {
			i = len(all)
			all = append(all, said{stations: fix.Stations, best: math.Inf(1)})
			d.Stations = append(d.Stations, fix.Stations)
		}
		s, v := &all[i], ownVariance(fix.Fix)
		s.sum += (fix.X - first.X - y*(f.daysTo(fix.At)-middle)) / v
		s.weight += 1 / v
		s.best = math.Min(s.best, v)
	}
	if len(all) < 2 {
		return d, false
	}
	wander := square(f.Noise.White*day) * last.At.Sub(first.At).Hours() / 24 / 2
	var sum, weight float64
	for _, s := range all {
		// A station's fixes share its path and do not average it away.
		v := s.best + wander
		sum, weight = sum+s.sum/s.weight/v, weight+1/v
	}
	chi2 := 0.0
	for i, s := range all {
		x, v := s.sum/s.weight, s.best+wander
		chi2 += square(x-sum/weight) / v
		for _, o := range all[:i] {
			if apart := math.Abs(x - o.sum/o.weight); apart >= d.Apart {
				d.Apart, d.U = apart, math.Sqrt(v+o.best+wander)
			}
		}
	}
	n := float64(len(all) - 1)
	d.Widened = math.Sqrt(chi2 / n)
	return d, chi2 > n*(1+2*math.Sqrt(2/n)) // two standard deviations of chi-squared
}
