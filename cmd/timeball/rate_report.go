package main

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"os"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"timeball/align/rate"
	"timeball/align/stability"
)

//go:embed rate_report.html
var reportText string

var reportTemplate = template.Must(template.New("report").Parse(reportText))

// reportPage is what the page shows.
type reportPage struct {
	Clock, From, To, Made string
	Fixes                 int
	Findings, Changes     []string
	Forecast              [][2]string
	Outliers              [][3]string
	Pictures              []picture
	Deviations            [][]string
	Method                string
	Noise                 []string
}

type picture struct {
	Caption string
	SVG     template.HTML
}

// writeReport writes the page for the binder: one file that needs no other.
func writeReport(path string, r *rateResult) error {
	f := r.fit
	page := reportPage{
		Clock: r.clock, From: date(f.Start()), To: date(f.Epoch), Made: date(time.Now()), Fixes: len(f.Fixes),
		Findings: r.findings(), Changes: r.changes(), Method: r.method(),
		Noise: []string{
			fmt.Sprintf("white phase noise beyond the fixes' own uncertainty: %s", withUnit(f.Noise.ExtraU, 0, secondUnits)[1:]),
			fmt.Sprintf("white frequency noise: Allan deviation %.2g at one day", f.Noise.White),
			fmt.Sprintf("random walk of frequency: Allan deviation %.2g at one day", f.Noise.Walk),
		},
	}
	for _, x := range r.forecast {
		page.Forecast = append(page.Forecast, [2]string{date(x.At), withUnit(x.Offset, rate.Coverage*x.U, secondUnits)})
	}
	for _, o := range r.outliers() {
		page.Outliers = append(page.Outliers, [3]string{fmt.Sprint(o.ID), date(o.At), withUnit(o.Residual, 0, secondUnits)})
	}
	for _, d := range r.scatter.Deviations {
		switch d.Kind {
		case stability.OADEV, stability.MDEV, stability.TDEV, stability.OHDEV:
			page.Deviations = append(page.Deviations, []string{string(d.Kind), fmt.Sprintf("%.3g", d.Tau/86400), fmt.Sprintf("%.3g", d.Value),
				fmt.Sprintf("%.2g to %.2g", d.CI95[0], d.CI95[1]), fmt.Sprintf("%.0f", d.EDF), d.Noise.String(), fmt.Sprintf("%.2g", r.floor(d))})
		}
	}
	for _, c := range []struct {
		caption string
		plot    *plot.Plot
	}{
		{"Offset of the clock with fit, adjustments and forecast. Dotted: the tolerance.", r.historyPlot()},
		{"What the fit leaves of each fix.", r.residualPlot()},
		{"Stability. On the floor a deviation tells of the radio, above it of the clock.", r.deviationPlot()},
	} {
		svg, err := inlineSVG(c.plot, plotHeight)
		if err != nil {
			return err
		}
		page.Pictures = append(page.Pictures, picture{c.caption, svg})
	}
	var out bytes.Buffer
	if err := reportTemplate.Execute(&out, page); err != nil {
		return err
	}
	return os.WriteFile(path, out.Bytes(), 0o644)
}

// inlineSVG draws a plot as an svg element for a page.
func inlineSVG(p *plot.Plot, height vg.Length) (template.HTML, error) {
	c := vgsvg.New(plotWidth, height)
	drawPlots(draw.New(c), []*plot.Plot{p})
	var out bytes.Buffer
	if _, err := c.WriteTo(&out); err != nil {
		return "", err
	}
	svg := out.Bytes()
	if i := bytes.Index(svg, []byte("<svg")); i > 0 { // less the XML declaration
		svg = svg[i:]
	}
	// An image fills its place, as it does in the other formats.
	svg = bytes.ReplaceAll(svg, []byte("<image "), []byte(`<image preserveAspectRatio="none" `))
	return template.HTML(svg), nil
}
