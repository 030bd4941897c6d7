package rate

import (
	"math"
	"sort"
)

const day = 86400 // s

// unwrap returns the whole offset of each fix, s, fixes being in order of time.
//
// A fix tells the offset up to whole seconds. Where the hands' whole seconds
// are known they are added. Elsewhere the offset is taken that lies nearest to
// the one expected: the fix before it, carried on at the rate between the two
// before it, with the steps made in between. Fixes before the first one with
// known hands are counted from zero and then moved by whole seconds so that
// they join it.
func unwrap(fixes []Fix, adjustments []Adjustment) []float64 {
	steps := stepsMade(adjustments)
	x := make([]float64, len(fixes))
	rate := 0.0 // s/day
	next := 0
	for i, f := range fixes {
		expected := 0.0
		made := 0.0
		renewed := i == 0
		if i > 0 {
			for ; next < len(steps) && !steps[next].At.After(f.At); next++ {
				if steps[next].Kind == Stopped {
					renewed = true
				} else if !steps[next].At.Before(fixes[0].At) {
					made += *steps[next].Step
				}
			}
			expected = x[i-1] + rate*days(fixes[i-1], f) + made
		}
		switch {
		case f.Whole != nil:
			x[i] = float64(*f.Whole) + f.Offset
			if i > 0 && !known(fixes[:i]) {
				turn := math.Round(x[i] - nearest(f.Offset, expected))
				for k := range i {
					x[k] += turn
				}
			}
		case renewed:
			x[i] = f.Offset
		default:
			x[i] = nearest(f.Offset, expected)
		}
		if i > 0 {
			if dt := days(fixes[i-1], f); renewed {
				rate = 0
			} else if dt*day >= 60 { // shorter spans tell nothing of the rate
				rate = (x[i] - x[i-1] - made) / dt
			}
		}
	}
	return x
}

// nearest is offset plus the whole seconds that bring it nearest to expected.
func nearest(offset, expected float64) float64 {
	return offset + math.Round(expected-offset)
}

// known reports whether any fix knows the hands' whole seconds.
func known(fixes []Fix) bool {
	for _, f := range fixes {
		if f.Whole != nil {
			return true
		}
	}
	return false
}

func days(a, b Fix) float64 { return b.At.Sub(a.At).Seconds() / day }

// stepsMade returns steps and stops in order of time.
func stepsMade(adjustments []Adjustment) []Adjustment {
	var steps []Adjustment
	for _, a := range adjustments {
		if a.Kind == StepMade || a.Kind == Stopped {
			steps = append(steps, a)
		}
	}
	sort.SliceStable(steps, func(i, j int) bool { return steps[i].At.Before(steps[j].At) })
	return steps
}
