package view

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"timeball/align"
	"timeball/cmd/timeball/internal/testkit"
	"timeball/cmd/timeball/internal/text"
)

func TestListenView(t *testing.T) {
	fading := testkit.Second(0.0123456, 0.12e-3)
	fading.Radio = align.Reception{State: align.Coasting, Gone: 95}
	fading.Stations = fading.Stations[:1]
	fading.Stations[0].Reception = fading.Radio
	utc := &align.UTC{Second: *fading.At, Leap: "none", From: "100 Hz code"}
	hands := -2
	fading.UTC, fading.WholeSeconds, fading.Hands = utc, &hands, "pull the seconds forward by 2"
	deaf := align.Second{T: 30, Count: 28, Verdict: align.NoTick, Reason: "no station's ticks were found in the receiver channel", Radio: align.Reception{State: align.NeverHeard}}
	unknown, foreign := deaf, deaf
	unknown.Waiting = &align.Waiting{Station: "wwv", Rival: "bpm", For: align.MinuteMark, In: new(17.0)}
	unknown.Why = align.TickUnknown{Waiting: *unknown.Waiting}
	foreign.Waiting = &align.Waiting{Station: "wwv", For: align.WholeOrder}
	foreign.Why = align.TickUnknown{Waiting: *foreign.Waiting}
	unknown, foreign = text.Second(unknown), text.Second(foreign)
	near := testkit.Second(-4.2e-6, 3e-6)
	lopsided := testkit.Second(-0.0123, 0.1e-3)
	lopsided.CI95[0] -= 0.25e-3
	held := testkit.Second(0.3e-3, 0.9e-3)
	unproven := testkit.Second(20e-6, 1.3e-3)
	unproven.Prospect = &align.Prospect{Limit: 1.2e-3, From: "path delay wwv", Noise: 0.5e-3, Averaged: 100}
	turnOn := testkit.Second(0.9e-3, 0.9e-3)
	turnOn.Prospect.Limit = 0.5e-3
	noPath := testkit.Second(14.98e-3, 0.2e-3)
	noPath.Verdict, noPath.Sense, noPath.Reason = align.NoPath, "", "the path delay is not known: no place was given"
	verifying := testkit.Second(-0.0023456, 0.12e-3)
	verifying.Standing = align.Verifying
	wire := testkit.Second(3.2104e-6, 8e-9)
	wire.Radio, wire.Stations = align.Reception{State: align.ByWire}, nil

	turned := testkit.Second(0.0123456, 0.12e-3)
	turned.Turning = &align.Turning{Unit: align.InTurns, Known: align.Tried, Each: -2e-3, ToGo: new(-6.2), UToGo: new(0.1), Going: align.AtRest}
	turned = text.Second(turned)
	slow := turned
	slow.Turning = &align.Turning{Unit: align.InTurns, Known: align.Tried, Each: -2e-3, ToGo: new(-6.2), UToGo: new(0.1), Going: align.SlowDown, Left: new(3.1)}
	slow = text.Second(slow)
	untried := testkit.Second(0.0123456, 0.12e-3)
	untried.Turning = &align.Turning{Unit: align.InTurns, Known: align.Untried, Going: align.AtRest}

	coasting := testkit.Second(-0.4123456, 0.2e-3)
	coasting.Radio = fading.Radio
	for _, size := range [][2]int{{38, 10}, {40, 20}, {80, 24}, {150, 40}} {
		for _, c := range []struct {
			name string
			v    view
		}{
			{"behind", view{now: new(testkit.Second(-0.4123456, 0.2e-3)), tolerance: 1e-3, recording: "gannet-head.wav"}},
			{"coasting", view{now: &fading, tolerance: 1e-3, messages: []string{"the input has stopped; waiting for it to come back"}}},
			{"deaf", view{now: &deaf, tolerance: 1e-3, ask: "hands: type what they will show (18:20:41), press Enter as they do; Enter alone as the second hand passes 0"}},
			{"tick-unknown", view{now: &unknown, tolerance: 1e-3}},
			{"tick-foreign", view{now: &foreign, tolerance: 1e-3}},
			{"far-tick-unknown", view{now: &unknown, tolerance: 1e-3, distant: true}},
			{"typing", view{now: &near, tolerance: 10e-6, ask: "hands: type what they will show (18:20:41), press Enter as they do; Enter alone as the second hand passes 0", typed: "18:20"}},
			{"reached", view{now: &near, tolerance: 10e-6}},
			{"lopsided", view{now: &lopsided, tolerance: 1e-3}},
			{"certain-soon", view{now: &held, tolerance: 1e-3}},
			{"unproven", view{now: &unproven, tolerance: 1e-3}},
			{"turn-on", view{now: &turnOn, tolerance: 1e-3}},
			{"no-path", view{now: &noPath, tolerance: 1e-3}},
			{"verifying", view{now: &verifying, tolerance: 1e-3}},
			{"wire", view{now: &wire, tolerance: 1e-6}},
			{"turns", view{now: &turned, tolerance: 1e-3}},
			{"slow-down", view{now: &slow, tolerance: 1e-3}},
			{"untried", view{now: &untried, tolerance: 1e-3, askTurns: "turned it once? press c: clockwise, a: anticlockwise, p: a button (2c: two)", ask: "hands: type what they will show (18:20:41), press Enter as they do; Enter alone as the second hand passes 0"}},
			{"waiting", view{}},
			{"far-behind", view{now: new(testkit.Second(-0.4123456, 0.2e-3)), tolerance: 1e-3, distant: true}},
			{"far-coasting", view{now: &coasting, tolerance: 1e-3, distant: true, messages: []string{"the input has stopped; waiting for it to come back"}}},
			{"far-lopsided", view{now: &lopsided, tolerance: 1e-3, distant: true}},
			{"far-turn-on", view{now: &turnOn, tolerance: 1e-3, distant: true}},
			{"far-reached", view{now: &near, tolerance: 10e-6, distant: true}},
			{"far-no-path", view{now: &noPath, tolerance: 1e-3, distant: true}},
			{"far-wire", view{now: &wire, tolerance: 1e-6, distant: true, askTurns: "c", typed: "2"}},
		} {
			name := fmt.Sprintf("%s-%dx%d", c.name, size[0], size[1])
			t.Run(name, func(t *testing.T) {
				var b strings.Builder
				rows := c.v.lines(size[0], size[1])
				for _, r := range rows {
					if n := utf8.RuneCountInString(r.text); n > size[0] {
						t.Errorf("%d characters: %s", n, r.text)
					}
					fmt.Fprintln(&b, r.text)
				}
				if len(rows) > size[1] {
					t.Errorf("%d lines", len(rows))
				}
				testkit.Golden(t, filepath.Join("testdata", "listen", name+".txt"), b.String())
			})
		}
	}
}

// However small the screen, there is nothing that does not fit, nor a panic.
func TestViewFitsAnyScreen(t *testing.T) {
	s := testkit.Second(-0.4123456, 0.2e-3)
	v := view{now: &s, tolerance: 1e-3, messages: []string{"one", "two", "three"}}
	for _, v.distant = range []bool{false, true} {
		for w := 1; w < 130; w += 3 {
			for h := 1; h < 50; h++ {
				rows := v.lines(w, h)
				if len(rows) > h {
					t.Fatalf("%dx%d: %d lines", w, h, len(rows))
				}
				for _, r := range rows {
					if utf8.RuneCountInString(r.text) > w {
						t.Fatalf("%dx%d: %q", w, h, r.text)
					}
				}
			}
		}
	}
}

// From afar everything is at least a third as high as the number where the screen is of
// the size of common ones.
func TestAfarIsLarge(t *testing.T) {
	for _, size := range [][2]int{{200, 60}, {150, 40}, {90, 28}, {80, 24}} {
		for _, x := range []float64{-0.4123456, 12.3456e-3, 0.3e-3} {
			s := testkit.Second(x, 0.2e-3)
			v := view{now: &s, tolerance: 1e-3, distant: true}
			var heights []int // of what stands between empty lines
			tall := 0
			for _, r := range append(v.lines(size[0], size[1]), row{}) {
				if strings.ContainsAny(r.text, "█") {
					tall++
				} else if tall > 0 {
					heights, tall = append(heights, tall), 0
				}
			}
			if len(heights) != 4 || 3*slices.Min(heights) < heights[0] {
				t.Errorf("%v at %v s: %v lines high", size, x, heights)
			}
		}
	}
}

// The axis shows the marker, later to the right, and the zone in which stop comes: the
// tolerance less the interval's sides.
func TestAxis(t *testing.T) {
	s := testkit.Second(1.5e-3, 0.5e-3)
	s.CI95[1] += 0.25e-3 // 1 to 2.25 ms: stop from 0.25 ms early to 0.5 ms late
	for width, want := range map[int]string{
		72: "2 ms early ····▼···[·····▬▬│▬▬▬▬···]········ 2 ms late  ▼ marker ▬ stop",
		40: "",
	} {
		if got := (view{now: &s, tolerance: 1e-3}).axis(width); got != want {
			t.Errorf("%d wide: %q, want %q", width, got, want)
		}
	}
	for x, want := range map[float64]float64{0: 1e-8, 1e-3: 1e-3, 1.01e-3: 2e-3, 4e-3: 5e-3, 6e-3: 10e-3, 0.7: 0.5} {
		if got := span(x); math.Abs(got-want) > 1e-9*want {
			t.Errorf("span of %v: %v, want %v", x, got, want)
		}
	}
}

func TestBigOffset(t *testing.T) {
	for _, c := range []struct {
		x    float64
		wire bool
		last string // unit of the second before
		want string
	}{
		{-0.4123456, false, "", "-412.35 ms"},
		{0.0123456, false, "", "+12.346 ms"},
		{1.2345678e-3, false, "", "+1.2346 ms"},
		{-0.99996e-3, false, "µs", "-1000.0 µs"},
		{-0.99996e-3, false, "ms", "-1.0000 ms"},
		{0.81e-3, false, "ms", "+0.8100 ms"},
		{0.79e-3, false, "ms", "+790.0 µs"},
		{12.34e-6, false, "", "+12.3 µs"},
		{0, false, "", "+0.0 µs"},
		{3.2104e-6, true, "", "+3.210 µs"},
		{-42.4e-9, true, "µs", "-42 ns"},
	} {
		s := testkit.Second(c.x, 1e-9)
		if c.wire {
			s.Radio.State = align.ByWire
		}
		var last text.Unit
		for _, u := range text.SecondUnits {
			if u.Name == c.last {
				last = u
			}
		}
		if got := text.BigOffset(c.x, c.wire, last.Next(&s)); got != c.want {
			t.Errorf("%v after %s: %s, want %s", c.x, c.last, got, c.want)
		}
	}
	for _, text := range []string{"+-0123456789. ms", "us µs ns", "no marker", "no station", "no path", "wait", "no pulse", "ahead", "behind", "hold", "old 95 s", "verifying", "old 27 min", "old 3 h", "retard", "advance", "stop", "±0.16 ms", "−0.10/+0.22 ms", "not heard", "heard 12 dB", "gone 95 s", "by wire"} {
		for _, r := range text {
			if _, ok := glyphs[r]; !ok {
				t.Errorf("%q has no large form", r)
			}
		}
	}
}

func TestSecondLine(t *testing.T) {
	s := testkit.Second(-0.0123456, 0.16e-3)
	want := "18:23:07Z  -12.35 ± 0.16 ms  behind: advance  radio heard  WWV 12 dB  WWVH fading for 7 s"
	if got := Line(s, 1e-3, text.Unit{}); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	s.Standing = align.Verifying
	if got := Line(s, 1e-3, text.Unit{}); !strings.Contains(got, " verifying: ") {
		t.Error(got)
	}
}

func TestPainted(t *testing.T) {
	r := row{"good", good}
	if r.painted(false) != "good" || r.painted(true) != "\x1b[32mgood\x1b[0m" {
		t.Errorf("%q, %q", r.painted(false), r.painted(true))
	}
}

// A tolerance set during the measurement holds on the screen.
func TestScreenAims(t *testing.T) {
	left := make(chan struct{})
	close(left)
	screen := &listenScreen{screen: &screen{left: left}, view: &view{tolerance: 1e-3}}
	if screen.Aim(5e-3); screen.view.tolerance != 5e-3 {
		t.Errorf("the screen's is %v", screen.view.tolerance)
	}
	for _, want := range []bool{true, false} {
		if screen.Afar(); screen.view.distant != want {
			t.Errorf("only what is read from afar: %v", screen.view.distant)
		}
	}
}
