package text

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"timeball/align/path"
	"timeball/capture/station"
)

// WriteStations lists stations, a line for each carrier.
func WriteStations(w io.Writer, all []station.Station) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "station\tcarrier\tplace\thours, UTC\tminutes\treceiver\tsends")
	for i := range all {
		s := &all[i]
		id, minutes, mode, sends := strings.ToUpper(s.ID), minutesOf(s), Mode(s), sendsOf(s)
		for _, c := range s.Carriers {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", id, carrier(c.Hz), Place(path.LatLon{Lat: c.Lat, Lon: c.Lon}), hoursOf(c), minutes, mode, sends)
			id, minutes, mode, sends = "", "", "", "" // said once
		}
	}
	return t.Flush()
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
			fmt.Fprintln(w, "Its marks are like another station's: it is listened for only when it is named.")
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
			fmt.Fprintf(t, "%s\t%s, %s, %s\n", carrier(c.Hz), Place(path.LatLon{Lat: c.Lat, Lon: c.Lon}), power, hoursOf(c))
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
	switch {
	case s.Keying != station.ToneBurst:
		return "CW or SSB, beat note 400 to 1600 Hz"
	case s.UpperSideband:
		return "AM, or USB"
	}
	return "AM"
}

// carrier is a frequency as it is written on dials: kHz on long wave.
func carrier(hz float64) string {
	if hz < 300e3 { // band 5, low frequency, ends there (ITU Radio Regulations, No. 2.1)
		return fmt.Sprintf("%g kHz", hz/1e3)
	}
	return Frequency(hz)
}

func hoursOf(c station.Carrier) string {
	hours := "all day"
	if c.HoursUTC != "" {
		hours = c.HoursUTC
	}
	if c.Weekdays {
		hours += ", Mon-Fri"
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
