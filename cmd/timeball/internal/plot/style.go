// Package plot draws results: to a file of the format that its name tells, or as
// figures for a report.
package plot

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"git.sr.ht/~sbinet/gg"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

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

// File is where a picture goes: .png or .svg, as its name tells.
type File struct {
	Name string
	DPI  int // dots an inch of a .png, fewer where mostDots would be passed; 0: ScreenDPI
}

// MostDPI is the finest resolution that is drawn: what printers print (common practice).
const MostDPI = 600

// mostDots bounds a picture's dots, each of which takes 4 bytes: those of one station's
// column at MostDPI, 128 MB.
const mostDots = 32e6

// dots is how many to the inch a picture has.
func (f File) dots(width, height vg.Length) int {
	most := math.Sqrt(mostDots / float64(width/vg.Inch*height/vg.Inch))
	return min(cmp.Or(f.DPI, ScreenDPI), int(most))
}

// ScreenDPI is the resolution of pictures for the screen, as browsers count it (CSS
// Values and Units Level 4, 6.2: 96 px are an inch).
const ScreenDPI = 96

// savePicture draws into a file.
func savePicture(f File, width, height vg.Length, paint func(draw.Canvas)) error {
	var canvas vg.CanvasWriterTo
	if strings.EqualFold(filepath.Ext(f.Name), ".png") {
		canvas = newPNG(width, height, f.dots(width, height))
	} else {
		var err error
		if canvas, err = draw.NewFormattedCanvas(width, height, strings.ToLower(strings.TrimPrefix(filepath.Ext(f.Name), "."))); err != nil {
			return fmt.Errorf("%s: %w", f.Name, err)
		}
	}
	paint(draw.New(canvas))
	return wholefile.Write(f.Name, func(w io.Writer) error {
		_, err := canvas.WriteTo(w)
		return err
	})
}

// pngCanvas is a picture that says how many dots it has to the inch, so that it is
// printed at its size.
type pngCanvas struct {
	*vgimg.Canvas
	width, height vg.Length // which need not be whole dots
	dpi           int
}

// Size implements vg.CanvasSizer.
func (c pngCanvas) Size() (width, height vg.Length) { return c.width, c.height }

// newPNG makes the picture's dots, once: vgimg alone makes them and copies them.
func newPNG(width, height vg.Length, dpi int) pngCanvas {
	dots := func(l vg.Length) int { return int(math.Round(float64(l/vg.Inch) * float64(dpi))) }
	img := image.NewRGBA(image.Rect(0, 0, dots(width), dots(height)))
	ctx := gg.NewContextForRGBA(img)
	ctx.SetLineCapButt()
	ctx.InvertY()
	return pngCanvas{vgimg.NewWith(vgimg.UseDPI(dpi), vgimg.UseImageWithContext(img, ctx)), width, height, dpi}
}

// WriteTo implements io.WriterTo. The chunk pHYs, dots a metre, follows the header,
// which ends after 33 bytes (PNG, W3C Recommendation 2003, 11.2.2 and 11.3.5.3).
func (c pngCanvas) WriteTo(w io.Writer) (int64, error) {
	var b bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: c.Canvas}).WriteTo(&b); err != nil {
		return 0, err
	}
	const header = 33
	metre := uint32(math.Round(float64(c.dpi) / 0.0254))
	chunk := []byte("pHYs")
	chunk = binary.BigEndian.AppendUint32(chunk, metre)
	chunk = binary.BigEndian.AppendUint32(chunk, metre)
	chunk = append(chunk, 1) // the unit is the metre
	physical := binary.BigEndian.AppendUint32(nil, uint32(len(chunk)-4))
	physical = binary.BigEndian.AppendUint32(append(physical, chunk...), crc32.ChecksumIEEE(chunk))
	n, err := w.Write(slices.Concat(b.Bytes()[:header], physical, b.Bytes()[header:]))
	return int64(n), err
}

// savePlots draws plots one below the other into a file, .png or .svg.
func savePlots(path File, plots ...*plot.Plot) error {
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

// decadeTicks are those of a log axis: 1e-9, and 2e-9 and 5e-9 where there are fewer
// than two decades.
func decadeTicks(from, to float64) []plot.Tick {
	var ticks []plot.Tick
	few := to < 100*from
	for e := math.Floor(math.Log10(from)); e <= math.Log10(to); e++ {
		for digit := 1.0; digit <= 9; digit++ {
			v := digit * math.Pow10(int(e))
			if v < from*(1-1e-9) || v > to*(1+1e-9) {
				continue
			}
			t := plot.Tick{Value: v}
			if digit == 1 || few && (digit == 2 || digit == 5) {
				t.Label = fmt.Sprintf("%.0fe%.0f", digit, e)
			}
			ticks = append(ticks, t)
		}
	}
	return ticks
}

// dayTicks are decadeTicks of small numbers, which need no power of ten.
func dayTicks(from, to float64) []plot.Tick {
	ticks := decadeTicks(from, to)
	for i := range ticks {
		if ticks[i].Label != "" {
			ticks[i].Label = strconv.FormatFloat(ticks[i].Value, 'g', 3, 64)
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

// label writes a word at a point, on white where lines may cross it.
func label(pl *plot.Plot, x, y float64, word string, c color.RGBA, align draw.XAlignment) {
	style := pl.X.Tick.Label
	style.Color, style.Rotation = c, 0
	style.XAlign, style.YAlign = align, draw.YCenter
	pl.Add(words{word, x, y, style, c == white})
}

var white = color.RGBA{0xff, 0xff, 0xff, 0xff}

// words is a plotter of a text that, unlike plotter.Labels, claims no margin for
// it.
type words struct {
	text   string
	x, y   float64
	style  draw.TextStyle
	onDark bool
}

// Plot implements plot.Plotter.
func (w words) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	at := vg.Point{X: x(w.x), Y: y(w.y)}
	if !w.onDark {
		r := w.style.Rectangle(w.text).Add(at)
		c.FillPolygon(white, []vg.Point{r.Min, {X: r.Max.X, Y: r.Min.Y}, r.Max, {X: r.Min.X, Y: r.Max.Y}})
	}
	c.FillText(w.style, at, w.text)
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
