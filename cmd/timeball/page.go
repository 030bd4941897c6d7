package main

import (
	"fmt"
	"net"
	"slices"
	"strings"

	"github.com/alecthomas/kong"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/station"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/text"
	"timeball/cmd/timeball/internal/view"
	"timeball/detect/timecode"
)

// pageAddress is the value of --page or --page=ADDR: where the page is served;
// empty: nowhere.
type pageAddress string

// IsBool is for kong: the flag needs no value.
func (pageAddress) IsBool() bool { return true }

// Decode is for kong.
func (a *pageAddress) Decode(ctx *kong.DecodeContext) error {
	*a = page.Default
	if ctx.Scan.Peek().Type != kong.FlagValueToken {
		return nil
	}
	text := fmt.Sprint(ctx.Scan.Pop().Value)
	switch text {
	case "true":
		return nil
	case "false":
		*a = ""
		return nil
	}
	if _, _, err := net.SplitHostPort(text); err != nil {
		if strings.Contains(text, ":") {
			return fmt.Errorf("%q is no address: give it as 192.168.1.5:8000", text)
		}
		text += ":0" // any free port
	}
	*a = pageAddress(text)
	return nil
}

var _ kong.BoolMapperValue = (*pageAddress)(nil)

// pageWork measures as inner does, shows that on a page, and does what its
// viewers ask for. It is a measurement.
type pageWork struct {
	measurement
	page  *page.Server
	aim   func(tolerance float64) // tells the terminal, if there is one, the tolerance wanted now
	pace  float64                 // how much faster than real time it comes
	notes []page.Event            // what the viewers wrote down, or did to the clock

	info     capture.Info
	settings align.Settings
	wired    bool

	from      int64          // position at which this fix began
	next      int64          // position after the newest frame
	betweenAt int64          // position midway to the next pulse; 0: past it
	pictureAt int64          // position from which the next picture is due
	beside    *beside        // what was measured before a station was chosen, while that is not heard
	heard     []string       // by it
	ended     *align.Picture // once the fix is ended
}

// newPageWork serves a page for a measurement of a source, and tells its link.
func newPageWork(address pageAddress, info capture.Info, s align.Settings, wired bool, title string, tol float64) (*pageWork, string, error) {
	if s.Turns == nil {
		s.Turns = new(align.Turns)
	}
	m, err := newMeasurement(info, s, wired)
	if err != nil {
		return nil, "", err
	}
	v := page.Session{Title: title, Tolerance: tol, Stations: []string{}, Heard: []string{}, Measuring: true, Wired: wired}
	if !wired {
		v.Stations = idsOf(s.Stations)
	}
	server, link, err := page.Open(string(address), v)
	if err != nil {
		return nil, "", err
	}
	return &pageWork{measurement: m, page: server, aim: func(float64) {}, pace: 1, info: info, settings: s, wired: wired}, "page: " + link, nil
}

// Process implements measurement.
func (w *pageWork) Process(b *capture.Block) (align.Second, bool) {
	for {
		select {
		case a := <-w.page.Actions():
			w.do(a)
			continue
		default:
		}
		break
	}
	return w.take(b)
}

// take passes a block on, and shows what comes of it.
func (w *pageWork) take(b *capture.Block) (align.Second, bool) {
	if b.Lost > 0 {
		w.page.Log("gap", fmt.Sprintf("%d frames were lost", b.Lost))
	}
	own := *b
	own.Position -= w.from
	w.next = b.Position + int64(b.Len())
	s, ok := w.measurement.Process(&own)
	s = text.Second(s)
	w.hear(b, ok && s.Offset != nil)
	switch {
	case ok:
		s.T += float64(w.from) / float64(w.info.Rate)
		w.page.Second(s)
		if s.Offset == nil {
			break
		}
		w.betweenAt = w.next + int64(w.info.Rate)/2
	case w.betweenAt > 0 && w.next >= w.betweenAt:
		w.betweenAt = 0
		if w.next >= w.pictureAt {
			w.show()
		}
	}
	return s, ok
}

// setAside lets the measurement go on beside the one by the station that is chosen now.
func (w *pageWork) setAside() {
	if live, ok := w.measurement.(*align.Live); ok && w.beside == nil {
		live.Aside()
		w.beside = &beside{live, w.from}
	}
}

// hear listens for other stations until the chosen one is found.
func (w *pageWork) hear(b *capture.Block, found bool) {
	if found {
		w.hearNothing()
	}
	if w.beside == nil {
		return
	}
	if heard, ok := w.beside.hear(b); ok {
		w.offer(heard)
	}
}

// hearNothing ends what goes on beside.
func (w *pageWork) hearNothing() {
	w.beside = nil
	w.offer([]string{})
}

// offer shows what else is heard.
func (w *pageWork) offer(heard []string) {
	if !slices.Equal(heard, w.heard) {
		w.heard = heard
		w.page.Change(func(v *page.Session) { v.Heard = heard })
	}
}

// A picture takes a while, the longer the more it shows, which is ten minutes at
// most: it is made between pulses, and less often after the first minutes.
const (
	pictureEvery  = 1   // s of real time
	pictureShare  = 200 // one in this part of the time measured so far
	pictureSeldom = 3   // s
)

// show makes a picture, and says when the next is due.
func (w *pageWork) show() {
	var p align.Picture
	if live, ok := w.measurement.(*align.Live); ok {
		p = live.Picture()
	} else {
		p.Fix = w.measurement.Fix()
	}
	p.Fix = text.Fix(p.Fix)
	late := float64(w.from) / float64(w.info.Rate)
	for i := range p.Stations {
		for j := range p.Stations[i].Start {
			p.Stations[i].Start[j] += late
		}
	}
	w.page.Picture(p)
	rate := float64(w.info.Rate)
	wait := max(pictureEvery, min(float64(w.next-w.from)/rate/pictureShare, pictureSeldom))
	w.pictureAt = w.next + int64(wait*rate*max(1, w.pace))
}

// HandsNow implements handsTaker.
func (w *pageWork) HandsNow(shown timecode.Hands) {
	w.settings.Hands = &align.HandsReading{Shown: shown, At: float64(w.next) / float64(w.info.Rate)}
	if m, ok := w.measurement.(handsTaker); ok {
		m.HandsNow(shown)
	}
}

// Fix implements measurement: what has been measured since the fix was begun, or
// the fix as it was ended.
func (w *pageWork) Fix() align.Fix {
	if w.ended != nil {
		return w.ended.Fix
	}
	f := text.Fix(w.measurement.Fix())
	if w.from > 0 {
		f.Warnings = append(f.Warnings, fmt.Sprintf("measured only from %s of the recording on, as asked for on the page", text.Minutes(float64(w.from)/float64(w.info.Rate))))
	}
	return f
}

// Now implements nower.
func (w *pageWork) Now() align.Fix {
	if n, ok := w.measurement.(nower); ok && w.ended == nil {
		return n.Now()
	}
	return w.Fix()
}

// PictureOf implements drawable.
func (w *pageWork) PictureOf(f align.Fix) align.Picture {
	if w.ended != nil {
		return *w.ended
	}
	return pictureOf(w.measurement, f)
}

// close ends the page with the fix.
func (w *pageWork) close(f align.Fix) {
	if w.ended == nil {
		w.page.Fix(f)
	}
	w.page.Close()
}

// do does what a viewer asks for.
func (w *pageWork) do(a page.Action) {
	switch a.Do {
	case page.DoStart:
		w.restart()
		w.page.Log("fix", "a new fix was begun")
	case page.DoStop:
		if w.ended == nil {
			picture := pictureOf(w, w.Fix())
			w.ended = &picture
			w.page.Fix(picture.Fix)
			w.page.Change(func(v *page.Session) { v.Measuring = false })
		}
	case page.DoAdjusted:
		w.notes = append(w.notes, w.page.Log("adjusted", "the clock was adjusted"))
	case page.DoTurned:
		turned := align.Adjusted{Way: align.Way(a.Text), Count: a.Value}
		w.settings.Turns.Say(turned)
		w.notes = append(w.notes, w.page.Log("adjusted", text.Adjusted(turned)))
	case page.DoNote:
		w.notes = append(w.notes, w.page.Log("note", strings.TrimSpace(a.Text)))
	case page.DoTolerance:
		w.page.Change(func(v *page.Session) { v.Tolerance = a.Value })
		w.aim(a.Value)
		w.page.Log("tolerance", "tolerance "+text.Short(a.Value))
	case page.DoStation:
		w.page.Change(func(v *page.Session) { v.Station = a.Text })
		if a.Text == "" {
			w.hearNothing()
		} else {
			w.setAside()
		}
		w.restart()
		if a.Text == "" {
			w.page.Log("station", "all stations are measured")
		} else {
			w.page.Log("station", "measured by "+strings.ToUpper(a.Text))
		}
	}
}

// chooseFrom lets the viewers choose among all stations though one was named.
func (w *pageWork) chooseFrom(all []*station.Station) {
	if !w.settings.Named || len(w.settings.Stations) != 1 {
		return
	}
	named := w.settings.Stations[0]
	if !slices.Contains(idsOf(all), named.ID) { // as one on long wave
		all = append([]*station.Station{named}, all...)
	}
	w.settings.Stations, w.settings.Named = all, false
	w.page.Change(func(v *page.Session) { v.Station, v.Stations = named.ID, idsOf(all) })
}

// restart measures afresh from the next frame on, by the station chosen.
func (w *pageWork) restart() {
	w.from, w.betweenAt, w.pictureAt, w.ended = w.next, 0, 0, nil
	info, s := w.info, w.settings
	late := frameTime(w.from, info.Rate)
	if !info.Start.IsZero() {
		info.Start = info.Start.Add(late)
	}
	if !s.Start.IsZero() {
		s.Start = s.Start.Add(late)
	}
	if h := s.Hands; h != nil {
		s.Hands = &align.HandsReading{Shown: h.Shown, At: h.At - late.Seconds()} // NaN stays
	}
	w.page.Change(func(v *page.Session) {
		v.Measuring, v.Began = true, late.Seconds()
		if v.Station != "" {
			s.Stations, s.Named = only(s.Stations, v.Station), true
		}
	})
	m, err := newMeasurement(info, s, w.wired)
	if err != nil {
		panic(err) // it was possible before
	}
	w.measurement = m
}

func idsOf(all []*station.Station) []string {
	ids := make([]string, len(all))
	for i, s := range all {
		ids[i] = s.ID
	}
	return ids
}

// only keeps the station with an ID.
func only(all []*station.Station, id string) []*station.Station {
	for _, s := range all {
		if s.ID == id {
			return []*station.Station{s}
		}
	}
	return all
}

// pageDisplay passes on what is said to the page, too.
type pageDisplay struct {
	view.Display
	page *page.Server
}

func (d pageDisplay) Say(message string) {
	d.Display.Say(message)
	d.page.Log("input", message)
}
