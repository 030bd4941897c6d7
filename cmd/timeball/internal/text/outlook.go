package text

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"timeball/align/path"
	"timeball/capture/station"
)

// Days cuts the slots into the carriers' days.
func Days(slots []path.Slot, hours int) [][]path.Slot {
	var all [][]path.Slot
	for len(slots) >= hours {
		all = append(all, slots[:hours])
		slots = slots[hours:]
	}
	return all
}

// hearingMarks are the outlook's letters on the terminal.
var hearingMarks = map[path.Hearing]string{path.Likely: "#", path.Maybe: "o", path.Unlikely: ".", path.Off: " "}

func WriteOutlook(w io.Writer, r path.OutlookRequest, slots []path.Slot, hourly bool) error {
	var text strings.Builder
	fmt.Fprintf(&text, "%v, 24 hours from %s\n", Place(r.At), r.From.Format("2006-01-02 15:04 UTC"))
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
	for _, row := range Days(slots, r.Hours) {
		marks := ""
		for _, s := range row {
			marks += hearingMarks[s.Hearing]
		}
		best, ok := path.Recommend(row)
		fmt.Fprintf(t, "%s\t%s\t%s\t", row[0].Station, strings.TrimSuffix(Frequency(row[0].CarrierHz), " MHz"), marks)
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
			fmt.Fprintf(t, "%s\t%s\t%s\t%v\t%s\t%s, %.0f %%\t%.0f dB\t%s\n", s.Station, strings.TrimSuffix(Frequency(s.CarrierHz), " MHz"), hourOf(s),
				s.Hearing, delayOfSlot(s), s.Mode, 100*s.ModeShare, s.SNRdB, light(s))
		}
	}
}

// delayOfSlot is the delay in milliseconds with its standard uncertainty.
func delayOfSlot(s path.Slot) string {
	return fmt.Sprintf("%.2f, u %s", s.DelaySeconds*1e3, UMilliseconds(s))
}

// UMilliseconds has two decimals, more for a ground wave, which needs them.
func UMilliseconds(s path.Slot) string {
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
	return fmt.Sprintf("Assumed: %s noise, a receiving antenna of %g dBi, half-wave verticals of the published power (%g kW where none is), a smoothed sunspot number of %.0f as published since July 2015 (R12 = %.0f on the scale before); heard means a tick at least %g dB above the noise in 3 kHz.",
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
		strings.ToUpper(best.Station), Frequency(best.CarrierHz), hourOf(best), best.Time.Format("2006-01-02"), best.Hearing, best.DelaySeconds*1e3, UMilliseconds(best), best.Mode, light(best))
}

// Tune says how to tune to a carrier, and how it will be heard.
func Tune(s *station.Station, slot path.Slot) string {
	note := "beat oscillator off"
	if s.Keying != station.ToneBurst {
		note = "beat oscillator on"
	}
	return fmt.Sprintf("%s on %s: %s, %s; minutes %s; heard %v, %.0f dB, delay %s ms", strings.ToUpper(s.ID), Frequency(slot.CarrierHz), Mode(s), note, minutesOf(s), slot.Hearing, slot.SNRdB, delayOfSlot(slot))
}
