//go:build cgo && unix

package soundcard

import (
	"strings"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/soundcard/pulsetest"
)

var card = pulsetest.Sink{Name: "card", Rate: 48000, Channels: 2}

// counting returns a signal each frame of which is its own number, from 1:
// the low 16 bits on one channel, the high ones on the other.
func counting(seconds int) []int16 {
	n := seconds * card.Rate
	s := make([]int16, 0, 2*n)
	for k := 1; k <= n; k++ {
		s = append(s, int16(uint16(k)), int16(k>>16))
	}
	return s
}

// number decodes frame i of b; 0 is silence.
func number(b *capture.Block, i int) int64 {
	low := uint16(int16(b.Channels[0][i] * 32768))
	high := uint16(int16(b.Channels[1][i] * 32768))
	return int64(high)<<16 | int64(low)
}

// foreign is what every frame of another source counts as.
const foreign = 0xfff9fff9

func noise() []int16 {
	s := make([]int16, 2*card.Rate*30)
	for i := range s {
		s[i] = -7
	}
	return s
}

func open(t *testing.T) (*Source, *events) {
	t.Helper()
	ev := new(events)
	s, err := Open(t.Context(), Settings{Device: card.Name, Rate: card.Rate, Channels: card.Channels, Report: ev.add})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, ev
}

// stretch is a run of frames counted on without a break, frame n of the signal
// at position n+offset.
type stretch struct {
	first, last, offset int64
}

// listener reads a source and notes what comes.
type listener struct {
	runs    []stretch
	gaps    []capture.Gap
	foreign int // frames
	end     int64
	lag     time.Duration // least lateness of a block against the start and the count
}

// listen reads d from s and checks that blocks join as they say.
func (l *listener) listen(t *testing.T, s *Source, d time.Duration) {
	t.Helper()
	l.lag = time.Hour
	// A sound system that hangs must not hang the test.
	guard := time.AfterFunc(d+30*time.Second, func() { s.Close() })
	defer guard.Stop()
	var b capture.Block
	for end := l.end + int64(d.Seconds()*float64(card.Rate)); l.end < end; {
		if err := s.Read(&b); err != nil {
			t.Fatal(err)
		}
		if l.end > 0 && b.Position != l.end+b.Lost {
			t.Errorf("block at %d after %d lost follows one that ended at %d", b.Position, b.Lost, l.end)
		}
		if b.Lost > 0 {
			l.gaps = append(l.gaps, capture.Gap{At: b.Position - b.Lost, Lost: b.Lost, Inexact: b.Inexact})
		}
		l.end = b.Position + int64(b.Len())
		ended := s.Info().Start.Add(time.Duration(float64(l.end) / float64(card.Rate) * 1e9))
		l.lag = min(l.lag, time.Since(ended))
		for i := range b.Len() {
			n, at := number(&b, i), b.Position+int64(i)
			last := len(l.runs) - 1
			switch {
			case n == 0: // silence
			case n == foreign:
				l.foreign++
			case last >= 0 && n == l.runs[last].last+1 && at == n+l.runs[last].offset:
				l.runs[last].last = n
			default:
				l.runs = append(l.runs, stretch{n, n, at - n})
			}
		}
	}
}

func TestSoundcardInputs(t *testing.T) {
	pulsetest.Start(t, card)
	inputs, err := Inputs()
	if err != nil {
		t.Fatal(err)
	}
	in, err := findInput(inputs, card.Name)
	if err != nil {
		t.Fatal(err)
	}
	if in.HostAPI != "ALSA" || in.Channels < 2 || !in.Converts || len(in.Rates) != len(cardRates) {
		t.Errorf("%+v", in)
	}
	if def, err := findInput(inputs, ""); err != nil || def.Name != "default" {
		t.Errorf("default input: %+v, %v", def, err)
	}
	_, err = Open(t.Context(), Settings{Device: "nothing", Rate: card.Rate, Channels: 2})
	if err == nil || !strings.Contains(err.Error(), `no sound input is called "nothing"`) {
		t.Errorf("%v", err)
	}
	_, err = Open(t.Context(), Settings{Device: card.Name, Rate: card.Rate, Channels: 200})
	if err == nil || !strings.Contains(err.Error(), "200 asked for") {
		t.Errorf("%v", err)
	}
}

// Frames come through as they were played, none missing.
func TestSoundcardFrames(t *testing.T) {
	server := pulsetest.Start(t, card)
	server.Play(card, counting(30))
	s, ev := open(t)
	var l listener
	l.listen(t, s, 3*time.Second)
	if len(l.runs) != 1 || len(l.gaps) != 0 {
		t.Fatalf("runs %v, gaps %v, events %v", l.runs, l.gaps, ev.all())
	}
	if r := l.runs[0]; r.last+r.offset != l.end-1 || r.last-r.first < int64(card.Rate) {
		t.Errorf("frames %v up to position %d", r, l.end)
	}
}

// await listens until s delivers again, for a second more, and checks that the
// outage was noticed within 2 s of its beginning.
func (l *listener) await(t *testing.T, s *Source, ev *events, began time.Time) {
	t.Helper()
	noticed, ended := false, false
	seen := 0
	for deadline := began.Add(20 * time.Second); !ended && time.Now().Before(deadline); {
		l.listen(t, s, time.Second)
		for _, e := range ev.all()[seen:] {
			seen++
			after := e.at.Sub(began)
			if after < 0 {
				continue
			}
			t.Logf("%6.2f s: %s", after.Seconds(), e.Message)
			if !e.Delivering && !noticed {
				noticed = true
				if after > 2*time.Second {
					t.Errorf("noticed after %v", after)
				}
			}
			ended = noticed && e.Delivering
		}
	}
	if !noticed || !ended {
		t.Fatalf("noticed %v, ended %v", noticed, ended)
	}
	for len(s.queue) > 1 { // what came in a burst
		l.listen(t, s, time.Second/blocksPerSecond)
	}
	l.listen(t, s, time.Second)
}

// checkTime checks that time went on from before to after as it should.
func checkTime(t *testing.T, before, after *listener) {
	t.Helper()
	if n := before.foreign + after.foreign; n > 0 {
		t.Errorf("%d foreign frames", n)
	}
	if last := after.runs[len(after.runs)-1]; last.last-last.first < int64(card.Rate)/2 {
		t.Errorf("frames after the outage: %v", after.runs)
	}
	// The null sink's clock wanders by tens of milliseconds around its start.
	step := after.lag - before.lag
	t.Logf("time is out by %v", step)
	if step.Abs() > 150*time.Millisecond {
		t.Errorf("time is out by %v", step)
	}
}

// The card goes away, another is there for the server to put in its place,
// and it comes back.
func TestSoundcardReplaced(t *testing.T) {
	other := pulsetest.Sink{Name: "other", Rate: 48000, Channels: 2}
	server := pulsetest.Start(t, card, other)
	server.Play(other, noise())
	stop := server.Play(card, counting(30))
	s, ev := open(t)
	var before, after listener
	before.listen(t, s, 2*time.Second)
	began := time.Now()
	server.Unload(card.Name)
	stop()
	time.AfterFunc(2*time.Second, func() {
		server.Load(card)
		server.Play(card, counting(30))
	})
	after.await(t, s, ev, began)
	checkTime(t, &before, &after)
	if len(after.gaps) != 1 || !after.gaps[0].Inexact {
		t.Errorf("gaps %v", after.gaps)
	}
}

// The server hangs for a while, goes on, is killed and comes back. An output
// that is open, too, does not stand in the way.
func TestSoundcardServer(t *testing.T) {
	server := pulsetest.Start(t, card)
	tones := OpenTones()
	defer tones.Close()
	stop := server.Play(card, counting(30))
	s, ev := open(t)
	var before, between, after listener
	before.listen(t, s, 2*time.Second)

	began := time.Now()
	server.Freeze()
	time.AfterFunc(2*time.Second, server.Thaw)
	between.await(t, s, ev, began)
	checkTime(t, &before, &between)
	// The null sink makes up for the time it was frozen.
	if len(between.gaps) != 0 {
		t.Errorf("gaps %v", between.gaps)
	}

	began = time.Now()
	server.Kill()
	stop()
	time.AfterFunc(time.Second, func() {
		server.Restart()
		server.Play(card, counting(30))
	})
	after.await(t, s, ev, began)
	checkTime(t, &between, &after)
	if len(after.gaps) != 1 || !after.gaps[0].Inexact {
		t.Errorf("gaps %v", after.gaps)
	}
}
