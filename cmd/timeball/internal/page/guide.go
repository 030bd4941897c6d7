package page

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"strings"
	"sync"

	"timeball/cmd/timeball/internal/text"
)

// Guide is a page that leads through steps: it shows what is written to it, and asks.
// It is for this machine alone.
type Guide struct {
	http    http.Server
	answers chan string

	mu    sync.Mutex
	state guideState
}

// guideState is what the page shows.
type guideState struct {
	Said   string `json:"said"`
	Prompt string `json:"prompt"` // empty: nothing is asked
	Count  int    `json:"count"`  // of questions so far
}

// OpenGuide serves a guide at an address of this machine alone, and returns the
// address with its port, and the link.
func OpenGuide(address string) (g *Guide, at, link string, err error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, "", "", fmt.Errorf("page: %w: choose another address", err)
	}
	if !l.Addr().(*net.TCPAddr).IP.IsLoopback() {
		l.Close()
		return nil, "", "", fmt.Errorf("page: the guide is for this machine alone: leave the address out, or begin in the terminal")
	}
	g = &Guide{answers: make(chan string, 1)}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) {
		http.ServeFileFS(w, r, assets, "assets/begin.html")
	})
	mux.HandleFunc("GET /assets/{name}", asset)
	mux.HandleFunc("GET /guide", g.show)
	mux.HandleFunc("POST /answer", g.take)
	g.http = http.Server{
		Handler: protected(mux, true), ReadTimeout: usual.request, WriteTimeout: usual.answer,
		ErrorLog: log.New(io.Discard, "", 0),
	}
	go g.http.Serve(l)
	at = l.Addr().String()
	return g, at, "http://" + at + "/", nil
}

// Write shows more, below what is there. It never fails.
func (g *Guide) Write(p []byte) (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.state.Said += string(p)
	return len(p), nil
}

// Ask asks, and waits for the answer, a line.
func (g *Guide) Ask(ctx context.Context, prompt string) (string, error) {
	g.mu.Lock()
	g.state.Prompt = prompt
	g.state.Count++
	g.mu.Unlock()
	select {
	case a := <-g.answers:
		return a, nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// Close ends the page. Another at the same address takes its place in a browser.
func (g *Guide) Close() { g.http.Close() }

// show tells what the page shows.
func (g *Guide) show(w http.ResponseWriter, r *http.Request) {
	g.mu.Lock()
	defer g.mu.Unlock()
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(g.state)
}

// take takes the answer to a question, by its count: a second one comes to nothing.
func (g *Guide) take(w http.ResponseWriter, r *http.Request) {
	var a struct {
		Count int    `json:"count"`
		Text  string `json:"text"`
	}
	if err := json.NewDecoder(io.LimitReader(r.Body, mostAction)).Decode(&a); err != nil || len(a.Text) > mostText {
		http.Error(w, "not an answer", http.StatusBadRequest)
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.state.Prompt == "" || a.Count != g.state.Count {
		http.Error(w, "that is not asked now", http.StatusConflict)
		return
	}
	g.state.Prompt = ""
	g.answers <- text.Plain(strings.TrimSpace(a.Text))
	w.WriteHeader(http.StatusNoContent)
}
