package page

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"
)

// Only this machine's own page can answer, and only what is asked now.
func TestGuideTakesAnswers(t *testing.T) {
	if _, _, _, err := OpenGuide("0.0.0.0:0"); err == nil || !strings.Contains(err.Error(), "this machine alone") {
		t.Errorf("open to all: %v", err)
	}
	g, at, link, err := OpenGuide(Default)
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	status := func(method, path, host, origin, body string) int {
		t.Helper()
		r, err := http.NewRequest(method, link+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Host = host
		if origin != "" {
			r.Header.Set("Origin", origin)
		}
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer.StatusCode
	}
	const first = `{"count":1,"text":" 50.2,-5.6 "}`
	if got := status("POST", "answer", at, "", first); got != http.StatusConflict {
		t.Errorf("before anything is asked: %d", got)
	}
	told := make(chan string)
	go func() { a, _ := g.Ask(t.Context(), "Where?"); told <- a }()
	for g.count() == 0 {
		time.Sleep(time.Millisecond)
	}
	for _, c := range []struct {
		name, method, path, host, origin, body string
		status                                 int
	}{
		{"the page", "GET", "", at, "", "", http.StatusOK},
		{"another name of this machine", "GET", "guide", "evil.example:80", "", "", http.StatusForbidden},
		{"another site", "POST", "answer", at, "http://evil.example", first, http.StatusForbidden},
		{"no answer", "POST", "answer", at, "", "where", http.StatusBadRequest},
		{"too long", "POST", "answer", at, "", `{"count":1,"text":"` + strings.Repeat("x", mostText+1) + `"}`, http.StatusBadRequest},
		{"to another question", "POST", "answer", at, "", `{"count":2,"text":"x"}`, http.StatusConflict},
		{"right", "POST", "answer", at, link[:len(link)-1], first, http.StatusNoContent},
		{"twice", "POST", "answer", at, "", first, http.StatusConflict},
	} {
		if got := status(c.method, c.path, c.host, c.origin, c.body); got != c.status {
			t.Errorf("%s: %d, want %d", c.name, got, c.status)
		}
	}
	if a := <-told; a != "50.2,-5.6" {
		t.Errorf("%q", a)
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if _, err := g.Ask(ended, "And now?"); err == nil {
		t.Error("an answer after the end")
	}
}

func (g *Guide) count() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.state.Count
}
