package page

import (
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// FuzzAction: whatever a viewer sends, what comes through can be done.
func FuzzAction(f *testing.F) {
	for _, body := range []string{`{"do":"note","text":"oiled"}`, `{"do":"tolerance","value":1e-5}`, `{"do":"speed","value":1e308}`, `{"do":"seek","value":-0}`, `{"do":"station","text":"wwv"}`,
		`{"do":"note","text":"\u0000"}`, `[]`, `null`, `{"do":"stop"}{"do":"start"}`, `{"DO":"stop"}`} {
		f.Add(body)
	}
	s := &Server{hub: newHub(), key: newKey(), local: true, actions: make(chan Action, 1), session: Session{Stations: []string{"wwv"}, Playback: &Playback{}}}
	handler := s.handler()
	f.Fuzz(func(t *testing.T, body string) {
		r := httptest.NewRequest("POST", "http://127.0.0.1/action", strings.NewReader(body))
		r.Header.Set("Timeball-Key", s.key)
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, r)
		select {
		case a := <-s.actions:
			if err := a.check(s.session); err != nil || w.Code != http.StatusNoContent {
				t.Errorf("%q: %+v, %v, status %d", body, a, err, w.Code)
			}
			if math.IsNaN(a.Value) || math.IsInf(a.Value, 0) || len(a.Text) > mostText {
				t.Errorf("%q: %+v", body, a)
			}
		default:
			if w.Code != http.StatusBadRequest {
				t.Errorf("%q: status %d", body, w.Code)
			}
		}
	})
}
