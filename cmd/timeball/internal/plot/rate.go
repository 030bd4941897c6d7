package plot

import (
	"image/color"
	"math"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"timeball/align/rate"
	"timeball/align/stability"
	"timeball/cmd/timeball/internal/text"
)

const (
	plotWidth  = 18 * vg.Centimeter // fits A4 with its margins
	plotHeight = 9 * vg.Centimeter
	mostPoints = 2000 // markers drawn in one plot
	curveSteps = 400  // points of a drawn curve
)

// Rate draws a clock's history, what the fit leaves, and its stability.
func Rate(name File, r *text.Rate) error {
	return savePlots(name, historyPlot(r), residualPlot(r), deviationPlot(r))
}

// Series draws a column of phase and its stability.
func Series(name File, s *rate.Series, kinds []stability.Kind) error {
	return savePlots(name, phasePlot(s), deviationsPlot(text.OfKinds(s.Deviations, kinds), nil, text.Unit{Name: "s", Size: 1}))
}

// curve samples the fit and its 95 % band, in the given unit.
func curve(r *text.Rate, from, to time.Time, u text.Unit) (mean, band plotter.XYs) {
	var upper, lower plotter.XYs
	add := func(at time.Time) {
		x, s := r.Fit.Forecast(at)
		t := unix(at)
		mean = append(mean, plotter.XY{X: t, Y: x / u.Size})
		upper = append(upper, plotter.XY{X: t, Y: (x + rate.Coverage*s) / u.Size})
		lower = append(lower, plotter.XY{X: t, Y: (x - rate.Coverage*s) / u.Size})
	}
	step := to.Sub(from) / curveSteps
	changes := r.Fit.Changes
	for i := range curveSteps + 1 {
		at := from.Add(time.Duration(i) * step)
		// A step is drawn upright: one point before it, one after.
		for len(changes) > 0 && !changes[0].At.After(at) {
			if changes[0].At.After(from) {
				add(changes[0].At.Add(-time.Nanosecond))
				add(changes[0].At)
			}
			changes = changes[1:]
		}
		add(at)
	}
	band = upper
	for i := len(lower) - 1; i >= 0; i-- {
		band = append(band, lower[i])
	}
	return mean, band
}

// historyPlot shows offsets, fit, changes, tolerance and forecast.
func historyPlot(r *text.Rate) *plot.Plot {
	f := r.Fit
	end := f.Epoch.Add(max(f.Span()/4, 24*time.Hour))
	largest := r.Tolerance
	for _, fix := range f.Fixes {
		if !fix.Outlier {
			largest = math.Max(largest, math.Abs(fix.X))
		}
	}
	u := text.UnitFor(largest, text.SecondUnits)
	p := newPlot("Offset of clock "+text.Plain(r.Clock)+": local clock − UTC (+ ahead)", "", "offset, "+u.Name)
	timeAxis(p)
	p.Y.Tick.Marker = plot.TickerFunc(roundTicks)
	for i, span := range [][2]time.Time{{f.Start(), f.Epoch}, {f.Epoch, end}} {
		mean, band := curve(r, span[0], span[1], u)
		area := &plotter.Polygon{XYs: []plotter.XYs{band}, Color: bandColour}
		l := line(mean, fitColour, vg.Points(1.2))
		name := "fit and 95 % band"
		if i == 1 {
			l.Dashes, name = []vg.Length{vg.Points(5), vg.Points(3)}, "forecast"
		}
		p.Add(area, l)
		p.Legend.Add(name, l)
	}
	for _, y := range []float64{r.Tolerance, -r.Tolerance} {
		l := line(plotter.XYs{{X: unix(f.Start()), Y: y / u.Size}, {X: unix(end), Y: y / u.Size}}, outlierColour, vg.Points(.7), vg.Points(1), vg.Points(3))
		p.Add(l)
		if y > 0 {
			p.Legend.Add("tolerance", l)
		}
	}
	var good, bad plotter.XYs
	stride := 1 + len(f.Fixes)/mostPoints
	for i, fix := range f.Fixes {
		xy := plotter.XY{X: unix(fix.At), Y: fix.X / u.Size}
		switch {
		case fix.Outlier:
			bad = append(bad, xy)
		case i%stride == 0:
			good = append(good, xy)
		}
	}
	p.Add(markers(good, inkColour, draw.CircleGlyph{}, vg.Points(1.6)))
	if len(bad) > 0 {
		s := markers(bad, outlierColour, draw.CrossGlyph{}, vg.Points(3))
		p.Add(s)
		p.Legend.Add("outlier", s)
	}
	addChanges(r, p)
	headroom(p, .6)
	return p
}

// addChanges draws an upright line at each change.
func addChanges(r *text.Rate, p *plot.Plot) {
	seen := map[bool]bool{}
	for _, c := range r.Fit.Changes {
		at := unix(c.At)
		l := line(plotter.XYs{{X: at, Y: p.Y.Min}, {X: at, Y: p.Y.Max}}, changeColour, vg.Points(.8))
		name := "adjustment logged"
		if c.Found {
			l.Dashes, name = []vg.Length{vg.Points(2), vg.Points(2)}, "change found, not logged"
		}
		p.Add(l)
		if !seen[c.Found] {
			p.Legend.Add(name, l)
			seen[c.Found] = true
		}
	}
}

// residualPlot shows the fixes less the fit, with their own 95 % half-widths.
func residualPlot(r *text.Rate) *plot.Plot {
	f := r.Fit
	var largest float64
	for _, fix := range f.Fixes {
		if !fix.Outlier {
			largest = math.Max(largest, math.Abs(fix.Residual)+rate.Coverage*fix.U)
		}
	}
	u := text.UnitFor(largest, text.SecondUnits)
	p := newPlot("Residuals: fix − fit; bars: 95 %", "", "residual, "+u.Name)
	timeAxis(p)
	p.Y.Tick.Marker = plot.TickerFunc(roundTicks)
	var points plotter.XYs
	var bars plotter.YErrors
	var bad plotter.XYs
	stride := 1 + len(f.Fixes)/mostPoints
	for i, fix := range f.Fixes {
		xy := plotter.XY{X: unix(fix.At), Y: fix.Residual / u.Size}
		if fix.Outlier {
			xy.Y = math.Max(-1.1, math.Min(1.1, fix.Residual/largest)) * largest / u.Size // at the edge if beyond it
			bad = append(bad, xy)
			continue
		}
		if i%stride == 0 {
			half := rate.Coverage * fix.U / u.Size
			points = append(points, xy)
			bars = append(bars, struct{ Low, High float64 }{half, half})
		}
	}
	errorBars, err := plotter.NewYErrorBars(struct {
		plotter.XYer
		plotter.YErrorer
	}{points, bars})
	if err == nil { // it refuses an empty plot
		errorBars.LineStyle.Color, errorBars.CapWidth = color.Gray{0xa0}, vg.Points(2)
		p.Add(errorBars)
	}
	p.Add(markers(points, inkColour, draw.CircleGlyph{}, vg.Points(1.6)))
	if len(bad) > 0 {
		s := markers(bad, outlierColour, draw.CrossGlyph{}, vg.Points(3))
		p.Add(s)
		p.Legend.Add("outlier, at the edge if beyond it", s)
	}
	p.X.Min, p.X.Max = unix(f.Start()), unix(f.Epoch)
	addChanges(r, p)
	headroom(p, .3)
	return p
}

// deviationPlot shows the fixes' deviations over the floor.
func deviationPlot(r *text.Rate) *plot.Plot {
	return deviationsPlot(r.Deviations(), r.Floor, text.Unit{Name: "days", Size: 86400})
}

// deviationsPlot shows deviations against averaging time on log-log axes; tdev
// is left out, being a time. The averaging time is in the unit tau.
func deviationsPlot(list []stability.Deviation, floor func(stability.Deviation) float64, tau text.Unit) *plot.Plot {
	p := newPlot("Stability; bars: 95 % intervals", "averaging time tau, "+tau.Name, "deviation")
	p.X.Scale, p.Y.Scale = plot.LogScale{}, plot.LogScale{}
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.TickerFunc(dayTicks), plot.TickerFunc(decadeTicks)
	p.Legend.Top = false // the curves fall from upper left to lower right
	styles := []struct {
		kind   stability.Kind
		colour color.Color
		shape  draw.GlyphDrawer
	}{
		{stability.ADEV, arrivalColour, draw.CrossGlyph{}},
		{stability.OADEV, fitColour, draw.CircleGlyph{}},
		{stability.MDEV, changeColour, draw.TriangleGlyph{}},
		{stability.HDEV, paleInkColour, draw.PyramidGlyph{}},
		{stability.OHDEV, outlierColour, draw.SquareGlyph{}},
		{stability.TOTDEV, inkColour, draw.PlusGlyph{}},
	}
	floored := false
	for _, style := range styles {
		var points plotter.XYs
		var bars plotter.YErrors
		var bottom plotter.XYs
		for _, d := range list {
			if d.Kind != style.kind || !(d.Value > 0) {
				continue
			}
			points = append(points, plotter.XY{X: d.Tau / tau.Size, Y: d.Value})
			bars = append(bars, struct{ Low, High float64 }{d.Value - d.CI95[0], d.CI95[1] - d.Value})
			if floor != nil {
				bottom = append(bottom, plotter.XY{X: d.Tau / tau.Size, Y: floor(d)})
			}
		}
		if len(points) == 0 {
			continue
		}
		l, s := line(points, style.colour, vg.Points(.8)), markers(points, style.colour, style.shape, vg.Points(2.5))
		p.Add(l, s)
		p.Legend.Add(text.Deviation(style.kind), l, s)
		if len(bottom) > 0 {
			floor := line(bottom, style.colour, vg.Points(.8), vg.Points(6), vg.Points(3))
			p.Add(floor)
			if !floored {
				p.Legend.Add("dashed: the floor, which the fixes' own noise makes", floor)
				floored = true
			}
		}
		errorBars, err := plotter.NewYErrorBars(struct {
			plotter.XYer
			plotter.YErrorer
		}{points, bars})
		if err == nil {
			errorBars.LineStyle.Color = style.colour
			p.Add(errorBars)
		}
	}
	if len(list) == 0 { // a log axis needs something to show
		p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 1, 10, 1e-12, 1e-11
		p.Title.Text = "Stability: too few fixes"
	}
	return p
}

// phasePlot shows the phase of a column of numbers.
func phasePlot(s *rate.Series) *plot.Plot {
	var largest float64
	for _, x := range s.Phase {
		largest = math.Max(largest, math.Abs(x))
	}
	u := text.UnitFor(largest, text.SecondUnits)
	p := newPlot("Phase", "time, s", "phase, "+u.Name)
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.TickerFunc(roundTicks), plot.TickerFunc(roundTicks)
	var points plotter.XYs
	stride := 1 + len(s.Phase)/mostPoints
	for i := 0; i < len(s.Phase); i += stride {
		points = append(points, plotter.XY{X: float64(i) * s.Interval, Y: s.Phase[i] / u.Size})
	}
	p.Add(line(points, inkColour, vg.Points(.8)))
	return p
}
