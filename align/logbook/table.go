package logbook

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"timeball/align"
	"timeball/align/rate"
)

// tableNote stands above the table: units and signs.
const tableNote = `# Times are UTC. offset_s: local clock minus UTC, seconds; positive: ahead, retard it. ` +
	`u_s: its standard uncertainty; u_common_s: the part of it that is the same in all fixes. ` +
	`step_s: added to the offset. trim_y: added to the rate, dimensionless; positive: raised. ` +
	`divisions: positive clockwise. u: standard uncertainty of step_s or trim_y. about: the row a note or withdrawal is about.`

// columns of the table, in order.
var columns = []string{"row", "kind", "at", "offset_s", "u_s", "u_common_s", "dof", "whole_seconds", "verdict", "stations",
	"step_s", "trim_y", "divisions", "u", "celsius", "about", "note"}

// ExportTable writes all entries of a clock as CSV (RFC 4180) in the order of
// logging, under a comment that states units and signs. It holds what the
// analysis needs, not the whole fix: budget, arrivals and provenance are in the
// JSON lines only. ImportTable gives the same table again.
func (b *Book) ExportTable(clock string, w io.Writer) error {
	if err := b.check(); err != nil {
		return err
	}
	entries, err := b.Entries(clock)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintln(w, tableNote); err != nil {
		return err
	}
	out := csv.NewWriter(w)
	out.Write(columns)
	rows := map[string]int{}
	for i, e := range entries {
		rows[e.Digest] = i + 1
		row := map[string]string{"row": strconv.Itoa(i + 1)}
		if f := e.Fix; f != nil {
			row["kind"] = "fix"
			if f.At != nil {
				row["at"] = f.At.UTC().Format(time.RFC3339Nano)
			}
			row["offset_s"], row["u_s"], row["dof"] = number(f.Offset), number(f.U), number(f.DoF)
			if f.U != nil {
				if common := commonUncertainty(f); common > 0 {
					row["u_common_s"] = number(&common)
				}
			}
			if f.WholeSeconds != nil {
				row["whole_seconds"] = strconv.Itoa(*f.WholeSeconds)
			}
			row["verdict"], row["stations"], row["note"] = string(f.Verdict), stationIDs(f), f.Reason
		} else {
			a := e.Adjustment
			row["kind"], row["at"] = string(a.Kind), a.At.UTC().Format(time.RFC3339Nano)
			row["step_s"], row["trim_y"], row["divisions"] = number(a.Step), number(a.Trim), number(a.Divisions)
			row["u"], row["celsius"], row["note"] = number(a.U), number(a.Celsius), a.Note
			if n := rows[a.Entry]; n > 0 {
				row["about"] = strconv.Itoa(n)
			}
		}
		cells := make([]string, len(columns))
		for k, name := range columns {
			cells[k] = row[name]
		}
		out.Write(cells)
	}
	out.Flush()
	return out.Error()
}

// stationIDs joins the stations of a fix by spaces.
func stationIDs(f *align.Fix) string {
	ids := make([]string, len(f.Stations))
	for i, s := range f.Stations {
		ids[i] = s.ID
	}
	return strings.Join(ids, " ")
}

// number writes v so that it reads back exactly; nothing for nil.
func number(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'g', -1, 64)
}

// ImportTable adds the rows of a table as ExportTable writes it. The header
// must name kind and at; other columns may be missing or stand in any order,
// unknown ones are refused. It is all or nothing, as ImportLines.
func (b *Book) ImportTable(clock string, r io.Reader) (Imported, error) {
	begin := bufio.NewReader(r)
	if mark, _ := begin.Peek(3); string(mark) == "\ufeff" { // spreadsheets put a byte-order mark there
		begin.Discard(3)
	}
	in := csv.NewReader(begin)
	in.Comment = '#'
	header, err := in.Read()
	if err != nil {
		return Imported{}, fmt.Errorf("no header row: %w", err)
	}
	at := map[string]int{}
	for i, name := range header {
		if !slices.Contains(columns, name) {
			return Imported{}, fmt.Errorf("unknown column %q; known are %s", name, strings.Join(columns, ", "))
		}
		at[name] = i
	}
	for _, name := range []string{"kind", "at"} {
		if _, ok := at[name]; !ok {
			return Imported{}, fmt.Errorf("the header row lacks the column %q", name)
		}
	}
	return b.importAll(clock, func(add func([]byte) error) error {
		digests := map[string]string{} // by row
		for {
			cells, err := in.Read()
			if err == io.EOF {
				return nil
			}
			if err != nil {
				return err
			}
			line, _ := in.FieldPos(0)
			p := cellReader{cells: cells, at: at}
			value := p.entry(digests)
			if p.err != nil {
				return fmt.Errorf("line %d: %w", line, p.err)
			}
			text, err := json.Marshal(value)
			if err != nil {
				return fmt.Errorf("line %d: %w", line, err)
			}
			if err := add(text); err != nil {
				return fmt.Errorf("line %d: %w", line, err)
			}
			if row := p.text("row"); row != "" {
				digests[row] = hexDigest(text)
			}
		}
	})
}

// cellReader reads the cells of one row by column and keeps the first error.
type cellReader struct {
	cells []string
	at    map[string]int
	err   error
}

func (p *cellReader) text(name string) string {
	if i, ok := p.at[name]; ok {
		return p.cells[i]
	}
	return ""
}

func (p *cellReader) fail(name, what string) {
	if p.err == nil {
		p.err = fmt.Errorf("column %s: %q is not %s", name, p.text(name), what)
	}
}

func (p *cellReader) number(name string) *float64 {
	s := p.text(name)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || v-v != 0 {
		p.fail(name, "a number")
	}
	return &v
}

func (p *cellReader) time(name string) *time.Time {
	s := p.text(name)
	if s == "" {
		return nil
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		p.fail(name, "a time like 2026-03-14T18:20:07Z")
	}
	t = t.UTC()
	return &t
}

// entry makes the fix or the adjustment of a row.
func (p *cellReader) entry(digests map[string]string) any {
	at := p.time("at")
	if p.text("kind") == "fix" {
		f := align.Fix{Schema: FixSchema, Verdict: align.Verdict(p.text("verdict")), Reason: p.text("note"), At: at,
			Offset: p.number("offset_s"), U: p.number("u_s"), DoF: p.number("dof")}
		if f.Verdict == "" {
			f.Verdict = align.Found
		}
		if at != nil && at.After(time.Now().AddDate(0, 0, 1)) {
			p.fail("at", "in the past")
		}
		if f.DoF != nil && *f.DoF < 1 {
			p.fail("dof", "1 or more")
		}
		if common := p.number("u_common_s"); common != nil {
			if *common < 0 || f.U != nil && *common > *f.U {
				p.fail("u_common_s", "a part of u_s")
			}
			f.Budget = []align.BudgetLine{{Source: strings.Join(commonSources, ", "), Type: "B", U: *common}}
		}
		if s := p.text("whole_seconds"); s != "" {
			n, err := strconv.Atoi(s)
			if err != nil {
				p.fail("whole_seconds", "a whole number")
			}
			f.WholeSeconds = &n
		}
		for _, id := range strings.Fields(p.text("stations")) {
			f.Stations = append(f.Stations, align.StationFix{ID: id})
		}
		return f
	}
	if at == nil && p.err == nil {
		p.err = errors.New("an adjustment needs a time in column at")
		return nil
	}
	a := rate.Adjustment{Schema: rate.AdjustmentSchema, Kind: rate.AdjustmentKind(p.text("kind")), Note: p.text("note"),
		Step: p.number("step_s"), Trim: p.number("trim_y"), Divisions: p.number("divisions"),
		U: p.number("u"), Celsius: p.number("celsius")}
	if at != nil {
		a.At = *at
	}
	if err := Plausible(a); err != nil && p.err == nil {
		p.err = err
	}
	if row := p.text("about"); row != "" {
		if a.Entry = digests[row]; a.Entry == "" {
			p.fail("about", "the number of an earlier row")
		}
	}
	return a
}
