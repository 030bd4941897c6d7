package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	cdruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"timeball/align"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/sound"
	"timeball/cmd/timeball/internal/testkit"
	"timeball/cmd/timeball/internal/text"
	"timeball/detect/levels"
)

// played is a recording that is being played on a page.
type played struct {
	t    *testing.T
	link string
	key  string
	end  func() (status int, stdout string)
}

// playDemo plays the demo's recording: its clock is advanced by 24.6 ms at 44 s.
func playDemo(t *testing.T, args ...string) *played {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	errs, w := io.Pipe()
	var out bytes.Buffer
	status := make(chan int, 1)
	go func() {
		args := append([]string{"replay", "--json", "--page", "--station=wwv", "--carrier=10MHz", "--at=50.2,-5.6", "--receiver-delay=0.5ms+-0.1ms"}, args...)
		status <- run(ctx, append(args, demoFile), strings.NewReader(""), &out, w)
		w.Close()
	}()
	line, err := bufio.NewReader(errs).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	go io.Copy(io.Discard, errs)
	p := &played{t: t, link: strings.TrimSpace(strings.TrimPrefix(line, "page: "))}
	p.end = func() (int, string) { stop(); return <-status, out.String() }
	p.key = keyOf(t, p.link)
	return p
}

// keyOf fetches a page and finds the key in it.
func keyOf(t testing.TB, link string) string {
	t.Helper()
	res, err := http.Get(link)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(res.Body)
	found := regexp.MustCompile(`name="key" content="([^"]+)"`).FindSubmatch(text)
	if res.StatusCode != http.StatusOK || found == nil {
		t.Fatalf("%s: %s", link, res.Status)
	}
	return string(found[1])
}

// ask sends an action.
func (p *played) ask(body string) {
	p.t.Helper()
	r, _ := http.NewRequest("POST", p.link+"action", strings.NewReader(body))
	r.Header.Set("Timeball-Key", p.key)
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		p.t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != http.StatusNoContent {
		p.t.Fatalf("%s: %s", body, res.Status)
	}
}

// chromium is one browser for all tests, begun when the first asks for it and
// ended by endChromium; nil when it is not installed.
var (
	endChromium = func() {}
	chromium    = sync.OnceValue(func() context.Context {
		path, err := exec.LookPath("chromium")
		if err != nil {
			return nil
		}
		allocator, endAllocator := chromedp.NewExecAllocator(context.Background(), chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU)
		first, endFirst := chromedp.NewContext(allocator)
		endChromium = func() { endFirst(); endAllocator() }
		if err := chromedp.Do(first, chromedp.Navigate("about:blank")); err != nil {
			panic(err)
		}
		return first
	})
)

// browser opens a tab of Chromium; the test is skipped without one.
func browser(t *testing.T) context.Context {
	t.Helper()
	if chromium() == nil {
		t.Skip("needs chromium")
	}
	ctx, end := chromedp.NewContext(chromium())
	t.Cleanup(end)
	ctx, end = context.WithTimeout(ctx, 5*time.Minute)
	t.Cleanup(end)
	return ctx
}

// value evaluates an expression in the page.
func value[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// eventually waits until an expression is true, as long as a busy machine may take.
// A page that is being left for another may answer with an error.
func eventually(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	var last error
	for ctx.Err() == nil {
		is, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		if is && err == nil {
			return
		}
		if ctx.Err() == nil {
			last = err
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("not yet: %s (%v)", expression, last)
}

// watched notes what a page asks for and complains of.
type watched struct {
	mu         sync.Mutex
	urls       []string
	complaints []string
}

func watch(t *testing.T, ctx context.Context) *watched {
	t.Helper()
	w := &watched{}
	err := chromedp.Listen(ctx, func(ev any) {
		w.mu.Lock()
		defer w.mu.Unlock()
		switch e := ev.(type) {
		case *network.EventRequestWillBeSent:
			w.urls = append(w.urls, e.Request.URL)
		case *cdruntime.EventExceptionThrown:
			w.complaints = append(w.complaints, e.ExceptionDetails.Text)
		case *cdruntime.EventConsoleAPICalled:
			if e.Type == "error" || e.Type == "warning" {
				w.complaints = append(w.complaints, fmt.Sprint(e.Args))
			}
		case *cdplog.EventEntryAdded:
			// A cut cable is meant to be noticed.
			if e.Entry.Level != "info" && e.Entry.Level != "verbose" && e.Entry.Source != "network" {
				w.complaints = append(w.complaints, fmt.Sprintf("%s: %s", e.Entry.Source, e.Entry.Text))
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// check fails if anything was complained of, or asked for elsewhere than at links.
func (w *watched) check(t *testing.T, links ...string) {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, u := range w.urls {
		if !strings.HasPrefix(u, "data:") && !slices.ContainsFunc(links, func(l string) bool { return strings.HasPrefix(u, l) }) {
			t.Errorf("asked for %s", u)
		}
	}
	if len(w.urls) == 0 {
		t.Error("no request was seen")
	}
	for _, c := range w.complaints {
		t.Errorf("complaint: %s", c)
	}
}

func TestPageInBrowser(t *testing.T) {
	t.Parallel()
	ctx := browser(t)
	p := playDemo(t)
	n := newCable(t, p.link)
	p.ask(`{"do":"pause"}`)
	p.ask(`{"do":"seek","value":42.5}`)
	w := watch(t, ctx)
	if err := chromedp.Do(ctx, chromedp.Navigate(n.link)); err != nil {
		t.Fatal(err)
	}
	// What is asked for is done in turn: the page may be there first, with what was
	// before it.
	eventually(t, ctx, `document.getElementById("link").textContent.includes("paused") && Number(document.getElementById("offset").dataset.t) > 41`)
	state := p.seconds(t)

	// What is shown is what the stream says, to the last digit shown.
	shown := func() float64 {
		return value[float64](t, ctx, `Number(document.getElementById("offset").dataset.value)`)
	}
	last := state[len(state)-1]
	if got := shown(); got != *last.Offset {
		t.Errorf("the page holds %v, the stream %v", got, *last.Offset)
	}
	digits := value[string](t, ctx, `document.getElementById("offset").textContent`)
	if want := shownIn(*last.Offset, false, digits); digits != want {
		t.Errorf("the page shows %q, the terminal %q", digits, want)
	}
	if word := value[string](t, ctx, `document.getElementById("word").textContent`); word != "retard" && word != "advance" || word != text.Action(&last, playTolerance) {
		t.Errorf("%q for an offset of %v", word, *last.Offset)
	}

	// The marker stands before the UTC second when ahead, and moves by the step.
	place := func() float64 {
		return value[float64](t, ctx, `(() => { const m = document.getElementById("mark"), s = m.ownerSVGElement;
			return (Number(m.style.transform.match(/-?[\d.]+/)[0]) - s.clientWidth / 2) })()`)
	}
	before, beforeOffset := place(), shown()
	if before*beforeOffset >= 0 {
		t.Errorf("a marker at an offset of %v stands at %v px", beforeOffset, before)
	}
	p.ask(`{"do":"seek","value":47}`)
	eventually(t, ctx, fmt.Sprintf(`Math.abs(document.getElementById("offset").dataset.value - %v) > 0.02`, beforeOffset))
	if moved := shown() - beforeOffset; math.Abs(math.Abs(moved)-24.6e-3) > 1e-4 {
		t.Errorf("the step of 24.6 ms shows as %v", moved)
	}
	eventually(t, ctx, fmt.Sprintf(`(() => { const m = document.getElementById("mark"), s = m.ownerSVGElement;
		return Math.abs(Number(m.style.transform.match(/-?[\d.]+/)[0]) - s.clientWidth / 2 - %v) >= 10 })()`, before))
	eventually(t, ctx, `document.getElementById("log").textContent.includes("24.6")`)

	eventually(t, ctx, `document.getElementById("link").textContent.includes("paused")`)
	pictures(t, ctx, "turn", len(screens))
	// Text of twice the size, as a browser can be set to, is not cut off either.
	textSize(t, ctx, 32)
	pictures(t, ctx, "large-text", 2)
	textSize(t, ctx, 16)

	// It plays on, and the axis goes closer as the offset lessens.
	// (Slowly at first: a busy machine must see it playing before it has ended.)
	p.ask(`{"do":"play"}`)
	eventually(t, ctx, `document.getElementById("link").textContent.includes("recording")`)
	p.ask(`{"do":"speed","value":4}`)
	eventually(t, ctx, `Number(document.getElementById("offset").dataset.t) > 60`)
	p.ask(`{"do":"pause"}`)

	// Keys zoom the axis.
	eventually(t, ctx, `document.getElementById("axis").focus() || document.activeElement.id === "axis"`)
	span := value[string](t, ctx, `document.getElementById("span").textContent`)
	if err := chromedp.Do(ctx, chromedp.KeyEvent("+")); err != nil {
		t.Fatal(err)
	}
	if closer := value[string](t, ctx, `document.getElementById("span").textContent`); closer == span {
		t.Errorf("the axis still spans %s", closer)
	}
	// So does the wheel with Ctrl; without it scrolls.
	wheel := func(ctrl bool) (scrolls bool) {
		return value[bool](t, ctx, fmt.Sprintf(`document.getElementById("axis").dispatchEvent(new WheelEvent("wheel", { deltaY: 100, ctrlKey: %t, cancelable: true }))`, ctrl))
	}
	closer := value[string](t, ctx, `document.getElementById("span").textContent`)
	if now := func() string { return value[string](t, ctx, `document.getElementById("span").textContent`) }; !wheel(false) || now() != closer || wheel(true) || now() != span {
		t.Errorf("the wheel takes ±%s to %s", closer, now())
	}
	value[bool](t, ctx, `document.getElementById("auto").click(), true`)
	// What is spoken is of now, though nothing comes any more.
	eventually(t, ctx, `document.getElementById("spoken").textContent === document.getElementById("offset").textContent + ", " + document.getElementById("word").textContent`)

	// Actions of the page itself.
	value[bool](t, ctx, `document.getElementById("adjusted").click(), true`)
	eventually(t, ctx, `document.getElementById("adjusted").textContent === "✓ marked"`)
	eventually(t, ctx, `document.getElementById("log").textContent.includes("the clock was adjusted")`)
	value[bool](t, ctx, `(() => { document.getElementById("tolerance").value = "20"; document.getElementById("tolform").requestSubmit(); return true })()`)
	eventually(t, ctx, `document.getElementById("target").textContent.includes("±20\u00a0ms")`)
	eventually(t, ctx, `document.getElementById("word").textContent === "stop"`)
	value[bool](t, ctx, `(() => { document.getElementById("note").value = "<b>oil"; document.getElementById("noteform").requestSubmit(); return true })()`)
	eventually(t, ctx, `document.getElementById("log").textContent.includes("<b>oil")`)
	eventually(t, ctx, `document.getElementById("adjusted").textContent === "I adjusted"`)
	// A fix ends with the second press, soon after the first.
	value[bool](t, ctx, `document.getElementById("startstop").click(), true`)
	eventually(t, ctx, `document.getElementById("startstop").textContent === "End it? Press again"`)
	eventually(t, ctx, `document.getElementById("startstop").textContent === "End the fix" && document.getElementById("fix").hidden`)
	value[bool](t, ctx, `document.getElementById("startstop").click(), document.getElementById("startstop").click(), true`)
	eventually(t, ctx, `document.getElementById("startstop").textContent === "Start a fix" && !document.getElementById("fix").hidden`)

	checkAxe(t, ctx)
	pictures(t, ctx, "set", len(screens))

	// A connection that is lost is said to be, and comes back by itself.
	n.set(true)
	eventually(t, ctx, `document.body.dataset.link === "lost"`)
	value[bool](t, ctx, `document.getElementById("startstop").click(), true`)
	eventually(t, ctx, `document.getElementById("said").textContent.includes("connection is lost")`)
	p.ask(`{"do":"note","text":"said meanwhile"}`)
	n.set(false)
	eventually(t, ctx, `document.body.dataset.link === "live" && document.getElementById("log").textContent.includes("said meanwhile")`)
	if told := value[int](t, ctx, `document.getElementById("log").textContent.split("the clock was adjusted").length - 1`); told != 1 {
		t.Errorf("after the interruption the page knows %d adjustments", told)
	}
	value[bool](t, ctx, `document.getElementById("startstop").click(), true`)
	eventually(t, ctx, `document.getElementById("startstop").textContent === "End the fix"`)

	status, out := p.end()
	eventually(t, ctx, `document.body.dataset.link === "ended"`)
	var fix align.Fix
	if err := json.Unmarshal([]byte(out), &fix); err != nil || fix.Schema != align.Schema {
		t.Errorf("status %d, %v: %s", status, err, out)
	}

	w.check(t, n.link)
}

// When the program was started again at the same place, a page of before says so, and
// what to do; that is what helps.
func TestPageAfterRestart(t *testing.T) {
	ctx := browser(t)
	before, _, link := demoWork(t, page.Default)
	_, _, after := demoWork(t, page.Default)
	n := newCable(t, strings.TrimPrefix(link, "page: "))
	if err := chromedp.Do(ctx, chromedp.Navigate(n.link)); err != nil {
		t.Fatal(err)
	}
	before.page.Second(testkit.Second(12.3456e-3, 0.2e-3))
	eventually(t, ctx, `document.body.dataset.link === "live" && document.getElementById("word").textContent === "retard"`)
	n.lead(t, strings.TrimPrefix(after, "page: "))
	eventually(t, ctx, `document.body.dataset.link === "other" && document.getElementById("word").textContent === "no link"`)
	eventually(t, ctx, `document.getElementById("reading").innerText.includes("timeball was started again: this is old. Load this page anew")`)
	if err := chromedp.Do(ctx, chromedp.Reload()); err != nil {
		t.Fatal(err)
	}
	eventually(t, ctx, `document.body.dataset.link === "live"`)
}

// Whatever the state, the page says what to do and nothing overlaps.
// mayBe is where an offset may be, and mayBeSaid how the page says so.
var mayBe = []align.Candidate{{Offset: -12.3e-3, U: 0.1e-3, Probability: 0.67, Because: "1E first"}, {Offset: -10.9e-3, U: 0.4e-3, Probability: 0.31, Because: "1F2 first"}}

const mayBeSaid = "−12.30 ± 0.20 ms if 1E first, 67 %"

func TestPageStates(t *testing.T) {
	t.Parallel()
	ctx := browser(t)
	work, src, link := demoWork(t, page.Default)
	feed(t, work, src, func(align.Second) {})
	demo := align.Picture{Fix: work.Fix()}
	if p, ok := work.measurement.(*align.Live); ok {
		demo = p.PictureOf(demo.Fix)
	}
	demo.Fix.Candidates = mayBe
	w := watch(t, ctx)
	if err := chromedp.Do(ctx, chromedp.Navigate(strings.TrimPrefix(link, "page: "))); err != nil {
		t.Fatal(err)
	}
	deaf := testkit.Second(0, 1)
	deaf.Offset, deaf.CI95, deaf.U, deaf.At, deaf.Stations = nil, nil, nil, nil, []align.StationState{}
	deaf.Verdict, deaf.Reason, deaf.Radio.State = align.NoTick, "no station's ticks were found in the receiver channel", align.NeverHeard
	bare := deaf
	bare.Verdict, bare.Reason, bare.Count, bare.Marker = align.NoMarker, "no channel carries a pulse every second", 0, align.MarkerState{}
	bare.Levels = []align.ChannelLevel{{Channel: 1, Level: levels.Level{Peak: 0.25, RMS: 0.05}}, {Channel: 2}}
	early := bare
	early.T = 3
	unknown := deaf
	unknown.Waiting = &align.Waiting{Station: "wwv", For: align.MinuteMark, In: new(17.0)}
	unknown.Reason = "a tick is heard"
	fading, gone := testkit.Second(12.3456e-3, 0.12e-3), testkit.Second(12.3456e-3, 0.5e-3)
	fading.Radio = align.Reception{State: align.Fading, Gone: 7}
	fading.Stations[0].Reception = fading.Radio
	gone.Radio = align.Reception{State: align.Coasting, Gone: 95}
	gone.Stations[0].Reception = gone.Radio
	told, hands := testkit.Second(-0.4123456, 0.2e-3), -2
	told.UTC, told.WholeSeconds = &align.UTC{Second: *told.At, DUT1: new(-0.2), From: "100 Hz code"}, &hands
	noPath := testkit.Second(0.2e-3, 0.1e-3)
	noPath.Verdict, noPath.Sense, noPath.Reason = align.NoPath, "", "the path delay is not known: no place was given"
	unproven := testkit.Second(0.1e-3, 1.5e-3)
	unproven.Prospect = &align.Prospect{Limit: 1.4e-3, From: "path delay wwv", Noise: 0.5e-3, Averaged: 100}
	lopsided := testkit.Second(-12.3e-3, 0.1e-3)
	lopsided.CI95[0] -= 0.25e-3
	wire := testkit.Second(3.2104e-6, 8e-9)
	wire.Radio, wire.Stations = align.Reception{State: align.ByWire}, []align.StationState{}
	for _, c := range []struct {
		name      string
		s         align.Second
		tolerance float64
		word      string
		says      []string // in the reading and beside it
	}{
		{"early", early, 1e-3, "wait", []string{"listening for the marker", "not heard yet"}},
		{"no-marker", bare, 1e-3, "no marker", []string{bare.Reason, "plugged in", "silent"}},
		{"never-heard", deaf, 1e-3, "no station", []string{deaf.Reason, "another carrier", "not heard yet"}},
		{"tick-unknown", unknown, 1e-3, "wait", []string{unknown.Reason, "heard, no station known yet"}},
		{"ahead", testkit.Second(12.3456e-3, 0.12e-3), 1e-3, "retard", []string{"ahead of UTC", "come later", "11.3 ms to go to ±1 ms"}},
		{"behind", told, 1e-3, "advance", []string{"behind UTC", "come earlier", "411 ms to go to ±1 ms", "2 s behind: set them forward", "DUT1 −0.2 s"}},
		{"close", testkit.Second(-1.1e-3, 0.05e-3), 1e-3, "advance", []string{"come earlier", "0.1 ms to go to ±1 ms"}},
		{"fading", fading, 1e-3, "retard", []string{"radio fading for 7 s"}},
		{"coasting", gone, 20e-3, "stop", []string{"gone for 95 s, coasting: WWV,", "old"}},
		{"unsure", testkit.Second(0.9e-3, 0.3e-3), 1e-3, "retard", []string{"turn on, 0.08 ms to go"}},
		{"certain-soon", testkit.Second(0.3e-3, 0.9e-3), 1e-3, "hold", []string{"certain in about 3 min"}},
		{"unproven", unproven, 1e-3, "hold", []string{"cannot be proven to ±1 ms: the limit is ±1.4 ms, from the path delay wwv; give the path delay"}},
		{"lopsided", lopsided, 1e-3, "advance", []string{"−0.1/+0.35 ms (95 %)"}},
		{"no-path", noPath, 1e-3, "no path", []string{"no place was given", "200 µs before the tick as heard"}},
		{"reached", testkit.Second(-4.2e-6, 3e-6), 10e-6, "stop", []string{"set: within ±10 µs"}},
		{"wired", wire, 1e-6, "retard", []string{"ahead of the reference"}},
	} {
		x := c.s.Offset
		work.page.Reset(func() {
			work.page.Change(func(v *page.Session) { v.Tolerance, v.Wired = c.tolerance, c.name == "wired" })
			for i := range 40 {
				s := c.s
				s.T += float64(i - 40)
				s.Count += i - 40
				if x != nil && i < 20 { // it was further off
					was := 3**x + 1e-4*math.Copysign(float64(20-i), *x)
					s.Offset, s.CI95 = &was, &[2]float64{was - *s.U*2, was + *s.U*2}
				}
				if c.name != "early" {
					work.page.Second(s)
				}
			}
			work.page.Second(c.s)
			if x != nil && !(c.name == "wired") {
				work.page.Picture(demo)
			}
		})
		if x != nil && !(c.name == "wired") {
			eventually(t, ctx, fmt.Sprintf(`document.getElementById("candidates").textContent.includes(%q)`, mayBeSaid))
		}
		eventually(t, ctx, fmt.Sprintf(`document.getElementById("word").textContent === %q`, c.word))
		if x != nil && c.s.Verdict == align.Found {
			eventually(t, ctx, fmt.Sprintf(`document.getElementById("offset").dataset.value == %v`, *x))
		}
		eventually(t, ctx, fmt.Sprintf(`document.getElementById("offset").dataset.t == %v`, c.s.T))
		text := value[string](t, ctx, `["reading", "inputs", "clock"].map((id) => document.getElementById(id).innerText).join("\n").replaceAll("\u00a0", " ")`)
		for _, want := range c.says {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in\n%s", c.name, want, text)
			}
		}
		// The zone in which stop would come is the tolerance less the interval.
		if zone := value[float64](t, ctx, `document.querySelector("#axis .stop")?.width.baseVal.value ?? 0`); x != nil && c.s.Verdict == align.Found {
			band := value[float64](t, ctx, `document.querySelector("#axis .band").width.baseVal.value`)
			both := math.Max(0, 2*c.tolerance/(c.s.CI95[1]-c.s.CI95[0])*band-band) // px
			if math.Abs(zone-both) > 0.02*both+2 && value[bool](t, ctx, `document.querySelector("#axis .tol") !== null`) && band > 1.5 {
				t.Errorf("%s: stop would come in %.1f px, want %.1f", c.name, zone, both)
			}
		}
		// A state lasts as long as it is looked at.
		looked, told := make(chan bool), make(chan bool)
		go func() {
			for again := time.NewTicker(time.Second); ; {
				select {
				case <-again.C:
					work.page.Second(c.s)
				case <-looked:
					close(told)
					return
				}
			}
		}()
		if c.name == "no-marker" || c.name == "reached" {
			checkAxe(t, ctx)
		}
		pictures(t, ctx, c.name, 2)
		if c.name == "behind" || c.name == "unproven" || c.name == "lopsided" {
			seenFromAfar(t, ctx, c.name)
		}
		if c.name == "lopsided" { // the whole page with text of twice the size
			textSize(t, ctx, 32)
			pictures(t, ctx, "large-text-live", 2)
			textSize(t, ctx, 16)
		}
		close(looked)
		<-told
	}
	// When nothing comes any more, what is shown is said to be old.
	eventually(t, ctx, `document.getElementById("word").textContent === "no input" && document.getElementById("reading").dataset.mood === "stale"`)
	pictures(t, ctx, "no-input", 2)
	checkAxe(t, ctx)
	w.check(t, strings.TrimPrefix(link, "page: "))
}

// Turns and sound on the page: what is to go, the buttons, the tones as the browser
// would play them; the name of a fix that is over, and the line of the history, which
// does not join two measurements.
func TestPageTurnsAndSound(t *testing.T) {
	t.Parallel()
	ctx := browser(t)
	work, _, link := demoWork(t, page.Default)
	if err := chromedp.Do(ctx, chromedp.Navigate(strings.TrimPrefix(link, "page: "))); err != nil {
		t.Fatal(err)
	}
	s := testkit.Second(12.3456e-3, 0.12e-3)
	s.Turning = &align.Turning{Unit: align.InTurns, Known: align.Tried, Each: -2e-3, ToGo: new(-6.2), UToGo: new(0.1), Going: align.AtRest}
	s = text.Second(s)
	show := func(s align.Second) {
		work.page.Second(s)
		eventually(t, ctx, fmt.Sprintf(`document.getElementById("offset").dataset.t == %v`, s.T))
	}
	show(s)
	eventually(t, ctx, `document.getElementById("turns").textContent === "about 6 turns anticlockwise to go"`)
	for _, way := range []string{"clockwise", "anticlockwise", "press"} {
		value[bool](t, ctx, fmt.Sprintf(`document.querySelector("[data-way=%s]").click(), true`, way))
		if a := <-work.page.Actions(); a.Do != page.DoTurned || a.Text != way || a.Value != 1 {
			t.Errorf("%s does %+v", way, a)
		}
		eventually(t, ctx, fmt.Sprintf(`document.querySelector("[data-way=%s]").textContent === "✓ told"`, way))
	}

	// Sound is off until it is switched on.
	value[bool](t, ctx, `document.getElementById("sound").click(), true`)
	eventually(t, ctx, `document.getElementById("sound").getAttribute("aria-pressed") === "true"`)
	value[bool](t, ctx, `document.getElementById("sound").click(), true`)
	eventually(t, ctx, `document.getElementById("sound").getAttribute("aria-pressed") === "false"`)
	// heard renders the cue of a second, and gives the pitch of each part of 50 ms.
	heard := func(s align.Second) []float64 {
		tones, err := json.Marshal(new(sound.Cues).Next(&s, 1e-3))
		if err != nil {
			t.Fatal(err)
		}
		all, err := chromedp.Run(ctx, chromedp.Evaluate[[]float64](fmt.Sprintf(`(async () => {
			const { schedule } = await import("/assets/sound.js"), rate = 16000, context = new OfflineAudioContext(1, rate, rate);
			schedule(context, %s, 0);
			const x = (await context.startRendering()).getChannelData(0), part = rate / 20;
			return Array.from({ length: 20 }, (_, i) => {
				let rises = 0;
				for (let k = i * part + 1; k < (i + 1) * part; k++) if (x[k - 1] < 0 && x[k] >= 0) rises++;
				return rises * 20;
			});
		})()`, tones), chromedp.EvalAwaitPromise))
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	ahead, behind, set := testkit.Second(400e-3, 1e-5), testkit.Second(-400e-3, 1e-5), testkit.Second(0.1e-3, 1e-4)
	for name, c := range map[string]struct {
		s     align.Second
		first float64
		parts int // that sound
	}{"ahead": {ahead, sound.RetardHz, 2}, "behind": {behind, sound.AdvanceHz, 2}, "stop": {set, sound.RetardHz, 16}} {
		got, sounding, high := heard(c.s), 0, 0
		for _, hz := range got {
			if hz > 100 {
				sounding++
			}
			if math.Abs(hz-sound.AdvanceHz) <= 40 {
				high++
			}
		}
		if math.Abs(got[0]-c.first) > 40 || sounding != c.parts || name == "stop" && (high < 6 || high > 9) {
			t.Errorf("%s: %v", name, got)
		}
	}
	quiet := ahead
	quiet.Verdict = align.NoPath
	if cue := new(sound.Cues).Next(&quiet, 1e-3); cue != nil {
		t.Errorf("without a path %v", cue)
	}

	// A fix that is over has its time and station for a name; what came after it is
	// another line.
	work.page.Fix(align.Fix{Schema: align.Schema, Verdict: align.Found, At: s.At, Offset: s.Offset, U: s.U, CI95: s.CI95, Candidates: mayBe, Stations: []align.StationFix{{ID: "wwv", Offset: s.Offset}}})
	eventually(t, ctx, `document.getElementById("fixname").textContent === "Last fix, 18:23:07, WWV"`)
	eventually(t, ctx, fmt.Sprintf(`document.getElementById("fixtext").textContent.includes(%q)`, mayBeSaid))
	later := s
	for i := range 9 {
		later.T, later.Count = s.T+float64(i)+1, i
		if i < 6 {
			deaf := later
			deaf.Offset, deaf.CI95, deaf.U, deaf.Turning, deaf.Verdict, deaf.Reason = nil, nil, nil, nil, align.NoTick, "no station's ticks were found"
			work.page.Second(deaf)
			continue
		}
		work.page.Second(later)
	}
	show(later)
	if n := value[int](t, ctx, `document.querySelectorAll("#history .trace").length`); n != 2 {
		t.Errorf("the history is %d lines", n)
	}

	// A station that is not there: what is heard is offered.
	work.page.Change(func(v *page.Session) { v.Station, v.Heard = "hla", []string{"wwv"} })
	eventually(t, ctx, `document.getElementById("offer").innerText.includes("HLA is not heard; WWV is.")`)
	pictures(t, ctx, "turns", 2)
	checkAxe(t, ctx)
	value[bool](t, ctx, `document.querySelector("#offer button").click(), true`)
	if a := <-work.page.Actions(); a.Do != page.DoStation || a.Text != "wwv" {
		t.Errorf("it does %+v", a)
	}
}

// seenFromAfar checks that what is to go, interval and reception have a third of the
// offset's height, and that a small screen shows all that is needed: the reading, the
// axis and the levels. In the distance mode the reading is larger, and alone.
func seenFromAfar(t *testing.T, ctx context.Context, state string) {
	t.Helper()
	const size = `parseFloat(getComputedStyle(document.getElementById(%q)).fontSize)`
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1024, 768)); err != nil {
		t.Fatal(err)
	}
	eventually(t, ctx, `innerWidth === 1024`)
	big := value[float64](t, ctx, fmt.Sprintf(size, "offset"))
	for _, id := range []string{"togo", "half", "heard"} {
		if s := value[float64](t, ctx, fmt.Sprintf(size, id)); s < big/3 {
			t.Errorf("%s: %s has %.0f px, the offset %.0f", state, id, s, big)
		}
	}
	if low := value[string](t, ctx, `(() => { const fold = document.querySelector("nav").getBoundingClientRect().top; scrollTo(0, 0);
		return ["reading", "around", "inputs"].filter((id) => document.getElementById(id).getBoundingClientRect().bottom > fold).join(", ") })()`); low != "" {
		t.Errorf("%s: below the fold of 1024x768: %s", state, low)
	}
	value[bool](t, ctx, `document.getElementById("afar").click(), true`)
	for _, s := range [][2]int64{{1024, 768}, {390, 844}, {1920, 1080}} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(s[0], s[1])); err != nil {
			t.Fatal(err)
		}
		eventually(t, ctx, fmt.Sprintf(`innerWidth === %d`, s[0]))
		if bad := value[string](t, ctx, `[...document.querySelectorAll("#offset, #do, #far dd, #target")].filter((e) => { const b = e.getBoundingClientRect();
			return b.right > innerWidth || b.left < 0 || b.bottom > document.querySelector("nav").getBoundingClientRect().top }).map((e) => e.id + " " + e.textContent).join("; ")`); bad != "" {
			t.Errorf("%s from afar on %v: does not fit: %s", state, s, bad)
		}
	}
	if shown := value[int](t, ctx, `[...document.querySelectorAll("main > section")].filter((e) => e.offsetHeight > 0).length`); shown != 1 {
		t.Errorf("%s from afar: %d sections", state, shown)
	}
	if larger := value[float64](t, ctx, fmt.Sprintf(size, "offset")); larger <= big {
		t.Errorf("%s from afar: %.0f px", state, larger)
	}
	value[bool](t, ctx, `document.getElementById("afar").click(), true`)
}

// Who has not the key sees nothing, and no page of another origin can read or do
// anything even with it.
func TestPageKeepsOut(t *testing.T) {
	ctx := browser(t)
	work, _, line := demoWork(t, "0.0.0.0:0")
	link := strings.TrimPrefix(line, "page: ")
	base, key, ok := strings.Cut(link, "?key=")
	if !ok {
		t.Fatalf("link %q", link)
	}
	for _, wrong := range []string{base, base + "?key=" + key[1:]} {
		if err := chromedp.Do(ctx, chromedp.Navigate(wrong)); err != nil {
			t.Fatal(err)
		}
		if text := value[string](t, ctx, `document.body.innerText`); !strings.HasPrefix(text, "wrong key: open the link") {
			t.Errorf("%s shows %q", wrong, text)
		}
	}
	other := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, "<!doctype html>elsewhere") }))
	defer other.Close()
	if err := chromedp.Do(ctx, chromedp.Navigate(other.URL)); err != nil {
		t.Fatal(err)
	}
	const attempt = `(async () => {
		const base = %q, key = %q, note = JSON.stringify({ do: "note", text: "from elsewhere" }), got = [];
		const tried = (name, p) => p.then((r) => got.push(name + " " + r), () => {});
		await tried("read the page", fetch(base + "?key=" + key).then((r) => r.text()));
		await tried("acted with the key", fetch(base + "action", { method: "POST", body: note, headers: { "Timeball-Key": key } }).then((r) => r.status));
		await fetch(base + "action?key=" + key, { method: "POST", body: note, mode: "no-cors" }).catch(() => {});
		await tried("heard events", new Promise((yes, no) => {
			const e = new EventSource(base + "events?key=" + key);
			e.onopen = yes; e.onerror = no; e.addEventListener("session", yes);
		}));
		return got;
	})()`
	got, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](fmt.Sprintf(attempt, base, key), chromedp.EvalAwaitPromise))
	if err != nil || len(got) > 0 {
		t.Errorf("another origin %v, %v", got, err)
	}
	select {
	case a := <-work.page.Actions():
		t.Errorf("another origin did %+v", a)
	default:
	}
	// The same from the page itself.
	if err := chromedp.Do(ctx, chromedp.Navigate(link)); err != nil {
		t.Fatal(err)
	}
	got, err = chromedp.Run(ctx, chromedp.Evaluate[[]string](fmt.Sprintf(attempt, base, key), chromedp.EvalAwaitPromise))
	if err != nil || len(got) != 3 {
		t.Errorf("the page itself only %v, %v", got, err)
	}
	if a := <-work.page.Actions(); a.Text != "from elsewhere" {
		t.Errorf("%+v", a)
	}
	// And what it may not do: ask another host.
	complaints := watch(t, ctx)
	value[bool](t, ctx, fmt.Sprintf(`document.body.append(Object.assign(new Image(), { src: %q })), true`, other.URL+"/x.png"))
	for range 100 {
		complaints.mu.Lock()
		n := len(complaints.complaints)
		complaints.mu.Unlock()
		if n > 0 {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Error("a request to another host was let out, or its refusal not seen")
}

// cable is a connection to a server that can be cut. While silence is locked
// nothing comes through, but no connection ends.
type cable struct {
	link    string
	silence sync.RWMutex
	mu      sync.Mutex
	cut     bool
	host    string // where it leads to
	open    []net.Conn
}

// newCable leads to the server of a link.
func newCable(t *testing.T, link string) *cable {
	t.Helper()
	u, err := url.Parse(link)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	n := &cable{link: "http://" + l.Addr().String() + "/", host: u.Host}
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			n.mu.Lock()
			host := n.host
			n.mu.Unlock()
			far, err := net.Dial("tcp", host)
			n.mu.Lock()
			if err != nil || n.cut {
				near.Close()
			} else {
				n.open = append(n.open, near, far)
				go func() { io.Copy(far, near); far.Close() }()
				go func() { io.Copy(near, hushed{far, &n.silence}); near.Close() }()
			}
			n.mu.Unlock()
		}
	}()
	return n
}

// hushed is a connection from which nothing is heard while silence is locked.
type hushed struct {
	net.Conn
	silence *sync.RWMutex
}

func (c hushed) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	c.silence.RLock()
	defer c.silence.RUnlock()
	return n, err
}

// lead leads to another server from now on.
func (n *cable) lead(t *testing.T, link string) {
	t.Helper()
	u, err := url.Parse(link)
	if err != nil {
		t.Fatal(err)
	}
	n.set(true)
	n.mu.Lock()
	n.host = u.Host
	n.mu.Unlock()
	n.set(false)
}

// set cuts the cable, or mends it.
func (n *cable) set(cut bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.cut = cut
	for _, c := range n.open {
		c.Close()
	}
	n.open = nil
}

// told is what a new viewer is told at once.
func (p *played) told(t *testing.T) string {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	r, _ := http.NewRequestWithContext(ctx, "GET", p.link+"events?key="+url.QueryEscape(p.key), nil)
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	time.AfterFunc(500*time.Millisecond, stop)
	text, _ := io.ReadAll(res.Body) // ends with ctx
	return string(text)
}

// seconds reads the states among what a new viewer is told.
func (p *played) seconds(t *testing.T) []align.Second {
	t.Helper()
	var all []align.Second
	kind := ""
	for line := range strings.Lines(p.told(t)) {
		if k, ok := strings.CutPrefix(line, "event: "); ok {
			kind = strings.TrimSpace(k)
		}
		if data, ok := strings.CutPrefix(line, "data: "); ok && kind == "second" {
			var s align.Second
			if err := json.Unmarshal([]byte(data), &s); err != nil || s.Schema != align.SecondSchema {
				t.Fatalf("%v: %s", err, data)
			}
			all = append(all, s)
		}
	}
	if len(all) == 0 {
		t.Fatal("no second was told")
	}
	return all
}

// screens are those the page is laid out for, in pixels of the page.
var screens = []struct {
	name          string
	width, height int64
}{{"phone", 390, 844}, {"tablet", 1180, 820}, {"lying", 844, 390}, {"upright", 820, 1180}, {"desktop", 1600, 1000}}

// pictures looks whether anything overlaps or is cut off on the first screens;
// with TIMEBALL_SCREENSHOTS it keeps what it sees on all, in both colour schemes.
func pictures(t *testing.T, ctx context.Context, state string, most int) {
	t.Helper()
	folder := os.Getenv("TIMEBALL_SCREENSHOTS")
	schemes := []string{"light", "dark"}
	if folder == "" {
		schemes = schemes[:1] // their layouts are one
	} else {
		most = len(screens)
	}
	for _, s := range screens[:most] {
		for _, scheme := range schemes {
			err := chromedp.Do(ctx, colours(scheme), chromedp.EmulateViewport(s.width, s.height))
			if err != nil {
				t.Fatal(err)
			}
			var bad []string
			for range 20 { // until the drawings are made anew
				time.Sleep(100 * time.Millisecond)
				if bad = value[[]string](t, ctx, flaws); len(bad) == 0 {
					break
				}
			}
			for _, fault := range bad {
				t.Errorf("%s, %s, %s: %s", state, s.name, scheme, fault)
			}
			if folder == "" {
				continue
			}
			value[bool](t, ctx, `document.querySelector("nav").style.position = "static", true`) // or it would cover the middle
			shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			value[bool](t, ctx, `document.querySelector("nav").style.position = "", true`)
			if err == nil {
				err = os.WriteFile(filepath.Join(folder, strings.Join([]string{state, s.name, scheme}, "-")+".png"), shot, 0o644)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
}

// textSize sets what the browser takes for the usual size of text, px.
func textSize(t *testing.T, ctx context.Context, px int64) {
	t.Helper()
	err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, cdppage.SetFontSizes, cdppage.SetFontSizesParams{FontSizes: &cdppage.FontSizes{Standard: px}})
		return err
	}))
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, ctx, fmt.Sprintf(`getComputedStyle(document.documentElement).fontSize === "%dpx"`, px))
}

// colours sets the scheme that the page is to prefer, and asks for little motion.
func colours(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
			{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"},
		}})
		return err
	})
}

// flaws lists what is cut off, lies on something else, or is too small to touch.
const flaws = `(() => {
	const bad = [], name = (e) => e.id || e.tagName + " " + e.textContent.slice(0, 20);
	if (document.documentElement.scrollWidth > innerWidth) bad.push("wider than the screen");
	const seen = (e) => e.getClientRects().length > 0 && e.checkVisibility();
	const box = (e) => e.getBoundingClientRect();
	const hit = (a, b) => a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1;
	for (const parent of document.querySelectorAll("main, #reading, #player, nav, header, .tools, #actions form, #levels li, #budget li")) {
		const all = [...parent.children].filter((e) => seen(e) && !e.classList.contains("unseen"));
		all.forEach((a, i) => all.slice(i + 1).forEach((b) => { if (hit(box(a), box(b))) bad.push(name(a) + " lies on " + name(b)); }));
	}
	for (const e of document.querySelectorAll("#offset, #word, #interval, #target, h1, h2, .chip, button, #when, #utc, #hands, #radio")) {
		if (seen(e) && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline") bad.push(name(e) + " is cut off");
		const b = box(e);
		if (seen(e) && (b.left < -1 || b.right > innerWidth + 1)) bad.push(name(e) + " leaves the screen");
	}
	for (const e of document.querySelectorAll("button, select, nav input")) if (seen(e) && Math.min(box(e).height, box(e).width) < 43) bad.push(name(e) + " is too small to touch");
	for (const svg of document.querySelectorAll("#axis, #history")) {
		const words = [...svg.querySelectorAll("text")].filter(seen);
		for (const a of words) if (box(a).left < box(svg).left - 1 || box(a).right > box(svg).right + 1) bad.push(svg.id + ": " + a.textContent + " is cut off");
		words.forEach((a, i) => words.slice(i + 1).forEach((b) => { if (hit(box(a), box(b))) bad.push(svg.id + ": " + a.textContent + " lies on " + b.textContent); }));
	}
	return bad;
})()`

// checkAxe runs axe-core on the page, from where make test has installed it.
func checkAxe(t *testing.T, ctx context.Context) {
	t.Helper()
	t.Run("accessible", func(t *testing.T) { runAxe(t, ctx) })
}

func runAxe(t *testing.T, ctx context.Context) {
	script, err := os.ReadFile(filepath.Join("..", "..", "build", "npm", "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		t.Skip("needs axe-core: make build/npm")
	}
	value[chromedp.Void](t, ctx, string(script)+"\n;void 0")
	for _, scheme := range []string{"light", "dark"} {
		err := chromedp.Do(ctx, colours(scheme))
		if err != nil {
			t.Fatal(err)
		}
		list, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`axe.run().then((r) => r.violations.map((v) => v.id + ": " + v.help + " " + v.nodes.map((n) => n.target + " " + n.failureSummary).join("; ")))`, chromedp.EvalAwaitPromise))
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range list {
			t.Errorf("axe, %s: %s", scheme, v)
		}
	}
}

// shownIn is an offset as the page writes it, in the unit that a text ends with: which
// unit that is depends on the seconds before, too.
func shownIn(x float64, byWire bool, shown string) string {
	for _, u := range text.SecondUnits {
		if strings.HasSuffix(shown, " "+u.Name) {
			return strings.Replace(text.BigOffset(x, byWire, u), "-", "−", 1)
		}
	}
	return "an offset with a unit"
}
