package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"timeball/align/path"
	"timeball/align/path/noise"
	"timeball/capture/station"
	"timeball/cmd/timeball/internal/plot"
	"timeball/cmd/timeball/internal/text"
)

type outlookCmd struct {
	skyFlags `embed:""`

	Station     []string  `placeholder:"ID,…" default:"auto" help:"Stations' call signs, or auto for all."`
	Time        time.Time `placeholder:"TIME" day:"" help:"Start of the 24 hours, RFC 3339 and taken to the full hour, or a day (default: now)."`
	Environment string    `enum:"city,residential,rural,quiet-rural" default:"residential" help:"Man-made noise at the receiver: ${enum}."`
	AntennaGain float64   `placeholder:"DB" default:"0" help:"Gain of the receiving antenna over an isotropic one, losses included, in decibels."`
	RequiredSNR float64   `name:"required-snr" placeholder:"DB" default:"3" help:"What counts as heard: tick tone over noise in 3 kHz of audio, in decibels."`
	NoiseMaps   string    `placeholder:"DIR" help:"Folder with the ITU's coefficient files, COEFF01W.txt to COEFF12W.txt as published, to use instead of the built-in fit to their noise maps."`
	JSON        bool      `name:"json" help:"Print one JSON object (timeball.outlook/1)."`
	Plot        string    `placeholder:"FILE.png|.svg" help:"Draw the day as a picture."`
	dpiFlag     `embed:""`
}

// Help is kong's long help.
func (outlookCmd) Help() string {
	return `Tells which station and carrier can be heard when, for 24 hours, with the path delay and its uncertainty, and recommends an hour for an attempt: heard likely, the middle of the path well in daylight or in the dark, and the delay as sure as can be. Of stations that are named it lists every hour in which they may be heard.

` + text.AntennaCaution + `

Example: timeball outlook --at 50.2,-5.6 --time 2026-03-14T00:00:00Z --environment rural`
}

// AfterApply checks the flags, for kong.
func (c *outlookCmd) AfterApply() error {
	for _, f := range []struct {
		name  string
		value float64
	}{{"--antenna-gain", c.AntennaGain}, {"--required-snr", c.RequiredSNR}} {
		if !(f.value >= -60 && f.value <= 60) {
			return usageError{fmt.Errorf("%s %g: give decibels between -60 and 60", f.name, f.value)}
		}
	}
	return checkPicture(c.Plot, c.DPI)
}

// Run prints the outlook and draws it.
func (c *outlookCmd) Run(p *program) error {
	if err := checkTarget(c.Plot); err != nil {
		return err
	}
	request := path.OutlookRequest{
		At: c.At.LatLon, From: timeOr(c.Time, time.Now()).Truncate(time.Hour), Hours: 24,
		Sunspots: c.r12(), Receiver: path.DefaultReceiver,
	}
	request.Receiver.Environment = noise.Environment(c.Environment)
	request.Receiver.AntennaDBi = c.AntennaGain
	request.Receiver.RequiredSNR = c.RequiredSNR
	all, err := c.table()
	if err != nil {
		return err
	}
	if request.Stations, err = findStations(all, c.Station); err != nil {
		return err
	}
	if request.Maps, err = c.maps(); err != nil {
		return err
	}
	if c.NoiseMaps != "" {
		maps, err := noise.ReadITUMaps(os.DirFS(c.NoiseMaps))
		if err != nil {
			return fmt.Errorf("%s: %w", c.NoiseMaps, err)
		}
		request.Receiver.Noise = maps
	}
	slots, err := path.Outlook(request)
	if err != nil {
		return err
	}
	if c.Plot != "" {
		if err := plot.Outlook(plot.File{Name: c.Plot, DPI: c.DPI}, request, slots); err != nil {
			return err
		}
	}
	if c.JSON {
		return printOutlookJSON(p.stdout, request, slots)
	}
	return text.WriteOutlook(p.stdout, request, slots, !everyStation(c.Station))
}

// findStations looks call signs up; auto stands for all stations.
func findStations(all []station.Station, ids []string) ([]station.Station, error) {
	if everyStation(ids) {
		return all, nil
	}
	var chosen []station.Station
	for _, id := range ids {
		s, err := findStation(all, id)
		if err != nil {
			return nil, err
		}
		chosen = append(chosen, *s)
	}
	return chosen, nil
}

// everyStation reports whether no station is named.
func everyStation(ids []string) bool { return len(ids) == 1 && strings.EqualFold(ids[0], "auto") }

// outlookJSON is the object of schema timeball.outlook/1.
type outlookJSON struct {
	Schema      string     `json:"schema"`
	At          [2]float64 `json:"at_deg"` // latitude, longitude
	From        time.Time  `json:"from"`
	Slots       []slotJSON `json:"slots"`
	Recommended *slotJSON  `json:"recommended"` // null: none is even maybe heard
}

type slotJSON struct {
	Station      string    `json:"station"`
	CarrierHz    float64   `json:"carrier_hz"`
	Time         time.Time `json:"time"` // middle of the hour
	Hearing      string    `json:"hearing"`
	SNRdB        *float64  `json:"snr_db"` // this and what follows: null off the air
	Reliability  *float64  `json:"reliability"`
	Delay        *float64  `json:"delay_s"` // this, u, mode and share: null when it is unlikely to be heard
	U            *float64  `json:"u_s"`
	Mode         *string   `json:"mode"`
	ModeShare    *float64  `json:"mode_share"`
	SunElevation *float64  `json:"sun_elevation_deg"`
	Steady       bool      `json:"steady"`
}

func newSlotJSON(s path.Slot) slotJSON {
	j := slotJSON{Station: s.Station, CarrierHz: s.CarrierHz, Time: s.Time, Hearing: s.Hearing.String(), Steady: s.Steady}
	if s.Hearing != path.Off {
		j.SNRdB, j.Reliability, j.SunElevation = &s.SNRdB, &s.Reliability, &s.SunElevation
	}
	if s.Mode != "" {
		j.Delay, j.U, j.Mode, j.ModeShare = &s.DelaySeconds, &s.USeconds, &s.Mode, &s.ModeShare
	}
	return j
}

func printOutlookJSON(w io.Writer, r path.OutlookRequest, slots []path.Slot) error {
	o := outlookJSON{Schema: "timeball.outlook/1", At: [2]float64{r.At.Lat, r.At.Lon}, From: r.From, Slots: []slotJSON{}}
	for _, s := range slots {
		o.Slots = append(o.Slots, newSlotJSON(s))
	}
	if best, ok := path.Recommend(slots); ok {
		j := newSlotJSON(best)
		o.Recommended = &j
	}
	return json.NewEncoder(w).Encode(o)
}
