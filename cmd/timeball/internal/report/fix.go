// Package report writes pages for the binder: one file that needs no other.
package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"timeball/align"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/plot"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/wholefile"
)

//go:embed fix.html
var fixReportText string

var fixReportTemplate = template.Must(template.New("fix").Parse(fixReportText))

// fixReport is what the report of one fix shows.
type fixReport struct {
	Made     string
	Headline string
	Interval string
	Hands    string // in words
	Advice   string // what to receive next
	align.Fix
	Candidates []string
	Budget     [][]string
	Stations   [][]string
	Facts      [][2]string
	Settings   [][2]string
	SHA256     string
	Events     [][3]string
	Untold     int // earlier events, for which there is no room
	Pictures   []plot.Figure
	Cautions   []string
	Caution    string // for who works on the clock
}

// WriteFix writes a report of one fix: a file that needs no other and
// prints on two pages. sha256 is that of the recording, empty if none was kept.
func WriteFix(path string, p align.Picture, s align.Settings, sha256 string, events []page.Event) error {
	f := p.Fix
	r := fixReport{
		Made: time.Now().UTC().Format("2006-01-02 15:04 UTC"), Headline: text.Headline(f), Fix: f,
		Settings: text.Settings(s, f.Recording.RateHz), SHA256: sha256, Cautions: text.Cautions(f, s), Caution: text.MachineryCaution,
	}
	if f.Offset != nil {
		r.Interval = text.Interval(f)
	}
	if f.Advice != nil {
		r.Advice = "Advice: " + text.Advice(f, true) + "."
	}
	for _, c := range f.Candidates {
		r.Candidates = append(r.Candidates, text.Candidate(c))
	}
	r.Hands = "Whether the hands show the right second is not known."
	if f.Hands != "" {
		r.Hands = "Its hands: " + f.Hands
	}
	r.Budget, r.Stations = text.BudgetRows(f.Budget), text.StationRows(f.Stations)
	for _, fact := range text.Facts(f) {
		r.Facts = append(r.Facts, [2]string{fact.What, strings.Join(fact.Is, "; ")})
	}
	r.Untold = len(events)
	for room := linesForEvents; r.Untold > 0; r.Untold-- {
		e := events[r.Untold-1]
		if room -= 1 + utf8.RuneCountInString(e.Text)/lineOfEvent; room < 0 {
			break
		}
		offset := ""
		if e.Offset != nil {
			offset = text.Short(*e.Offset)
		}
		r.Events = append(r.Events, [3]string{text.Minutes(e.T), e.Text, offset})
	}
	slices.Reverse(r.Events)
	var err error
	if r.Pictures, err = plot.FixFigures(p); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return wholefile.Write(path, func(w io.Writer) error { return fixReportTemplate.Execute(w, r) })
}

// The latest events find room below the pictures: this many lines of so many
// characters.
const (
	linesForEvents = 9
	lineOfEvent    = 90
)
