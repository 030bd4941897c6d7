package main

import (
	"strings"
	"timeball/capture/station"
	"timeball/cmd/timeball/internal/text"
)

type stationsCmd struct {
	stationsFlags `embed:""`

	Station []string `arg:"" optional:"" name:"id" help:"Call signs: tell all about these, with the sources."`
}

// Help is kong's long help.
func (stationsCmd) Help() string {
	return `Lists the stations: carriers, place, hours and minutes on the air, how to set the receiver, and what is sent. With call signs it says more of those, and where each fact comes from.

Your own stations go into a TOML file for --stations, with these fields. Times are in seconds, places in degrees, north and east positive. Spans are written 1-28,30.

  [[station]]
  id               call sign in lower case
  name             operator and place, for people
  keying           tone: bursts of a tone; carrier-on: the carrier is keyed on;
                   carrier-reduced, carrier-raised: its level is lowered, or raised;
                   phase-ramps: its phase goes up, down and back
  tone_hz          pitch of the second marks; none where the carrier is keyed
  advance_s        how long before the second a mark leaves the antenna by design
  emission_s       uncertainty of the emission against UTC, 95 % half-width
  quiet_before_s   before a mark nothing else is sent for so long
  quiet_after_s    and after its start
  depth            modulation depth of the marks, 0 to 1; of a keyed level, its drop
  upper_sideband   true: full carrier and upper sideband only (H3E)
  lookalike        true: marks like another station's; heard only when named
  sources          list: "fields: where they are published"

  [[station.mark]]     rules in order: the first that matches a second holds
  seconds          seconds of the minute; 0 is the minute mark
  minutes          minutes of the hour in which it holds; left out: all
  length_s         0: the mark is omitted
  coded_lengths_s  list of other lengths, when it carries a digit
  split_s          start of a second part of a coded mark
  tone_hz          of the mark; left out: the station's

  [[station.carrier]]  one for each antenna
  hz  lat  lon
  power_w          radiated; left out: not published
  hours_utc        as 07:30-01:00; left out: all day
  weekdays         true: Monday to Friday only
  silent_utc       off for maintenance, as Tue 06:00-11:00

  [[station.block]]    from, to: minutes of the hour with marks; none: all
  [[station.tone]]     hz, depth, minutes, from_s, to_s: a programme tone
  [[station.voice]]    depth, minutes, from_s, to_s: an announcement
  [station.dut1]       style (doubled, split, lengthened, none), spacing_s, length_s
  [station.code]       kind (` + strings.Join(station.CodeKinds, ", ") + `),
                   tone_hz, depth, low_depth
  [station.sounding]   kind (` + strings.Join(station.SoundingKinds, ", ") + `), minute, from_s, depth:
                   a signal for measuring the channel by, once an hour
  [station.edge]       of a keyed level: tau_s, its factor of doubt tau_factor,
                   and on_time, the share of the change that is done on time
  [station.phase]      kind (dcf77, wwvb, ramps, unpublished), deviation_rad

Example: timeball stations wwv chu`
}

// Run lists the stations.
func (c *stationsCmd) Run(p *program) error {
	all, err := c.table()
	if err != nil {
		return err
	}
	if len(c.Station) == 0 {
		return text.WriteStations(p.stdout, all)
	}
	chosen, err := findStations(all, c.Station)
	if err != nil {
		return err
	}
	return text.WriteStationDetails(p.stdout, chosen)
}
