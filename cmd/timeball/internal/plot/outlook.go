package plot

import (
	"fmt"
	"image/color"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"timeball/align/path"
	"timeball/cmd/timeball/internal/text"
)

// hearingColours go from paper to a full blue, and are told apart in grey too.
var hearingColours = map[path.Hearing]color.RGBA{
	path.Off:      {255, 255, 255, 255},
	path.Unlikely: {232, 234, 238, 255},
	path.Maybe:    {158, 198, 220, 255},
	path.Likely:   {34, 108, 152, 255},
}

// Outlook draws a field for every carrier and hour, coloured by how likely it
// is heard, with the delay's uncertainty in it; the recommended one is framed.
func Outlook(name File, r path.OutlookRequest, slots []path.Slot) error {
	days := text.Days(slots, r.Hours)
	best, found := path.Recommend(slots)
	pl := plot.New()
	pl.Title.Text = fmt.Sprintf("Standard-time stations at %v, 24 hours from %s", text.Place(r.At), r.From.Format("2006-01-02 15:04 UTC"))
	pl.Title.TextStyle.Font.Size = vg.Points(13)
	pl.X.Label.Text = "UTC, hours. In the fields: path delay and its standard uncertainty u, ms; a dot: the middle of the path is near dawn or dusk"
	pl.X.Min, pl.X.Max = 0, float64(r.Hours)
	pl.Y.Min, pl.Y.Max = 0, float64(len(days))
	var hours, carriers []plot.Tick
	for h := range r.Hours {
		hours = append(hours, plot.Tick{Value: float64(h) + 0.5, Label: r.From.Add(time.Duration(h) * time.Hour).Format("15")})
	}
	for i, day := range days {
		bottom := float64(len(days) - 1 - i)
		carriers = append(carriers, plot.Tick{Value: bottom + 0.5, Label: fmt.Sprintf("%s %v", strings.ToUpper(day[0].Station), text.Frequency(day[0].CarrierHz))})
		for h, s := range day {
			if err := addField(pl, float64(h), bottom, s, found && s == best); err != nil {
				return err
			}
		}
	}
	pl.X.Tick.Marker, pl.Y.Tick.Marker = plot.ConstantTicks(hours), plot.ConstantTicks(carriers)
	pl.X.Tick.Length, pl.Y.Tick.Length = 0, 0
	for _, h := range []path.Hearing{path.Likely, path.Maybe, path.Unlikely} {
		key, err := plotter.NewPolygon(plotter.XYs{{X: 0, Y: 0}, {X: 0, Y: 0}, {X: 0, Y: 0}})
		if err != nil {
			return err
		}
		key.Color = hearingColours[h]
		key.LineStyle.Width = 0
		pl.Legend.Add("heard "+h.String(), key)
	}
	pl.Legend.Top = true
	pl.Legend.Padding = vg.Points(3)
	pl.Legend.YOffs = 1.9 * vg.Centimeter // above the fields, beside the title
	width := 30 * vg.Centimeter
	height := vg.Length(5.5+0.8*float64(len(days))) * vg.Centimeter
	return savePicture(name, width, height, func(c draw.Canvas) {
		c.FillPolygon(color.White, []vg.Point{c.Min, {X: c.Max.X, Y: c.Min.Y}, c.Max, {X: c.Min.X, Y: c.Max.Y}})
		margin := 0.3 * vg.Centimeter
		pl.Draw(draw.Crop(c, margin, -margin, margin, -margin-1.2*vg.Centimeter))
	})
}

// addField draws one hour of one carrier.
func addField(pl *plot.Plot, left, bottom float64, s path.Slot, best bool) error {
	const gap = 0.03
	corners := plotter.XYs{{X: left + gap, Y: bottom + gap}, {X: left + 1 - gap, Y: bottom + gap}, {X: left + 1 - gap, Y: bottom + 1 - gap}, {X: left + gap, Y: bottom + 1 - gap}}
	field, err := plotter.NewPolygon(corners)
	if err != nil {
		return err
	}
	field.Color = hearingColours[s.Hearing]
	field.LineStyle.Width = 0
	if best {
		field.LineStyle.Width = vg.Points(2.5)
		field.LineStyle.Color = color.RGBA{214, 120, 20, 255}
	}
	pl.Add(field)
	if s.Hearing < path.Maybe {
		return nil
	}
	label := fmt.Sprintf("%.2f\nu %s", s.DelaySeconds*1e3, text.UMilliseconds(s))
	if s.Twilight {
		label += " ·"
	}
	labels, err := plotter.NewLabels(plotter.XYLabels{XYs: plotter.XYs{{X: left + 0.5, Y: bottom + 0.5}}, Labels: []string{label}})
	if err != nil {
		return err
	}
	style := &labels.TextStyle[0]
	style.Font.Size = vg.Points(8)
	style.XAlign, style.YAlign = draw.XCenter, draw.YCenter
	style.Color = inkColour
	if s.Hearing == path.Likely {
		style.Color = color.White
	}
	pl.Add(labels)
	return nil
}
