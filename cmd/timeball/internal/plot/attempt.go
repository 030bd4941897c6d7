package plot

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"timeball/align"
	"timeball/cmd/timeball/internal/text"
)

const (
	attemptWidth  = 20 * vg.Centimeter // of a station's column
	attemptHeight = 28.4 * vg.Centimeter
	captionHeight = 1.4 * vg.Centimeter
	rasterGamma   = 0.7 // lifts the weak seconds out of the dark
)

// Attempt draws a column for each station: the mean tick between marker
// and UTC, the raster of the seconds, the offset by each, and what the station's
// chirps told of the channel, where any were heard. Without a station
// there is nothing to draw, and no file.
func Attempt(name File, p align.Picture) error {
	if len(p.Stations) == 0 {
		return nil
	}
	rows := make([][]*plot.Plot, 3)
	height := attemptHeight
	if slices.ContainsFunc(p.Stations, func(s align.StationPicture) bool { return s.Sounding != nil }) {
		rows, height = make([][]*plot.Plot, 4), attemptHeight*4/3
	}
	for i := range p.Stations {
		s := &p.Stations[i]
		rows[0] = append(rows[0], plotTick(p.Fix, s))
		rows[1] = append(rows[1], plotRaster(p, s))
		rows[2] = append(rows[2], plotSeconds(p.Fix, s))
		if len(rows) > 3 {
			rows[3] = append(rows[3], plotChirps(s))
		}
	}
	return savePicture(name, attemptWidth*vg.Length(len(p.Stations)), height, func(c draw.Canvas) {
		c.FillPolygon(color.White, []vg.Point{c.Min, {X: c.Max.X, Y: c.Min.Y}, c.Max, {X: c.Min.X, Y: c.Max.Y}})
		caption(c, p)
		c = draw.Crop(c, 0, 0, 0, -captionHeight)
		tiles := draw.Tiles{Rows: len(rows), Cols: len(p.Stations), PadX: vg.Centimeter, PadY: 6 * vg.Millimeter,
			PadTop: 4 * vg.Millimeter, PadBottom: 3 * vg.Millimeter, PadLeft: 3 * vg.Millimeter, PadRight: 8 * vg.Millimeter}
		for i, row := range plot.Align(rows, tiles, c) {
			for j, cell := range row {
				if rows[i][j] != nil {
					rows[i][j].Draw(cell)
				}
			}
		}
	})
}

// caption says above the plots what was measured, when, by which stations and from
// which file.
func caption(c draw.Canvas, p align.Picture) {
	style := plot.New().Title.TextStyle
	style.XAlign, style.YAlign, style.Color = draw.XLeft, draw.YTop, inkColour
	var ids []string
	for i := range p.Stations {
		ids = append(ids, strings.ToUpper(p.Stations[i].ID))
	}
	parts := []string{strings.Join(ids, ", ")}
	if p.Fix.At != nil {
		parts = append(parts, p.Fix.At.UTC().Format("2006-01-02 15:04:05 UTC"))
	}
	if name := p.Fix.Recording.Path; name != "" {
		parts = append(parts, text.Plain(filepath.Base(name)))
	}
	said, _, _ := strings.Cut(text.Headline(p.Fix), " (the marker stands")
	at := vg.Point{X: c.Min.X + 5*vg.Millimeter, Y: c.Max.Y - 3*vg.Millimeter}
	style.Font.Size = vg.Points(12)
	for _, line := range fitted(style, said, c.Max.X-at.X-5*vg.Millimeter) {
		c.FillText(style, at, line)
		at.Y -= vg.Points(14)
	}
	style.Font.Size = vg.Points(11)
	c.FillText(style, at, strings.Join(parts, ", "))
}

// fitted breaks a text into two lines at most, and cuts what does not fit then.
func fitted(style draw.TextStyle, s string, width vg.Length) []string {
	if style.Width(s) <= width {
		return []string{s}
	}
	words := strings.Fields(s)
	n := 1
	for n < len(words) && style.Width(strings.Join(words[:n+1], " ")) <= width {
		n++
	}
	rest := []rune(strings.Join(words[n:], " "))
	if style.Width(string(rest)) > width {
		for len(rest) > 0 && style.Width(string(rest)+"…") > width {
			rest = rest[:len(rest)-1]
		}
		rest = append(rest, '…')
	}
	return []string{strings.Join(words[:n], " "), string(rest)}
}

// mark is what a station sends once a second, and what the matched filter looks for.
func mark(s *align.StationPicture) (name, sought string) {
	if s.LongWave {
		return "mark", "the mark's edge"
	}
	return "tick", "the tone"
}

// plotTick is the mean audio around the tick, with the marker, the UTC second
// and the arrival and what lies between them.
func plotTick(f align.Fix, s *align.StationPicture) *plot.Plot {
	const ms = 1e3
	tick, _ := mark(s)
	id := strings.ToUpper(s.ID)
	pl := newPlot(fmt.Sprintf("%s: mean of %d %ss", id, s.AudioSeconds, tick), afterMarker, "audio, % of full scale")
	wave := make(plotter.XYs, len(s.Audio))
	scale := 100.0
	if !s.Coherent {
		wave, scale = meanLevel(s), 1
		pl.Title.Text = fmt.Sprintf("%s: mean matched filter output of %d ticks (the tone's phase is not kept)", id, len(s.Rows))
		pl.Y.Label.Text = "amplitude over noise"
	} else {
		for i, v := range s.Audio {
			wave[i] = plotter.XY{X: s.Arrival + s.AudioFirst + float64(i)*s.AudioStep, Y: v}
		}
	}
	if s.LongWave {
		pl.Y.Label.Text = "carrier's level, % of full scale"
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range wave {
		wave[i].X *= ms
		wave[i].Y *= scale
		lo, hi = min(lo, wave[i].Y), max(hi, wave[i].Y)
	}
	pl.X.Tick.Marker, pl.Y.Tick.Marker = plot.TickerFunc(roundTicks), plot.TickerFunc(roundTicks)
	pl.X.Min, pl.X.Max = wave[0].X, wave[len(wave)-1].X
	room := hi - lo
	pl.Y.Min, pl.Y.Max = lo-0.06*room, hi+0.75*room // labels stand in the room above
	upright := func(x float64, c color.RGBA, dashes ...vg.Length) {
		pl.Add(line(plotter.XYs{{X: x * ms, Y: pl.Y.Min}, {X: x * ms, Y: pl.Y.Max}}, c, vg.Points(1.2), dashes...))
	}
	inside := pl.X.Min <= 0 && 0 <= pl.X.Max
	if s.UTC != nil && f.CI95 != nil && f.Offset != nil {
		pl.Add(uprightBand(pl, (*s.UTC+f.CI95[0]-*f.Offset)*ms, (*s.UTC+f.CI95[1]-*f.Offset)*ms, utcColour))
	}
	pl.Add(uprightBand(pl, s.Band[0]*ms, s.Band[1]*ms, arrivalColour))
	pl.Add(line(wave, inkColour, vg.Points(0.9)))
	upright(s.Arrival, arrivalColour)
	if s.UTC != nil {
		upright(*s.UTC, utcColour)
	}
	if inside {
		upright(0, markerColour, vg.Points(5), vg.Points(2))
	}
	// The words after all lines, so that none crosses them.
	level := func(share float64) float64 { return hi + share*room }
	label(pl, s.Arrival*ms, level(0.07), " "+tick+" arrives", arrivalColour, draw.XLeft)
	if s.UTC != nil {
		label(pl, *s.UTC*ms, level(0.6), utcLabel(*s.UTC), utcColour, side(*s.UTC*ms < (pl.X.Min+pl.X.Max)/2))
		span(pl, *s.UTC*ms, s.Arrival*ms, level(0.23), "delays "+text.Short(s.Arrival-*s.UTC), inkColour)
	}
	switch {
	case inside:
		label(pl, 0, level(0.36), " local marker ", markerColour, side(s.UTC == nil || *s.UTC <= 0))
		if s.UTC != nil {
			span(pl, 0, *s.UTC*ms, level(0.5), "", markerColour)
		}
	case pl.X.Min > 0:
		label(pl, pl.X.Min, level(0.44), fmt.Sprintf(" ← local marker, %.1f ms before the left edge", pl.X.Min), markerColour, draw.XLeft)
	default:
		label(pl, pl.X.Max, level(0.44), fmt.Sprintf("local marker, %.1f ms after the right edge → ", -pl.X.Max), markerColour, draw.XRight)
	}
	return pl
}

// Of the chirps' matched filter, s about the earliest arrival: what is shown.
const chirpsFrom, chirpsTo = -1.5e-3, 5e-3

// plotChirps is the channel as a station's chirps show it; nil without any.
func plotChirps(s *align.StationPicture) *plot.Plot {
	const ms = 1e3
	c := s.Sounding
	if c == nil {
		return nil
	}
	pl := newPlot(strings.ToUpper(s.ID)+": its chirps through their matched filter, and the ways it comes", "time after the earliest way, ms", "dB over noise")
	var level plotter.XYs
	hi := 0.0
	for i, v := range c.Level {
		if x := c.First + float64(i)*c.Step; chirpsFrom <= x && x <= chirpsTo {
			level = append(level, plotter.XY{X: x * ms, Y: max(float64(v), -10)})
			hi = max(hi, float64(v))
		}
	}
	pl.X.Tick.Marker, pl.Y.Tick.Marker = plot.TickerFunc(roundTicks), plot.TickerFunc(roundTicks)
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = chirpsFrom*ms, chirpsTo*ms, -10, hi+6+4*float64(len(c.Arrivals))
	for i, a := range c.Arrivals {
		pl.Add(line(plotter.XYs{{X: a.Excess * ms, Y: -10}, {X: a.Excess * ms, Y: hi + 2}}, arrivalColour, vg.Points(1.2)))
		label(pl, a.Excess*ms, hi+3+4*float64(i), fmt.Sprintf(" +%.2f ms, %.0f dB", a.Excess*ms, a.LevelDB), arrivalColour, draw.XLeft)
	}
	pl.Add(line(level, inkColour, vg.Points(0.9)))
	return pl
}

// utcLabel says where the UTC second is.
func utcLabel(after float64) string {
	if after < 0 {
		return fmt.Sprintf(" UTC second, %s before the marker ", text.Short(-after))
	}
	return fmt.Sprintf(" UTC second, %s after the marker ", text.Short(after))
}

// side puts a label to the right of its point, or to the left.
func side(right bool) draw.XAlignment {
	if right {
		return draw.XLeft
	}
	return draw.XRight
}

// meanLevel is the root of the mean power of the rows.
func meanLevel(s *align.StationPicture) plotter.XYs {
	xys := make(plotter.XYs, len(s.Rows[0].Level))
	for i := range xys {
		sum := 0.0
		for _, r := range s.Rows {
			sum += float64(r.Level[i]) * float64(r.Level[i])
		}
		xys[i] = plotter.XY{X: s.Arrival + s.First + float64(i)*s.Step, Y: math.Sqrt(sum / float64(len(s.Rows)))}
	}
	return xys
}

// uprightBand shades from lo to hi over the whole height.
func uprightBand(pl *plot.Plot, lo, hi float64, c color.RGBA) *plotter.Polygon {
	lo, hi = max(lo, pl.X.Min), min(hi, pl.X.Max)
	return area(plotter.XYs{{X: lo, Y: pl.Y.Min}, {X: hi, Y: pl.Y.Min}, {X: hi, Y: pl.Y.Max}, {X: lo, Y: pl.Y.Max}}, c)
}

// span draws a line from one place to another with a word beside it.
func span(pl *plot.Plot, from, to, y float64, word string, c color.RGBA) {
	pl.Add(line(plotter.XYs{{X: from, Y: y}, {X: to, Y: y}}, c, vg.Points(1.2)))
	ends := markers(plotter.XYs{{X: from, Y: y}, {X: to, Y: y}}, c, draw.CircleGlyph{}, vg.Points(1.8))
	pl.Add(ends)
	if word != "" {
		label(pl, max(from, to), y, "  "+word, c, draw.XLeft)
	}
}

// afterMarker is the time axis of what was heard.
// The spaces are wide ones: in a page several of the usual are shown as one.
const afterMarker = "← earlier\u2003\u2003time after the local marker, ms\u2003\u2003later →"

// plotRaster has a row for each second: its brightness is the matched filter's
// output.
func plotRaster(p align.Picture, s *align.StationPicture) *plot.Plot {
	r := newRaster(s)
	each, _ := rowWords(s)
	_, sought := mark(s)
	pl := newPlot(fmt.Sprintf("matched filter, a row for each %s: dark is noise, bright %s at %.0f times the noise", each, sought, r.top),
		afterMarker, "time in the recording")
	pl.Add(r)
	pl.X.Tick.Marker = plot.TickerFunc(roundTicks)
	pl.X.Min, pl.X.Max = r.left, r.right
	pl.Y.Min, pl.Y.Max = r.from, r.to
	pl.Y.Scale = plot.InvertedScale{Normalizer: plot.LinearScale{}}
	pl.Y.Tick.Marker = plot.TickerFunc(clockTicks)
	for _, c := range []float64{0, 0.97} { // at the top and at the bottom, not to hide the tick
		y := r.from + c*(r.to-r.from)
		pl.Add(line(plotter.XYs{{X: s.Arrival * 1e3, Y: y}, {X: s.Arrival * 1e3, Y: y + 0.03*(r.to-r.from)}}, color.RGBA{0xff, 0xff, 0xff, 0xff}, vg.Points(2)))
	}
	for _, l := range stepLabels(p.Marker, r.from, r.to) {
		label(pl, r.left+0.01*(r.right-r.left), l.at, l.text, white, draw.XLeft)
	}
	for i, m := range p.Marker {
		end := r.to
		if i+1 < len(p.Marker) {
			end = p.Marker[i+1].At
		}
		if x := m.Place * 1e3; r.left <= x && x <= r.right {
			pl.Add(line(plotter.XYs{{X: x, Y: max(m.At, r.from)}, {X: x, Y: end}}, markerColour, vg.Points(1.5)))
		}
	}
	return pl
}

// stepLabel says at a time by how much the marker was moved.
type stepLabel struct {
	at   float64
	text string
}

// stepLabels are one for each step; those that would lie on each other, nearer than
// a fourteenth of the height, say together what they came to.
func stepLabels(marker []align.MarkerPoint, from, to float64) []stepLabel {
	var all []stepLabel
	for i := 1; i < len(marker); {
		first := i
		for i++; i < len(marker) && marker[i].At-marker[first].At < (to-from)/14; i++ {
		}
		words := "← the marker was " + text.Moved(marker[i-1].Place-marker[first-1].Place)
		if n := i - first; n > 1 {
			words += fmt.Sprintf(", in %d steps", n)
		}
		all = append(all, stepLabel{marker[first].At, words})
	}
	return all
}

// raster is a plotter of rows of brightness. It spans left to right, ms, and
// from to to, s.
type raster struct {
	picture     *image.RGBA
	left, right float64
	from, to    float64
	every       float64 // seconds in a line of it
	top         float64 // level of full brightness
}

// rowSeconds is how much of the recording a row holds at least, s.
func rowSeconds(s *align.StationPicture) float64 {
	if len(s.Start) < 2 {
		return 1
	}
	every := math.Inf(1)
	for i := range len(s.Start) - 1 {
		every = min(every, s.Start[i+1]-s.Start[i])
	}
	return max(1, math.Round(every))
}

// rowWords name what a row holds: each of them, and one.
func rowWords(s *align.StationPicture) (each, one string) {
	all := spans(s)
	least, most := slices.Min(all), slices.Max(all)
	switch {
	case most > least:
		each = fmt.Sprintf("%.0f to %.0f s", least, most)
	case least < 1.5:
		return "second", "a second"
	default:
		each = fmt.Sprintf("%.0f s", least)
	}
	return each, each
}

// spans are how much of the recording each row holds, s: where seconds were left out, no less
// than the others.
func spans(s *align.StationPicture) []float64 {
	all, least := make([]float64, len(s.Rows)), rowSeconds(s)
	for i := range all {
		all[i] = max(least, float64(s.Rows[i].Seconds))
	}
	return all
}

func newRaster(s *align.StationPicture) *raster {
	points := len(s.Rows[0].Level)
	r := &raster{every: rowSeconds(s), left: (s.Arrival + s.First) * 1e3}
	r.right = r.left + float64(points)*s.Step*1e3
	held, last := spans(s), len(s.Start)-1
	r.from, r.to = s.Start[0]-held[0]/2, s.Start[last]+held[last]/2
	var all []float32
	for _, row := range s.Rows {
		all = append(all, row.Level...)
	}
	slices.Sort(all)
	r.top = max(4, float64(all[len(all)*995/1000]))
	height := max(1, int(math.Round((r.to-r.from)/r.every)))
	r.picture = image.NewRGBA(image.Rect(0, 0, points, height))
	for y := range height {
		for x := range points {
			r.picture.SetRGBA(x, y, color.RGBA{0x80, 0x80, 0x80, 0xff}) // nothing was heard or used
		}
	}
	for i, row := range s.Rows {
		// Lines whose middle it holds, and one at least.
		begin := s.Start[i] - held[i]/2 - r.from
		first := min(height-1, max(0, int(begin/r.every+0.5)))
		for y := first; y < max(first+1, min(height, int((begin+held[i])/r.every+0.5))); y++ {
			for x, v := range row.Level {
				r.picture.SetRGBA(x, y, ramp(math.Pow(float64(v)/r.top, rasterGamma)))
			}
		}
	}
	return r
}

// ramp is the colour of a brightness from 0 to 1.
func ramp(v float64) color.RGBA {
	at := min(max(v, 0), 1) * float64(len(rasterColours)-1)
	i := min(int(at), len(rasterColours)-2)
	f := at - float64(i)
	mix := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + f*(float64(b)-float64(a)))) }
	a, b := rasterColours[i], rasterColours[i+1]
	return color.RGBA{mix(a.R, b.R), mix(a.G, b.G), mix(a.B, b.B), 0xff}
}

// Plot implements plot.Plotter.
func (r *raster) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	c.DrawImage(vg.Rectangle{Min: vg.Point{X: x(r.left), Y: y(r.to)}, Max: vg.Point{X: x(r.right), Y: y(r.from)}}, r.picture)
}

// plotSeconds is the offset by each second, with the average and its band.
func plotSeconds(f align.Fix, s *align.StationPicture) *plot.Plot {
	centre := 0.0
	what := "arrival, from the average"
	if s.UTC != nil {
		centre, what = *s.UTC, "offset (+ ahead)"
	}
	half := (s.Band[1] - s.Band[0]) / 2
	low, high := reach(s, half)
	low, high = centre+low, centre+high
	u := text.UnitFor(max(math.Abs(low), math.Abs(high)), text.SecondUnits)
	each, one := rowWords(s)
	pl := newPlot("offset by each "+each+", as the marker stands at the end", "time in the recording", fmt.Sprintf("%s, %s", what, u.Name))
	from, to := s.Start[0], s.Start[len(s.Start)-1]
	pl.X.Min, pl.X.Max = from, to
	pl.X.Tick.Marker, pl.Y.Tick.Marker = plot.TickerFunc(clockTicks), plot.TickerFunc(roundTicks)
	pl.Y.Min, pl.Y.Max = low/u.Size, high/u.Size
	rate := 0.0
	if f.Rate != nil {
		rate = f.Rate.Y
	}
	at := func(t float64) float64 { return centre + rate*(t-to) }
	band := area(plotter.XYs{
		{X: from, Y: (at(from) - half) / u.Size}, {X: to, Y: (at(to) - half) / u.Size},
		{X: to, Y: (at(to) + half) / u.Size}, {X: from, Y: (at(from) + half) / u.Size}}, utcColour)
	average := line(plotter.XYs{{X: from, Y: at(from) / u.Size}, {X: to, Y: at(to) / u.Size}}, utcColour, vg.Points(1.5))
	pl.Add(band)
	var seen, above, below plotter.XYs
	for i, r := range s.Rows {
		y := at(s.Start[i]) + r.Late
		switch {
		case y > high:
			above = append(above, plotter.XY{X: s.Start[i], Y: pl.Y.Max})
		case y < low:
			below = append(below, plotter.XY{X: s.Start[i], Y: pl.Y.Min})
		default:
			seen = append(seen, plotter.XY{X: s.Start[i], Y: y / u.Size})
			half := 1.96 * r.U
			pl.Add(line(plotter.XYs{{X: s.Start[i], Y: max(low, y-half) / u.Size}, {X: s.Start[i], Y: min(high, y+half) / u.Size}}, paleColour, vg.Points(0.6)))
		}
	}
	dots := markers(seen, inkColour, draw.CircleGlyph{}, vg.Points(1.5))
	pl.Add(average, dots)
	name := "the result of all seconds, with its 95 % band"
	switch {
	case len(s.Excess) > 1 && s.Coherent:
		pl.Legend.Add("dot: "+one+", all its paths together; bar: ± what noise does to it, 95 %", dots)
		together := line(plotter.XYs{{X: from, Y: (at(from) + s.Centre) / u.Size}, {X: to, Y: (at(to) + s.Centre) / u.Size}}, inkColour, vg.Points(0.8), vg.Points(1), vg.Points(2))
		pl.Add(together)
		pl.Legend.Add(fmt.Sprintf("where they lie: %s later than the earliest path, by the paths' mean power", text.Short(s.Centre)), together)
		name = "the earliest path, which is the result, with its 95 % band"
	case len(s.Excess) > 1:
		name = "the earliest path, which is the result, with its 95 % band"
		fallthrough
	default:
		pl.Legend.Add("dot: "+one+"; bar: ± what noise does to it, 95 %", dots)
	}
	pl.Legend.Add(name, average)
	for _, x := range s.Excess[1:] {
		later := line(plotter.XYs{{X: from, Y: (at(from) + x) / u.Size}, {X: to, Y: (at(to) + x) / u.Size}}, utcColour, vg.Points(1), vg.Points(4), vg.Points(3))
		pl.Add(later)
		pl.Legend.Add(fmt.Sprintf("path that comes %s later", text.Short(x)), later)
	}
	outside := append(above, below...)
	if len(outside) > 0 {
		beyond := markers(outside, markerColour, draw.TriangleGlyph{}, vg.Points(2))
		pl.Add(beyond)
		pl.Legend.Add("a second beyond the edge", beyond)
	}
	headroom(pl, 0.13*float64(2+len(s.Excess)))
	return pl
}

// reach is the span around the average that shows nearly all seconds, all
// paths and the band.
func reach(s *align.StationPicture, half float64) (low, high float64) {
	var late []float64
	for _, r := range s.Rows {
		late = append(late, r.Late)
	}
	slices.Sort(late)
	low = min(late[len(late)/50], -2*half)
	high = max(late[len(late)-1-len(late)/50], 2*half, slices.Max(s.Excess))
	room := 0.15 * (high - low)
	return low - room, high + room
}
