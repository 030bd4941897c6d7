package align

import (
	"slices"

	"timeball/capture/station"
	"timeball/detect/tick/find"
	"timeball/detect/tick/recognise"
)

// Waiting says what a tick that is heard needs to be known as a station's.
type Waiting struct {
	Station string   `json:"station"`         // the likeliest
	Rival   string   `json:"rival,omitempty"` // another that is as likely
	For     Awaited  `json:"for"`
	In      *float64 `json:"in_s"` // when that will be; nil: nobody can tell
}

// Awaited names what is waited for.
type Awaited string

const (
	MinuteMark Awaited = "minute mark"
	MoreTicks  Awaited = "more ticks"
	// Something else repeats with what is heard: only a minute's order could tell.
	WholeOrder Awaited = "order of a minute"
	// The marks are of a station on long wave; which second is which is not yet known.
	OrderOfMarks Awaited = "order of its marks"
)

// explain says why there is no tick of a station in what was heard.
func (a *Attempt) explain(f *Fix) {
	f.Why = NoStation{}
	if a.radio == nil {
		return
	}
	if f.Why = a.radio.nobody(); a.radio.ticks == nil {
		if off := a.silent(); len(off.Stations) == len(a.settings.Stations) {
			f.Why = off
		} else if s := a.radio.unordered(); s != nil {
			f.Waiting = &Waiting{Station: s.ID, For: OrderOfMarks}
			f.Why = TickUnknown{*f.Waiting}
		}
		return
	}
	if heard := a.radio.ticks.Unsettled(); len(heard) > 0 {
		f.Waiting = waitingFor(heard[0])
		f.Why = TickUnknown{*f.Waiting}
		return
	}
	var off OffAir
	for _, s := range a.radio.ticks.OffAir() {
		off.Stations = append(off.Stations, s.ID)
	}
	if len(off.Stations) > 0 && len(off.Stations) == len(a.settings.Stations) {
		f.Why = off
	}
}

func waitingFor(u find.Unsettled) *Waiting {
	w := &Waiting{Station: u.Station.ID, For: MoreTicks}
	if u.Rival != nil {
		w.Rival = u.Rival.ID
	}
	switch {
	case u.Form >= recognise.Repeated:
		w.For = WholeOrder
	case u.MinuteIn > 0:
		w.For, w.In = MinuteMark, &u.MinuteIn
	}
	return w
}

// silent are the stations on long wave that by their schedule were off the air all the time.
func (a *Attempt) silent() (off OffAir) {
	begin := a.start()
	if begin.IsZero() {
		return off
	}
	for _, s := range a.settings.Stations {
		sends := func(c station.Carrier) bool { return c.OnAir(begin) || c.OnAir(begin.Add(seconds(a.seconds()))) }
		if !slices.ContainsFunc(s.Carriers, sends) {
			off.Stations = append(off.Stations, s.ID)
		}
	}
	return off
}
