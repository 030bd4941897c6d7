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

// othersAfter is how long a chosen station has to be found before others are told of, s:
// half a minute finds one that is to be heard.
const othersAfter = 30

// others looks for what can be heard instead of the chosen stations while none of them
// is, and says so once.
type others struct {
	chosen []*station.Station
	beside *beside              // nil once it is no more needed
	heard  []string             // by it
	offer  func(heard []string) // nil: it is only said
}

// newOthers is nil when there are no others than what s looks for.
func newOthers(info capture.Info, s align.Settings, all []*station.Station) (*others, error) {
	o := &others{chosen: s.Stations}
	if !slices.ContainsFunc(all, func(st *station.Station) bool { return !o.isChosen(st.ID) }) {
		return nil, nil
	}
	s.Stations, s.Named, s.Turns, s.Hands = all, false, nil, nil
	m, err := newMeasurement(info, s, false)
	o.beside = &beside{m, 0}
	return o, err
}

func (o *others) isChosen(id string) bool {
	return slices.ContainsFunc(o.chosen, func(st *station.Station) bool { return st.ID == id })
}

// take follows the attempt: a block, and what it has made of it, if a second is over.
func (o *others) take(b *capture.Block, s align.Second, over bool, show view.Display) {
	if o == nil || o.beside == nil {
		return
	}
	if over && s.Offset != nil {
		o.beside = nil
		return
	}
	if heard, ok := o.beside.hear(b); ok {
		o.heard = slices.DeleteFunc(heard, o.isChosen)
	}
	if !over || s.Verdict != align.NoTick || s.T < othersAfter || len(o.heard) == 0 {
		return
	}
	o.beside = nil
	show.Say(text.HeardInstead(idsOf(o.chosen), o.heard))
	if o.offer != nil {
		o.offer(o.heard)
	}
}
