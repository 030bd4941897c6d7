package text

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"timeball/align"
)

// WriteFix says a fix to a person: the offset first, then what it rests on.
func WriteFix(w io.Writer, f align.Fix) error {
	var b strings.Builder
	name := f.Recording.Path
	if n := len(f.Recordings); n > 1 {
		name = fmt.Sprintf("%d recordings together", n)
	}
	fmt.Fprintf(&b, "%s: %s\n", name, Headline(f))
	if f.Hands != "" {
		fmt.Fprintf(&b, "its hands: %s\n", f.Hands)
	}
	if f.Verdict == align.Found {
		fmt.Fprintln(&b, Interval(f))
	}
	for _, c := range f.Candidates {
		fmt.Fprintln(&b, Candidate(c))
	}
	b.WriteByte('\n')
	if len(f.Recordings) > 0 {
		writeRecordings(&b, f.Recordings)
	} else {
		writeStations(&b, f.Stations)
	}
	writeBudget(&b, f)
	writeFacts(&b, f)
	if f.Advice != nil {
		fmt.Fprintf(&b, "advice        %s\n", Advice(f, f.At == nil || time.Since(*f.At) > lately))
	}
	for _, warning := range f.Warnings {
		fmt.Fprintf(&b, "warning: %s\n", warning)
	}
	_, err := io.WriteString(w, plainLines(b.String()))
	return err
}

// Candidate is one of several places that an offset may have.
func Candidate(c align.Candidate) string {
	return fmt.Sprintf("%s if %s, %.0f %%", WithUnit(c.Offset, 1.96*c.U, SecondUnits), c.Because, 100*c.Probability)
}

// Headline is the result in one sentence.
func Headline(f align.Fix) string {
	if f.Offset == nil {
		return "no fix: " + f.Reason
	}
	// In words that are easily heard across a clock room.
	remedy := "advance it"
	if f.Sense == align.Ahead {
		remedy = "retard it"
	}
	if f.CI95[0] <= 0 && 0 <= f.CI95[1] {
		remedy = "leave it, that may be nothing"
	}
	if f.Verdict != align.Found {
		return "no fix: " + f.Reason + " (the marker stands " + AsHeard(*f.Offset) + ")"
	}
	return fmt.Sprintf("the local clock is %s (95 %%): %s", Stands(unitOf(*f.Offset, *f.CI95), *f.Offset, *f.CI95, against(f)), remedy)
}

// Stands says in a unit how a clock stands: "ahead of UTC by 12.35 ms ± 0.16 ms", or,
// where that would be by 0, "on UTC, ± 0.30 ms".
func Stands(u Unit, offset float64, ci95 [2]float64, against string) string {
	size := magnitudeIn(u, offset, ci95)
	if v, rest, _ := strings.Cut(size, " "); nothing(v) {
		_, sides, _ := strings.Cut(rest, " ")
		return "on " + against + ", " + sides
	}
	return Relation(align.SenseOf(offset)) + " " + against + " by " + size
}

// AsHeard says where the marker stands against the tick as it arrives: how long
// the tick was under way is in it, so that it says nothing of the clock.
func AsHeard(offset float64) string {
	side := "before"
	if offset < 0 {
		side = "after"
	}
	return Short(math.Abs(offset)) + " " + side + " the tick as heard"
}

// against is what the local clock was measured against.
func against(f align.Fix) string {
	if f.Wire != nil {
		return "the reference"
	}
	return "UTC"
}

// manyDoF are degrees of freedom that change no digit of an interval: at 200 the
// coverage factor is 1.972 for 1.960 (Student's distribution).
const manyDoF = 200

// degrees writes degrees of freedom.
func degrees(dof float64) string {
	if dof >= manyDoF {
		return fmt.Sprintf(">%d", manyDoF)
	}
	return fmt.Sprintf("%.0f", dof)
}

// Interval is the 95 % interval with what belongs to it, in one line.
func Interval(f align.Fix) string {
	u := UnitFor(math.Max(math.Abs(f.CI95[0]), math.Abs(f.CI95[1])), SecondUnits)
	half := (f.CI95[1] - f.CI95[0]) / 2 / u.Size
	lo, _ := rounded(f.CI95[0]/u.Size, half)
	hi, _ := rounded(f.CI95[1]/u.Size, half)
	line := fmt.Sprintf("local clock minus %s: 95 %% interval %s to %s %s, u = %s", against(f), lo, hi, u.Name, short(u, *f.U))
	if f.DoF != nil && *f.DoF < manyDoF {
		line += fmt.Sprintf(", %.0f degrees of freedom", *f.DoF)
	}
	if f.At != nil {
		line += fmt.Sprintf(", at %s", f.At.UTC().Format("2006-01-02 15:04:05 UTC"))
	}
	return line
}

// Time formats what a broadcast told; an inserted second is 23:59:60.
func Time(u align.UTC, layout string) string {
	if u.Inserted {
		return strings.Replace(u.Second.Add(-time.Second).UTC().Format(layout), ":59:59", ":59:60", 1)
	}
	return u.Second.UTC().Format(layout)
}

// lately is how old a fix may be for what is said of its hour to hold now: within
// an hour the ionosphere changes little (common practice).
const lately = time.Hour

// Advice says what to receive next, or, read later, what would have helped.
func Advice(f align.Fix, later bool) string {
	a := f.Advice
	u := UnitFor(max(a.HalfNow, a.HalfThen), SecondUnits)
	name, before, then := strings.ToUpper(a.Station)+" on "+Frequency(a.CarrierHz), "±"+short(u, a.HalfNow), "±"+short(u, a.HalfThen)
	if !later {
		return fmt.Sprintf("a few minutes of %s now would take the interval from %s to about %s (timeball combine)", name, before, then)
	}
	when := "at that time"
	if f.At != nil {
		when = f.At.UTC().Format("at 15:04 UTC that day")
	}
	return fmt.Sprintf("a few minutes of %s as well, %s, would have taken the interval from %s to about %s (timeball combine)", name, when, before, then)
}

// Arrivals lists ways by which a signal comes.
func Arrivals(all []align.Arrival) string {
	var parts []string
	for _, a := range all {
		parts = append(parts, fmt.Sprintf("+%.2f ms %s", a.Excess*1e3, decibels(a.Level)))
	}
	return strings.Join(parts, ", ")
}

// Chirps says what a station's chirps told.
func Chirps(s align.Sounding) string {
	ways := "one way only"
	if n := len(s.Arrivals); n > 1 {
		ways = fmt.Sprintf("%d ways: %s", n, Arrivals(s.Arrivals))
	}
	return fmt.Sprintf("those of %s came by %s", s.At.UTC().Format("15:04 UTC"), ways)
}

// ChirpsTo says when a station's chirps come next.
func ChirpsTo(id string, next, now time.Time) string {
	in := "now"
	if d := next.Sub(now); d > 0 {
		in = "in " + soon(d.Seconds())
	}
	return fmt.Sprintf("%s sends chirps in minute %02d of each hour, %s: by them the ways its signal comes are told apart; let them be heard to their end", strings.ToUpper(id), next.Minute(), in)
}

// writeRecordings tells what each recording of a combined fix says alone, and what
// it contributes.
func writeRecordings(w io.Writer, recordings []align.Combined) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "recording\tstation\tMHz\tUTC\toffset alone, 95 %\tfirst mode\tweight")
	for _, r := range recordings {
		mhz := "-"
		if r.CarrierHz > 0 {
			mhz = fmt.Sprintf("%g", r.CarrierHz/1e6)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s, %.0f %%\t%.0f %%\n", r.Path, strings.ToUpper(r.Station), mhz, r.At.UTC().Format("15:04:05"),
			Bounded(r.Alone.Offset, r.Alone.CI95), r.Mode, 100*r.Chance, 100*r.Weight)
	}
	t.Flush()
	fmt.Fprintln(w)
}

func writeStations(w io.Writer, stations []align.StationFix) {
	if len(stations) == 0 {
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "station\ttone\tmarks\tSNR in 3 kHz\toffset, 95 %\tpath delay\tarrivals")
	for _, row := range StationRows(stations) {
		fmt.Fprintln(t, strings.Join(row, "\t"))
	}
	t.Flush()
	fmt.Fprintln(w)
}

// StationRows are the stations as a table: ID, tone, marks, SNR, offset, path
// delay, arrivals.
func StationRows(stations []align.StationFix) [][]string {
	var rows [][]string
	for _, s := range stations {
		snr, offset, delay := "-", "-", "not known"
		if s.SNRdB != nil {
			snr = fmt.Sprintf("%.1f dB", *s.SNRdB)
		}
		if s.Offset != nil && s.Path != nil {
			ci95 := s.CI95
			if ci95 == nil { // of an older version
				ci95 = &[2]float64{*s.Offset - 1.96**s.U, *s.Offset + 1.96**s.U}
			}
			offset = Bounded(*s.Offset, *ci95)
		}
		if s.Path != nil {
			ci95 := s.Path.CI95
			if ci95 == nil {
				ci95 = &[2]float64{s.Path.Delay - 1.96*s.Path.U, s.Path.Delay + 1.96*s.Path.U}
			}
			delay = fmt.Sprintf("%s (%s)", strings.TrimPrefix(Bounded(s.Path.Delay, *ci95), "+"), s.Path.Mode)
		}
		rows = append(rows, []string{
			strings.ToUpper(s.ID), fmt.Sprintf("%.0f Hz", s.ToneHz), fmt.Sprintf("%d of %d", s.TicksUsed, s.TicksExpected),
			snr, offset, delay, Arrivals(s.Arrivals),
		})
	}
	return rows
}

// BudgetRows is the budget as a table: source, type, u, degrees of freedom,
// share, note.
func BudgetRows(budget []align.BudgetLine) [][]string {
	sum := 0.0
	for _, l := range budget {
		sum += l.U * l.U
	}
	var rows [][]string
	for _, l := range budget {
		dof := "-"
		if l.DoF != nil && *l.DoF < manyDoF {
			dof = degrees(*l.DoF)
		}
		rows = append(rows, []string{l.Source, l.Type, Short(l.U), dof, fmt.Sprintf("%.0f %%", 100*l.U*l.U/sum), l.Note})
	}
	return rows
}

func writeBudget(w io.Writer, f align.Fix) {
	if f.U == nil {
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "uncertainty from\ttype\tu\tdegrees of freedom\tshare\t")
	for _, row := range BudgetRows(f.Budget) {
		fmt.Fprintln(t, strings.Join(row, "\t"))
	}
	t.Flush()
	fmt.Fprintln(w)
}

// Fact is something found of the marker, the sample clock, the time code or the
// recording: what it is about, and one or more lines.
type Fact struct {
	What string
	Is   []string
}

func writeFacts(w io.Writer, f align.Fix) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	defer t.Flush()
	for _, fact := range Facts(f) {
		fmt.Fprintf(t, "%s\t%s\n", fact.What, strings.Join(fact.Is, "\n\t"))
	}
}

// Facts are what was found beside the offset.
func Facts(f align.Fix) []Fact {
	var all []Fact
	add := func(what, is string, values ...any) {
		all = append(all, Fact{what, []string{fmt.Sprintf(is, values...)}})
	}
	if r := f.Recording.Recorded; r != nil {
		add("recorded", "only the first %.1f s of the %.1f s measured", *r, f.Recording.Seconds)
	}
	if m := f.Marker; m != nil {
		missed := "none missed"
		if m.Missed > 0 {
			missed = fmt.Sprintf("%d missed", m.Missed)
		}
		add("marker", "channel %d, %s edge, %d pulses, %s, jitter %s", m.Channel, m.Edge, m.Pulses, missed, Short(m.Jitter))
		for _, s := range m.Steps {
			found := &all[len(all)-1]
			found.Is = append(found.Is, fmt.Sprintf("%s at %.1f s", Moved(s.By), s.At))
		}
	}
	if f.Wire != nil {
		r := f.Wire.Reference
		add("reference", "channel %d, %s edge, %d pulses, %d missed, jitter %s", r.Channel, r.Edge, r.Pulses, r.Missed, Short(r.Jitter))
		for _, d := range f.Wire.Deviations {
			if d.Kind == "tdev" {
				add("time deviation (tdev)", "%s over %g s, 95 %% interval %s to %s, %s", Short(d.Value), d.Tau, Short(d.CI95[0]), Short(d.CI95[1]), d.Noise)
			}
		}
	}
	for _, s := range f.Stations {
		if s.Sounding != nil {
			add("chirps of "+strings.ToUpper(s.ID), "%s", Chirps(*s.Sounding))
		}
		if c := s.PhaseCode; c != nil {
			says := "which noise explains"
			if !c.Agrees {
				says = "which noise does not explain"
			}
			add("phase code of "+strings.ToUpper(s.ID), "%s ± %s %s than the edges, %s", Short(math.Abs(c.Later)), Short(1.96*c.U), laterOrEarlier(c.Later), says)
		}
		if s.Path != nil && s.Path.Sky != nil {
			sky := s.Path.Sky
			add("sky wave of "+strings.ToUpper(s.ID), "%+.0f ± %.0f dB against the ground wave; the marks come %s %s than by that alone", sky.Level, 1.96*sky.U, Short(math.Abs(sky.Late)), laterOrEarlier(sky.Late))
		}
	}
	if f.Rate != nil {
		add("rate", "the local clock %s", Gaining(f.Rate.Y, 1.96*f.Rate.U))
	}
	if c := f.SampleClock; c != nil {
		if c.PPMvsUTC != nil {
			carrier := ""
			if c.PPMvsCarrier != nil {
				carrier = fmt.Sprintf(", %s against the carrier", signed(*c.PPMvsCarrier))
			}
			add("sample clock", "%s ppm against %s%s", signed(*c.PPMvsUTC), against(f), carrier)
		} else if c.PPMvsMarker != nil {
			add("sample clock", "%s ppm against the marker", signed(*c.PPMvsMarker))
		}
	}
	if u := f.UTC; u != nil {
		dut1 := "DUT1 not read"
		if u.DUT1 != nil {
			dut1 = fmt.Sprintf("DUT1 %+.1f s", *u.DUT1)
		}
		summer := ""
		if u.SummerTime != "" {
			summer = fmt.Sprintf(", summer time %s today", u.SummerTime)
		}
		add("broadcast", "%s, %s, leap second: %s%s, from the %s", Time(*u, "2006-01-02 15:04:05 UTC"), dut1, u.Leap, summer, u.From)
	}
	if x := f.OffsetUT1; x != nil {
		add("UT1", "the local clock is %s UT1 by %.1f s, as far as DUT1 tells", Relation(align.SenseOf(*x)), math.Abs(*x))
	}
	lost := int64(0)
	for _, g := range f.Recording.Gaps {
		lost += g.LostFrames
	}
	gaps := ""
	switch n := len(f.Recording.Gaps); n {
	case 0:
	case 1:
		gaps = fmt.Sprintf(", %d frames lost in 1 gap", lost)
	default:
		gaps = fmt.Sprintf(", %d frames lost in %d gaps", lost, n)
	}
	if len(f.Recording.Settings) > 0 {
		add("as recorded", "%s", strings.Join(f.Recording.Settings, ", "))
	}
	add("recording", "%.1f s at %d Hz%s", f.Recording.Seconds, f.Recording.RateHz, gaps)
	return all
}
