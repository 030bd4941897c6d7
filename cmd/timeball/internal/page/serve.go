package page

import (
	"crypto/rand"
	"crypto/subtle"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"timeball/align"
)

//go:embed assets
var assets embed.FS

var shell = template.Must(template.ParseFS(assets, "assets/page.html"))

// policy lets the page load and ask only what comes from its own server.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// newKey is what a viewer must show to see or do anything.
func newKey() string { return strings.ToLower(rand.Text()) }

// handler routes the requests.
func (s *Server) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.page)
	mux.HandleFunc("GET /assets/{name}", asset)
	mux.HandleFunc("GET /events", s.events)
	mux.HandleFunc("POST /action", s.action)
	return protected(mux, s.local)
}

// protected keeps other sites out; of a page that is local, other names too.
func protected(mux http.Handler, local bool) http.Handler {
	guarded := http.NewCrossOriginProtection().Handler(mux)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if local && !loopbackName(r.Host) { // another site's name that leads here
			http.Error(w, "this page is for this machine alone", http.StatusForbidden)
			return
		}
		guarded.ServeHTTP(w, r)
	})
}

// loopbackName reports whether a request's host is this machine by a name that
// no one else can give.
func loopbackName(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	ip := net.ParseIP(strings.Trim(name, "[]"))
	return name == "localhost" || ip != nil && ip.IsLoopback()
}

// allowed checks a request's key.
func (s *Server) allowed(w http.ResponseWriter, key string) bool {
	if subtle.ConstantTimeCompare([]byte(key), []byte(s.key)) == 1 {
		return true
	}
	http.Error(w, "wrong key: open the link that timeball printed when it started", http.StatusForbidden)
	return false
}

// page serves the page itself, with the key for what it will ask.
func (s *Server) page(w http.ResponseWriter, r *http.Request) {
	if !s.local && !s.allowed(w, r.URL.Query().Get("key")) {
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	shell.Execute(w, s.key)
}

// asset serves what the page consists of; there is nothing secret in it.
func asset(w http.ResponseWriter, r *http.Request) {
	http.ServeFileFS(w, r, assets, "assets/"+r.PathValue("name"))
}

const (
	aliveEvery = 5 * time.Second // the page notices a connection that is silent for longer
	writeTime  = 10 * time.Second
)

// events streams to one viewer.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r.URL.Query().Get("key")) {
		return
	}
	after := r.Header.Get("Last-Event-ID")
	if after == "" {
		after = r.URL.Query().Get("after")
	}
	v, first, ok := s.hub.join(after)
	if !ok {
		http.Error(w, "too many viewers", http.StatusServiceUnavailable)
		return
	}
	defer s.hub.leave(v)
	w.Header().Set("Content-Type", "text/event-stream")
	rc := http.NewResponseController(w)
	rc.SetReadDeadline(time.Time{}) // it has come, and its connection stays
	send := func(text []byte) bool {
		rc.SetWriteDeadline(time.Now().Add(writeTime))
		_, err := w.Write(text)
		return err == nil && rc.Flush() == nil
	}
	if !send(fmt.Appendf([]byte("retry: 1000\n\n"), "%s", first)) {
		return
	}
	alive := time.NewTicker(aliveEvery)
	defer alive.Stop()
	for {
		text := []byte("event: alive\ndata: {}\n\n")
		select {
		case <-r.Context().Done():
			return
		case text, ok = <-v.waiting:
			if !ok {
				return
			}
		case <-alive.C:
		}
		if !send(text) {
			return
		}
	}
}

// Action is what a viewer asks for. Nothing else can be changed from the page.
type Action struct {
	Do string `json:"do"`
	// Text is a note, or the ID of a station ("" for all), or a way to turn.
	Text string `json:"text"`
	// Value is a tolerance or a place in the recording, s, or a speed, or a number
	// of turns.
	Value float64 `json:"value"`
}

// What can be asked for.
const (
	DoStart     = "start"     // begin a new fix
	DoStop      = "stop"      // end the fix
	DoAdjusted  = "adjusted"  // "I adjusted the clock"
	DoTurned    = "turned"    // "I turned it Value times" the way Text
	DoNote      = "note"      // write Text down
	DoTolerance = "tolerance" // Value
	DoStation   = "station"   // measure by station Text alone
	DoPlay      = "play"      // go on playing
	DoPause     = "pause"
	DoSeek      = "seek"  // to Value
	DoSpeed     = "speed" // Value
)

const (
	mostText   = 500  // characters of a note
	mostAction = 4096 // bytes of a request
	topSpeed   = 1000
	mostTurns  = 1000
)

// check says what is wrong with an action.
func (a Action) check(v Session) error {
	playing := v.Playback != nil
	wrong := ""
	switch a.Do {
	case DoStart, DoStop, DoAdjusted:
	case DoTurned:
		switch align.Way(a.Text) {
		case align.Clockwise, align.Anticlockwise, align.Press:
		default:
			wrong = "turn clockwise or anticlockwise, or press"
		}
		if !(a.Value > 0 && a.Value <= mostTurns) {
			wrong = "that many turns cannot be"
		}
	case DoNote:
		if t := strings.TrimSpace(a.Text); t == "" || len(a.Text) > mostText {
			wrong = fmt.Sprintf("a note has 1 to %d characters", mostText)
		}
	case DoTolerance:
		if !(a.Value >= 1e-9 && a.Value <= 0.5) {
			wrong = "a tolerance is 1 ns to 0.5 s"
		}
	case DoStation:
		if a.Text != "" && !slices.Contains(v.Stations, a.Text) {
			wrong = "that station is not among those listened for"
		}
	case DoPlay, DoPause:
		if !playing {
			wrong = "nothing is played"
		}
	case DoSeek:
		if !playing || !(a.Value >= 0 && a.Value <= 1e9) {
			wrong = "no such place"
		}
	case DoSpeed:
		if !playing || !(a.Value > 0 && a.Value <= topSpeed) || math.IsNaN(a.Value) {
			wrong = "no such speed"
		}
	default:
		wrong = "no such action"
	}
	if wrong != "" {
		return fmt.Errorf("%s", wrong)
	}
	return nil
}

// action takes what a viewer asks for.
func (s *Server) action(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r.Header.Get("Timeball-Key")) {
		return
	}
	var a Action
	d := json.NewDecoder(io.LimitReader(r.Body, mostAction))
	d.DisallowUnknownFields()
	if err := d.Decode(&a); err != nil {
		http.Error(w, "not an action", http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	err := a.check(s.session)
	s.mu.Unlock()
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	select {
	case s.actions <- a:
		w.WriteHeader(http.StatusNoContent)
	default: // the measurement has not come round to the earlier ones
		http.Error(w, "busy: try again", http.StatusServiceUnavailable)
	}
}
