package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"timeball/align"
	"timeball/align/path"
	"timeball/cmd/timeball/internal/text"
)

type combineCmd struct {
	Files []string      `arg:"" optional:"" name:"file" help:"Recordings (WAV) of one clock, made within some hours (default: the logbook's fixes)."`
	Since time.Duration `default:"3h" placeholder:"3h" help:"How far back from the latest the logbook's fixes count (${default})."`

	Station         []string `sep:"none" default:"auto" placeholder:"ID,ID" help:"Stations that may be heard; given once it holds for all files, given as often as there are files for each in order, as --carrier, --start and --path-delay (default: auto)."`
	stationsFlags   `embed:""`
	Carrier         []frequency `placeholder:"10MHz" help:"Carrier (default: as the recording's note says)."`
	At              *place      `placeholder:"LAT,LON" help:"Receiver's place in degrees, north and east positive (default: as the recording's note says)."`
	Start           []time.Time `placeholder:"RFC3339" help:"UTC of the first sample, within half a minute (default: as the recording itself says)."`
	ionosphereFlags `embed:""`
	ionosondeFlags  `embed:""`
	PathDelay       []stationDelay `placeholder:"[ID=]7.2ms[±0.3ms]" help:"Delay from the station's antenna to yours, earliest arrival, instead of the computed one."`
	ReceiverDelay   *delay         `placeholder:"0.4ms[±0.1ms]" help:"Delay from antenna to audio output at the tick's tone (default: as calibrated, else 0.3 ms ± 0.6 ms)."`
	Receiver        string         `placeholder:"NAME" help:"Receiver of several whose calibration holds."`
	Skew            *delay         `placeholder:"1.3us[±1us]" help:"Delay of the marker input minus that of the receiver input (default: as calibrated, else none)."`
	MarkerEdge      string         `default:"auto" enum:"rising,falling,auto" placeholder:"rising|falling|auto" help:"On-time edge of the marker (default: auto, the leading edge)."`

	given     map[string]bool
	bookFlags `embed:""`
	JSON      bool `name:"json" help:"Print one JSON object (timeball.fix/1)."`
}

// Help is kong's long help.
func (combineCmd) Help() string {
	return `Joins recordings of one clock, made one after the other within some hours, into one fix. A good clock hardly moves meanwhile, so what differs between carriers and stations is the path: together they tell which mode each arrival came by and how high the ionosphere is today. The second recording narrows the interval most; do not touch the clock or the receiver's filters in between.

The exit status is 0 for a fix, 3 when none of the recordings has one.

Example: timeball combine --at 50.2,-5.6 --carrier 4996kHz --carrier 9996kHz evening-1.wav evening-2.wav`
}

// AfterApply checks the flags, for kong.
func (c *combineCmd) AfterApply(ctx *kong.Context) error {
	c.given = given(ctx)
	for _, f := range []struct {
		name  string
		given int
	}{{"--station", len(c.Station)}, {"--carrier", len(c.Carrier)}, {"--start", len(c.Start)}, {"--path-delay", len(c.PathDelay)}} {
		if f.given > 1 && f.given != len(c.Files) {
			return usageError{fmt.Errorf("%s is given %d times for %d files: give it once, or once for each", f.name, f.given, len(c.Files))}
		}
	}
	if c.Since <= 0 {
		return usageError{errors.New("--since: give a length of time, such as 3h")}
	}
	return nil
}

// Run measures the recordings, or takes the logbook's fixes, and joins them.
func (c *combineCmd) Run(p *program, file calibrationFile) error {
	defer debug.SetGCPercent(debug.SetGCPercent(garbagePercent))
	var fixes []align.Fix
	var err error
	if len(c.Files) > 0 {
		fixes, err = c.measured(p, file)
	} else {
		fixes, err = c.logged()
	}
	if err != nil {
		return err
	}
	how, err := c.stationsFlags.combination(c.ionosphereFlags)
	if err != nil {
		return err
	}
	var at *path.LatLon
	if i := slices.IndexFunc(fixes, func(f align.Fix) bool { return f.Place != nil }); i >= 0 {
		at = &path.LatLon{Lat: fixes[i].Place.Lat, Lon: fixes[i].Place.Lon}
	}
	if how.Ionograms, err = c.ionograms(at); err != nil {
		return err
	}
	if !slices.ContainsFunc(fixes, func(f align.Fix) bool { return f.Offset != nil }) {
		for _, f := range fixes {
			fmt.Fprintf(p.stderr, "timeball: %s: no fix: %s\n", f.Recording.Path, f.Reason)
		}
		return errNoFix
	}
	fix, err := align.Combine(fixes, how)
	if apart := (path.ContradictionError{}); errors.As(err, &apart) {
		fmt.Fprintf(p.stderr, "timeball: no fix: %v\n", err)
		return errNoFix
	}
	if err != nil {
		return err
	}
	fix = text.Fix(fix)
	fix.Advice = align.Advise(fixes, how)
	if c.JSON {
		return json.NewEncoder(p.stdout).Encode(fix)
	}
	return text.WriteFix(p.stdout, fix)
}

// nth is what holds for file i of what was given once for all or for each.
func nth[T any](given []T, i int) (v T) {
	switch {
	case len(given) == 1:
		v = given[0]
	case len(given) > 1:
		v = given[i]
	}
	return v
}

// measured measures the files.
func (c *combineCmd) measured(p *program, file calibrationFile) ([]align.Fix, error) {
	var fixes []align.Fix
	for i, name := range c.Files {
		flags := measureFlags{
			Station: strings.Split(nth(c.Station, i), ","), stationsFlags: c.stationsFlags, Carrier: nth(c.Carrier, i), At: c.At,
			Start: nth(c.Start, i), ionosphereFlags: c.ionosphereFlags, ionosondeFlags: c.ionosondeFlags, ReceiverDelay: c.ReceiverDelay, Receiver: c.Receiver, Skew: c.Skew, MarkerEdge: c.MarkerEdge,
		}
		if len(c.PathDelay) > 0 {
			flags.PathDelay = []stationDelay{nth(c.PathDelay, i)}
		}
		fix, err := measureNoted(p, name, flags, c.given, file)
		if err != nil {
			return nil, err
		}
		fixes = append(fixes, fix)
	}
	return fixes, nil
}

// measureNoted measures a file; what the flags leave open its note may tell.
func measureNoted(p *program, name string, flags measureFlags, given map[string]bool, file calibrationFile) (align.Fix, error) {
	src, err := openRecording(p, name)
	if err != nil {
		return align.Fix{}, err
	}
	defer src.Close()
	settings, _, err := flags.settingsFor(src.Info(), given, file)
	if err != nil {
		return align.Fix{}, err
	}
	attempt, err := align.NewAttempt(src.Info(), settings)
	if err != nil {
		return align.Fix{}, err
	}
	if err := measureAll(p, src.Info(), attempt.Ahead(), reduced(src, attempt), attempt.Measure); err != nil {
		return align.Fix{}, err
	}
	return text.Fix(attempt.Fix()), nil
}

// logged takes the logbook's fixes, back from the latest; what they leave open the
// flags may tell.
func (c *combineCmd) logged() ([]align.Fix, error) {
	book, err := c.read()
	if err != nil {
		return nil, err
	}
	defer book.Close()
	entries, err := book.Entries(c.Clock)
	if err != nil {
		return nil, err
	}
	var fixes []align.Fix
	var latest time.Time
	for _, e := range entries {
		if e.Fix != nil && e.WithdrawnBy == 0 && e.Fix.At != nil && e.Fix.Wire == nil {
			fixes = append(fixes, *e.Fix)
			if e.Fix.At.After(latest) {
				latest = *e.Fix.At
			}
		}
	}
	fixes = slices.DeleteFunc(fixes, func(f align.Fix) bool { return latest.Sub(*f.At) > c.Since })
	if len(fixes) == 0 {
		return nil, c.empty(book)
	}
	for i := range fixes {
		if fixes[i].Place == nil && c.At != nil {
			fixes[i].Place = &align.Place{Lat: c.At.Lat, Lon: c.At.Lon}
		}
		for k := range fixes[i].Stations {
			if s := &fixes[i].Stations[k]; s.CarrierHz == 0 && len(c.Carrier) == 1 {
				s.CarrierHz = float64(c.Carrier[0])
			}
		}
	}
	return fixes, nil
}
