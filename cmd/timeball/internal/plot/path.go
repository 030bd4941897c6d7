package plot

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"timeball/align/path"
	"timeball/cmd/timeball/internal/text"
)

// layerColour tells the layers of modes apart.
func layerColour(mode string) color.RGBA {
	switch {
	case strings.HasSuffix(mode, "F2"):
		return color.RGBA{24, 96, 140, 255}
	case strings.HasSuffix(mode, "F1"):
		return color.RGBA{92, 138, 60, 255}
	case strings.HasSuffix(mode, "Es"):
		return color.RGBA{150, 70, 130, 255}
	case strings.HasSuffix(mode, "E"):
		return color.RGBA{196, 98, 28, 255}
	}
	return inkColour
}

// Path draws the hops over the curved earth and the delay over the 24 hours
// of the request's day.
func Path(name File, r path.Request, p path.Prediction) error {
	section := plotHops(r, p)
	day, err := plotDay(r)
	if err != nil {
		return err
	}
	return savePicture(name, 26*vg.Centimeter, 21*vg.Centimeter, func(c draw.Canvas) {
		c.FillPolygon(color.White, []vg.Point{c.Min, {X: c.Max.X, Y: c.Min.Y}, c.Max, {X: c.Min.X, Y: c.Max.Y}})
		height := c.Max.Y - c.Min.Y
		margin := 0.4 * vg.Centimeter
		drawToScale(section, draw.Crop(c, margin, -margin, 0.46*height, -margin))
		day.Draw(draw.Crop(c, margin, -2*margin, margin, -0.56*height))
	})
}

// earthKm is the radius of the drawing's earth.
const earthKm = 6371.009

// plotHops is the vertical section along the great circle, kilometres both ways.
func plotHops(r path.Request, p path.Prediction) *plot.Plot {
	pl := plot.New()
	pl.Title.Text = fmt.Sprintf("%s, %s, to %v, %s: %.0f km", strings.ToUpper(r.Station.ID), text.Carrier(p.CarrierHz), text.Place(r.At), r.Time.Format("2006-01-02 15:04 UTC"), p.DistanceM/1e3)
	pl.Title.TextStyle.Font.Size = vg.Points(13)
	pl.HideAxes()
	span := p.DistanceM / 1e3 / earthKm // angle at the earth's centre
	// at is a point of the drawing: the share of the way and the height. The
	// middle of the way is on top.
	at := func(share, heightKm float64) plotter.XY {
		s, c := math.Sincos((share - 0.5) * span)
		return plotter.XY{X: (earthKm + heightKm) * s, Y: (earthKm+heightKm)*c - earthKm}
	}
	arc := func(heightKm, from, to float64) plotter.XYs {
		xys := make(plotter.XYs, 201)
		for i := range xys {
			xys[i] = at(from+(to-from)*float64(i)/200, heightKm)
		}
		return xys
	}
	// Ground is drawn on beyond both ends, a good deal where they are close.
	beyond := max(0.03, 150/(earthKm*span))
	const crustKm = 60
	near := earthKm*span < 6000 // else the layers' ends lie too close for all their names
	shell := func(name string, lowKm, highKm float64, colour color.Color) {
		ring := append(arc(highKm, -beyond, 1+beyond), arc(lowKm, 1+beyond, -beyond)...)
		if filled, err := plotter.NewPolygon(ring); err == nil {
			filled.Color = colour
			filled.LineStyle.Width = 0
			pl.Add(filled)
		}
		if name != "" && near {
			addLabel(pl, at(-beyond, (lowKm+highKm)/2), name+" ", paleInkColour, draw.XRight)
		}
	}
	shell("", -crustKm, 0, groundColour)
	for _, l := range path.Layers {
		shell(l.Name, l.FromM/1e3, l.ToM/1e3, layerBandColour)
	}
	for heightKm := 100.0; heightKm <= 400; heightKm += 100 {
		addLine(pl, arc(heightKm, -beyond, 1+beyond), paleColour, 0.6, []vg.Length{vg.Points(2), vg.Points(3)})
		if heightKm == 400 || near {
			addLabel(pl, at(1+beyond, heightKm), fmt.Sprintf(" %.0f km", heightKm), paleColour, draw.XLeft)
		}
	}
	perPoint := max((pl.X.Max-pl.X.Min)/700, (pl.Y.Max-pl.Y.Min)/300) // about; km
	// The likelier a ray is to be the first, the thicker it is, and the sooner it
	// gets a label where there is room for one only.
	modes := slices.Clone(p.Modes)
	slices.SortStableFunc(modes, func(a, b path.Mode) int { return cmp.Compare(b.First, a.First) })
	var labelled []plotter.XY
	label := func(at plotter.XY, m path.Mode) {
		taken := slices.ContainsFunc(labelled, func(o plotter.XY) bool {
			return math.Abs(o.X-at.X) < 26*perPoint && math.Abs(o.Y-at.Y) < 13*perPoint
		})
		if !taken && m.Probability > 0.05 {
			labelled = append(labelled, at)
			addLabel(pl, at, m.Name, layerColour(m.Name), draw.XCenter)
		}
	}
	for _, m := range modes {
		if m.Hops == 0 {
			addLine(pl, arc(0, 0, 1), layerColour(m.Name), 3*m.Probability, nil)
			label(at(0.5, 12*perPoint), m)
			continue
		}
		var ray plotter.XYs
		for i := range 2*m.Hops + 1 {
			ray = append(ray, at(float64(i)/float64(2*m.Hops), float64(i%2)*m.HeightM/1e3))
		}
		addLine(pl, ray, layerColour(m.Name), 0.4+2.6*m.First, nil)
		lift := 7 * perPoint
		if strings.HasSuffix(m.Name, "Es") {
			lift *= -2 // just below the E layer, whose label is above it
		}
		label(at(0.5/float64(m.Hops), m.HeightM/1e3+lift), m)
	}
	under := -crustKm - 16*perPoint
	left, right := draw.XCenter, draw.XCenter
	if earthKm*span < 80*perPoint { // no room for both
		left, right = draw.XRight, draw.XLeft
	}
	addLabel(pl, at(0, under), strings.ToUpper(r.Station.ID)+" ", inkColour, left)
	addLabel(pl, at(1, under), " receiver", inkColour, right)
	return pl
}

// drawToScale draws a plot with the same scale both ways, centred in c.
func drawToScale(pl *plot.Plot, c draw.Canvas) {
	size := c.Size()
	// A third of a centimetre a side and the title's two lines are not data.
	width, height := float64(size.X-vg.Centimeter), float64(size.Y-1.5*vg.Centimeter)
	perPoint := max((pl.X.Max-pl.X.Min)/width, (pl.Y.Max-pl.Y.Min)/height)
	growX := (perPoint*width - (pl.X.Max - pl.X.Min)) / 2
	growY := (perPoint*height - (pl.Y.Max - pl.Y.Min)) / 2
	pl.X.Min, pl.X.Max = pl.X.Min-growX, pl.X.Max+growX
	pl.Y.Min, pl.Y.Max = pl.Y.Min-growY, pl.Y.Max+growY
	pl.Draw(c)
}

// plotDay is the delay over the 24 hours of the request's day: the mean with its
// 95 % interval, and every mode as dots as large as its chance to be the first.
func plotDay(r path.Request) (*plot.Plot, error) {
	pl := newPlot(fmt.Sprintf("%s, %s: the delay of the earliest arrival on %s", strings.ToUpper(r.Station.ID), text.Carrier(r.CarrierHz), r.Time.Format(time.DateOnly)), "UTC, hours", "")
	pl.Y.Label.Text = "path delay, ms"
	pl.X.Min, pl.X.Max = 0, 24
	pl.X.Tick.Marker = plot.ConstantTicks(hourTicks())
	start := r.Time.Truncate(24 * time.Hour)
	var mean, low, high plotter.XYs
	var dots []dot
	for half := range 49 {
		hours := float64(half) / 2
		at := r
		at.Time = start.Add(time.Duration(half) * 30 * time.Minute)
		p, err := path.Predict(at)
		if err != nil {
			return nil, err
		}
		mean = append(mean, plotter.XY{X: hours, Y: p.DelaySeconds * 1e3})
		low = append(low, plotter.XY{X: hours, Y: p.CI95[0] * 1e3})
		high = append(high, plotter.XY{X: hours, Y: p.CI95[1] * 1e3})
		for _, m := range p.Modes {
			if m.First > 0.03 {
				dots = append(dots, dot{plotter.XY{X: hours, Y: m.DelaySeconds * 1e3}, m.First, m.Name})
			}
		}
	}
	outline := append(plotter.XYs{}, low...)
	for i := len(high) - 1; i >= 0; i-- {
		outline = append(outline, high[i])
	}
	band, err := plotter.NewPolygon(outline)
	if err != nil {
		return nil, err
	}
	band.Color = bandColour
	band.LineStyle.Width = 0
	pl.Add(band)
	pl.Legend.Add("95 % interval", band)
	for _, d := range dots {
		scatter, err := plotter.NewScatter(plotter.XYs{d.XY})
		if err != nil {
			return nil, err
		}
		scatter.GlyphStyle = draw.GlyphStyle{Color: layerColour(d.mode), Radius: vg.Points(1 + 4*d.first), Shape: draw.CircleGlyph{}}
		pl.Add(scatter)
	}
	line, err := plotter.NewLine(mean)
	if err != nil {
		return nil, err
	}
	line.Color, line.Width = inkColour, vg.Points(1.5)
	pl.Add(line)
	pl.Legend.Add("mean", line)
	if len(dots) > 0 {
		pl.Legend.Add("dot: a mode, by its name; the larger, the likelier it is the earliest", dotKey{})
	}
	pl.Y.Tick.Marker = plot.TickerFunc(roundTicks)
	headroom(pl, 0.3)
	pl.Add(dotNames(dots))
	hours := r.Time.Sub(start).Hours()
	addLine(pl, plotter.XYs{{X: hours, Y: pl.Y.Min}, {X: hours, Y: pl.Y.Max}}, paleColour, 1, []vg.Length{vg.Points(4), vg.Points(3)})
	return pl, nil
}

// dot is a mode at an hour.
type dot struct {
	plotter.XY
	first float64 // chance that it is the earliest
	mode  string
}

// dotKey stands for the dots in the legend.
type dotKey struct{}

// Thumbnail implements plot.Thumbnailer.
func (dotKey) Thumbnail(c *draw.Canvas) {
	at := c.Center()
	for i, radius := range []float64{1, 2, 3.2} {
		c.DrawGlyph(draw.GlyphStyle{Color: inkColour, Radius: vg.Points(radius), Shape: draw.CircleGlyph{}}, vg.Point{X: at.X + vg.Points(float64(i-1)*6), Y: at.Y})
	}
}

// dotNames writes a mode's name at each row of its dots, where it covers nothing.
type dotNames []dot

// Plot implements plot.Plotter.
func (n dotNames) Plot(c draw.Canvas, p *plot.Plot) {
	style := p.X.Tick.Label
	style.Font.Size = vg.Points(8)
	style.XAlign, style.YAlign = draw.XCenter, draw.YCenter
	for _, l := range n.places(c, p, style) {
		style.Color = layerColour(l.mode)
		if l.lead {
			c.StrokeLine2(draw.LineStyle{Color: style.Color, Width: vg.Points(0.4)}, l.at.X, l.dot, l.at.X, l.end)
		}
		c.FillText(style, l.at, l.mode)
	}
}

// dotName is where a row's name goes.
type dotName struct {
	mode     string
	at       vg.Point
	box      vg.Rectangle
	lead     bool      // a line leads to it, from its dot
	dot, end vg.Length // heights where that begins and ends
}

// places finds room for the names: above or below one of the row's dots, the middle
// ones first; else further off, with a line to it.
func (n dotNames) places(c draw.Canvas, p *plot.Plot, style draw.TextStyle) []dotName {
	x, y := p.Transforms(&c)
	var all []dotName
	var taken []vg.Rectangle
	for _, d := range n {
		at, r := vg.Point{X: x(d.X), Y: y(d.Y)}, vg.Points(1+4*d.first)
		taken = append(taken, vg.Rectangle{Min: vg.Point{X: at.X - r, Y: at.Y - r}, Max: vg.Point{X: at.X + r, Y: at.Y + r}})
	}
	free := func(r vg.Rectangle) bool {
		return r.Min.X >= c.Min.X && r.Max.X <= c.Max.X && r.Min.Y >= c.Min.Y && r.Max.Y <= c.Max.Y && !slices.ContainsFunc(taken, func(o vg.Rectangle) bool {
			return r.Min.X < o.Max.X && o.Min.X < r.Max.X && r.Min.Y < o.Max.Y && o.Min.Y < r.Max.Y
		})
	}
	const step, most = 7, 140 // points
	one := func(row []dot) {
		for away := 0.0; away <= most; away += step {
			for _, d := range row {
				lift := vg.Points(1 + 4*d.first + 5.5 + away)
				for _, up := range []vg.Length{lift, -lift} {
					l := dotName{mode: d.mode, at: vg.Point{X: x(d.X), Y: y(d.Y) + up}, lead: away > 0, dot: y(d.Y)}
					l.box = style.Rectangle(d.mode).Add(l.at)
					if l.end = l.box.Min.Y; up < 0 {
						l.end = l.box.Max.Y
					}
					if free(l.box) {
						all = append(all, l)
						taken = append(taken, l.box)
						return
					}
				}
			}
		}
	}
	for _, row := range n.rows() {
		middle := (row[0].X + row[len(row)-1].X) / 2
		slices.SortStableFunc(row, func(a, b dot) int { return cmp.Compare(math.Abs(a.X-middle), math.Abs(b.X-middle)) })
		one(row)
	}
	return all
}

// rows are the dots of each mode that follow each other without an hour's gap, the
// longest first.
func (n dotNames) rows() [][]dot {
	var all [][]dot
	last := map[string]int{} // index of a mode's latest row
	for _, d := range n {
		i, known := last[d.mode]
		if !known || d.X-all[i][len(all[i])-1].X > 1 {
			i = len(all)
			all = append(all, nil)
			last[d.mode] = i
		}
		all[i] = append(all[i], d)
	}
	slices.SortStableFunc(all, func(a, b []dot) int { return cmp.Compare(len(b), len(a)) })
	return all
}

func hourTicks() []plot.Tick {
	var ticks []plot.Tick
	for h := 0; h <= 24; h += 3 {
		ticks = append(ticks, plot.Tick{Value: float64(h), Label: fmt.Sprintf("%02d", h)})
	}
	return ticks
}
