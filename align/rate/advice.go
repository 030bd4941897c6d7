package rate

import (
	"math"
	"time"
)

// Coverage is the factor from a standard uncertainty to a 95 % half-width.
const Coverage = 2

// horizon is how far ahead dates are looked for.
const horizon = 10 * 365 * 24 * time.Hour

// DialUse is what one division of the trimmer's dial does.
type DialUse struct {
	Division float64 // change of rate by one division clockwise; 0: not known
	U        float64
	Trims    int // logged trims that it was learnt from
}

// LearnDial combines what the keeper said one division does (the last Dial
// adjustment) with the change of rate seen at each trim that was logged with
// its divisions: the weighted mean of rate change over divisions.
func LearnDial(adjustments []Adjustment, fit *Fit) DialUse {
	var sum, weights float64
	var use DialUse
	if division, u := statedDial(adjustments); division != 0 {
		sum, weights = division/(u*u), 1/(u*u)
	}
	for _, c := range fit.Changes {
		if c.Found || c.Kind != Trimmed || c.Divisions == nil || *c.Divisions == 0 || math.IsInf(c.USeen, 1) {
			continue
		}
		w := square(*c.Divisions / c.USeen)
		sum, weights = sum + w*c.Seen / *c.Divisions, weights+w
		use.Trims++
	}
	if weights == 0 {
		return DialUse{}
	}
	use.Division, use.U = sum/weights, 1/math.Sqrt(weights)
	return use
}

// Advice is what to do about the clock. A nil date: not within ten years.
type Advice struct {
	// Now is the time advised for, no earlier than the last fix; Offset is what the clock is
	// expected to be off by then, with its standard uncertainty.
	Now             time.Time
	Offset, UOffset float64
	// Leaves is when the expected offset leaves ± the tolerance, LeavesEarliest
	// when its 95 % band first does; Now when it already has.
	Leaves, LeavesEarliest *time.Time
	// Trim brings the rate to nothing, U is its standard uncertainty; negative:
	// lower the frequency. TrimForSpan makes the offset end where it begins
	// after Span, ageing included: the rate is set to -ageing*Span/2.
	Trim, UTrim float64
	TrimForSpan float64
	Span        time.Duration
	// Worthwhile reports whether the rate differs from nothing by more than its
	// 95 % half-width: otherwise a trim would chase the noise.
	Worthwhile bool
	Dial       DialUse
	// Divisions to turn for Trim, positive clockwise; 0 when the dial is not
	// known well enough.
	Divisions, UDivisions float64
	// Next is when an attempt is worth making, and NextBecause why.
	Next        time.Time
	NextBecause string
}

// Advise works out dates and trims as of now, for a tolerance, s, and a span of
// service between trims; no date lies in the past. An attempt is worth making as soon as the forecast has become
// as uncertain as one typical fix, for then the fix halves the variance; and no
// later than when the band first leaves the tolerance, unless it is outside already.
func Advise(fit *Fit, adjustments []Adjustment, tolerance float64, span time.Duration, now time.Time) Advice {
	a := Advice{Span: span, Trim: -fit.Y, UTrim: fit.UY, Dial: LearnDial(adjustments, fit),
		Worthwhile: math.Abs(fit.Y) > Coverage*fit.UY}
	a.Now = now
	if now.Before(fit.Epoch) {
		a.Now = fit.Epoch
	}
	a.Offset, a.UOffset = fit.Forecast(a.Now)
	a.TrimForSpan = -fit.Y - fit.Ageing*span.Hours()/24/2
	if d := a.Dial; d.Division != 0 && math.Abs(d.Division) > Coverage*d.U {
		a.Divisions = a.Trim / d.Division
		a.UDivisions = math.Hypot(a.UTrim/d.Division, a.Divisions*d.U/d.Division)
	}
	a.Leaves = fit.first(a.Now, func(x, _ float64) bool { return math.Abs(x) > tolerance })
	a.LeavesEarliest = fit.first(a.Now, func(x, u float64) bool { return math.Abs(x)+Coverage*u > tolerance })
	var us []float64
	for _, f := range fit.Fixes {
		if !f.Outlier {
			us = append(us, math.Hypot(math.Sqrt(ownVariance(f.Fix)), fit.Noise.ExtraU))
		}
	}
	typical := median(us)
	worth := fit.first(a.Now, func(_, u float64) bool { return u*u-square(fit.UCommon) >= typical*typical })
	a.Next, a.NextBecause = a.Now.Add(horizon), "one fix adds little for years"
	if worth != nil {
		a.Next, a.NextBecause = *worth, "the forecast is then as uncertain as one fix"
	}
	if a.LeavesEarliest != nil && a.LeavesEarliest.After(a.Now) && a.LeavesEarliest.Before(a.Next) {
		a.Next, a.NextBecause = *a.LeavesEarliest, "the offset may then leave the tolerance"
	}
	return a
}

// first is the first instant from a time on, to the hour, at which the forecast
// fulfils a condition, looked for in steps of a sixty-fourth of the time ahead;
// nil: never within the horizon.
func (f *Fit) first(from time.Time, holds func(x, u float64) bool) *time.Time {
	at := from
	for before := at; at.Sub(from) <= horizon; before, at = at, at.Add(max(time.Hour, at.Sub(from)/64)) {
		if x, u := f.Forecast(at); !holds(x, u) {
			continue
		}
		for at.Sub(before) > time.Hour {
			middle := before.Add(at.Sub(before) / 2)
			if x, u := f.Forecast(middle); holds(x, u) {
				at = middle
			} else {
				before = middle
			}
		}
		return &at
	}
	return nil
}
