package plot

import (
	"bytes"
	_ "embed"
	"html/template"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

// The pictures find room on a page, with the events below them.
const (
	reportTick    = 6.3 * vg.Centimeter
	reportRaster  = 5.6 * vg.Centimeter
	reportSeconds = 6.2 * vg.Centimeter
)

// FixFigures draws the station with the least uncertainty.
func FixFigures(p align.Picture) ([]Figure, error) {
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
	tick, _ := mark(s)
	var all []Figure
	for _, d := range []struct {
		caption string
		height  vg.Length
		plot    *plot.Plot
	}{
		{"The " + tick + " between the local marker and the UTC second. Shaded: 95 % intervals.", reportTick, plotTick(p.Fix, s)},
		{"What was heard each second.", reportRaster, plotRaster(p, s)},
		{"The offset by each second.", reportSeconds, plotSeconds(p.Fix, s)},
	} {
		svg, err := inlineSVG(d.plot, d.height)
		if err != nil {
			return nil, err
		}
		all = append(all, Figure{d.caption, svg})
	}
	return all, nil
}

// RateFigures draws history, residuals and stability of a clock.
func RateFigures(r *text.Rate) ([]Figure, error) {
	var all []Figure
	for _, c := range []struct {
		caption string
		plot    *plot.Plot
	}{
		{"Offset of the clock with fit, adjustments and forecast. Dotted: the tolerance.", historyPlot(r)},
		{"What the fit leaves of each fix.", residualPlot(r)},
		{"Stability. On the floor a deviation tells of the radio, above it of the clock.", deviationPlot(r)},
	} {
		svg, err := inlineSVG(c.plot, plotHeight)
		if err != nil {
			return nil, err
		}
		all = append(all, Figure{c.caption, svg})
	}
	return all, nil
}

// Figure is a drawing for a page with what is written below it.
type Figure struct {
	Caption string
	SVG     template.HTML
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
