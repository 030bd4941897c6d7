package text

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"timeball/align/path"
	"timeball/capture/station"
)

// WriteStations lists stations, a line for the carriers that go out together from one place.
func WriteStations(w io.Writer, all []station.Station) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "station\treceiver\tcarriers\tplace\ton the air, UTC")
	for i := range all {
		s := &all[i]
		id, mode := strings.ToUpper(s.ID), mode(s)
		for rest := s.Carriers; len(rest) > 0; {
			together := 1
			for together < len(rest) && placeOf(rest[together]) == placeOf(rest[0]) && hoursOf(rest[together]) == hoursOf(rest[0]) {
				together++
			}
			air := hoursOf(rest[0])
			if len(s.Blocks) > 0 {
				air += ", minutes " + minutesOf(s)
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", id, mode, dials(rest[:together]), placeOf(rest[0]), air)
			id, mode, rest = "", "", rest[together:] // said once
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "\nWith call signs it says what these send, how to set the receiver, and the sources.")
	return err
}

// WriteStationDetails says all about some stations, with the sources.
func WriteStationDetails(w io.Writer, some []station.Station) error {
	for i := range some {
		s := &some[i]
		if i > 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s: %s\n", strings.ToUpper(s.ID), s.Name)
		if s.Lookalike {
			fmt.Fprintln(w, "Its marks are like another station's: it is listened for only when it is named, and must be known by its whole minute.")
		}
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintf(t, "receiver\t%s\nsends\t%s\nminutes\t%s\n", Mode(s), sendsOf(s), minutesOf(s))
		if s.AdvanceSeconds != 0 {
			fmt.Fprintf(t, "advance\t%s before the second, by design\n", Short(s.AdvanceSeconds))
		}
		for _, c := range s.Carriers {
			power := "power not published"
			if c.PowerW > 0 {
				power = fmt.Sprintf("%g kW", c.PowerW/1e3)
			}
			fmt.Fprintf(t, "%s\t%s, %s, %s\n", Frequency(c.Hz), placeOf(c), power, hoursOf(c))
		}
		t.Flush()
		fmt.Fprintln(w, "sources:")
		for _, source := range s.Sources {
			fmt.Fprintf(w, "  %s\n", source)
		}
	}
	return nil
}

// Mode is how to set the receiver for a station.
func Mode(s *station.Station) string {
	if s.Keying != station.ToneBurst {
		return mode(s) + ", beat note 400 to 1600 Hz"
	}
	return mode(s)
}

func mode(s *station.Station) string {
	switch {
	case s.Keying != station.ToneBurst:
		return "CW or SSB"
	case s.UpperSideband:
		return "AM, or USB"
	}
	return "AM"
}

// dials are carriers as they stand on a dial, each unit said once.
func dials(some []station.Carrier) string {
	all := make([]string, len(some))
	for i, c := range some {
		all[i] = Frequency(c.Hz)
		if i > 0 && strings.HasSuffix(all[i-1], all[i][strings.Index(all[i], " "):]) {
			all[i-1], _, _ = strings.Cut(all[i-1], " ")
		}
	}
	return strings.Join(all, ", ")
}

func placeOf(c station.Carrier) string { return Place(path.LatLon{Lat: c.Lat, Lon: c.Lon}) }

func hoursOf(c station.Carrier) string {
	hours := "all day"
	if c.HoursUTC != "" {
		hours = strings.ReplaceAll(c.HoursUTC, ",", ", ")
	}
	if c.Weekdays {
		hours += ", Mon-Fri"
	}
	if c.SilentUTC != "" {
		hours += ", but " + c.SilentUTC
	}
	return hours
}

func minutesOf(s *station.Station) string {
	if len(s.Blocks) == 0 {
		return "all"
	}
	var spans []string
	for _, b := range s.Blocks {
		spans = append(spans, fmt.Sprintf("%d-%d", b.From, b.To-1))
	}
	return strings.Join(spans, ", ")
}

// sendsOf says what marks and codes a station sends.
func sendsOf(s *station.Station) string {
	marks := "marks"
	if lengths := s.Lengths(); len(lengths) > 0 {
		marks = fmt.Sprintf("marks of %s", Short(lengths[0]))
		if last := lengths[len(lengths)-1]; last != lengths[0] {
			marks += " to " + Short(last)
		}
	}
	if s.ToneHz > 0 {
		marks += fmt.Sprintf(" at %g Hz", s.ToneHz)
	}
	parts := []string{marks}
	if s.Code.Kind != "" {
		parts = append(parts, "time code "+s.Code.Kind)
	}
	if s.Phase.Kind != "" {
		parts = append(parts, "phase code "+s.Phase.Kind)
	}
	if s.DUT1.Style != "" && s.DUT1.Style != "none" {
		parts = append(parts, "DUT1 by "+s.DUT1.Style+" marks")
	}
	return strings.Join(parts, ", ")
}
