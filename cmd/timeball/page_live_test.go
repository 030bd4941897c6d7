//go:build cgo && unix

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"timeball/align"
	"timeball/capture/simulate"
	"timeball/capture/soundcard/pulsetest"
	"timeball/cmd/timeball/internal/text"
)

// watching is a live measurement with a page, in a process of its own.
type watching struct {
	t    *testing.T
	cmd  *exec.Cmd
	link string
	said bytes.Buffer // on standard error, after the link

	mu      sync.Mutex
	seconds []align.Second
	last    []byte
	ended   chan bool
}

func watchLive(t *testing.T, server *pulsetest.Server, args ...string) *watching {
	t.Helper()
	w := &watching{t: t, cmd: selfProgram(server, append([]string{"listen", "--json", "--page"}, args...)...), ended: make(chan bool, 2)}
	out, err := w.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	errs, err := w.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := w.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.cmd.Process.Kill(); w.cmd.Wait() })
	r := bufio.NewReader(errs)
	line, err := r.ReadString('\n')
	if err != nil || !strings.HasPrefix(line, "page: ") {
		t.Fatalf("%q, %v", line, err)
	}
	w.link = strings.TrimSpace(strings.TrimPrefix(line, "page: "))
	go func() { r.WriteTo(&w.said); w.ended <- true }()
	go func() {
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			var s align.Second
			w.mu.Lock()
			w.last = bytes.Clone(lines.Bytes())
			if json.Unmarshal(w.last, &s) == nil && s.Schema == align.SecondSchema {
				w.seconds = append(w.seconds, s)
			}
			w.mu.Unlock()
		}
		w.ended <- true
	}()
	return w
}

// at is the second of the stream at a time of it.
func (w *watching) at(seconds float64) *align.Second {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i := range w.seconds {
		if w.seconds[i].T == seconds {
			return &w.seconds[i]
		}
	}
	return nil
}

// agrees checks that a page shows what the stream says of the same second.
func (w *watching) agrees(ctx context.Context, byWire bool) {
	w.t.Helper()
	shown := value[struct {
		T     float64 `json:"t"`
		Value float64 `json:"value"`
		Text  string  `json:"text"`
		Word  string  `json:"word"`
	}](w.t, ctx, `(() => { const o = document.getElementById("offset");
		return { t: Number(o.dataset.t), value: Number(o.dataset.value), text: o.textContent, word: document.getElementById("word").textContent } })()`)
	var s *align.Second
	for range 20 { // the stream may come a little later
		if s = w.at(shown.T); s != nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	number := strings.TrimSuffix(strings.TrimSuffix(shown.Text, "verifying"), "old") // beside it, in small
	switch {
	case s == nil:
		w.t.Errorf("the page shows %v s, which is not in the stream", shown.T)
	case s.Offset == nil || s.Standing != align.Verifying && strings.Contains(shown.Text, "verifying"):
		w.t.Errorf("at %v s the page shows %q, the stream says %+v", shown.T, shown.Text, s)
	case strings.HasSuffix(shown.Text, "old") && s.Radio.State != align.Coasting:
		w.t.Errorf("at %v s the page shows %q, the stream says %+v", shown.T, shown.Text, s)
	case *s.Offset != shown.Value || number != shownIn(*s.Offset, byWire, shown.Text):
		w.t.Errorf("at %v s the page shows %v as %q, the stream says %v, as %q: %+v", shown.T, shown.Value, shown.Text, *s.Offset, shownIn(*s.Offset, byWire, shown.Text), s)
	}
}

// A page shows what comes from a sound card, by radio and by wire, as the
// program's stream tells it; what is written down on it is kept with the fix.
func TestSoundcardListenPage(t *testing.T) {
	t.Parallel()
	wire := pulsetest.Sink{Name: "wire", Rate: 48000, Channels: 2}
	server := pulsetest.Beside(t, card, wire)
	folder := t.TempDir()
	pulses := write(t, simulate.Config{Rate: wire.Rate, Seconds: 180, Seed: 7, SoundCard: simulate.SoundCard{ClockPPM: 20},
		Wire: &simulate.Marker{}, Marker: &simulate.Marker{OffsetSeconds: 3.2e-6}})
	tab := browser(t)
	complaints := watch(t, tab)
	server.PlayFile(card, session(t, card))
	server.PlayFile(wire, pulses)
	book, report := filepath.Join(folder, "log.sqlite"), filepath.Join(folder, "report.html")
	radio := watchLive(t, server, append([]string{"--input=card", "--for=3m", "--logbook=" + book, "--report=" + report}, knownDelays...)...)
	wired := watchLive(t, server, "--wired", "--input=wire", "--for=3m", "--no-log")

	n := newCable(t, radio.link)
	if err := chromedp.Do(tab, chromedp.Navigate(n.link)); err != nil {
		t.Fatal(err)
	}
	eventually(t, tab, `document.getElementById("interval").textContent.includes("listening for")`)
	eventually(t, tab, `document.getElementById("link").textContent === "● live"`)
	second, end := chromedp.NewContext(tab)
	defer end()
	if err := chromedp.Do(second, chromedp.Navigate(wired.link)); err != nil {
		t.Fatal(err)
	}
	const known = `document.getElementById("offset").dataset.value`
	eventually(t, second, known)
	wired.agrees(second, true)
	if text := value[string](t, second, `document.body.innerText`); !strings.Contains(text, "the reference") || strings.Contains(text, "UTC") {
		t.Errorf("by wire the page says\n%s", text)
	}
	eventually(t, tab, known)
	radio.agrees(tab, false)

	// Some seconds later it is still so. Meanwhile a viewer writes something down.
	value[bool](t, tab, `document.getElementById("adjusted").click(), true`)
	value[bool](t, tab, `(() => { document.getElementById("note").value = "oiled"; document.getElementById("noteform").requestSubmit(); return true })()`)
	eventually(t, tab, `document.getElementById("log").textContent.includes("oiled")`)
	time.Sleep(2 * time.Second)
	radio.agrees(tab, false)

	// A network that has gone silent, as when the tablet has slept, is noticed
	// though no connection ends; what is shown then says that it is old.
	n.silence.Lock()
	time.Sleep(13 * time.Second)
	eventually(t, tab, `document.body.dataset.link === "lost" && document.getElementById("word").textContent === "no link"`)
	n.silence.Unlock()
	eventually(t, tab, `document.body.dataset.link === "ended" || document.body.dataset.link === "live" && document.getElementById("word").textContent !== "no link"`)
	if link := value[string](t, tab, `document.body.dataset.link`); link != "live" {
		radio.cmd.Process.Signal(os.Interrupt)
		<-radio.ended
		<-radio.ended
		t.Fatalf("%s: %s%s", link, radio.said.String(), radio.last)
	}
	radio.agrees(tab, false)
	wired.agrees(second, true)

	time.Sleep(12 * time.Second)                  // until the step is over, and settled
	for _, w := range []*watching{radio, wired} { // however long all that took
		if err := w.cmd.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		<-radio.ended
		<-wired.ended
	}
	if err := radio.cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, radio.said.String())
	}
	if err := wired.cmd.Wait(); err != nil {
		t.Fatalf("%v: %s", err, wired.said.String())
	}
	fix := decodeFix(t, radio.last)
	eventually(t, tab, fmt.Sprintf(`document.body.dataset.link === "ended" && document.getElementById("fixtext").textContent.includes(%q)`,
		strings.Replace(text.BigOffset(*fix.Offset, false, text.UnitFor(*fix.Offset, text.SecondUnits[1:3])), "-", "−", 1)))
	if status, out, errs := runWith(t, "log", "--logbook="+book, "list", "--kind=fix"); status != exitOK ||
		!strings.Contains(out, "note: the clock was adjusted (offset then ") || !strings.Contains(out, "note: oiled (offset then ") {
		t.Errorf("%d: %s%s", status, out, errs)
	}
	complaints.check(t, n.link, wired.link)
}
