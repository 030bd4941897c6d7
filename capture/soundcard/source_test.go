package soundcard

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"timeball/capture"
)

// events collects what a source reports.
type events struct {
	mu   sync.Mutex
	list []timedEvent
}

type timedEvent struct {
	Event
	at time.Time
}

func (e *events) add(ev Event) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.list = append(e.list, timedEvent{ev, time.Now()})
}

// all returns the events so far.
func (e *events) all() []timedEvent {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.list
}

// fakeDevice is a card with one channel whose samples count its frames, from
// 1, as long as the card exists. It lives in the false time of synctest.
type fakeDevice struct {
	clock fakeClock
	born  time.Time
	opens int
	// What happens, at which time after the card was born.
	fails   map[time.Duration]error         // read fails
	back    time.Duration                   // until then opening fails, from the first failure on
	pauses  map[time.Duration]time.Duration // read hangs, then delivers what has waited
	skips   map[time.Duration]int64         // frames vanish without a word
	hangs   time.Duration                   // the first stream's reads hang from then on, until release is closed
	release chan bool
}

func newFakeDevice() *fakeDevice {
	return &fakeDevice{
		clock: fakeClock{ppm: 40, fragment: 2, jitter: 2 * time.Millisecond, rng: rand.New(rand.NewPCG(3, 4))},
		born:  time.Now(),
	}
}

// fakeStream is a fakeDevice that is open.
type fakeStream struct {
	*fakeDevice
	samples []int32
	first   bool
}

func (d *fakeDevice) age() time.Duration { return time.Since(d.born) }

func (d *fakeDevice) open(samples []int32) (stream, error) {
	if len(d.fails) == 0 && d.age() < d.back {
		return nil, errors.New("it is not there")
	}
	d.opens++
	// What was sampled while the device was closed is lost.
	for d.clock.sampled(d.clock.frames) < d.age() {
		d.clock.frames++
	}
	return fakeStream{d, samples, d.opens == 1}, nil
}

func (s fakeStream) read() (bool, error) {
	age := s.age()
	if s.hangs > 0 && s.first && age > s.hangs {
		<-s.release
		return false, errors.New("the server has died")
	}
	for at, err := range s.fails {
		if age > at {
			delete(s.fails, at)
			return false, err
		}
	}
	for at, n := range s.skips {
		if age > at {
			delete(s.skips, at)
			s.clock.frames += n
		}
	}
	first := s.clock.frames + 1
	notBefore := time.Duration(0)
	for at, pause := range s.pauses {
		if age > at {
			delete(s.pauses, at)
			notBefore = age + pause
		}
	}
	time.Sleep(s.clock.block(notBefore) - s.age())
	for i := range s.samples {
		s.samples[i] = int32(first+int64(i)) << (32 - Bits)
	}
	return false, nil
}

func (fakeStream) close() {}

// begin starts a source on d.
func begin(t *testing.T, d *fakeDevice) (*Source, *events) {
	t.Helper()
	ev := new(events)
	s, err := start(t.Context(), "fake", d.open, d.age, Settings{Rate: testRate, Channels: 1, Report: ev.add})
	if err != nil {
		t.Fatal(err)
	}
	return s, ev
}

// check reads blocks for d, checks each frame's position against its count to
// within out frames, and returns the gaps.
func check(t *testing.T, s *Source, d time.Duration, out int64) (gaps []capture.Gap) {
	t.Helper()
	var b capture.Block
	next := int64(-1)
	for end := time.Now().Add(d); time.Now().Before(end); {
		if err := s.Read(&b); err != nil {
			t.Fatal(err)
		}
		if next >= 0 && b.Position != next+b.Lost {
			t.Fatalf("block at %d after %d lost follows one that ended at %d", b.Position, b.Lost, next)
		}
		next = b.Position + int64(b.Len())
		if b.Lost > 0 {
			gaps = append(gaps, capture.Gap{At: b.Position - b.Lost, Lost: b.Lost, Inexact: b.Inexact})
		}
		for i, x := range b.Channels[0] {
			count := int64(x * (1 << (Bits - 1)))
			if off := b.Position + int64(i) + 1 - count; off < -out || off > out {
				t.Fatalf("frame %d stands at %d, %d off", count, b.Position+int64(i), off)
			}
		}
	}
	return gaps
}

const millisecond = testRate / 1000 // frames

func TestSourceSteady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newFakeDevice()
		s, ev := begin(t, d)
		defer s.Close()
		if gaps := check(t, s, 100*time.Second, 0); len(gaps) != 0 || len(ev.all()) != 0 {
			t.Errorf("gaps %v, events %v", gaps, ev.all())
		}
		if late := s.Info().Start.Sub(d.born); late < 0 || late > 5*time.Millisecond {
			t.Errorf("start is %v late", late)
		}
	})
}

func TestSourceComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newFakeDevice()
		d.fails = map[time.Duration]error{20 * time.Second: errors.New("unplugged")}
		d.back = 27 * time.Second
		s, ev := begin(t, d)
		defer s.Close()
		gaps := check(t, s, 60*time.Second, 5*millisecond)
		if len(gaps) != 1 || !gaps[0].Inexact || gaps[0].Lost < 7*testRate || gaps[0].Lost > 10*testRate {
			t.Errorf("gaps %v", gaps)
		}
		list := ev.all()
		if len(list) != 3 || d.opens != 2 {
			t.Fatalf("events %v, %d opens", list, d.opens)
		}
		for i, want := range []struct {
			delivering bool
			message    string
		}{{false, "unplugged"}, {false, "not there"}, {true, "about 7.8"}} {
			if list[i].Delivering != want.delivering || !strings.Contains(list[i].Message, want.message) {
				t.Errorf("event %d: %+v", i, list[i])
			}
		}
		if noticed := list[0].at.Sub(d.born); noticed > 21*time.Second {
			t.Errorf("noticed %v after it was born", noticed)
		}
		if list[2].Gap != gaps[0] {
			t.Errorf("reported %v, delivered %v", list[2].Gap, gaps[0])
		}
	})
}

func TestSourceStalls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newFakeDevice()
		d.pauses = map[time.Duration]time.Duration{20 * time.Second: 5 * time.Second}
		s, ev := begin(t, d)
		defer s.Close()
		if gaps := check(t, s, 60*time.Second, 0); len(gaps) != 0 {
			t.Errorf("gaps %v", gaps)
		}
		list := ev.all()
		if len(list) != 2 || list[0].Delivering || !list[1].Delivering {
			t.Fatalf("events %v", list)
		}
		if noticed := list[0].at.Sub(d.born); noticed > 22*time.Second {
			t.Errorf("noticed %v after it was born", noticed)
		}
	})
}

// A device whose reads never return is opened again.
func TestSourceHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newFakeDevice()
		d.hangs, d.release = 20*time.Second, make(chan bool)
		defer close(d.release)
		s, ev := begin(t, d)
		defer s.Close()
		gaps := check(t, s, 60*time.Second, 5*millisecond)
		if lost := stallAfter + hungAfter; len(gaps) != 1 || !gaps[0].Inexact || d.opens != 2 || gaps[0].Lost > testRate*int64((lost+5*time.Second)/time.Second) {
			t.Errorf("gaps %v, %d opens", gaps, d.opens)
		}
		if list := ev.all(); len(list) != 3 || list[0].Delivering || !strings.Contains(list[1].Message, "it hangs") || !list[2].Delivering {
			t.Errorf("events %v", list)
		}
	})
}

// After a silent loss the frames may be another source's: none gets through.
func TestSourceReplaced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newFakeDevice()
		d.skips = map[time.Duration]int64{20 * time.Second: testRate}
		s, ev := begin(t, d)
		defer s.Close()
		gaps := check(t, s, 60*time.Second, 5*millisecond)
		if len(gaps) != 1 || !gaps[0].Inexact || d.opens != 2 {
			t.Errorf("gaps %v, %d opens", gaps, d.opens)
		}
		if list := ev.all(); len(list) != 2 || !strings.Contains(list[0].Message, "may be another source") {
			t.Errorf("events %v", list)
		}
	})
}

// A reader that sleeps longer than the queue is loses frames, and is told
// exactly how many.
func TestSourceSlowReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, ev := begin(t, newFakeDevice())
		defer s.Close()
		check(t, s, 10*time.Second, 0)
		time.Sleep(30 * time.Second)
		gaps := check(t, s, 20*time.Second, 0)
		if len(gaps) != 1 || gaps[0].Inexact || gaps[0].Lost < 19*testRate || gaps[0].Lost > 21*testRate {
			t.Errorf("gaps %v", gaps)
		}
		if list := ev.all(); len(list) != 1 || list[0].Gap != gaps[0] || !list[0].Delivering {
			t.Errorf("events %v", list)
		}
	})
}

func TestSourceClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := begin(t, newFakeDevice())
		time.Sleep(3 * time.Second)
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		var b capture.Block
		frames := 0
		for {
			err := s.Read(&b)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			frames += b.Len()
		}
		if frames < 3*testRate {
			t.Errorf("%d frames were there to read", frames)
		}
		if err := s.Read(&b); err != io.EOF {
			t.Errorf("after the end: %v", err)
		}
	})
}

func TestSourceDoesNotStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		set := Settings{Rate: testRate, Channels: 1}
		d := newFakeDevice()
		d.back = time.Second
		_, err := start(t.Context(), "fake", d.open, d.age, set)
		if err == nil || !strings.Contains(err.Error(), `"fake": it is not there`) {
			t.Errorf("%v", err)
		}

		d = newFakeDevice()
		d.pauses = map[time.Duration]time.Duration{0: 20 * time.Second}
		time.Sleep(time.Second)
		_, err = start(t.Context(), "fake", d.open, d.age, set)
		if err == nil || !strings.Contains(err.Error(), "no frames within") {
			t.Errorf("%v", err)
		}

		d = newFakeDevice()
		d.pauses = map[time.Duration]time.Duration{0: 20 * time.Second}
		time.Sleep(time.Second)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err = start(ctx, "fake", d.open, d.age, set)
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v", err)
		}
		time.Sleep(time.Minute) // what hung comes back
	})
}

func TestFindInput(t *testing.T) {
	inputs := []Input{
		{Number: 1, Name: "USB audio: line (hw:1,0)"},
		{Number: 2, Name: "built-in"},
		{Number: 3, Name: "built-in microphone", Default: true},
		{Number: 4, Name: "2"},
	}
	for _, c := range []struct {
		device string
		number int // 0: an error that contains text
		text   string
	}{
		{"", 3, ""},
		{"1", 1, ""},
		{"2", 4, ""}, // a name before a number
		{"usb", 1, ""},
		{"built-in", 2, ""}, // a whole name before a part
		{"BUILT", 0, `"BUILT" may mean 2 "built-in", 3 "built-in microphone"`},
		{"7", 0, "no sound input has number 7"},
		{"-1", 0, "no sound input has number -1"},
		{"radio", 0, `no sound input is called "radio": there are 1 "USB audio`},
	} {
		in, err := findInput(inputs, c.device)
		switch {
		case c.number == 0:
			if err == nil || !strings.Contains(err.Error(), c.text) {
				t.Errorf("%q: %v", c.device, err)
			}
		case err != nil || in.Number != c.number:
			t.Errorf("%q: %+v, %v", c.device, in, err)
		}
	}
	if _, err := findInput(nil, ""); err == nil {
		t.Error("found an input where there is none")
	}
	if _, err := findInput(inputs[:2], ""); err == nil {
		t.Error("found a default where there is none")
	}
}

// Asleep the machine delivers nothing and its runtime's clock stands still; the time
// since boot tells what was missed.
func TestSourceSleeps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const asleep = 57 * time.Minute
		d := newFakeDevice()
		clock := func() time.Duration {
			if d.age() > 20*time.Second {
				return d.age() + asleep
			}
			return d.age()
		}
		s, err := start(t.Context(), "fake", d.open, clock, Settings{Rate: testRate, Channels: 1})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		var gaps []capture.Gap
		var b capture.Block
		for d.age() < 60*time.Second {
			if err := s.Read(&b); err != nil {
				t.Fatal(err)
			}
			if b.Lost > 0 {
				gaps = append(gaps, capture.Gap{At: b.Position - b.Lost, Lost: b.Lost, Inexact: b.Inexact})
			}
		}
		if len(gaps) != 1 || !gaps[0].Inexact {
			t.Fatalf("gaps %v", gaps)
		}
		if lost := time.Duration(gaps[0].Lost) * time.Second / testRate; lost < asleep || lost > asleep+5*time.Second {
			t.Errorf("%v lost, it slept for %v", lost, asleep)
		}
	})
}

// The clock runs, and runs on.
func TestSinceBoot(t *testing.T) {
	before := sinceBoot()
	time.Sleep(10 * time.Millisecond)
	if d := sinceBoot() - before; d < 10*time.Millisecond {
		t.Errorf("it runs on by %v in 10 ms", d)
	}
}
