package main

import (
	"time"

	"timeball/align"
	"timeball/capture/station"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
)

// hints says during an attempt, once each, what would make it better: what to
// receive next, what is heard instead of a station, and when its chirps come. What
// they told is said when they have been heard.
type hints struct {
	stations []*station.Station
	advise   func(align.Fix) *align.Advice // nil: there is nothing to advise by
	others   *others                       // nil: there are none
	found    float64                       // s of the attempt at which there was a fix; 0: not yet
	advised  bool
	called   map[string]time.Time // by station: the chirps announced last
	told     map[string]time.Time // and those told of
}

const (
	// adviseAfter is how long a fix has been there when the advice is made, s: the
	// arrivals are told apart by then, as a rule.
	adviseAfter = 60
	// announceWithin is how long before a station's chirps they are announced: not
	// longer than a person waits.
	announceWithin = 15 * time.Minute
)

// nower is a measurement that can state what it has so far.
type nower interface{ Now() align.Fix }

// second looks at a second of m.
func (h *hints) second(s *align.Second, m measurement, show view.Display) {
	if h.called == nil {
		h.called, h.told = map[string]time.Time{}, map[string]time.Time{}
	}
	for _, st := range s.Stations {
		h.station(s, &st, show)
	}
	if h.advised || h.advise == nil || s.Verdict != align.Found || s.At == nil {
		return
	}
	if h.found == 0 {
		h.found = s.T
	}
	n, ok := m.(nower)
	if !ok || s.T < h.found+adviseAfter {
		return
	}
	h.advised = true
	fix := n.Now()
	go func() { // it takes seconds of processor time
		if fix.Advice = h.advise(fix); fix.Advice != nil {
			show.Say("advice: " + text.Advice(fix, false))
		}
	}()
}

// station says what there is to say of a station's chirps.
func (h *hints) station(s *align.Second, st *align.StationState, show view.Display) {
	if told := st.Sounding; told != nil && !h.told[st.ID].Equal(told.At) {
		h.told[st.ID] = told.At
		show.Say("chirps: " + text.Chirps(*told))
	}
	if s.At == nil {
		return
	}
	for _, of := range h.stations {
		if of.ID != st.ID {
			continue
		}
		next := of.Sounding.Next(*s.At)
		if next.IsZero() || next.Sub(*s.At) > announceWithin || next.Equal(h.called[st.ID]) {
			continue
		}
		h.called[st.ID] = next
		show.Say(text.ChirpsTo(st.ID, next, *s.At))
	}
}
