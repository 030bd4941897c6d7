package text

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"timeball/align/path"
)

// Place is a place as a chart would have it.
func Place(at path.LatLon) string {
	side := func(v float64, positive, negative string) string {
		if v < 0 {
			positive = negative
		}
		return fmt.Sprintf("%.4g°%s", math.Abs(v), positive)
	}
	return side(at.Lat, "N", "S") + " " + side(at.Lon, "E", "W")
}

// Frequency is a frequency in megahertz.
func Frequency(hz float64) string {
	if hz < 1e6 {
		return strconv.FormatFloat(hz/1e3, 'f', -1, 64) + " kHz"
	}
	return strconv.FormatFloat(hz/1e6, 'f', -1, 64) + " MHz"
}

// Carrier is the carrier of a request for people.
func Carrier(hz float64) string {
	if hz == 0 {
		return "any carrier"
	}
	return Frequency(hz)
}

func WritePath(w io.Writer, r path.Request, p path.Prediction) error {
	var text strings.Builder
	way := ""
	if r.LongPath {
		way = ", the long way"
	}
	fmt.Fprintf(&text, "%s, %s, to %v at %s%s\n\n", strings.ToUpper(r.Station.ID), Carrier(p.CarrierHz), Place(r.At), r.Time.Format("2006-01-02 15:04 UTC"), way)
	ms := func(seconds float64) string { return fmt.Sprintf("%.3f ms", seconds*1e3) }
	t := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "path delay\t%s, u = %s, 95 %% %.3f to %s\n", ms(p.DelaySeconds), ms(p.USeconds), p.CI95[0]*1e3, ms(p.CI95[1]))
	fmt.Fprintf(t, "distance\t%.1f km, %s at the speed of light\n", p.DistanceM/1e3, ms(p.GreatCircleSeconds))
	fmt.Fprintf(t, "excess\t%s over the great circle\n", ms(p.DelaySeconds-p.GreatCircleSeconds))
	if r.Ground != nil && !r.Station.LongWave() {
		fmt.Fprintf(t, "ground\tnot taken: it matters to the delay of stations on long wave alone\n")
	}
	if p.Sea != nil {
		fmt.Fprintf(t, "ground\t%.0f %% of the way over sea, by the map\n", 100**p.Sea)
	}
	if p.CI95[0] < p.GreatCircleSeconds {
		fmt.Fprintf(t, "edges\tnone comes faster than light, but where ground and sky wave weaken each other an edge of their sum looks up to %s earlier\n", Short(p.GreatCircleSeconds-p.CI95[0]))
	}
	if !r.Station.LongWave() {
		writeSunspots(t, r, p)
	}
	writeIonosonde(t, r, p)
	if p.DistanceM > path.ModelledM && !r.Station.LongWave() {
		fmt.Fprintf(t, "caution\t%s\n", farPath())
	}
	t.Flush()
	text.WriteByte('\n')
	t = tabwriter.NewWriter(&text, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "mode\tdelay, ms\tu, ms\televation\theight, km\tMUF, MHz\tlevel, dB\theard\tfirst\t")
	others := 1.0
	for _, m := range p.Modes {
		// What is next to never there is in the JSON.
		if max(m.Probability, m.First) < 0.02 {
			continue
		}
		others -= m.First
		height, muf := "-", "-"
		if m.Hops > 0 {
			height = fmt.Sprintf("%.0f", m.HeightM/1e3)
		}
		if m.MUFHz > 0 {
			muf = fmt.Sprintf("%.1f", m.MUFHz/1e6)
		}
		fmt.Fprintf(t, "%s\t%.3f\t%.3f\t%.1f°\t%s\t%s\t%.0f\t%.0f %%\t%.0f %%\t\n", m.Name, m.DelaySeconds*1e3, m.USeconds*1e3, m.Elevation, height, muf, m.LevelDB, 100*m.Probability, 100*m.First)
	}
	if others >= 0.005 {
		fmt.Fprintf(t, "others\t\t\t\t\t\t\t\t%.0f %%\t\n", 100*others)
	}
	t.Flush()
	text.WriteString("\nThe uncertainty comes from\n")
	t = tabwriter.NewWriter(&text, 0, 0, 2, ' ', tabwriter.AlignRight)
	for _, c := range p.Causes {
		// What makes less than half a per cent is in the JSON.
		if share := c.USeconds * c.USeconds / (p.USeconds * p.USeconds); share >= 0.005 {
			fmt.Fprintf(t, "  %s\t%s\t%.0f %%\t\n", c.Name, ms(c.USeconds), 100*share)
		}
	}
	t.Flush()
	_, err := io.WriteString(w, text.String())
	return err
}

// farPath is what the interval of a long path leaves out.
func farPath() string {
	return fmt.Sprintf("beyond %.0f km a tick may come another way round the earth or along a layer, which is left out: the interval is too narrow", path.ModelledM/1e3)
}

// writeSunspots tells for which number the prediction was made.
func writeSunspots(w io.Writer, r path.Request, p path.Prediction) {
	origin := "as given"
	if math.IsNaN(r.Sunspots) {
		origin = "of a mean cycle at the date"
	}
	fmt.Fprintf(w, "sunspots\t%.0f as published since July 2015, R12 = %.0f on the scale before, u = %.0f; %s; the delay changes by %s µs for each unit of R12\n",
		p.Sunspots/path.TodaysSunspots, p.Sunspots, p.SunspotsU, origin, perSunspot(p.SecondsPerSunspot))
}

// strangeIonogram is from how many standard deviations on an ionogram is doubted: foF2
// then differs by about half.
const strangeIonogram = 4

// writeIonosonde tells what of the ionosphere as measured was taken.
func writeIonosonde(w io.Writer, r path.Request, p path.Prediction) {
	n := len(r.Ionograms)
	if n == 0 || r.Station.LongWave() {
		return
	}
	near := path.NearIonograms(r.Ionograms, r.Time)
	switch {
	case len(near) == 0:
		fmt.Fprintf(w, "ionosonde\tnot taken: none of %d measurements is of the day before or after\n", n)
	case p.IonogramStray > strangeIonogram:
		fmt.Fprintf(w, "ionosonde\t%d of %d measurements taken; one strays from the maps by %.0f standard deviations of a day: is it right?\n", len(near), n, p.IonogramStray)
	default:
		fmt.Fprintf(w, "ionosonde\t%d of %d measurements taken\n", len(near), n)
	}
}

// perSunspot is a sensitivity in microseconds, with its sign unless it is nothing.
func perSunspot(seconds float64) string {
	s := fmt.Sprintf("%+.1f", seconds*1e6)
	if s == "-0.0" || s == "+0.0" {
		return "0.0"
	}
	return s
}
