package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"timeball/align/path"
	"timeball/align/path/noise"
	"timeball/capture/station"
)

type outlookCmd struct {
	skyFlags `embed:""`

	Station     []string  `placeholder:"ID,…" default:"auto" help:"Stations' call signs, or auto for all."`
	Time        time.Time `placeholder:"RFC3339" help:"Start of the 24 hours, taken to the full hour (default: now)."`
	Environment string    `enum:"city,residential,rural,quiet-rural" default:"residential" help:"Man-made noise at the receiver: ${enum}."`
	AntennaGain float64   `placeholder:"DB" default:"0" help:"Gain of the receiving antenna over an isotropic one, losses included, in decibels."`
	RequiredSNR float64   `name:"required-snr" placeholder:"DB" default:"3" help:"What counts as heard: tick tone over noise in 3 kHz of audio, in decibels."`
	NoiseMaps   string    `placeholder:"DIR" help:"Folder with the ITU's noise coefficients, p372_atmos_DJF.txt and so on, to use instead of the built-in fit to them."`
	JSON        bool      `name:"json" help:"Print one JSON object (timeball.outlook/1)."`
	Plot        string    `placeholder:"FILE.png|.svg" help:"Draw the day as a picture."`
}

// Help is kong's long help.
func (outlookCmd) Help() string {
	return `Tells which station and carrier can be heard when, for 24 hours, with the path delay and its uncertainty, and recommends an hour for a sync attempt: heard likely, the middle of the path well in daylight or in the dark, and the delay as sure as can be. Of stations that are named it lists every hour in which they may be heard.

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
	return checkPicture(c.Plot)
}

// Run prints the outlook and draws it.
func (c *outlookCmd) Run(p *program) error {
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
		if err := plotOutlook(c.Plot, request, slots); err != nil {
			return err
		}
	}
	if c.JSON {
		return printOutlookJSON(p.stdout, request, slots)
	}
	return printOutlook(p.stdout, request, slots, !everyStation(c.Station))
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

// rows cuts the slots into the carriers' days.
func rows(slots []path.Slot, hours int) [][]path.Slot {
	var all [][]path.Slot
	for len(slots) >= hours {
		all = append(all, slots[:hours])
		slots = slots[hours:]
	}
	return all
}

// hearingMarks are the outlook's letters on the terminal.
var hearingMarks = map[path.Hearing]string{path.Likely: "#", path.Maybe: "o", path.Unlikely: ".", path.Off: " "}

func printOutlook(w io.Writer, r path.OutlookRequest, slots []path.Slot, hourly bool) error {
	var text strings.Builder
	fmt.Fprintf(&text, "%v, 24 hours from %s\n", place{r.At}, r.From.Format("2006-01-02 15:04 UTC"))
	text.WriteString("# heard likely   o maybe   . unlikely   blank: off the air\n\n")
	var tens, units strings.Builder
	for h := range r.Hours {
		hour := r.From.Add(time.Duration(h) * time.Hour).Hour()
		fmt.Fprintf(&tens, "%d", hour/10)
		fmt.Fprintf(&units, "%d", hour%10)
	}
	t := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "\t\t%s\t\t\t\t\n", tens.String())
	fmt.Fprintf(t, "station\tMHz\t%s\tbest hour, UTC\tdelay, ms\tfirst mode\tSNR\n", units.String())
	for _, row := range rows(slots, r.Hours) {
		marks := ""
		for _, s := range row {
			marks += hearingMarks[s.Hearing]
		}
		best, ok := path.Recommend(row)
		fmt.Fprintf(t, "%s\t%s\t%s\t", row[0].Station, strings.TrimSuffix(frequency(row[0].CarrierHz).String(), " MHz"), marks)
		if ok {
			fmt.Fprintf(t, "%s\t%s\t%s, %.0f %%\t%.0f dB\n", hourOf(best), delayOfSlot(best), best.Mode, 100*best.ModeShare, best.SNRdB)
		} else {
			fmt.Fprint(t, "none\t\t\t\n")
		}
	}
	t.Flush()
	if hourly {
		writeHours(&text, slots)
	}
	text.WriteString("\n" + recommendation(slots) + "\n\n" + assumptions(r) + "\n")
	_, err := io.WriteString(w, text.String())
	return err
}

// writeHours lists the hours in which a carrier may be heard.
func writeHours(w io.Writer, slots []path.Slot) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	defer t.Flush()
	fmt.Fprintln(t, "\nstation\tMHz\thour, UTC\theard\tdelay, ms\tfirst mode\tSNR\tmiddle of the path")
	for _, s := range slots {
		if s.Hearing >= path.Maybe {
			fmt.Fprintf(t, "%s\t%s\t%s\t%v\t%s\t%s, %.0f %%\t%.0f dB\t%s\n", s.Station, strings.TrimSuffix(frequency(s.CarrierHz).String(), " MHz"), hourOf(s),
				s.Hearing, delayOfSlot(s), s.Mode, 100*s.ModeShare, s.SNRdB, light(s))
		}
	}
}

// delayOfSlot is the delay in milliseconds with its standard uncertainty.
func delayOfSlot(s path.Slot) string {
	return fmt.Sprintf("%.2f, u %s", s.DelaySeconds*1e3, uMilliseconds(s))
}

// uMilliseconds has two decimals, more for a ground wave, which needs them.
func uMilliseconds(s path.Slot) string {
	if s.USeconds < 10e-6 {
		return fmt.Sprintf("%.2g", s.USeconds*1e3)
	}
	return fmt.Sprintf("%.2f", s.USeconds*1e3)
}

// light says how the sun stands to the middle of the path.
func light(s path.Slot) string {
	switch {
	case s.Twilight:
		return "near dawn or dusk"
	case s.SunElevation > 0:
		return "in daylight"
	}
	return "in the dark"
}

// assumptions are what the outlook rests on beside the map.
func assumptions(r path.OutlookRequest) string {
	r12 := r.Sunspots
	if math.IsNaN(r12) {
		r12, _ = path.DefaultSunspots(r.From)
	}
	return fmt.Sprintf("Assumed: %s noise, a receiving antenna of %g dBi, half-wave verticals of the published power (%g kW where none is), a smoothed sunspot number of %.0f as published since July 2015 (R12 = %.0f on the scale before), whose uncertainty is left out; heard means a tick at least %g dB above the noise in 3 kHz.",
		r.Receiver.Environment, r.Receiver.AntennaDBi, path.UnpublishedPowerW/1e3, r12/path.TodaysSunspots, r12, r.Receiver.RequiredSNR)
}

// hourOf is the hour of a slot, whose time is its middle.
func hourOf(s path.Slot) string {
	from := s.Time.Truncate(time.Hour)
	return from.Format("15") + "-" + from.Add(time.Hour).Format("15")
}

// recommendation is the advice in a sentence.
func recommendation(slots []path.Slot) string {
	best, ok := path.Recommend(slots)
	if !ok {
		return "No station is likely to be heard in these 24 hours: try a better antenna, a quieter place or a longer average."
	}
	return fmt.Sprintf("Recommended: %s on %v, %s UTC on %s: heard %v, delay %.2f ms with u = %s ms, first by %s; the middle of the path is %s.",
		strings.ToUpper(best.Station), frequency(best.CarrierHz), hourOf(best), best.Time.Format("2006-01-02"), best.Hearing, best.DelaySeconds*1e3, uMilliseconds(best), best.Mode, light(best))
}

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
	SNRdB        *float64  `json:"snr_db"` // this and what follows: null off the air or without a way
	Reliability  *float64  `json:"reliability"`
	Delay        *float64  `json:"delay_s"`
	U            *float64  `json:"u_s"`
	Mode         *string   `json:"mode"`
	ModeShare    *float64  `json:"mode_share"`
	SunElevation *float64  `json:"sun_elevation_deg"`
	Steady       bool      `json:"steady"`
}

func newSlotJSON(s path.Slot) slotJSON {
	j := slotJSON{Station: s.Station, CarrierHz: s.CarrierHz, Time: s.Time, Hearing: s.Hearing.String(), Steady: s.Steady}
	if s.Mode != "" {
		j.SNRdB, j.Reliability, j.Delay, j.U = &s.SNRdB, &s.Reliability, &s.DelaySeconds, &s.USeconds
		j.Mode, j.ModeShare, j.SunElevation = &s.Mode, &s.ModeShare, &s.SunElevation
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
