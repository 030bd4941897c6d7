package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"timeball/align/path"
	"timeball/align/path/groundwave"
	"timeball/align/path/ionosphere"
	"timeball/capture/station"
	"timeball/cmd/timeball/internal/plot"
	"timeball/cmd/timeball/internal/text"
)

// place is the value of --at: "LAT,LON" in degrees, north and east positive.
type place struct{ path.LatLon }

// UnmarshalText is for kong.
func (p *place) UnmarshalText(text []byte) error {
	first, second, found := strings.Cut(string(text), ",")
	lat, err1 := strconv.ParseFloat(strings.TrimSpace(first), 64)
	lon, err2 := strconv.ParseFloat(strings.TrimSpace(second), 64)
	if !found || err1 != nil || err2 != nil || !(math.Abs(lat) <= 90) || !(math.Abs(lon) <= 180) {
		return fmt.Errorf("%q is no place: give LAT,LON in degrees, north and east positive, as 50.2,-5.6", text)
	}
	p.LatLon = path.LatLon{Lat: lat, Lon: lon}
	return nil
}

// String is the place as a chart would have it.
func (p place) String() string { return text.Place(p.LatLon) }

// frequency is the value of --carrier in hertz: "10MHz", "7850kHz" or a bare
// number of hertz.
type frequency float64

// UnmarshalText is for kong.
func (f *frequency) UnmarshalText(text []byte) error {
	number := strings.ToLower(strings.TrimSpace(string(text)))
	scale := 1.0
	for _, unit := range []struct {
		name  string
		scale float64
	}{{"mhz", 1e6}, {"khz", 1e3}, {"hz", 1}} {
		if rest, ok := strings.CutSuffix(number, unit.name); ok {
			number, scale = strings.TrimSpace(rest), unit.scale
			break
		}
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || !(v > 0) || math.IsInf(v, 0) || scale == 1 && v < 10e3 { // 10 of what?
		return fmt.Errorf("%q is no frequency: give it as 10MHz or 7850kHz", text)
	}
	// Whole hertz: 9.996 times a million is not exactly the table's 9.996e6.
	*f = frequency(math.Round(v * scale))
	return nil
}

func (f frequency) String() string { return text.Frequency(float64(f)) }

// ground is the value of --ground.
type ground struct{ groundwave.Mix }

// UnmarshalText is for kong.
func (g *ground) UnmarshalText(text []byte) (err error) {
	g.Mix, err = groundwave.Parse(string(text))
	return err
}

// skyFlags are what path and outlook ask of the sky and the stations.
type skyFlags struct {
	At              place `required:"" placeholder:"LAT,LON" help:"Receiver's place in degrees, north and east positive."`
	ionosphereFlags `embed:""`
	stationsFlags   `embed:""`
}

// ionosphereFlags tell what ionosphere a path delay is computed from.
type ionosphereFlags struct {
	Sunspots   *sunspots `placeholder:"N" help:"12-month smoothed sunspot number as published since July 2015, 0 to 400; 84old is one on the scale before, 0.7 of it (default: a mean cycle's value for the date)."`
	Ionosphere string    `placeholder:"DIR" help:"Folder with the ITU's coefficient files, COEFF01W.txt to COEFF12W.txt as published, to use instead of the built-in fit to them."`
}

// sunspots is the value of --sunspots: a smoothed number as published since July
// 2015, or with "old" behind it one on the scale before.
type sunspots struct {
	given float64
	old   bool
}

// UnmarshalText is for kong.
func (s *sunspots) UnmarshalText(text []byte) error {
	number, old := strings.CutSuffix(string(text), "old")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v >= 0 && v <= 400) {
		return fmt.Errorf("%q is no smoothed sunspot number: it lies between 0 and 400; 84old is one on the scale before July 2015", text)
	}
	*s = sunspots{v, old}
	return nil
}

// r12 is the number on the maps' scale, that before 2015; NaN: not given.
func (f ionosphereFlags) r12() float64 {
	switch {
	case f.Sunspots == nil:
		return math.NaN()
	case f.Sunspots.old:
		return f.Sunspots.given
	}
	return path.TodaysSunspots * f.Sunspots.given
}

// maps is the source of the F2 layer; nil is the built-in one.
func (f ionosphereFlags) maps() (ionosphere.Maps, error) {
	if f.Ionosphere == "" {
		return nil, nil
	}
	m, err := ionosphere.ReadITUMaps(os.DirFS(f.Ionosphere))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Ionosphere, err)
	}
	return m, nil
}

// stationsFlags add a person's own stations to the built-in ones.
type stationsFlags struct {
	Stations string `placeholder:"FILE.toml" help:"Your own stations, beside the built-in ones or instead of those with the same call sign."`
}

// table is all stations there are.
func (f stationsFlags) table() ([]station.Station, error) {
	all := station.Builtin()
	if f.Stations == "" {
		return all, nil
	}
	r, err := os.Open(f.Stations)
	if err != nil {
		return nil, fmt.Errorf("stations: %w", err)
	}
	defer r.Close()
	own, err := station.Load(&bounded{Reader: r, most: mostText})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Stations, err)
	}
	all = slices.DeleteFunc(all, func(b station.Station) bool {
		return slices.ContainsFunc(own, func(o station.Station) bool { return o.ID == b.ID })
	})
	return append(all, own...), nil
}

// findStation looks a call sign up.
func findStation(all []station.Station, id string) (*station.Station, error) {
	i := slices.IndexFunc(all, func(s station.Station) bool { return strings.EqualFold(s.ID, id) })
	if i >= 0 {
		return &all[i], nil
	}
	ids := make([]string, len(all))
	for i, s := range all {
		ids[i] = s.ID
	}
	return nil, usageError{fmt.Errorf("there is no station %q: choose some of %s", id, strings.Join(ids, ", "))}
}

// timeOr is t, or now when t was not given.
func timeOr(t, now time.Time) time.Time {
	if t.IsZero() {
		return now.UTC().Truncate(time.Second)
	}
	return t.UTC()
}

// dpiFlag is how fine a picture is.
type dpiFlag struct {
	DPI int `name:"dpi" default:"96" placeholder:"300" help:"Dots an inch of a .png: 300 for print (default: 96)."`
}

// checkPicture accepts no picture, or one whose format is told by its name.
func checkPicture(name string, dpi int) error {
	if dpi < 50 || dpi > plot.MostDPI {
		return usageError{fmt.Errorf("--dpi %d: it lies between 50 and %d", dpi, plot.MostDPI)}
	}
	switch strings.ToLower(filepath.Ext(name)) {
	case ".png", ".svg":
		return nil
	}
	if name == "" {
		return nil
	}
	return usageError{fmt.Errorf("--plot %s: the name must end in .png or .svg", name)}
}
