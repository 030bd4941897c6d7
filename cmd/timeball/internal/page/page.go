// Package page shows a measurement in the browser: a local web page that is fed
// by server-sent events and sends back a few actions. Everything the page needs
// is embedded; it asks nothing of any other host.
package page

import (
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"timeball/align"
	"timeball/cmd/timeball/internal/sound"
	"timeball/cmd/timeball/internal/text"
)

// Session is what the page says about the measurement itself.
type Session struct {
	Title     string   `json:"title"`     // the recording or the sound input
	Stations  []string `json:"stations"`  // those to choose from, by ID
	Station   string   `json:"station"`   // the one chosen; empty: all
	Tolerance float64  `json:"tolerance"` // s
	Heard     []string `json:"heard"`     // while that is not, by ID
	Wired     bool     `json:"wired"`     // against a reference by wire, not UTC
	Measuring bool     `json:"measuring"` // a fix is being taken
	Began     float64  `json:"began_s"`   // when it was begun, on the sample clock
	Ended     bool     `json:"ended"`
	// Playback is set while a recording is played.
	Playback *Playback `json:"playback"`
}

// Playback is the state of a recording that is played.
type Playback struct {
	Playing bool    `json:"playing"`
	Speed   float64 `json:"speed"`    // times real time
	At      float64 `json:"at_s"`     // on the sample clock
	Length  float64 `json:"length_s"` // 0: unknown
}

// Server serves one page. Its methods may be called from any goroutine, and
// none of them waits for a viewer.
type Server struct {
	http    http.Server
	hub     *hub
	key     string
	local   bool // only this machine can reach it
	actions chan Action

	mu      sync.Mutex
	session Session
	latest  *align.Second
	cues    sound.Cues
}

// Default is the address used when none is given: this machine alone, any free port.
const Default = "127.0.0.1:0"

// Open serves the page at an address such as 127.0.0.1:8000, and returns its
// link, which holds the key where others than this machine can reach it.
func Open(address string, s Session) (*Server, string, error) { return serve(address, s, usual) }

// limits keep what strangers do from costing the measurement anything.
type limits struct {
	request     time.Duration // within which one must have come, with its body
	answer      time.Duration // within which one must have been taken
	connections int           // open at a time; more are closed at once
}

// A browser opens six connections to a host (from memory) and each viewer has
// room for more; the times are ample for the slowest network at hand.
var usual = limits{request: 10 * time.Second, answer: time.Minute, connections: 8 * mostViewers}

func serve(address string, s Session, most limits) (*Server, string, error) {
	if _, _, err := net.SplitHostPort(address); err != nil {
		return nil, "", fmt.Errorf("page: %q is no address: give it as 127.0.0.1:8000", address)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, "", fmt.Errorf("page: %w: choose another address", err)
	}
	at := l.Addr().(*net.TCPAddr)
	v := &Server{
		hub: newHub(), key: newKey(), local: at.IP.IsLoopback(), session: s,
		actions: make(chan Action, 16),
	}
	v.hub.publish(kindSession, s)
	v.http = http.Server{
		Handler: v.handler(), ReadTimeout: most.request, WriteTimeout: most.answer, IdleTimeout: time.Minute,
		ErrorLog: log.New(io.Discard, "", 0), // it would go over the display, in words of strangers
	}
	var connections atomic.Int64
	v.http.ConnState = func(c net.Conn, state http.ConnState) {
		switch state {
		case http.StateNew:
			if connections.Add(1) > int64(most.connections) {
				c.Close()
			}
		case http.StateClosed:
			connections.Add(-1)
		}
	}
	go v.http.Serve(l)
	link := fmt.Sprintf("http://%s/", net.JoinHostPort(reachable(at.IP), fmt.Sprint(at.Port)))
	if !v.local {
		link += "?key=" + v.key
	}
	return v, link, nil
}

// reachable is an address by which others reach one that listens everywhere.
func reachable(ip net.IP) string {
	if !ip.IsUnspecified() {
		return ip.String()
	}
	all, _ := net.InterfaceAddrs() // none is as good as an error: the name remains
	for _, a := range all {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && n.IP.To4() != nil {
			return n.IP.String()
		}
	}
	return "localhost"
}

// Actions delivers what the viewers ask for.
func (s *Server) Actions() <-chan Action { return s.actions }

// Change changes the session.
func (s *Server) Change(change func(*Session)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(&s.session)
	s.hub.publish(kindSession, s.session)
}

// Second shows the state at a second, and logs what has happened in it.
func (s *Server) Second(now align.Second) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.hub.publish(kindSecond, now)
	if tones := s.cues.Next(&now, s.session.Tolerance); tones != nil {
		s.hub.publish(kindCue, cue{tones})
	}
	for _, e := range happened(s.latest, &now) {
		s.hub.publish(kindEvent, e)
	}
	s.latest = &now
}

// cue is what a second sounds like.
type cue struct {
	Tones []sound.Tone `json:"tones"`
}

// Picture shows what was heard.
func (s *Server) Picture(p align.Picture) { s.hub.publish(kindPicture, newPicture(p)) }

// Fix shows a finished measurement.
func (s *Server) Fix(f align.Fix) {
	s.hub.publish(kindFix, f)
	text := "fix taken"
	if f.Verdict != align.Found {
		text = "no fix: " + f.Reason
	}
	s.Log("fix", text)
}

// Log adds a line to the log of events, at the time of the latest second, and
// returns it.
func (s *Server) Log(kind, text string) Event {
	s.mu.Lock()
	defer s.mu.Unlock()
	e := Event{Kind: kind, Text: text}
	if s.latest != nil {
		e.T, e.At, e.Offset = s.latest.T, s.latest.At, s.latest.Offset
	}
	s.hub.publish(kindEvent, e)
	return e
}

// Add adds a line that Log returned before, as after a Reset.
func (s *Server) Add(e Event) { s.hub.publish(kindEvent, e) }

// Events are those logged since the last Reset, in order.
func (s *Server) Events() []Event {
	var all []Event
	for _, m := range s.hub.list(kindEvent) {
		all = append(all, m.value.(Event))
	}
	return all
}

// Reset forgets what has been shown, as when a recording is played from
// another place. What fill then shows reaches the viewers at once at its end.
func (s *Server) Reset(fill func()) {
	s.mu.Lock()
	s.latest = nil
	s.hub.reset()
	s.hub.publish(kindSession, s.session)
	s.mu.Unlock()
	fill()
	s.hub.release()
}

// farewell is how long viewers have to take what was said last.
const farewell = 500 * time.Millisecond

// Close tells the viewers that this is the end, and stops serving.
func (s *Server) Close() error {
	s.Change(func(v *Session) { v.Ended, v.Measuring = true, false })
	s.hub.end(farewell)
	err := s.http.Close()
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

// Event is a line of the log.
type Event struct {
	T      float64    `json:"t_s"`
	At     *time.Time `json:"at"`
	Kind   string     `json:"kind"`
	Text   string     `json:"text"`
	Offset *float64   `json:"offset_s"` // as it then was
}

// happened tells what is new in a second.
func happened(before, now *align.Second) []Event {
	if before == nil {
		return nil
	}
	var all []Event
	add := func(kind, format string, args ...any) {
		all = append(all, Event{T: now.T, At: now.At, Kind: kind, Text: fmt.Sprintf(format, args...), Offset: now.Offset})
	}
	if m := now.Marker; m.Step != 0 && now.Count > before.Count {
		add("step", "the marker was %s", text.Moved(m.Step))
	}
	if now.Marker.Missing == 1 {
		add("gap", "a pulse of the marker is missing")
	}
	if now.Radio.State != before.Radio.State {
		add("radio", "radio %s", text.Reception(now.Radio))
	}
	if now.Verdict != before.Verdict {
		switch {
		case now.Verdict == align.Found:
			add("fix", "there is a fix")
		case before.Verdict == align.NoMarker && now.Verdict == align.NoTick: // it has only just begun to listen for one
			add("marker", "the marker is on channel %d", now.Marker.Channel)
		default:
			add("fix", "%s", now.Reason)
		}
	}
	if w := now.WholeSeconds; w != nil && *w != 0 && (before.WholeSeconds == nil || *before.WholeSeconds != *w) {
		add("hands", "the hands are out by %+d s", *w)
	}
	return all
}
