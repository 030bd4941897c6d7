package main

import (
	"slices"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/station"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
)

// beside is a measurement that goes on beside the one by a chosen station, and tells
// what else is heard.
type beside struct {
	measurement
	from int64 // position at which it began
}

// hear passes a block on; ok when a second is over.
func (o *beside) hear(b *capture.Block) (heard []string, ok bool) {
	own := *b
	own.Position -= o.from
	s, ok := o.Process(&own)
	heard = []string{}
	for _, st := range s.Stations {
		if st.State == align.HeardNow {
			heard = append(heard, st.ID)
		}
	}
	return heard, ok
}

// later is what holds for a measurement that begins at a position of the source.
func later(info capture.Info, s align.Settings, position int64) (capture.Info, align.Settings) {
	late := frameTime(position, info.Rate)
	if !info.Start.IsZero() {
		info.Start = info.Start.Add(late)
	}
	if !s.Start.IsZero() {
		s.Start = s.Start.Add(late)
	}
	if h := s.Hands; h != nil {
		s.Hands = &align.HandsReading{Shown: h.Shown, At: h.At - late.Seconds()} // NaN stays
	}
	return info, s
}

// othersAfter is how long a chosen station has to be found before others are listened
// for, s: half a minute finds one that is to be heard.
const othersAfter = 30

// others looks for what can be heard instead of the chosen stations while none of them
// is, and says so once.
type others struct {
	info     capture.Info
	settings align.Settings // with all stations
	chosen   []*station.Station
	beside   *beside
	done     bool
}

// newOthers is nil when there are no others than what s looks for.
func newOthers(info capture.Info, s align.Settings, all []*station.Station) *others {
	o := &others{info: info, settings: s, chosen: s.Stations}
	if !slices.ContainsFunc(all, func(st *station.Station) bool { return !o.isChosen(st.ID) }) {
		return nil
	}
	o.settings.Stations, o.settings.Named, o.settings.Turns, o.settings.Hands = all, false, nil, nil
	return o
}

func (o *others) isChosen(id string) bool {
	return slices.ContainsFunc(o.chosen, func(st *station.Station) bool { return st.ID == id })
}

// take follows the attempt: a block, and what it has made of it, if a second is over.
func (o *others) take(b *capture.Block, s align.Second, over bool, show view.Display) {
	switch {
	case o == nil || o.done:
		return
	case over && s.Offset != nil:
		o.done, o.beside = true, nil
		return
	case o.beside == nil && (!over || s.Verdict != align.NoTick || s.T < othersAfter):
		return
	case o.beside == nil:
		info, s := later(o.info, o.settings, b.Position)
		m, err := newMeasurement(info, s, false)
		if err != nil {
			o.done = true
			return
		}
		o.beside = &beside{m, b.Position}
	}
	heard, _ := o.beside.hear(b)
	heard = slices.DeleteFunc(heard, o.isChosen)
	if len(heard) == 0 {
		return
	}
	o.done, o.beside = true, nil
	var missed []string
	for _, st := range o.chosen {
		missed = append(missed, st.ID)
	}
	show.Say(text.HeardInstead(missed, heard))
}
