package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"time"

	"timeball/align/rate"
	"timeball/cmd/timeball/internal/plot"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/wholefile"
)

//go:embed rate.html
var reportText string

var reportTemplate = template.Must(template.New("report").Parse(reportText))

// reportPage is what the page shows.
type reportPage struct {
	Clock, From, To, Made string
	Fixes                 int
	Findings, Changes     []string
	Forecast              [][2]string
	Outliers              [][3]string
	Pictures              []plot.Figure
	Deviations            [][]string
	Method                string
	Noise                 []string
}

// WriteRate writes the page for the binder: one file that needs no other.
func WriteRate(path string, r *text.Rate) error {
	f := r.Fit
	page := reportPage{
		Clock: r.Clock, From: text.Date(f.Start()), To: text.Date(f.Epoch), Made: text.Date(time.Now()), Fixes: len(f.Fixes),
		Findings: r.Findings(), Changes: r.Changes(), Method: r.Method(),
		Noise: []string{
			fmt.Sprintf("white phase noise beyond the fixes' own uncertainty: %s", text.WithUnit(f.Noise.ExtraU, 0, text.SecondUnits)[1:]),
			fmt.Sprintf("white frequency noise: Allan deviation %.2g at one day", f.Noise.White),
			fmt.Sprintf("random walk of frequency: Allan deviation %.2g at one day", f.Noise.Walk),
		},
	}
	for _, x := range r.Forecast {
		page.Forecast = append(page.Forecast, [2]string{text.Date(x.At), text.WithUnit(x.Offset, rate.Coverage*x.U, text.SecondUnits)})
	}
	for _, o := range r.Outliers() {
		page.Outliers = append(page.Outliers, [3]string{fmt.Sprint(o.ID), text.Date(o.At), text.WithUnit(o.Residual, 0, text.SecondUnits)})
	}
	for _, d := range r.Deviations() {
		page.Deviations = append(page.Deviations, []string{text.Deviation(d.Kind), fmt.Sprintf("%.3g", d.Tau/86400), fmt.Sprintf("%.3g", d.Value),
			fmt.Sprintf("%.2g to %.2g", d.CI95[0], d.CI95[1]), fmt.Sprintf("%.0f", d.EDF), d.Noise.String(), fmt.Sprintf("%.2g", r.Floor(d))})
	}
	var err error
	if page.Pictures, err = plot.RateFigures(r); err != nil {
		return err
	}
	return wholefile.Write(path, func(w io.Writer) error { return reportTemplate.Execute(w, page) })
}
