package main

import (
	"encoding/json"
	"errors"
	"io"
	"time"

	"timeball/align/path"
	"timeball/cmd/timeball/internal/plot"
	"timeball/cmd/timeball/internal/text"
)

type pathCmd struct {
	skyFlags       `embed:""`
	ionosondeFlags `embed:""`

	Station  string    `required:"" placeholder:"ID" help:"Station's call sign."`
	Carrier  frequency `placeholder:"10MHz" help:"Carrier (default: any of the station's that may be heard, and a wider interval)."`
	Time     time.Time `placeholder:"TIME" day:"" help:"When, RFC 3339, or a day, at 0 h UTC (default: now)."`
	Ground   ground    `placeholder:"KIND" help:"Ground under the path of a station on long wave: sea, wet, land, dry, or parts such as sea:1,land:3 (default: sea and land as on a map, the land of any kind)."`
	LongPath bool      `help:"The long way round the earth."`
	JSON     bool      `name:"json" help:"Print one JSON object (timeball.path/1)."`
	Plot     string    `placeholder:"FILE.png|.svg" help:"Draw the hops and the delay over the day."`
	dpiFlag  `embed:""`
}

// Help is kong's long help.
func (pathCmd) Help() string {
	return `Tells how long a tick is under way from a station to you, by which modes, and how sure that is. The path delay is that of the earliest arrival.

A mode is heard when it is there and not much weaker than the strongest; it is the first when no earlier one is heard. Both are chances for when the station is heard at all: whether it is, outlook tells. The 95 % interval takes in the modes, the height of the layers from day to day and the sunspot number.

Example: timeball path --station rwm --carrier 9996kHz --at 50.2,-5.6 --time 2026-03-14T10:00:00Z --sunspots 115`
}

// AfterApply checks the flags, for kong.
func (c *pathCmd) AfterApply() error {
	return checkPicture(c.Plot, c.DPI)
}

// Run prints the prediction and draws it.
func (c *pathCmd) Run(p *program) error {
	if err := checkTarget(c.Plot); err != nil {
		return err
	}
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
	ionograms, err := c.ionograms(&c.At.LatLon)
	if err != nil {
		return err
	}
	request := path.Request{
		Station: s, CarrierHz: float64(c.Carrier), At: c.At.LatLon, Time: timeOr(c.Time, time.Now()),
		Sunspots: c.r12(), LongPath: c.LongPath, Maps: maps, Ground: c.Ground.Mix, Ionograms: ionograms,
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
		if err := plot.Path(plot.File{Name: c.Plot, DPI: c.DPI}, request, prediction); err != nil {
			return err
		}
	}
	if c.JSON {
		return printPathJSON(p.stdout, request, prediction)
	}
	return text.WritePath(p.stdout, request, prediction)
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
	Sea             *float64    `json:"sea_share,omitempty"` // of a path on long wave, by the map
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
		Sea: p.Sea, Modes: []modeJSON{}, Causes: []causeJSON{},
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
