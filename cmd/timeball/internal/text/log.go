package text

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"timeball/align"
	"timeball/align/logbook"
	"timeball/align/rate"
)

// Entry puts an entry on one line.
func Entry(e *logbook.Entry) (kind string, at *time.Time, value string, remarks []string) {
	if f := e.Fix; f != nil {
		for _, s := range f.Stations {
			remarks = append(remarks, s.ID)
		}
		value = string(f.Verdict)
		if f.Offset != nil && f.U != nil {
			value = WithUnit(*f.Offset, rate.Coverage**f.U, SecondUnits)
			if f.WholeSeconds != nil && *f.WholeSeconds != 0 {
				value += fmt.Sprintf(" and %+d s", *f.WholeSeconds)
			}
			if f.Verdict != "fix" {
				value += " (" + string(f.Verdict) + ")"
			}
		} else if f.Reason != "" {
			remarks = append(remarks, f.Reason)
		}
		return "fix", f.At, value, remarks
	}
	a := e.Adjustment
	var parts []string
	u := 0.0
	if a.U != nil {
		u = rate.Coverage * *a.U
	}
	if a.Step != nil {
		parts = append(parts, stepped(*a.Step, u))
	}
	if a.Trim != nil {
		text := fmt.Sprintf("%+.3g", *a.Trim)
		if u > 0 {
			text += fmt.Sprintf(" ± %.1g", u)
		}
		parts = append(parts, text)
	}
	if a.Divisions != nil {
		parts = append(parts, turn(*a.Divisions, 0))
	}
	if a.Celsius != nil {
		parts = append(parts, fmt.Sprintf("%g °C", *a.Celsius))
	}
	if a.Note != "" {
		remarks = append(remarks, a.Note)
	}
	return string(a.Kind), &a.At, strings.Join(parts, ", "), remarks
}

// stepped says by how much, and which way, the clock was moved, with the half-width
// of that; an advance is positive.
func stepped(by, half float64) string {
	verb := "advanced by "
	if by < 0 {
		verb = "retarded by "
	}
	return verb + strings.TrimPrefix(WithUnit(math.Abs(by), half, SecondUnits), "+")
}

// WriteEntry says an entry to a person: a whole fix as replay does, anything else in
// one line. What stands in it may come from elsewhere.
func WriteEntry(w io.Writer, e *logbook.Entry) error {
	var f align.Fix
	if e.Fix != nil {
		if err := json.Unmarshal(e.Line, &f); err != nil {
			return fmt.Errorf("entry %d: %w", e.ID, err)
		}
	}
	var b strings.Builder
	if f.Offset == nil || f.U == nil || f.CI95 == nil || f.Marker == nil { // not a fix, or one of few words
		kind, at, value, remarks := Entry(e)
		when := "at an unknown time"
		if at != nil {
			when = Date(*at) + " UTC"
		}
		fmt.Fprintf(&b, "%s: %s %s %s\n", when, kind, value, Plain(strings.Join(remarks, "; ")))
		if f.Recording.Path != "" {
			fmt.Fprintf(&b, "recording: %s\n", f.Recording.Path)
		}
	} else if err := WriteFix(&b, f); err != nil {
		return err
	}
	_, err := io.WriteString(w, plainLines(b.String()))
	return err
}
