package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"timeball/align/path"
)

type pathCmd struct {
	skyFlags `embed:""`

	Station  string    `required:"" placeholder:"ID" help:"Station's call sign."`
	Carrier  frequency `placeholder:"10MHz" help:"Carrier (default: any of the station's that may be heard, and a wider interval)."`
	Time     time.Time `placeholder:"RFC3339" help:"When (default: now)."`
	LongPath bool      `help:"The long way round the earth."`
	JSON     bool      `name:"json" help:"Print one JSON object (timeball.path/1)."`
	Plot     string    `placeholder:"FILE.png|.svg" help:"Draw the hops and the delay over the day."`
}

// Help is kong's long help.
func (pathCmd) Help() string {
	return `Tells how long a tick is under way from a station to you, by which modes, and how sure that is. The path delay is that of the earliest arrival.

A mode is heard when it is there and not much weaker than the strongest; it is the first when no earlier one is heard. The 95 % interval takes in the modes, the height of the layers from day to day and the sunspot number.

Example: timeball path --station rwm --carrier 9996kHz --at 50.2,-5.6 --time 2026-03-14T10:00:00Z --sunspots 115`
}

// AfterApply checks the flags, for kong.
func (c *pathCmd) AfterApply() error {
	return checkPicture(c.Plot)
}

// Run prints the prediction and draws it.
func (c *pathCmd) Run(p *program) error {
	all, err := c.table()
	if err != nil {
		return err
	}
	s, err := findStation(all, c.Station)
	if err != nil {
		return err
	}
	maps, err := c.maps()
	if err != nil {
		return err
	}
	request := path.Request{
		Station: s, CarrierHz: float64(c.Carrier), At: c.At.LatLon, Time: timeOr(c.Time, time.Now()),
		Sunspots: c.r12(), LongPath: c.LongPath, Maps: maps,
	}
	prediction, err := path.Predict(request)
	var unknown path.UnknownCarrierError
	if errors.As(err, &unknown) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	if c.Plot != "" {
		if err := plotPath(c.Plot, request, prediction); err != nil {
			return err
		}
	}
	if c.JSON {
		return printPathJSON(p.stdout, request, prediction)
	}
	return printPath(p.stdout, request, prediction)
}

// carrierName is the carrier of a request for people.
func carrierName(hz float64) string {
	if hz == 0 {
		return "any carrier"
	}
	return frequency(hz).String()
}

func printPath(w io.Writer, r path.Request, p path.Prediction) error {
	var text strings.Builder
	way := ""
	if r.LongPath {
		way = ", the long way"
	}
	fmt.Fprintf(&text, "%s, %s, to %v at %s%s\n\n", strings.ToUpper(r.Station.ID), carrierName(p.CarrierHz), place{r.At}, r.Time.Format("2006-01-02 15:04 UTC"), way)
	ms := func(seconds float64) string { return fmt.Sprintf("%.3f ms", seconds*1e3) }
	t := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "path delay\t%s, u = %s, 95 %% %.3f to %s\n", ms(p.DelaySeconds), ms(p.USeconds), p.CI95[0]*1e3, ms(p.CI95[1]))
	fmt.Fprintf(t, "distance\t%.1f km, %s at the speed of light\n", p.DistanceM/1e3, ms(p.GreatCircleSeconds))
	fmt.Fprintf(t, "excess\t%s over the great circle\n", ms(p.DelaySeconds-p.GreatCircleSeconds))
	origin := "as given"
	if math.IsNaN(r.Sunspots) {
		origin = "of a mean cycle at the date"
	}
	fmt.Fprintf(t, "sunspots\t%.0f as published since July 2015, R12 = %.0f on the scale before, u = %.0f; %s; the delay changes by %s µs for each unit of R12\n",
		p.Sunspots/path.TodaysSunspots, p.Sunspots, p.SunspotsU, origin, perSunspot(p.SecondsPerSunspot))
	t.Flush()
	text.WriteByte('\n')
	t = tabwriter.NewWriter(&text, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "mode\tdelay, ms\tu, ms\televation\theight, km\tMUF, MHz\tlevel, dB\theard\tfirst\t")
	for _, m := range p.Modes {
		height, muf := "-", "-"
		if m.Hops > 0 {
			height = fmt.Sprintf("%.0f", m.HeightM/1e3)
		}
		if m.MUFHz > 0 {
			muf = fmt.Sprintf("%.1f", m.MUFHz/1e6)
		}
		fmt.Fprintf(t, "%s\t%.3f\t%.3f\t%.1f°\t%s\t%s\t%.0f\t%.0f %%\t%.0f %%\t\n", m.Name, m.DelaySeconds*1e3, m.USeconds*1e3, m.Elevation, height, muf, m.LevelDB, 100*m.Probability, 100*m.First)
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

// perSunspot is a sensitivity in microseconds, with its sign unless it is nothing.
func perSunspot(seconds float64) string {
	s := fmt.Sprintf("%+.1f", seconds*1e6)
	if s == "-0.0" || s == "+0.0" {
		return "0.0"
	}
	return s
}

// pathJSON is the object of schema timeball.path/1.
type pathJSON struct {
	Schema          string      `json:"schema"`
	Station         string      `json:"station"`
	CarrierHz       *float64    `json:"carrier_hz"` // null: any of the station's
	Time            time.Time   `json:"time"`
	DistanceM       float64     `json:"distance_m"`
	GreatCircle     float64     `json:"great_circle_s"`
	Delay           float64     `json:"delay_s"`
	U               float64     `json:"u_s"`
	CI95            [2]float64  `json:"ci95_s"`
	Sunspots        float64     `json:"sunspots"` // R12 on the maps' scale, that before July 2015
	SunspotsToday   float64     `json:"sunspots_since_2015"`
	USunspots       float64     `json:"u_sunspots"`
	DelayPerSunspot float64     `json:"delay_per_sunspot_s"`
	Modes           []modeJSON  `json:"modes"`
	Causes          []causeJSON `json:"causes"`
}

type modeJSON struct {
	Mode        string   `json:"mode"`
	Delay       float64  `json:"delay_s"`
	U           float64  `json:"u_s"`
	Elevation   float64  `json:"elevation_deg"`
	HeightM     float64  `json:"height_m"`
	MUFHz       *float64 `json:"muf_hz"` // null: without limit
	LevelDB     float64  `json:"level_db"`
	Probability float64  `json:"probability"` // of being heard
	First       float64  `json:"first"`       // of being the earliest arrival
}

type causeJSON struct {
	Source string  `json:"source"`
	U      float64 `json:"u_s"`
}

func printPathJSON(w io.Writer, r path.Request, p path.Prediction) error {
	o := pathJSON{
		Schema: "timeball.path/1", Station: r.Station.ID, Time: r.Time, DistanceM: p.DistanceM, GreatCircle: p.GreatCircleSeconds,
		Delay: p.DelaySeconds, U: p.USeconds, CI95: p.CI95, Sunspots: p.Sunspots, SunspotsToday: p.Sunspots / path.TodaysSunspots, USunspots: p.SunspotsU, DelayPerSunspot: p.SecondsPerSunspot,
		Modes: []modeJSON{}, Causes: []causeJSON{},
	}
	if p.CarrierHz != 0 {
		o.CarrierHz = &p.CarrierHz
	}
	for _, m := range p.Modes {
		j := modeJSON{
			Mode: m.Name, Delay: m.DelaySeconds, U: m.USeconds, Elevation: m.Elevation, HeightM: m.HeightM,
			LevelDB: m.LevelDB, Probability: m.Probability, First: m.First,
		}
		if m.MUFHz > 0 {
			j.MUFHz = &m.MUFHz
		}
		o.Modes = append(o.Modes, j)
	}
	for _, c := range p.Causes {
		o.Causes = append(o.Causes, causeJSON{c.Name, c.USeconds})
	}
	return json.NewEncoder(w).Encode(o)
}
