package text

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"timeball/align"
	"timeball/align/rate"
	"timeball/align/stability"
)

// Rate is what rate has to say of a clock in the logbook.
type Rate struct {
	Clock       string
	Fit         *rate.Fit
	Scatter     rate.Scatter
	Adjustments []rate.Adjustment
	Tolerance   float64          // s
	Kinds       []stability.Kind // of deviation that are shown; none: all
	Advice      rate.Advice
	Forecast    []Forecast
}

// Forecast is one expected offset, s, with its standard uncertainty.
type Forecast struct {
	At     time.Time `json:"at"`
	Offset float64   `json:"offset_s"`
	U      float64   `json:"u_s"`
}

func (r *Rate) ForecastFor(at time.Time) {
	x, u := r.Fit.Forecast(at)
	r.Forecast = append(r.Forecast, Forecast{at, x, u})
}

// Noise names the noise that matters at a quarter of the record.
func (r *Rate) Noise() stability.Noise { return r.Fit.NoiseAt(r.Fit.Span() / 4) }

// Outliers are the fixes that were weighted down and named.
func (r *Rate) Outliers() []rate.FittedFix {
	var list []rate.FittedFix
	for _, f := range r.Fit.Fixes {
		if f.Outlier {
			list = append(list, f)
		}
	}
	return list
}

// Floor is what the fixes' own noise gives for a deviation.
func (r *Rate) Floor(d stability.Deviation) float64 {
	return stability.Floor(d.Kind, r.Scatter.U, r.Scatter.Spacing, d.M)
}

// Deviations are those of the kinds that are shown.
func (r *Rate) Deviations() []stability.Deviation { return OfKinds(r.Scatter.Deviations, r.Kinds) }

// OfKinds picks the deviations of some kinds; no kind: all.
func OfKinds(all []stability.Deviation, kinds []stability.Kind) []stability.Deviation {
	if len(kinds) == 0 {
		return all
	}
	var some []stability.Deviation
	for _, d := range all {
		if slices.Contains(kinds, d.Kind) {
			some = append(some, d)
		}
	}
	return some
}

// Findings are the sentences of the result, for the text and for the report.
func (r *Rate) Findings() []string {
	f, a := r.Fit, r.Advice
	list := []string{
		fmt.Sprintf("At the last fix, %s UTC, the clock was %s.", Date(f.Epoch), offBy(f.Offset, rate.Coverage*f.UOffset)),
		fmt.Sprintf("It %s.", Gaining(f.Y, rate.Coverage*f.UY)),
	}
	if a.Now.After(f.Epoch) {
		list = append(list, fmt.Sprintf("Now, %s UTC, it is expected to be %s.", Date(a.Now), offBy(a.Offset, rate.Coverage*a.UOffset)))
	}
	ageing := fmt.Sprintf("Its ageing is %s a day", Ratio(f.Ageing, rate.Coverage*f.UAgeing))
	if math.Abs(f.Ageing) < rate.Coverage*f.UAgeing {
		ageing += ": not to be told from none over " + fmt.Sprintf("%.0f days", f.Span().Hours()/24)
	}
	list = append(list, ageing+".")
	switch limit := WithUnit(r.Tolerance, 0, SecondUnits)[1:]; {
	case math.Abs(a.Offset) > r.Tolerance && math.Abs(a.Offset) > rate.Coverage*a.UOffset:
		verb := "retard"
		if a.Offset < 0 {
			verb = "advance"
		}
		list = append(list, fmt.Sprintf("That is outside ± %s: %s it by %s.", limit, verb, Short(math.Abs(a.Offset))))
	case math.Abs(a.Offset)+rate.Coverage*a.UOffset > r.Tolerance:
		list = append(list, fmt.Sprintf("That may be outside ± %s: an attempt now would tell.", limit))
	case a.Leaves != nil && a.LeavesEarliest != nil:
		list = append(list, fmt.Sprintf("It is expected to leave ± %s on %s; the 95 %% band does on %s.", limit, Date(*a.Leaves), Date(*a.LeavesEarliest)))
	case a.LeavesEarliest != nil:
		list = append(list, fmt.Sprintf("It is not expected to leave ± %s within ten years; the 95 %% band does on %s.", limit, Date(*a.LeavesEarliest)))
	default:
		list = append(list, fmt.Sprintf("It stays within ± %s for ten years.", limit))
	}
	list = append(list, r.trimAdvice()...)
	list = append(list, r.disagreements()...)
	return append(list, fmt.Sprintf("The next attempt is worth making from %s: %s.", Date(a.Next), a.NextBecause))
}

// offBy says an offset with its half-width: "1.2 ± 0.3 ms ahead of UTC".
func offBy(x, half float64) string {
	u := UnitFor(max(math.Abs(x), half), SecondUnits)
	v, h := rounded(math.Abs(x)/u.Size, half/u.Size)
	if nothing(v) {
		return fmt.Sprintf("on UTC, ± %s %s", h, u.Name)
	}
	return fmt.Sprintf("%s ± %s %s %s UTC", v, h, u.Name, Relation(align.SenseOf(x)))
}

// disagreements says on which days stations contradict each other.
func (r *Rate) disagreements() []string {
	const most = 5
	var list []string
	for i, d := range r.Fit.Disagreements {
		if i == most {
			list = append(list, fmt.Sprintf("So do stations on %d more days.", len(r.Fit.Disagreements)-i))
			break
		}
		names := make([]string, len(d.Stations))
		for k, name := range d.Stations {
			names[k] = strings.ToUpper(name)
		}
		list = append(list, fmt.Sprintf("On %s %s disagree by %s, more than u = %s allows: the %d fixes of that day are widened %.1f times.",
			d.Day.Format(time.DateOnly), strings.Join(names, " and "), Short(d.Apart), Short(d.U), len(d.Entries), d.Widened))
	}
	return list
}

// perDay is what a rate makes in a day, without its sign.
func perDay(y float64) string {
	u := UnitFor(math.Abs(y)*86400, perDayUnits)
	return digits(math.Abs(y)*86400/u.Size, 3) + " " + u.Name
}

// trimAdvice says how to trim.
func (r *Rate) trimAdvice() []string {
	a := r.Advice
	verb := func(y float64) string {
		if y < 0 {
			return "lower"
		}
		return "raise"
	}
	if !a.Worthwhile {
		return []string{"Do not trim yet: the rate is not known to differ from nothing."}
	}
	v, h := rounded(math.Abs(a.Trim)*1e10, rate.Coverage*a.UTrim*1e10)
	text := fmt.Sprintf("To stop it gaining or losing, %s its frequency by %s ± %s parts in 1e10 (%s)", verb(a.Trim), v, h, perDay(a.Trim))
	if a.Divisions != 0 {
		text += ": turn the dial " + turn(a.Divisions, rate.Coverage*a.UDivisions)
	}
	list := []string{text + ".",
		"Before reaching into the clock: keep clear of mains, high voltage and moving works, and leave work on mains equipment to licensed people under your local codes."}
	if math.Abs(r.Fit.Ageing) > rate.Coverage*r.Fit.UAgeing {
		list = append(list, fmt.Sprintf("To have it come back to its present offset after %.0f days of ageing, %s it by %.3g parts in 1e10 instead.",
			a.Span.Hours()/24, verb(a.TrimForSpan), math.Abs(a.TrimForSpan)*1e10))
	}
	if d := a.Dial; d.Division != 0 {
		list = append(list, fmt.Sprintf("One division clockwise changes the rate by %s; trims it was learnt from: %d.", Ratio(d.Division, rate.Coverage*d.U), d.Trims))
	}
	return list
}

// Changes describes each change, logged or found.
func (r *Rate) Changes() []string {
	var list []string
	for _, c := range r.Fit.Changes {
		text := Date(c.At) + " "
		if c.Found {
			text = fmt.Sprintf("between %s and %s, not logged: ", Date(c.From), Date(c.At))
		}
		var parts []string
		if c.UStep > 0 && (c.Kind == rate.StepMade || c.Kind == rate.Stopped) {
			parts = append(parts, stepped(c.Step, rate.Coverage*c.UStep))
		}
		if c.UTrim > 0 {
			parts = append(parts, "rate "+Ratio(c.Trim, rate.Coverage*c.UTrim))
		}
		if c.Divisions != nil {
			parts = append(parts, turn(*c.Divisions, 0))
		}
		list = append(list, text+string(c.Kind)+": "+strings.Join(parts, ", "))
	}
	return list
}

// Write writes the result for a person.
func (r *Rate) Write(w io.Writer) error {
	f := r.Fit
	fmt.Fprintf(w, "clock %s: %d fixes in %.0f days (± is the 95 %% half-width)\n\n", r.Clock, len(f.Fixes), f.Span().Hours()/24)
	for _, line := range r.Findings() {
		fmt.Fprintln(w, line)
	}
	if list := r.Changes(); len(list) > 0 {
		fmt.Fprintln(w, "\nChanges, as the fixes show them:")
		for _, line := range list {
			fmt.Fprintln(w, "  "+line)
		}
	}
	if list := r.Outliers(); len(list) > 0 {
		fmt.Fprintln(w, "\nOutliers, kept with little weight:")
		for i, o := range list {
			if i == 10 {
				fmt.Fprintf(w, "  and %d more\n", len(list)-i)
				break
			}
			fmt.Fprintf(w, "  entry %d, %s: off by %s\n", o.ID, Date(o.At), WithUnit(o.Residual, 0, SecondUnits))
		}
	}
	fmt.Fprintln(w, "\nForecast of the offset:")
	for _, x := range r.Forecast {
		fmt.Fprintf(w, "  %s  %s\n", Date(x.At), WithUnit(x.Offset, rate.Coverage*x.U, SecondUnits))
	}
	fmt.Fprintf(w, "\nStability: %s\n", r.Method())
	list := r.Deviations()
	if len(list) == 0 {
		_, err := fmt.Fprintln(w, "The fixes are too few or too uneven for any deviation.")
		return err
	}
	return WriteDeviations(w, list, r.Floor)
}

// Method states how the deviations of uneven fixes were made.
func (r *Rate) Method() string {
	s := r.Scatter
	return fmt.Sprintf("Over a quarter of the record %v dominates. Steps, trims, mean rate and ageing are taken out; fixes are carried along the fitted track to a grid of %.3g days (%d of %d points filled, none interpolated). At or near the floor a deviation tells of radio and ionosphere, not of the clock.",
		r.Noise(), s.Spacing/86400, s.Filled, s.Cells)
}

// WriteDeviations writes one line for each deviation.
func WriteDeviations(out io.Writer, list []stability.Deviation, floor func(stability.Deviation) float64) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, "kind\ttau\tvalue\t95 % from\tto\tedf\tnoise\t")
	if floor != nil {
		fmt.Fprint(w, "floor\t")
	}
	fmt.Fprintln(w)
	for _, d := range list {
		tau := fmt.Sprintf("%g s", d.Tau)
		if d.Tau >= 86400 {
			tau = digits(d.Tau/86400, 3) + " d"
		}
		fmt.Fprintf(w, "%s\t%s\t%.4g\t%.3g\t%.3g\t%s\t%v\t", Deviation(d.Kind), tau, d.Value, d.CI95[0], d.CI95[1], degrees(d.EDF), d.Noise)
		if floor != nil {
			fmt.Fprintf(w, "%.3g\t", floor(d))
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}
