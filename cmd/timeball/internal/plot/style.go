// Package plot draws results: to a file of the format that its name tells, or as
// figures for a report.
package plot

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"timeball/cmd/timeball/internal/wholefile"
)

// Colours are our own. Those that tell something stand out from white by 3 to 1 in
// luminance (WCAG 2.2, 1.4.11), and differ in it or in shape and dashes where they
// meet, for print in black.
var (
	inkColour    = color.RGBA{40, 44, 52, 255} // what is said
	groundColour = color.RGBA{214, 204, 186, 255}
	paleColour   = color.RGBA{170, 178, 190, 255}
	bandColour   = color.RGBA{205, 222, 232, 255}
	// Of the ionosphere's layers and their names.
	layerBandColour = color.RGBA{243, 245, 248, 255}
	paleInkColour   = color.RGBA{120, 128, 140, 255}
	// The marker, UTC and the tick's arrival keep theirs in all drawings.
	markerColour  = color.RGBA{0xb3, 0x2d, 0x1e, 0xff}
	utcColour     = color.RGBA{0x0b, 0x5c, 0x8a, 0xff}
	arrivalColour = color.RGBA{0x2e, 0x7d, 0x4f, 0xff}
	// Of a clock's history.
	fitColour     = utcColour
	changeColour  = color.RGBA{0x7a, 0x5a, 0x00, 0xff}
	outlierColour = markerColour
	// A raster runs from still to loud through these, each lighter than the last.
	rasterColours = []color.RGBA{{0x12, 0x1c, 0x2b, 0xff}, {0x24, 0x4a, 0x66, 0xff}, {0x5b, 0x8f, 0x99, 0xff}, {0xe8, 0xd9, 0x9a, 0xff}, {0xff, 0xfb, 0xee, 0xff}}
)

// savePicture draws into a file of the format its name tells.
func savePicture(name string, width, height vg.Length, paint func(draw.Canvas)) error {
	format := strings.ToLower(strings.TrimPrefix(filepath.Ext(name), "."))
	canvas, err := draw.NewFormattedCanvas(width, height, format)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	paint(draw.New(canvas))
	return wholefile.Write(name, func(w io.Writer) error {
		_, err := canvas.WriteTo(w)
		return err
	})
}

// savePlots draws plots one below the other into a file, .png or .svg.
func savePlots(path string, plots ...*plot.Plot) error {
	return savePicture(path, plotWidth, plotHeight*vg.Length(len(plots)), func(c draw.Canvas) { drawPlots(c, plots) })
}

// drawPlots stacks plots with their axes aligned.
func drawPlots(dc draw.Canvas, plots []*plot.Plot) {
	column := make([][]*plot.Plot, len(plots))
	for i, p := range plots {
		column[i] = []*plot.Plot{p}
	}
	tiles := draw.Tiles{Rows: len(plots), Cols: 1, PadX: vg.Millimeter, PadY: 3 * vg.Millimeter,
		PadTop: 2 * vg.Millimeter, PadBottom: 2 * vg.Millimeter, PadLeft: 2 * vg.Millimeter, PadRight: 5 * vg.Millimeter}
	for i, row := range plot.Align(column, tiles, dc) {
		plots[i].Draw(row[0])
	}
}

// newPlot is an empty plot in the common style.
func newPlot(title, x, y string) *plot.Plot {
	p := plot.New()
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, x, y
	p.Title.Padding = 2 * vg.Millimeter
	grid := plotter.NewGrid()
	grid.Vertical.Color, grid.Horizontal.Color = color.Gray{0xe4}, color.Gray{0xe4}
	p.Add(grid)
	p.Legend.Top, p.Legend.Left = true, true
	p.Legend.Padding = vg.Millimeter
	return p
}

// timeAxis makes the x axis show dates of Unix seconds.
func timeAxis(p *plot.Plot) { p.X.Tick.Marker = plot.TickerFunc(dateTicks) }

// dateTicks marks round dates: days, months or years, not more than eight.
func dateTicks(from, to float64) []plot.Tick {
	const most = 8
	first := time.Unix(int64(from), 0).UTC()
	for _, c := range []struct {
		years, months, days int
		format              string
	}{{0, 0, 1, "2 Jan"}, {0, 0, 2, "2 Jan"}, {0, 0, 7, "2 Jan"}, {0, 1, 0, "Jan 2006"}, {0, 2, 0, "Jan 2006"}, {0, 3, 0, "Jan 2006"},
		{0, 6, 0, "Jan 2006"}, {1, 0, 0, "2006"}, {2, 0, 0, "2006"}, {5, 0, 0, "2006"}, {20, 0, 0, "2006"}} {
		t := time.Date(first.Year(), 1, 1, 0, 0, 0, 0, time.UTC)
		if c.days > 0 {
			t = time.Date(first.Year(), first.Month(), 1, 0, 0, 0, 0, time.UTC)
		}
		var ticks []plot.Tick
		for ; unix(t) <= to && len(ticks) <= most; t = t.AddDate(c.years, c.months, c.days) {
			if unix(t) >= from {
				ticks = append(ticks, plot.Tick{Value: unix(t), Label: t.Format(c.format)})
			}
		}
		if len(ticks) <= most && len(ticks) > 0 {
			return ticks
		}
	}
	return []plot.Tick{{Value: from, Label: first.Format("2 Jan 2006 15:04")}}
}

// decadeTicks are gonum's for a log axis with short labels: 1e-9.
func decadeTicks(from, to float64) []plot.Tick {
	ticks := plot.LogTicks{}.Ticks(from, to)
	for i := range ticks {
		if ticks[i].Label != "" {
			exponent := math.Round(math.Log10(ticks[i].Value))
			ticks[i].Label = fmt.Sprintf("1e%.0f", exponent)
		}
	}
	return ticks
}

// headroom leaves room for the legend above what is drawn.
func headroom(p *plot.Plot, share float64) { p.Y.Max += share * (p.Y.Max - p.Y.Min) }

func line(points plotter.XYs, c color.Color, width vg.Length, dashes ...vg.Length) *plotter.Line {
	l := &plotter.Line{XYs: points}
	l.Color, l.Width, l.Dashes = c, width, dashes
	return l
}

func markers(points plotter.XYs, c color.Color, shape draw.GlyphDrawer, radius vg.Length) *plotter.Scatter {
	s := &plotter.Scatter{XYs: points}
	s.Color, s.Shape, s.Radius = c, shape, radius
	return s
}

// unix is the x of a time.
func unix(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }

// area fills an outline with a pale shade of c.
func area(outline plotter.XYs, c color.RGBA) *plotter.Polygon {
	pale := func(v uint8) uint8 { return 255 - (255-v)/5 }
	return &plotter.Polygon{XYs: []plotter.XYs{outline}, Color: color.RGBA{pale(c.R), pale(c.G), pale(c.B), 255}}
}

// label writes a word at a point.
func label(pl *plot.Plot, x, y float64, word string, c color.RGBA, align draw.XAlignment) {
	style := pl.X.Tick.Label
	style.Color, style.Rotation = c, 0
	style.XAlign, style.YAlign = align, draw.YCenter
	pl.Add(words{word, x, y, style})
}

// words is a plotter of a text that, unlike plotter.Labels, claims no margin for
// it.
type words struct {
	text  string
	x, y  float64
	style draw.TextStyle
}

// Plot implements plot.Plotter.
func (w words) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	c.FillText(w.style, vg.Point{X: x(w.x), Y: y(w.y)}, w.text)
}

// roundTicks marks round numbers, from six to twelve of them.
func roundTicks(from, to float64) []plot.Tick {
	step := math.Pow10(int(math.Floor(math.Log10((to - from) / 5))))
	for _, factor := range []float64{5, 2} {
		if step*factor <= (to-from)/5 {
			step *= factor
			break
		}
	}
	places := max(0, -int(math.Floor(math.Log10(step))))
	var ticks []plot.Tick
	for i := math.Ceil(from/step - 1e-9); i <= to/step+1e-9; i++ {
		ticks = append(ticks, plot.Tick{Value: i * step, Label: strconv.FormatFloat(i*step+0, 'f', places, 64)})
	}
	return ticks
}

// clockTicks marks round times of a recording as minutes and seconds.
func clockTicks(from, to float64) []plot.Tick {
	const most = 8
	for _, step := range []float64{5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400} {
		if (to-from)/step > most {
			continue
		}
		var ticks []plot.Tick
		for t := math.Ceil(from/step) * step; t <= to; t += step {
			ticks = append(ticks, plot.Tick{Value: t, Label: fmt.Sprintf("%d:%02d", int(t)/60, int(t)%60)})
		}
		return ticks
	}
	return plot.DefaultTicks{}.Ticks(from, to)
}

func addLine(pl *plot.Plot, xys plotter.XYs, colour color.Color, points float64, dashes []vg.Length) {
	line, err := plotter.NewLine(xys)
	if err != nil {
		return // no two points: nothing to draw
	}
	line.Color = colour
	line.Width = vg.Points(points)
	line.Dashes = dashes
	pl.Add(line)
}

func addLabel(pl *plot.Plot, at plotter.XY, label string, colour color.Color, align draw.XAlignment) {
	labels, err := plotter.NewLabels(plotter.XYLabels{XYs: plotter.XYs{at}, Labels: []string{label}})
	if err != nil {
		return // a place that is no number
	}
	labels.TextStyle[0].Color = colour
	labels.TextStyle[0].Font.Size = vg.Points(10)
	labels.TextStyle[0].XAlign = align
	pl.Add(labels)
}
