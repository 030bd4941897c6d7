package page

import (
	"bytes"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// Who sends half of something and waits is not waited for, and who opens more
// connections than any viewer needs gets no more; the viewers go on being told.
func TestLimits(t *testing.T) {
	const most = 8
	s, link, err := serve(Default, Session{}, limits{request: 200 * time.Millisecond, answer: time.Minute, connections: most})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	next := stream(t, s, link, "")
	next() // reset
	next() // session
	address := strings.TrimSuffix(strings.TrimPrefix(link, "http://"), "/")
	half := map[string]string{
		"a connection": "",
		"a header":     "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n",
		"a body":       "POST /action HTTP/1.1\r\nHost: 127.0.0.1\r\nTimeball-Key: " + s.key + "\r\nContent-Length: 99\r\n\r\n{",
	}
	for what, text := range half {
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		io.WriteString(c, text)
		if _, err := io.ReadAll(c); err != nil { // until the server has had enough; without a limit for ever
			t.Errorf("half of %s: %v", what, err)
		}
	}
	var open []net.Conn
	for range 4 * most {
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprint(c, "GET / HTTP/1.1\r\n")
		open = append(open, c)
	}
	for _, c := range open {
		io.ReadAll(c)
	}
	if status, _ := request(t, "GET", link, ""); status != http.StatusOK {
		t.Errorf("afterwards: status %d", status)
	}
	s.Log("note", "oiled")
	if e := next(); !strings.Contains(e, "oiled") {
		t.Errorf("a viewer was told %q", e)
	}
}

// More connections than there may be are closed at once, not when their time is up.
func TestMostConnections(t *testing.T) {
	const most = 4
	s, link, err := serve(Default, Session{}, limits{request: time.Hour, answer: time.Hour, connections: most})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	address := strings.TrimSuffix(strings.TrimPrefix(link, "http://"), "/")
	closed := make(chan bool)
	for range 3 * most {
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		go func() {
			io.ReadAll(c)
			closed <- true
		}()
	}
	for range 2 * most { // the others stay for an hour
		<-closed
	}
}

// What strangers ask for is not written over the display.
func TestServerSaysNothing(t *testing.T) {
	var said bytes.Buffer
	defer log.SetOutput(log.Writer())
	log.SetOutput(&said)
	_, link := open(t, Default)
	if status, _ := request(t, "GET", link+"?a;b", ""); status != http.StatusOK {
		t.Errorf("status %d", status)
	}
	if said.Len() > 0 {
		t.Errorf("%q", said.String())
	}
}
