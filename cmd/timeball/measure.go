package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"timeball/align"
	"timeball/align/path"
	"timeball/capture/station"
	"timeball/cmd/timeball/internal/text"
	"timeball/detect/marker"
)

// measureFlags tell what a measurement must know, in every command that
// measures.
type measureFlags struct {
	Station         []string `default:"auto" placeholder:"ID,ID" help:"Stations that may be heard, or auto: all on shortwave that differ in their marks (default: auto)."`
	stationsFlags   `embed:""`
	Carrier         frequency `placeholder:"10MHz" help:"Carrier the receiver is tuned to (default: any)."`
	At              *place    `placeholder:"LAT,LON" help:"Receiver's place in degrees, north and east positive; the path delay is computed from it."`
	Start           time.Time `placeholder:"RFC3339" help:"UTC of the first sample, within half a minute (default: as the recording itself says)."`
	ionosphereFlags `embed:""`
	Ground          ground   `placeholder:"KIND" help:"Ground under the path of a station on long wave: sea, wet, land, dry, or parts such as sea:1,land:3 (default: sea and land as on a map, the land of any kind)."`
	LoopQ           *float64 `name:"loop-q" placeholder:"N" help:"Loaded quality of a tuned antenna for long wave, 0 of one that is not tuned (default: as calibrated, else as the noise beside the carrier shows it)."`
	ionosondeFlags  `embed:""`

	PathDelay     []stationDelay `placeholder:"[ID=]7.2ms[±0.3ms]" help:"Delay from the station's antenna to yours, earliest arrival, instead of the computed one; may repeat. ± (or +-) is the 95 % half-width, 0.3 ms when left out."`
	ReceiverDelay *delay         `placeholder:"0.4ms[±0.1ms]" help:"Delay from antenna to audio output at the tick's tone (default: as calibrated, else 0.3 ms ± 0.6 ms). ± is 0.1 ms when left out."`
	Receiver      string         `placeholder:"NAME" help:"Receiver of several whose calibration holds, by the name it was calibrated under."`
	Skew          *delay         `placeholder:"1.3us[±1us]" help:"Delay of the marker input minus that of the receiver input (default: as calibrated, else none). ± is 1 µs when left out."`

	Hands handsReading `placeholder:"18:20:41[@12.5s]" help:"What the clock's hands showed that many seconds into the recording (default: at its last marker); 20:41 or 41 without the hands above; listen takes @key, too: as a key is pressed."`
	Zone  zone         `placeholder:"Europe/London" help:"Time zone the clock keeps (default: UTC)."`
	Dial  int          `default:"24" enum:"12,24" placeholder:"12|24" help:"Hours on the clock's dial (default: 24)."`
	UT1   bool         `name:"ut1" help:"The clock keeps UT1: tell its offset from that too, once the broadcast has told DUT1."`

	ReceiverChannel int    `placeholder:"N" help:"Channel of the receiver, from 1 (default: found)."`
	MarkerChannel   int    `placeholder:"N" help:"Channel of the marker, from 1 (default: found)."`
	MarkerEdge      string `default:"auto" enum:"rising,falling,auto" placeholder:"rising|falling|auto" help:"On-time edge of the marker (default: auto, the leading edge)."`
}

// check finds mistakes that a look at the flags shows. AfterApply of the
// commands calls it.
func (f *measureFlags) check() error {
	switch {
	case f.LoopQ != nil && !(*f.LoopQ >= 0 && *f.LoopQ <= 1000):
		return usageError{fmt.Errorf("--loop-q %g: a loop's quality lies between 0 and 1000", *f.LoopQ)}
	case f.ReceiverChannel < 0 || f.MarkerChannel < 0:
		return usageError{errors.New("--receiver-channel and --marker-channel count from 1")}
	case f.ReceiverChannel > 0 && f.ReceiverChannel == f.MarkerChannel:
		return usageError{fmt.Errorf("--receiver-channel and --marker-channel are both %d: they must differ", f.MarkerChannel)}
	case f.Start.After(time.Now().Add(time.Hour)):
		return usageError{fmt.Errorf("--start %s lies in the future: nothing was recorded then", f.Start.Format(time.RFC3339))}
	}
	for _, d := range f.PathDelay {
		if err := d.within("--path-delay", 0, longestPath); err != nil {
			return err
		}
	}
	return errors.Join(f.ReceiverDelay.within("--receiver-delay", 0, longestReceiver), f.Skew.within("--skew", -longestSkew, longestSkew))
}

// What delays can be, s.
const (
	longestPath     = 0.14 // once round the earth at the speed of light takes 134 ms; layers lengthen it a little
	longestReceiver = 1    // of more, the whole seconds would be lost
	longestSkew     = 0.01 // two inputs of one card differ by a few samples at most (common practice)
)

// within refuses a delay, or a half-width, that cannot be; nil passes.
func (d *delay) within(flag string, least, most float64) error {
	if d == nil {
		return nil
	}
	if d.seconds < least || d.seconds > most || d.u != nil && 1.96**d.u > most {
		given := text.Short(d.seconds)
		if d.u != nil {
			given += " ± " + text.Short(1.96**d.u)
		}
		return usageError{fmt.Errorf("%s %s: it lies between %s and %s; check value and unit", flag, given, text.Short(least), text.Short(most))}
	}
	return nil
}

// settings puts the flags and the calibrations into the measurement's terms.
func (f *measureFlags) settings(file calibrationFile) (align.Settings, error) {
	s := align.Settings{
		CarrierHz: float64(f.Carrier), Start: f.Start, Sunspots: f.r12(),
		ReceiverChannel: f.ReceiverChannel, MarkerChannel: f.MarkerChannel,
		Edge:       map[string]marker.Edge{"rising": marker.Rising, "falling": marker.Falling}[f.MarkerEdge],
		PathDelays: map[string]align.Quantity{}, UT1: f.UT1,
		Ground: f.Ground.Mix, LoopQ: f.LoopQ,
	}
	if f.Hands.given && !f.Hands.key {
		s.Hands = &align.HandsReading{Shown: f.dial(f.Hands.shown), At: f.Hands.at}
	}
	if f.At != nil {
		s.At = &path.LatLon{Lat: f.At.Lat, Lon: f.At.Lon}
	}
	var err error
	if s.Maps, err = f.maps(); err != nil {
		return s, err
	}
	if s.Ionograms, err = f.ionograms(s.At); err != nil {
		return s, err
	}
	if s.Stations, err = f.chooseStations(); err != nil {
		return s, err
	}
	s.Named = !slices.ContainsFunc(f.Station, func(id string) bool { return strings.EqualFold(id, "auto") })
	all, err := f.table()
	if err != nil {
		return s, err
	}
	for i := range all {
		s.Table = append(s.Table, &all[i])
	}
	for _, d := range f.PathDelay {
		if d.id != "" && !slices.ContainsFunc(s.Stations, func(st *station.Station) bool { return st.ID == d.id }) {
			return s, usageError{fmt.Errorf("--path-delay %s=: %s is not among the stations looked for", d.id, strings.ToUpper(d.id))}
		}
		s.PathDelays[d.id] = d.quantity(align.DefaultPathSpread, "as given")
	}
	kept, err := file.load()
	if err != nil {
		return s, err
	}
	own, loop := kept.current(receiverName.named(f.Receiver)), kept.current(loopName.named(f.Receiver))
	if loop != nil {
		s.Loop = &align.TunedLoop{Loop: loop.loop(), Known: align.Told(calibrated(*loop))}
	}
	if own == nil && loop == nil && f.Receiver != "" && f.ReceiverDelay == nil && file != "" {
		return s, fmt.Errorf("no receiver %q is calibrated: see timeball calibrate show, or give --receiver-delay", f.Receiver)
	}
	s.ReceiverDelay = delayOf(f.ReceiverDelay, align.DefaultReceiverSpread, own)
	if own != nil && f.ReceiverDelay == nil {
		s.Response = own.Response
	}
	s.Skew = delayOf(f.Skew, align.DefaultSkewSpread, kept.Skew)
	return s, nil
}

// advice is what to receive next; nil when there is nothing to say.
func (f *measureFlags) advice(fix align.Fix, s align.Settings) *align.Advice {
	if fix.Verdict != align.Found || fix.Wire != nil {
		return nil
	}
	how, err := f.stationsFlags.combination(f.ionosphereFlags)
	if err != nil {
		return nil
	}
	how.Ionograms = s.Ionograms
	return align.Advise([]align.Fix{fix}, how)
}

// combination is what fixes are joined with.
func (f stationsFlags) combination(sky ionosphereFlags) (align.Combination, error) {
	all, err := f.table()
	if err != nil {
		return align.Combination{}, err
	}
	how := align.Combination{Sunspots: sky.r12()}
	for i := range all {
		how.Stations = append(how.Stations, &all[i])
	}
	how.Maps, err = sky.maps()
	return how, err
}

// delayOf is the delay given, else the one calibrated, else nil.
func delayOf(given *delay, spread float64, kept *calibration) *align.Quantity {
	if given != nil {
		q := given.quantity(spread, "as given")
		return &q
	}
	if kept == nil {
		return nil
	}
	return &align.Quantity{
		Value: kept.DelaySeconds, U: kept.USeconds,
		Known: align.Told(calibrated(*kept)),
	}
}

// calibrated says when and how something was.
func calibrated(k calibration) string {
	return fmt.Sprintf("calibrated %s by %s", k.Date.UTC().Format(time.DateOnly), k.Method)
}

// chooseStations returns the stations that --station names.
func (f *measureFlags) chooseStations() ([]*station.Station, error) {
	all, err := f.table()
	if err != nil {
		return nil, err
	}
	var chosen []*station.Station
	for _, id := range f.Station {
		if strings.EqualFold(id, "auto") {
			for i := range all {
				if !all[i].Lookalike && !all[i].LongWave() && f.sendsOnCarrier(&all[i]) {
					chosen = append(chosen, &all[i])
				}
			}
			continue
		}
		s, err := findStation(all, id)
		if err != nil {
			return nil, err
		}
		if !f.sendsOnCarrier(s) {
			return nil, usageError{fmt.Errorf("%s does not send on %v", strings.ToUpper(id), f.Carrier)}
		}
		chosen = append(chosen, s)
	}
	if len(chosen) == 0 {
		return nil, usageError{fmt.Errorf("no station sends on %v: correct --carrier, or leave it out", f.Carrier)}
	}
	slices.SortStableFunc(chosen, func(a, b *station.Station) int { return strings.Compare(a.ID, b.ID) })
	return slices.Compact(chosen), nil
}

// all returns the stations that auto stands for.
func (f *measureFlags) all() []*station.Station {
	auto := *f
	auto.Station = []string{"auto"}
	all, err := auto.chooseStations()
	if err != nil {
		return nil // none of them sends on the carrier
	}
	return all
}

// sendsOnCarrier reports whether a station has the carrier that --carrier names.
func (f *measureFlags) sendsOnCarrier(s *station.Station) bool {
	return f.Carrier == 0 || slices.ContainsFunc(s.Carriers, func(c station.Carrier) bool {
		return math.Abs(c.Hz-float64(f.Carrier)) < 1
	})
}
