package main

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"

	"timeball/align"
	"timeball/cmd/timeball/internal/page"
	"timeball/detect/marker"
)

//go:embed report.html
var fixReportText string

var fixReportTemplate = template.Must(template.New("fix").Parse(fixReportText))

// drawable is a measurement that can be drawn.
type drawable interface {
	PictureOf(align.Fix) align.Picture
}

// pictureOf draws up a measurement as far as it can be drawn.
func pictureOf(m measurement, f align.Fix) align.Picture {
	if d, ok := m.(drawable); ok {
		return d.PictureOf(f)
	}
	return align.Picture{Fix: f}
}

// fixReport is what the report of one fix shows.
type fixReport struct {
	Made     string
	Headline string
	Interval string
	Hands    string // in words
	align.Fix
	Budget   [][]string
	Stations [][]string
	Facts    [][2]string
	Settings [][2]string
	SHA256   string
	Events   [][3]string
	Untold   int // earlier events, for which there is no room
	Pictures []picture
	Cautions []string
}

// writeFixReport writes a report of one fix: a file that needs no other and
// prints on two pages. recording is the file of the sound, empty if none was kept.
func writeFixReport(path string, p align.Picture, s align.Settings, recording string, events []page.Event) error {
	f := p.Fix
	r := fixReport{
		Made: time.Now().UTC().Format("2006-01-02 15:04 UTC"), Headline: headline(f), Fix: f,
		Settings: settingsList(s), Cautions: cautions(f, s),
	}
	if f.Offset != nil {
		var b strings.Builder
		writeInterval(&b, f)
		r.Interval = b.String()
	}
	r.Hands = "Whether the hands show the right second is not known."
	if f.Hands != "" {
		r.Hands = "Its hands: " + f.Hands
	}
	r.Budget, r.Stations = budgetRows(f.Budget), stationRows(f.Stations)
	for line := range strings.Lines(factsText(f)) {
		what, is, _ := strings.Cut(line, "  ")
		is = strings.TrimSpace(is)
		if n := len(r.Facts); what == "" && n > 0 {
			r.Facts[n-1][1] += "; " + is // of the same thing
		} else {
			r.Facts = append(r.Facts, [2]string{what, is})
		}
	}
	r.Untold = len(events)
	for room := linesForEvents; r.Untold > 0; r.Untold-- {
		e := events[r.Untold-1]
		if room -= 1 + utf8.RuneCountInString(e.Text)/lineOfEvent; room < 0 {
			break
		}
		offset := ""
		if e.Offset != nil {
			offset = short(*e.Offset)
		}
		r.Events = append(r.Events, [3]string{minutes(e.T), e.Text, offset})
	}
	slices.Reverse(r.Events)
	var err error
	if recording != "" {
		if r.SHA256, err = hashFile(recording); err != nil {
			return fmt.Errorf("report: %w", err)
		}
	}
	if r.Pictures, err = fixPictures(p); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	var out bytes.Buffer
	if err := fixReportTemplate.Execute(&out, r); err != nil {
		return err
	}
	return os.WriteFile(path, out.Bytes(), 0o644)
}

// The latest events find room below the pictures: this many lines of so many
// characters.
const (
	linesForEvents = 10
	lineOfEvent    = 90
)

// hashFile is the SHA-256 of a file.
func hashFile(name string) (string, error) {
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return fmt.Sprintf("%x", h.Sum(nil)), nil
}

func factsText(f align.Fix) string {
	var b strings.Builder
	writeFacts(&b, f)
	return b.String()
}

// settingsList says what the measurement was told.
func settingsList(s align.Settings) [][2]string {
	var ids []string
	for _, st := range s.Stations {
		ids = append(ids, strings.ToUpper(st.ID))
	}
	rows := [][2]string{{"stations listened for", strings.Join(ids, ", ")}}
	add := func(what, is string) { rows = append(rows, [2]string{what, is}) }
	if s.CarrierHz > 0 {
		add("carrier", fmt.Sprintf("%g MHz", s.CarrierHz/1e6))
	}
	if s.At != nil {
		add("place", fmt.Sprintf("%.4f°, %.4f°", s.At.Lat, s.At.Lon))
	}
	if !s.Start.IsZero() {
		add("start", s.Start.UTC().Format(time.RFC3339))
	}
	quantity := func(what string, q align.Quantity) {
		add(what, strings.TrimPrefix(withUnit(q.Value, 1.96*q.U, secondUnits), "+")+", "+q.Note)
	}
	for _, id := range slices.Sorted(maps.Keys(s.PathDelays)) {
		quantity(strings.TrimSpace("path delay "+strings.ToUpper(id)), s.PathDelays[id])
	}
	receiver, skew := s.Delays()
	quantity("receiver delay", receiver)
	quantity("skew", skew)
	edge := "found"
	if s.Edge == marker.Rising || s.Edge == marker.Falling {
		edge = s.Edge.String()
	}
	add("marker edge", edge)
	if !math.IsNaN(s.Sunspots) {
		add("sunspots, R12 on the scale before 2015", fmt.Sprintf("%g", s.Sunspots))
	}
	if s.Maps != nil {
		add("ionosphere", "the ITU's maps")
	}
	return rows
}

// cautions say what the interval does not cover.
func cautions(f align.Fix, s align.Settings) []string {
	if f.Offset == nil {
		return nil
	}
	list := []string{"The clock after this fix: its rate, and whatever was adjusted later."}
	edge := "the on-time edge was found as the leading one; if the clock's on-time edge is the other, the offset is wrong by the pulse's width."
	if f.Marker != nil && s.Edge != 0 {
		edge = fmt.Sprintf("the %s edge was taken as on time, as told.", f.Marker.Edge)
	}
	list = append(list, "A mistaken edge: "+edge)
	if f.Wire != nil {
		return append(list, "The reference's own offset from UTC, and the delays of its cables.")
	}
	if f.WholeSeconds == nil {
		list = append(list, "Whole seconds: the hands may show another second.")
	}
	given, computed := false, false
	for _, st := range f.Stations {
		if st.Path != nil {
			given, computed = given || st.Path.Mode == "given", computed || st.Path.Mode != "given"
		}
	}
	switch {
	case f.Verdict == align.NoPath:
		list = append(list, "The path delay, which is still in the offset.")
	case computed:
		list = append(list, "A path unlike the computed ones: the long way round the earth, scatter, or an ionosphere disturbed by a storm; a station or a place named wrongly.")
	}
	if given {
		list = append(list, "A given path delay that was wrong by more than its ±, or that held for another hour or carrier.")
	}
	if s.ReceiverDelay == nil {
		list = append(list, "A receiver with digital filters: its delay was assumed, not measured, and may be tens of milliseconds. Calibrate it.")
	} else {
		list = append(list, "A receiver set otherwise (mode, bandwidth, tuning) than when its delay was found.")
	}
	return append(list, "A station that does not send what it publishes.")
}

// The pictures find room on a page, with the events below them.
const (
	reportTick    = 6.3 * vg.Centimeter
	reportRaster  = 5.6 * vg.Centimeter
	reportSeconds = 6.2 * vg.Centimeter
)

// fixPictures draws the station with the least uncertainty.
func fixPictures(p align.Picture) ([]picture, error) {
	best := -1
	least := math.Inf(1)
	for i := range p.Stations {
		s := &p.Stations[i]
		if len(s.Rows) > 0 && s.Band[1]-s.Band[0] < least {
			best, least = i, s.Band[1]-s.Band[0]
		}
	}
	if best < 0 {
		return nil, nil
	}
	s := &p.Stations[best]
	var all []picture
	for _, d := range []struct {
		caption string
		height  vg.Length
		plot    *plot.Plot
	}{
		{"The tick between the local marker and the UTC second. Shaded: 95 % intervals.", reportTick, plotTick(p.Fix, s)},
		{"What was heard each second.", reportRaster, plotRaster(p, s)},
		{"The offset by each second.", reportSeconds, plotSeconds(p.Fix, s)},
	} {
		svg, err := inlineSVG(d.plot, d.height)
		if err != nil {
			return nil, err
		}
		all = append(all, picture{d.caption, svg})
	}
	return all, nil
}
