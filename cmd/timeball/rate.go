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
	"time"

	"timeball/align/rate"
	"timeball/align/stability"
	"timeball/cmd/timeball/internal/plot"
	"timeball/cmd/timeball/internal/report"
	"timeball/cmd/timeball/internal/text"
)

// rateCmd is the command rate.
type rateCmd struct {
	bookFlags

	Tolerance time.Duration `default:"10ms" help:"Offset the clock may have (${default})."`
	Service   int           `default:"90" placeholder:"DAYS" help:"Days between one trim and the next (${default})."`
	Time      time.Time     `placeholder:"TIME" day:"" help:"Time to advise for, RFC 3339, or a day (default: now)."`
	Deviation []string      `default:"oadev" enum:"adev,oadev,mdev,tdev,hdev,ohdev,totdev,all" placeholder:"KIND,KIND" help:"Kinds of deviation to print and draw: adev, oadev, mdev, tdev, hdev, ohdev, totdev, or all (default: oadev, the overlapping Allan deviation). --json always has all."`
	JSON      bool          `name:"json" help:"Write one JSON object, schema timeball.rate/1."`
	Plot      string        `placeholder:"FILE" help:"Draw history, residuals and deviations: .png or .svg."`
	dpiFlag   `embed:""`
	Report    string `placeholder:"FILE.html" help:"Write a page with everything, fit for printing."`

	Data     string        `placeholder:"FILE" help:"Analyse a plain column of numbers instead of the logbook; - is standard input."`
	Kind     string        `enum:"phase,frequency" default:"phase" help:"What the column holds: phase in seconds or fractional frequency (${default})."`
	Interval time.Duration `default:"1s" help:"Spacing of the column (${default})."`
	Start    time.Time     `placeholder:"TIME" day:"" help:"UTC of the column's first value, RFC 3339, or a day."`
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
	return errors.Join(checkPicture(c.Plot, c.DPI), checkEnding("--report", c.Report, ".html"))
}

// kinds are the kinds of deviation that are to be shown; none: all.
func (c rateCmd) kinds() []stability.Kind {
	var list []stability.Kind
	for _, k := range c.Deviation {
		if k == "all" {
			return nil
		}
		list = append(list, stability.Kind(k))
	}
	return list
}

func (c rateCmd) Run(p *program) error {
	if err := c.checkTargets(c.Plot, c.Report); err != nil {
		return err
	}
	if c.Data != "" {
		return c.series(p)
	}
	b, err := c.read()
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
		fmt.Fprintf(p.stderr, "timeball: clock %s: %v\n", text.Plain(c.Clock), err)
		return errNoFix
	}
	if err != nil {
		return err
	}
	r := &text.Rate{
		Clock: c.Clock, Fit: fit, Scatter: fit.Stability(), Adjustments: adjustments,
		Tolerance: c.Tolerance.Seconds(), Kinds: c.kinds(),
		Advice: rate.Advise(fit, adjustments, c.Tolerance.Seconds(), time.Duration(c.Service)*24*time.Hour, timeOr(c.Time, time.Now()).UTC().Truncate(time.Second)),
	}
	for _, days := range []int{0, 1, 7, 30, 90, 365} {
		r.ForecastFor(r.Advice.Now.AddDate(0, 0, days))
	}
	if c.Plot != "" {
		if err := plot.Rate(plot.File{Name: c.Plot, DPI: c.DPI}, r); err != nil {
			return err
		}
	}
	if c.Report != "" {
		if err := report.WriteRate(c.Report, r); err != nil {
			return err
		}
	}
	if c.JSON {
		return json.NewEncoder(p.stdout).Encode(rateObject(r))
	}
	return r.Write(p.stdout)
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
	values, err := readColumn(&bounded{Reader: in, most: mostTable})
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
		if err := plot.Series(plot.File{Name: c.Plot, DPI: c.DPI}, s, c.kinds()); err != nil {
			return err
		}
	}
	if c.JSON {
		return json.NewEncoder(p.stdout).Encode(c.seriesJSON(s))
	}
	half := rate.Coverage * s.UY
	fmt.Fprintf(p.stdout, "%d values of %s, %v apart\n", len(values), c.Kind, c.Interval)
	fmt.Fprintf(p.stdout, "%s over the record; ageing %s a day\n", text.Gaining(s.Y, half), text.Ratio(s.Ageing, rate.Coverage*s.UAgeing))
	fmt.Fprintf(p.stdout, "noise at the longest averaging time that tells: %v\n\n", s.Noise)
	return text.WriteDeviations(p.stdout, text.OfKinds(s.Deviations, c.kinds()), nil)
}

// mostValue bounds a column's values, s: three decades. Beyond, the squares of long
// columns leave what a float tells.
const mostValue = 1e9

// readColumn reads one number a line; blank lines and lines that begin with #
// are passed over.
func readColumn(r io.Reader) ([]float64, error) {
	var values []float64
	in := bufio.NewScanner(r)
	n := 1
	for ; in.Scan(); n++ {
		text := strings.TrimSpace(in.Text())
		if text == "" || text[0] == '#' {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || v-v != 0 {
			return nil, fmt.Errorf("line %d: %q is not a number; one number a line is wanted", n, text)
		}
		if math.Abs(v) > mostValue {
			return nil, fmt.Errorf("line %d: %q is beyond %g: offsets are in seconds and frequencies relative", n, text, mostValue)
		}
		values = append(values, v)
	}
	if errors.Is(in.Err(), bufio.ErrTooLong) {
		return nil, fmt.Errorf("line %d is longer than a number is; one number a line is wanted", n)
	}
	return values, in.Err()
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
	Forecast   []text.Forecast `json:"forecast"`
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
		Noise: s.Noise.String(), Deviations: deviationsJSON(s.Deviations, nil), Forecast: []text.Forecast{}}
	if !c.Start.IsZero() {
		epoch := c.Start.UTC().Add(time.Duration(float64(len(s.Phase)-1) / 2 * float64(c.Interval)))
		out.Epoch = &epoch
	}
	return out
}

// rateObject is a clock's result as an object.
func rateObject(r *text.Rate) rateJSON {
	f, a := r.Fit, r.Advice
	out := rateJSON{Schema: "timeball.rate/1", Clock: r.Clock, Epoch: &f.Epoch, Offset: f.Offset, UOffset: f.UOffset, Y: f.Y, UY: f.UY,
		Ageing: f.Ageing, UAgeing: f.UAgeing, Noise: r.Noise().String(),
		Deviations: deviationsJSON(r.Scatter.Deviations, r.Floor), Forecast: r.Forecast,
		Fixes: &fixesJSON{Used: len(f.Fixes), From: f.Start(), To: f.Fixes[len(f.Fixes)-1].At, Outliers: []int64{}, NormalPoints: f.Condensed,
			ExtraU: f.Noise.ExtraU, WhiteFM: f.Noise.White, RandomWalkFM: f.Noise.Walk,
			GridSpacing: r.Scatter.Spacing, GridCells: r.Scatter.Cells, GridFilled: r.Scatter.Filled},
		Advice: &adviceJSON{Tolerance: r.Tolerance, Leaves: a.Leaves, LeavesEarliest: a.LeavesEarliest, Trim: a.Trim, UTrim: a.UTrim,
			Worthwhile: a.Worthwhile, ServiceDays: a.Span.Hours() / 24, TrimForService: a.TrimForSpan, Next: a.Next, NextBecause: a.NextBecause},
	}
	if a.Dial.Division != 0 {
		out.Advice.Division, out.Advice.UDivision = &a.Dial.Division, &a.Dial.U
	}
	if a.Divisions != 0 {
		out.Advice.Divisions, out.Advice.UDivisions = &a.Divisions, &a.UDivisions
	}
	for _, o := range r.Outliers() {
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
