package page

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"

	"timeball/align"
)

func open(t testing.TB, address string) (*Server, string) {
	t.Helper()
	s, link, err := Open(address, Session{Title: "Gannet Head", Stations: []string{"wwv", "chu"}, Tolerance: 1e-3, Measuring: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s, link
}

// request sends one and returns its status.
func request(t *testing.T, method, url, body string, header ...string) (int, http.Header) {
	t.Helper()
	r, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
	}
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	return res.StatusCode, res.Header
}

func TestWhoMayDoWhat(t *testing.T) {
	s, link := open(t, Default)
	const note = `{"do":"note","text":"oiled"}`
	for _, tt := range []struct {
		name   string
		method string
		path   string
		body   string
		header []string
		want   int
	}{
		{"page", "GET", "", "", nil, 200},
		{"script", "GET", "assets/page.js", "", nil, 200},
		{"a file that is not there", "GET", "assets/other.js", "", nil, 404},
		{"a file elsewhere", "GET", "assets/..%2fpage.go", "", nil, 400},
		{"events without key", "GET", "events", "", nil, 403},
		{"events with a wrong key", "GET", "events?key=wrong", "", nil, 403},
		{"action", "POST", "action", note, []string{"Timeball-Key", s.key}, 204},
		{"action from the page", "POST", "action", note, []string{"Timeball-Key", s.key, "Origin", strings.TrimSuffix(link, "/"), "Sec-Fetch-Site", "same-origin"}, 204},
		{"action without key", "POST", "action", note, nil, 403},
		{"action with a wrong key", "POST", "action", note, []string{"Timeball-Key", s.key[1:]}, 403},
		{"action from another site", "POST", "action", note, []string{"Timeball-Key", s.key, "Sec-Fetch-Site", "cross-site"}, 403},
		{"action from another origin", "POST", "action", note, []string{"Timeball-Key", s.key, "Origin", "http://gannet-head.example"}, 403},
		{"action by GET", "GET", "action", "", []string{"Timeball-Key", s.key}, 405},
		{"a name that leads here", "GET", "", "", []string{"Host", "gannet-head.example"}, 403},
	} {
		status, header := request(t, tt.method, link+tt.path, tt.body, tt.header...)
		if status != tt.want {
			t.Errorf("%s: status %d, want %d", tt.name, status, tt.want)
		}
		if csp := header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", tt.name, csp)
		}
	}
	for range 2 {
		if a := <-s.Actions(); a.Text != "oiled" {
			t.Errorf("%+v", a)
		}
	}
}

// Where others can reach the page, nothing but its parts is to be had without the key.
func TestKeyForOthers(t *testing.T) {
	s, link := open(t, "0.0.0.0:0")
	if !strings.HasSuffix(link, "/?key="+s.key) {
		t.Fatalf("link %s", link)
	}
	_, port, _ := net.SplitHostPort(strings.TrimSuffix(strings.TrimPrefix(link, "http://"), "/?key="+s.key))
	base := "http://127.0.0.1:" + port + "/"
	for path, want := range map[string]int{"": 403, "?key=wrong": 403, "?key=" + s.key: 200} {
		if status, _ := request(t, "GET", base+path, ""); status != want {
			t.Errorf("%q: status %d, want %d", path, status, want)
		}
	}
}

func TestActions(t *testing.T) {
	plain := Session{Stations: []string{"wwv"}}
	playing := Session{Playback: &Playback{}}
	for _, tt := range []struct {
		a    Action
		s    Session
		want bool
	}{
		{Action{Do: DoStart}, plain, true},
		{Action{Do: DoNote, Text: "oiled"}, plain, true},
		{Action{Do: DoNote, Text: "  "}, plain, false},
		{Action{Do: DoNote, Text: strings.Repeat("x", mostText+1)}, plain, false},
		{Action{Do: DoTolerance, Value: 1e-5}, plain, true},
		{Action{Do: DoTolerance}, plain, false},
		{Action{Do: DoTolerance, Value: -1}, plain, false},
		{Action{Do: DoStation, Text: "wwv"}, plain, true},
		{Action{Do: DoStation}, plain, true},
		{Action{Do: DoStation, Text: "chu"}, plain, false},
		{Action{Do: DoSeek, Value: 3}, plain, false},
		{Action{Do: DoSeek, Value: 3}, playing, true},
		{Action{Do: DoSeek, Value: -3}, playing, false},
		{Action{Do: DoSpeed, Value: 20}, playing, true},
		{Action{Do: DoSpeed, Value: 0}, playing, false},
		{Action{Do: DoSpeed, Value: 1e6}, playing, false},
		{Action{Do: DoPause}, plain, false},
		{Action{Do: "receiver-delay", Value: 1}, plain, false},
	} {
		if err := tt.a.check(tt.s); (err == nil) != tt.want {
			t.Errorf("%+v: %v", tt.a, err)
		}
	}
}

// stream is what a viewer gets, an event a string.
func stream(t *testing.T, s *Server, link, after string) (next func() string) {
	t.Helper()
	res, err := http.Get(link + "events?key=" + s.key + "&after=" + after)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { res.Body.Close() })
	r := bufio.NewReader(res.Body)
	return func() string {
		t.Helper()
		var event strings.Builder
		for {
			line, err := r.ReadString('\n')
			if err != nil {
				return "end"
			}
			if line == "\n" {
				if e := event.String(); strings.Contains(e, "event: ") && !strings.Contains(e, "event: alive") {
					return e
				}
				event.Reset()
				continue
			}
			event.WriteString(line)
		}
	}
}

// id is that of an event.
func id(event string) string {
	_, rest, _ := strings.Cut(event, "id: ")
	rest, _, _ = strings.Cut(rest, "\n")
	return rest
}

func TestResume(t *testing.T) {
	s, link := open(t, Default)
	for i := range 3 {
		s.Second(align.Second{Schema: align.SecondSchema, T: float64(i), Levels: []align.ChannelLevel{}, Stations: []align.StationState{}})
	}
	next := stream(t, s, link, "")
	var events []string
	for _, want := range []string{"event: reset", "event: session", `"t_s":0,`, `"t_s":1,`, `"t_s":2,`} {
		e := next()
		if !strings.Contains(e, want) {
			t.Fatalf("%q has no %s", e, want)
		}
		events = append(events, e)
	}
	s.Log("note", "oiled")
	if e := next(); !strings.Contains(e, "oiled") {
		t.Errorf("%q", e)
	}
	resumed := stream(t, s, link, id(events[3]))
	for _, want := range []string{`"t_s":2,`, "oiled"} {
		if e := resumed(); !strings.Contains(e, want) {
			t.Errorf("resumed: %q has no %s", e, want)
		}
	}
	// What came before a reset is not to be gone on from.
	s.Reset(func() { s.Log("note", "afresh") })
	for _, want := range []string{"event: reset", "event: session", "afresh"} {
		if e := next(); !strings.Contains(e, want) {
			t.Errorf("after a reset: %q has no %s", e, want)
		}
	}
	for _, after := range []string{id(events[3]), "another-3", "nonsense"} {
		if e := stream(t, s, link, after)(); !strings.Contains(e, "event: reset") {
			t.Errorf("after %s: %q", after, e)
		}
	}
	s.Close()
	if e := next(); !strings.Contains(e, `"ended":true`) {
		t.Errorf("at the end: %q", e)
	}
	if e := next(); e != "end" {
		t.Errorf("after the end: %q", e)
	}
}

// A viewer that does not read is dropped; the measurement does not wait for it,
// and ten others get everything.
func TestSlowViewer(t *testing.T) {
	s, link := open(t, Default)
	c, err := net.Dial("tcp", strings.TrimSuffix(strings.TrimPrefix(link, "http://"), "/"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.(*net.TCPConn).SetReadBuffer(4096)
	fmt.Fprintf(c, "GET /events?key=%s HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", s.key)
	if _, err := io.ReadFull(c, make([]byte, 15)); err != nil {
		t.Fatal(err)
	}
	const watching, messages, each = 10, 400, mostWaiting / 2
	told, kept := make(chan int, watching), make(chan bool, watching)
	for range watching {
		next := stream(t, s, link, "")
		next() // is there
		go func() {
			n := 0
			for ; n < messages; n++ {
				for e := next(); !strings.Contains(e, fmt.Sprintf(`"text":"%d `, n)); e = next() {
					if e == "end" {
						t.Error("a viewer that reads was dropped")
						for range messages/each - n/each {
							kept <- true
						}
						told <- n
						return
					}
				}
				if n%each == each-1 {
					kept <- true
				}
			}
			told <- n
		}()
	}
	viewers := func() int {
		s.hub.mu.Lock()
		defer s.hub.mu.Unlock()
		return len(s.hub.viewers)
	}
	if n := viewers(); n != watching+1 {
		t.Fatalf("%d viewers", n)
	}
	long := strings.Repeat("x", 50000) // 20 MB in all: more than any buffer takes
	for i := range messages {
		s.Log("note", fmt.Sprintf("%d %s", i, long))
		for range watching { // those that read are not slow, however loaded the machine
			if i%each == each-1 {
				<-kept
			}
		}
	}
	for range watching {
		if n := <-told; n != messages {
			t.Errorf("a viewer was told only %d of %d", n, messages)
		}
	}
	if n := viewers(); n != watching {
		t.Errorf("%d viewers, want the slow one dropped", n)
	}
}
