package text

import (
	_ "embed"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"timeball/align"
	"timeball/detect/marker"
)

// Settings says what the measurement was told, of a recording of so many frames a second.
func Settings(s align.Settings, rateHz int) [][2]string {
	var ids []string
	for _, st := range s.Stations {
		ids = append(ids, strings.ToUpper(st.ID))
	}
	rows := [][2]string{{"stations listened for", strings.Join(ids, ", ")}}
	add := func(what, is string) { rows = append(rows, [2]string{what, is}) }
	if s.CarrierHz > 0 {
		add("carrier", fmt.Sprintf("%g MHz", s.CarrierHz/1e6))
	}
	if s.At != nil {
		add("place", fmt.Sprintf("%.4f°, %.4f°", s.At.Lat, s.At.Lon))
	}
	if !s.Start.IsZero() {
		add("start", s.Start.UTC().Format(time.RFC3339))
	}
	quantity := func(what string, q align.Quantity) {
		add(what, strings.TrimPrefix(WithUnit(q.Value, 1.96*q.U, SecondUnits), "+")+", "+remark(q.Known))
	}
	for _, id := range slices.Sorted(maps.Keys(s.PathDelays)) {
		quantity(strings.TrimSpace("path delay "+strings.ToUpper(id)), s.PathDelays[id])
	}
	receiver, skew := s.Delays(float64(rateHz))
	quantity("receiver delay", receiver)
	quantity("skew", skew)
	edge := "found"
	if s.Edge == marker.Rising || s.Edge == marker.Falling {
		edge = s.Edge.String()
	}
	add("marker edge", edge)
	if !math.IsNaN(s.Sunspots) {
		add("sunspots, R12 on the scale before 2015", fmt.Sprintf("%g", s.Sunspots))
	}
	for _, g := range s.Ionograms {
		text := fmt.Sprintf("%.4f°, %.4f°", g.At.Lat, g.At.Lon)
		if !g.Time.IsZero() {
			text += g.Time.UTC().Format(" at 2006-01-02 15:04 UTC")
		}
		for _, v := range []struct {
			name  string
			value float64
			unit  string
		}{{"foF2", g.FoF2Hz / 1e6, "MHz"}, {"hmF2", g.HmF2M / 1e3, "km"}, {"MUF for 3000 km", g.MUF3000Hz / 1e6, "MHz"}} {
			if v.value > 0 {
				text += fmt.Sprintf(", %s %g %s", v.name, v.value, v.unit)
			}
		}
		add("ionosonde", text)
	}
	if s.Maps != nil {
		add("ionosphere", "the ITU's maps")
	}
	return rows
}

// Cautions say what the interval does not cover.
func Cautions(f align.Fix, s align.Settings) []string {
	if f.Offset == nil {
		return nil
	}
	list := []string{"The clock after this fix: its rate, and whatever was adjusted later."}
	edge := "the on-time edge was found as the leading one; if the clock's on-time edge is the other, the offset is wrong by the pulse's width."
	if f.Marker != nil && s.Edge != 0 {
		edge = fmt.Sprintf("the %s edge was taken as on time, as told.", f.Marker.Edge)
	}
	list = append(list, "A mistaken edge: "+edge)
	if f.Wire != nil {
		return append(list, "The reference's own offset from UTC, and the delays of its cables.")
	}
	if f.WholeSeconds == nil {
		list = append(list, "Whole seconds: the hands may show another second.")
	}
	given, computed := false, false
	for _, st := range f.Stations {
		if st.Path != nil {
			given, computed = given || st.Path.Mode == "given", computed || st.Path.Mode != "given"
		}
	}
	switch {
	case f.Verdict == align.NoPath:
		list = append(list, "The path delay, which is still in the offset.")
	case computed:
		list = append(list, "A path unlike the computed ones: the long way round the earth, scatter, or an ionosphere disturbed by a storm; a station or a place named wrongly.")
	}
	if given {
		list = append(list, "A given path delay that was wrong by more than its ±, or that held for another hour or carrier.")
	}
	receiver, _ := s.Delays(float64(f.Recording.RateHz))
	switch receiver.Known.(type) {
	case align.Assumed:
		list = append(list, "A receiver with digital filters: its delay was assumed, not measured, and may be tens of milliseconds. Calibrate it.")
	case align.NoReceiver:
		list = append(list, "A filter between antenna and sound card, beyond the tuned antenna that the budget has.")
	default:
		list = append(list, "A receiver set otherwise (mode, bandwidth, tuning) than when its delay was found.")
	}
	return append(list, "A station that does not send what it publishes.")
}
