package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"timeball/align/rate"
	"timeball/align/stability"
)

// rateCmd is the command rate.
type rateCmd struct {
	bookFlags

	Tolerance time.Duration `default:"10ms" help:"Offset the clock may have (${default})."`
	Service   int           `default:"90" placeholder:"DAYS" help:"Days between one trim and the next (${default})."`
	Time      time.Time     `placeholder:"TIME" format:"2006-01-02T15:04:05Z07:00" help:"A further time to forecast for, RFC 3339."`
	JSON      bool          `name:"json" help:"Write one JSON object, schema timeball.rate/1."`
	Plot      string        `placeholder:"FILE" help:"Draw history, residuals and deviations: .png or .svg."`
	Report    string        `placeholder:"FILE.html" help:"Write a page with everything, fit for printing."`

	Data     string        `placeholder:"FILE" help:"Analyse a plain column of numbers instead of the logbook; - is standard input."`
	Kind     string        `enum:"phase,frequency" default:"phase" help:"What the column holds: phase in seconds or fractional frequency (${default})."`
	Interval time.Duration `default:"1s" help:"Spacing of the column (${default})."`
	Start    time.Time     `placeholder:"TIME" format:"2006-01-02T15:04:05Z07:00" help:"UTC of the column's first value, RFC 3339."`
}

func (rateCmd) Help() string {
	return `Reads a clock's fixes and adjustments from the logbook and gives rate, ageing, stability, forecast and the trim that would set it right.

  timeball rate --tolerance 5ms --report gannet-head.html
  timeball rate --data phase.txt --interval 1s --json`
}

// AfterApply refuses flags that make no sense.
func (c rateCmd) AfterApply() error {
	switch {
	case c.Tolerance <= 0:
		return errors.New("--tolerance must be positive")
	case c.Service <= 0:
		return errors.New("--service must be at least a day")
	case c.Interval <= 0:
		return errors.New("--interval must be positive")
	case c.Data != "" && c.Report != "":
		return errors.New("--report is about a clock in the logbook; with --data use --plot")
	}
	return checkPicture(c.Plot)
}

func (c rateCmd) Run(p *program) error {
	if c.Data != "" {
		return c.series(p)
	}
	b, err := c.open()
	if err != nil {
		return err
	}
	defer b.Close()
	fixes, adjustments, err := b.History(c.Clock)
	if err != nil {
		return err
	}
	if len(fixes) == 0 && len(adjustments) == 0 {
		return c.empty(b)
	}
	fit, err := rate.Analyse(fixes, adjustments)
	if errors.Is(err, rate.ErrTooFew) {
		fmt.Fprintf(p.stderr, "timeball: clock %s: %v\n", c.Clock, err)
		return errNoFix
	}
	if err != nil {
		return err
	}
	r := &rateResult{
		clock: c.Clock, fit: fit, scatter: fit.Stability(), adjustments: adjustments,
		tolerance: c.Tolerance.Seconds(),
		advice:    rate.Advise(fit, adjustments, c.Tolerance.Seconds(), time.Duration(c.Service)*24*time.Hour),
	}
	for _, days := range []int{1, 7, 30, 90, 365} {
		r.forecastFor(fit.Epoch.AddDate(0, 0, days))
	}
	if !c.Time.IsZero() {
		r.forecastFor(c.Time.UTC())
	}
	if c.Plot != "" {
		if err := savePlots(c.Plot, r.historyPlot(), r.residualPlot(), r.deviationPlot()); err != nil {
			return err
		}
	}
	if c.Report != "" {
		if err := writeReport(c.Report, r); err != nil {
			return err
		}
	}
	if c.JSON {
		return json.NewEncoder(p.stdout).Encode(r.json())
	}
	return r.text(p.stdout)
}

// series analyses a column of numbers.
func (c rateCmd) series(p *program) error {
	in := p.stdin
	if c.Data != "-" {
		f, err := os.Open(c.Data)
		if err != nil {
			return err
		}
		defer f.Close()
		in = f
	}
	values, err := readColumn(in)
	if err != nil {
		return fmt.Errorf("%s: %w", c.Data, err)
	}
	analyse := rate.AnalysePhase
	if c.Kind == "frequency" {
		analyse = rate.AnalyseFrequency
	}
	s, err := analyse(values, c.Interval.Seconds())
	if err != nil {
		return fmt.Errorf("%s: %w", c.Data, err)
	}
	if c.Plot != "" {
		if err := savePlots(c.Plot, phasePlot(s), deviationsPlot(s.Deviations, nil)); err != nil {
			return err
		}
	}
	if c.JSON {
		return json.NewEncoder(p.stdout).Encode(c.seriesJSON(s))
	}
	half := rate.Coverage * s.UY
	fmt.Fprintf(p.stdout, "%d values of %s, %v apart\n", len(values), c.Kind, c.Interval)
	fmt.Fprintf(p.stdout, "%s over the record; ageing %s a day\n", gaining(s.Y, half), ratio(s.Ageing, rate.Coverage*s.UAgeing))
	fmt.Fprintf(p.stdout, "noise at the longest averaging time that tells: %v\n\n", s.Noise)
	return deviationTable(p.stdout, s.Deviations, nil)
}

// readColumn reads one number a line; blank lines and lines that begin with #
// are passed over.
func readColumn(r io.Reader) ([]float64, error) {
	var values []float64
	in := bufio.NewScanner(r)
	for n := 1; in.Scan(); n++ {
		text := strings.TrimSpace(in.Text())
		if text == "" || text[0] == '#' {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || v-v != 0 {
			return nil, fmt.Errorf("line %d: %q is not a number; one number a line is wanted", n, text)
		}
		values = append(values, v)
	}
	return values, in.Err()
}

// rateResult is what rate has to say of a clock in the logbook.
type rateResult struct {
	clock       string
	fit         *rate.Fit
	scatter     rate.Scatter
	adjustments []rate.Adjustment
	tolerance   float64 // s
	advice      rate.Advice
	forecast    []forecast
}

// forecast is one expected offset, s, with its standard uncertainty.
type forecast struct {
	At     time.Time `json:"at"`
	Offset float64   `json:"offset_s"`
	U      float64   `json:"u_s"`
}

func (r *rateResult) forecastFor(at time.Time) {
	x, u := r.fit.Forecast(at)
	r.forecast = append(r.forecast, forecast{at, x, u})
}

// noise names the noise that matters at a quarter of the record.
func (r *rateResult) noise() stability.Noise { return r.fit.NoiseAt(r.fit.Span() / 4) }

// outliers are the fixes that were weighted down and named.
func (r *rateResult) outliers() []rate.FittedFix {
	var list []rate.FittedFix
	for _, f := range r.fit.Fixes {
		if f.Outlier {
			list = append(list, f)
		}
	}
	return list
}

// rateJSON is the object of schema timeball.rate/1.
type rateJSON struct {
	Schema     string          `json:"schema"`
	Clock      string          `json:"clock,omitempty"`
	Epoch      *time.Time      `json:"epoch"` // null: a column of unknown date, values hold at its middle
	Offset     float64         `json:"offset_s"`
	UOffset    float64         `json:"u_offset_s"`
	Y          float64         `json:"y"`
	UY         float64         `json:"u_y"`
	Ageing     float64         `json:"ageing_per_day"`
	UAgeing    float64         `json:"u_ageing_per_day"`
	Noise      string          `json:"noise"`
	Deviations []deviationJSON `json:"deviations"`
	Forecast   []forecast      `json:"forecast"`
	Fixes      *fixesJSON      `json:"fixes,omitempty"`
	Changes    []changeJSON    `json:"changes,omitempty"`
	Advice     *adviceJSON     `json:"advice,omitempty"`
}

type deviationJSON struct {
	Kind  stability.Kind `json:"kind"`
	M     int            `json:"m"`
	Tau   float64        `json:"tau_s"`
	Value float64        `json:"value"` // dimensionless, tdev in seconds
	CI95  [2]float64     `json:"ci95"`
	EDF   float64        `json:"edf"`
	Noise string         `json:"noise"`
	Floor *float64       `json:"floor,omitempty"` // what the fixes' own noise gives
}

type fixesJSON struct {
	Used     int       `json:"used"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Outliers []int64   `json:"outliers"` // entry numbers
	// Days on which stations disagreed, which widened their fixes.
	Disagreements []disagreementJSON `json:"disagreements,omitempty"`
	// Averaged to that many normal points before the fit; absent: not.
	NormalPoints int `json:"normal_points,omitempty"`
	// What the fixes show of noise: white phase noise beyond their own
	// uncertainty (s), and two Allan deviations at one day.
	ExtraU       float64 `json:"extra_u_s"`
	WhiteFM      float64 `json:"white_fm_1d"`
	RandomWalkFM float64 `json:"random_walk_fm_1d"`
	// The grid of the deviations.
	GridSpacing float64 `json:"grid_spacing_s"`
	GridCells   int     `json:"grid_cells"`
	GridFilled  int     `json:"grid_filled"`
}

type disagreementJSON struct {
	Day      string   `json:"day"` // UTC
	Stations []string `json:"stations"`
	Entries  []int64  `json:"entries"`
	Apart    float64  `json:"apart_s"`
	U        float64  `json:"u_apart_s"`
	Widened  float64  `json:"widened"` // factor on the fixes' uncertainties
}

type changeJSON struct {
	At    time.Time           `json:"at"`
	From  *time.Time          `json:"from,omitempty"` // a change found came after this
	Kind  rate.AdjustmentKind `json:"kind"`
	Found bool                `json:"found"` // not logged
	Step  float64             `json:"step_s"`
	UStep float64             `json:"u_step_s"`
	Trim  float64             `json:"trim_y"`
	UTrim float64             `json:"u_trim_y"`
}

type adviceJSON struct {
	Tolerance      float64    `json:"tolerance_s"`
	Leaves         *time.Time `json:"leaves"`          // null: not within ten years
	LeavesEarliest *time.Time `json:"leaves_earliest"` // of the 95 % band
	Trim           float64    `json:"trim_y"`
	UTrim          float64    `json:"u_trim_y"`
	Worthwhile     bool       `json:"trim_worthwhile"`
	ServiceDays    float64    `json:"service_days"`
	TrimForService float64    `json:"trim_for_service_y"`
	Division       *float64   `json:"dial_division_y,omitempty"` // one division clockwise
	UDivision      *float64   `json:"u_dial_division_y,omitempty"`
	Divisions      *float64   `json:"divisions,omitempty"` // positive clockwise
	UDivisions     *float64   `json:"u_divisions,omitempty"`
	Next           time.Time  `json:"next_attempt"`
	NextBecause    string     `json:"next_attempt_because"`
}

func deviationsJSON(list []stability.Deviation, floor func(stability.Deviation) float64) []deviationJSON {
	out := make([]deviationJSON, len(list))
	for i, d := range list {
		out[i] = deviationJSON{Kind: d.Kind, M: d.M, Tau: d.Tau, Value: d.Value, CI95: d.CI95, EDF: d.EDF, Noise: d.Noise.String()}
		if floor != nil {
			v := floor(d)
			out[i].Floor = &v
		}
	}
	return out
}

func (c rateCmd) seriesJSON(s *rate.Series) rateJSON {
	out := rateJSON{Schema: "timeball.rate/1", Offset: s.Offset, UOffset: s.UOffset, Y: s.Y, UY: s.UY, Ageing: s.Ageing, UAgeing: s.UAgeing,
		Noise: s.Noise.String(), Deviations: deviationsJSON(s.Deviations, nil), Forecast: []forecast{}}
	if !c.Start.IsZero() {
		epoch := c.Start.UTC().Add(time.Duration(float64(len(s.Phase)-1) / 2 * float64(c.Interval)))
		out.Epoch = &epoch
	}
	return out
}

// floor is what the fixes' own noise gives for a deviation.
func (r *rateResult) floor(d stability.Deviation) float64 {
	return stability.Floor(d.Kind, r.scatter.U, r.scatter.Spacing, d.M)
}

func (r *rateResult) json() rateJSON {
	f, a := r.fit, r.advice
	out := rateJSON{Schema: "timeball.rate/1", Clock: r.clock, Epoch: &f.Epoch, Offset: f.Offset, UOffset: f.UOffset, Y: f.Y, UY: f.UY,
		Ageing: f.Ageing, UAgeing: f.UAgeing, Noise: r.noise().String(),
		Deviations: deviationsJSON(r.scatter.Deviations, r.floor), Forecast: r.forecast,
		Fixes: &fixesJSON{Used: len(f.Fixes), From: f.Start(), To: f.Fixes[len(f.Fixes)-1].At, Outliers: []int64{}, NormalPoints: f.Condensed,
			ExtraU: f.Noise.ExtraU, WhiteFM: f.Noise.White, RandomWalkFM: f.Noise.Walk,
			GridSpacing: r.scatter.Spacing, GridCells: r.scatter.Cells, GridFilled: r.scatter.Filled},
		Advice: &adviceJSON{Tolerance: r.tolerance, Leaves: a.Leaves, LeavesEarliest: a.LeavesEarliest, Trim: a.Trim, UTrim: a.UTrim,
			Worthwhile: a.Worthwhile, ServiceDays: a.Span.Hours() / 24, TrimForService: a.TrimForSpan, Next: a.Next, NextBecause: a.NextBecause},
	}
	if a.Dial.Division != 0 {
		out.Advice.Division, out.Advice.UDivision = &a.Dial.Division, &a.Dial.U
	}
	if a.Divisions != 0 {
		out.Advice.Divisions, out.Advice.UDivisions = &a.Divisions, &a.UDivisions
	}
	for _, o := range r.outliers() {
		out.Fixes.Outliers = append(out.Fixes.Outliers, o.ID)
	}
	for _, d := range f.Disagreements {
		out.Fixes.Disagreements = append(out.Fixes.Disagreements, disagreementJSON{d.Day.Format(time.DateOnly), d.Stations, d.Entries, d.Apart, d.U, d.Widened})
	}
	for _, c := range f.Changes {
		change := changeJSON{At: c.At, Kind: c.Kind, Found: c.Found, Step: c.Step, UStep: c.UStep, Trim: c.Trim, UTrim: c.UTrim}
		if c.Found {
			change.From = &c.From
		}
		out.Changes = append(out.Changes, change)
	}
	return out
}

// ratio shows a dimensionless value with its half-width in one power of ten.
func ratio(v, half float64) string {
	exponent := int(math.Floor(math.Log10(math.Max(math.Abs(v), half))))
	if v == 0 && half == 0 {
		return "0"
	}
	scale := math.Pow10(exponent)
	a, b := rounded(v/scale, half/scale)
	if v >= 0 {
		a = "+" + a
	}
	if b == "" {
		return fmt.Sprintf("%se%d", a, exponent)
	}
	return fmt.Sprintf("(%s ± %s)e%d", a, b, exponent)
}

// date shows a time to the minute.
func date(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") }

// findings are the sentences of the result, for the text and for the report.
func (r *rateResult) findings() []string {
	f, a := r.fit, r.advice
	sense := "ahead of"
	if f.Offset < 0 {
		sense = "behind"
	}
	u := unitFor(math.Max(math.Abs(f.Offset), rate.Coverage*f.UOffset), secondUnits)
	v, h := rounded(math.Abs(f.Offset)/u.size, rate.Coverage*f.UOffset/u.size)
	list := []string{
		fmt.Sprintf("On %s UTC the clock is %s ± %s %s %s UTC.", date(f.Epoch), v, h, u.name, sense),
		fmt.Sprintf("It %s.", gaining(f.Y, rate.Coverage*f.UY)),
	}
	ageing := fmt.Sprintf("Its ageing is %s a day", ratio(f.Ageing, rate.Coverage*f.UAgeing))
	if math.Abs(f.Ageing) < rate.Coverage*f.UAgeing {
		ageing += ": not to be told from none over " + fmt.Sprintf("%.0f days", f.Span().Hours()/24)
	}
	list = append(list, ageing+".")
	switch limit := withUnit(r.tolerance, 0, secondUnits)[1:]; {
	case math.Abs(f.Offset) > r.tolerance:
		verb := "retard"
		if f.Offset < 0 {
			verb = "advance"
		}
		list = append(list, fmt.Sprintf("That is outside ± %s: %s it by %s %s.", limit, verb, v, u.name))
	case a.Leaves != nil && a.LeavesEarliest != nil:
		list = append(list, fmt.Sprintf("It is expected to leave ± %s on %s; the 95 %% band does on %s.", limit, date(*a.Leaves), date(*a.LeavesEarliest)))
	case a.LeavesEarliest != nil:
		list = append(list, fmt.Sprintf("It is not expected to leave ± %s within ten years; the 95 %% band does on %s.", limit, date(*a.LeavesEarliest)))
	default:
		list = append(list, fmt.Sprintf("It stays within ± %s for ten years.", limit))
	}
	list = append(list, r.trimAdvice()...)
	list = append(list, r.disagreements()...)
	return append(list, fmt.Sprintf("The next sync attempt is worth making from %s: %s.", date(a.Next), a.NextBecause))
}

// disagreements says on which days stations contradict each other.
func (r *rateResult) disagreements() []string {
	const most = 5
	var list []string
	for i, d := range r.fit.Disagreements {
		if i == most {
			list = append(list, fmt.Sprintf("So do stations on %d more days.", len(r.fit.Disagreements)-i))
			break
		}
		names := make([]string, len(d.Stations))
		for k, name := range d.Stations {
			names[k] = strings.ToUpper(name)
		}
		list = append(list, fmt.Sprintf("On %s %s disagree by %s, more than u = %s allows: the %d fixes of that day are widened %.1f times.",
			d.Day.Format(time.DateOnly), strings.Join(names, " and "), short(d.Apart), short(d.U), len(d.Entries), d.Widened))
	}
	return list
}

// trimAdvice says how to trim.
func (r *rateResult) trimAdvice() []string {
	a := r.advice
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
	text := fmt.Sprintf("To stop it gaining or losing, %s its frequency by %s ± %s parts in 1e10 (%.3g us a day)", verb(a.Trim), v, h, math.Abs(a.Trim)*86400e6)
	if a.Divisions != 0 {
		text += ": turn the dial " + turn(a.Divisions, rate.Coverage*a.UDivisions)
	}
	list := []string{text + ".",
		"Before reaching into the clock: keep clear of mains, high voltage and moving works, and leave work on mains equipment to licensed people under your local codes."}
	if math.Abs(r.fit.Ageing) > rate.Coverage*r.fit.UAgeing {
		list = append(list, fmt.Sprintf("To have it come back to its present offset after %.0f days of ageing, %s it by %.3g parts in 1e10 instead.",
			a.Span.Hours()/24, verb(a.TrimForSpan), math.Abs(a.TrimForSpan)*1e10))
	}
	if d := a.Dial; d.Division != 0 {
		list = append(list, fmt.Sprintf("One division clockwise changes the rate by %s; trims it was learnt from: %d.", ratio(d.Division, rate.Coverage*d.U), d.Trims))
	}
	return list
}

// changes describes each change, logged or found.
func (r *rateResult) changes() []string {
	var list []string
	for _, c := range r.fit.Changes {
		text := date(c.At) + " "
		if c.Found {
			text = fmt.Sprintf("between %s and %s, not logged: ", date(c.From), date(c.At))
		}
		var parts []string
		if c.UStep > 0 && (c.Kind == rate.StepMade || c.Kind == rate.Stopped) {
			parts = append(parts, "offset "+withUnit(c.Step, rate.Coverage*c.UStep, secondUnits))
		}
		if c.UTrim > 0 {
			parts = append(parts, "rate "+ratio(c.Trim, rate.Coverage*c.UTrim))
		}
		if c.Divisions != nil {
			parts = append(parts, turn(*c.Divisions, 0))
		}
		list = append(list, text+string(c.Kind)+": "+strings.Join(parts, ", "))
	}
	return list
}

// text writes the result for a person.
func (r *rateResult) text(w io.Writer) error {
	f := r.fit
	fmt.Fprintf(w, "clock %s: %d fixes in %.0f days (± is the 95 %% half-width)\n\n", r.clock, len(f.Fixes), f.Span().Hours()/24)
	for _, line := range r.findings() {
		fmt.Fprintln(w, line)
	}
	if list := r.changes(); len(list) > 0 {
		fmt.Fprintln(w, "\nChanges, as the fixes show them:")
		for _, line := range list {
			fmt.Fprintln(w, "  "+line)
		}
	}
	if list := r.outliers(); len(list) > 0 {
		fmt.Fprintln(w, "\nOutliers, kept with little weight:")
		for i, o := range list {
			if i == 10 {
				fmt.Fprintf(w, "  and %d more\n", len(list)-i)
				break
			}
			fmt.Fprintf(w, "  entry %d, %s: off by %s\n", o.ID, date(o.At), withUnit(o.Residual, 0, secondUnits))
		}
	}
	fmt.Fprintln(w, "\nForecast of the offset:")
	for _, x := range r.forecast {
		fmt.Fprintf(w, "  %s  %s\n", date(x.At), withUnit(x.Offset, rate.Coverage*x.U, secondUnits))
	}
	fmt.Fprintf(w, "\nStability: %s\n", r.method())
	return deviationTable(w, r.scatter.Deviations, r.floor)
}

// method states how the deviations of uneven fixes were made.
func (r *rateResult) method() string {
	s := r.scatter
	return fmt.Sprintf("Over a quarter of the record %v dominates. Steps, trims, mean rate and ageing are taken out; fixes are carried along the fitted track to a grid of %.3g days (%d of %d points filled, none interpolated). At or near the floor a deviation tells of radio and ionosphere, not of the clock.",
		r.noise(), s.Spacing/86400, s.Filled, s.Cells)
}

// deviationTable writes one line for each deviation.
func deviationTable(out io.Writer, list []stability.Deviation, floor func(stability.Deviation) float64) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, "kind\ttau\tvalue\t95 % from\tto\tedf\tnoise\t")
	if floor != nil {
		fmt.Fprint(w, "floor\t")
	}
	fmt.Fprintln(w)
	for _, d := range list {
		tau := fmt.Sprintf("%g s", d.Tau)
		if d.Tau >= 86400 {
			tau = fmt.Sprintf("%.3g d", d.Tau/86400)
		}
		fmt.Fprintf(w, "%s\t%s\t%.4g\t%.3g\t%.3g\t%.0f\t%v\t", d.Kind, tau, d.Value, d.CI95[0], d.CI95[1], d.EDF, d.Noise)
		if floor != nil {
			fmt.Fprintf(w, "%.3g\t", floor(d))
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}
