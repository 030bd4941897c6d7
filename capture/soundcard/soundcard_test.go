//go:build cgo

package soundcard

import (
	"strings"
	"sync"
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

// events collects what a source reports.
type events struct {
	mu   sync.Mutex
	list []timed
}

type timed struct {
	Event
	at time.Time
}

func (e *events) add(ev Event) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.list = append(e.list, timed{ev, time.Now()})
}

// after returns the first event after t that is or is not delivering.
func (e *events) after(t time.Time, delivering bool) *timed {
	e.mu.Lock()
	defer e.mu.Unlock()
	for i := range e.list {
		if ev := &e.list[i]; ev.at.After(t) && ev.Delivering == delivering {
			return ev
		}
	}
	return nil
}

func open(t *testing.T, device string) (*Source, *events) {
	t.Helper()
	var ev events
	s, err := Open(t.Context(), Settings{Device: device, Rate: card.Rate, Channels: card.Channels, Report: ev.add})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, &ev
}

const foreign = 0xfff9fff9

// run is a stretch of counted frames without a break: frame number n stood at
// position n+offset.
type run struct {
	first, last, offset int64
}

// read reads for d and returns the runs of counted frames. It checks that
// blocks join as they say.
func read(t *testing.T, s *Source, d time.Duration) (runs []run, gaps []capture.Gap) {
	t.Helper()
	var b capture.Block
	end := int64(-1)
	alien := 0
	defer func() { t.Log(alien, "foreign") }()
	for stop := time.Now().Add(d); time.Now().Before(stop); {
		if err := s.Read(&b); err != nil {
			t.Fatal(err)
		}
		if end >= 0 && b.Position != end+b.Lost {
			t.Errorf("block at %d after %d lost follows one that ended at %d", b.Position, b.Lost, end)
		}
		end = b.Position + int64(b.Len())
		if b.Lost > 0 {
			gaps = append(gaps, capture.Gap{At: b.Position - b.Lost, Lost: b.Lost, Inexact: b.Inexact})
		}
		for i := range b.Len() {
			n := number(&b, i)
			if n == 0 {
				continue
			}
			if n == foreign {
				alien++
				continue
			}
			if k := len(runs) - 1; k >= 0 && n == runs[k].last+1 && b.Position+int64(i) == n+runs[k].offset {
				runs[k].last = n
				continue
			}
			runs = append(runs, run{n, n, b.Position + int64(i) - n})
		}
	}
	return runs, gaps
}

func TestSoundcardInputs(t *testing.T) {
	pulsetest.Start(t, card)
	inputs, err := Inputs()
	if err != nil {
		t.Fatal(err)
	}
	in, err := findInput(inputs, "card")
	if err != nil {
		t.Fatal(err)
	}
	if in.HostAPI != "ALSA" || in.Channels < 2 || !in.Converts || len(in.Rates) != len(cardRates) {
		t.Errorf("%+v", in)
	}
	def, err := findInput(inputs, "")
	if err != nil || def.Name != "default" && def.Name != "pulse" {
		t.Errorf("default input: %+v, %v", def, err)
	}
}

func TestSoundcardFrames(t *testing.T) {
	server := pulsetest.Start(t, card)
	server.Play(card, counting(30))
	s, _ := open(t, "card")
	runs, gaps := read(t, s, 4*time.Second)
	if len(runs) != 1 || len(gaps) != 0 {
		t.Fatalf("runs %v, gaps %v", runs, gaps)
	}
	if n := runs[0].last - runs[0].first; n < 4*48000 {
		t.Errorf("%d frames in 4 s", n)
	}
	if early := time.Since(s.Info().Start); early < 4*time.Second || early > 8*time.Second {
		t.Errorf("first frame came %v ago", early)
	}
}

func TestSoundcardNotThere(t *testing.T) {
	pulsetest.Start(t, card)
	_, err := Open(t.Context(), Settings{Device: "nothing", Rate: 48000, Channels: 2})
	if err == nil || !strings.Contains(err.Error(), `no sound input is called "nothing"`) {
		t.Errorf("%v", err)
	}
	_, err = Open(t.Context(), Settings{Device: "card", Rate: 48000, Channels: 200})
	if err == nil || !strings.Contains(err.Error(), "200 asked for") {
		t.Errorf("%v", err)
	}
}

// quartz bounds how far a gap's estimate may be out. A sound server's clock
// wanders by several milliseconds around its start.
const estimate = 25 * time.Millisecond

// checkEstimate checks that the frames after a gap stand where the ones before
// it say they should, the sink having counted on meanwhile.
func checkEstimate(t *testing.T, runs []run) {
	t.Helper()
	if len(runs) < 2 {
		t.Fatalf("runs %v", runs)
	}
	out := time.Duration(runs[len(runs)-1].offset-runs[0].offset) * time.Second / 48000
	t.Logf("gap's estimate is out by %v; runs %v", out, runs)
	if out.Abs() > estimate {
		t.Errorf("out by %v", out)
	}
}

// The source goes away for some seconds and another one is there for the
// server to put in its place.
func TestSoundcardReplaced(t *testing.T) {
	other := pulsetest.Sink{Name: "other", Rate: 48000, Channels: 2}
	server := pulsetest.Start(t, card, other)
	s, ev := open(t, "card")
	noise := make([]int16, 2*48000*30)
	for i := range noise {
		noise[i] = -7
	}
	server.Play(other, noise) // every frame is number 0xfff9fff9
	stop := server.Play(card, counting(30))
	go func() {
		time.Sleep(3 * time.Second)
		server.Unload("card")
		stop()
		time.Sleep(3 * time.Second)
		server.Load(card)
		server.Play(card, counting(30))
	}()
	began := time.Now()
	runs, gaps := read(t, s, 12*time.Second)
	t.Log(gaps)
	for _, e := range ev.list { t.Log(e.at.Sub(began), e.Message) }
	for _, r := range runs { t.Log(r) }
}

func TestSoundcardKilled(t *testing.T) {
	server := pulsetest.Start(t, card)
	s, ev := open(t, "card")
	server.Play(card, counting(30))
	go func() {
		time.Sleep(3 * time.Second)
		server.Kill()
		time.Sleep(3 * time.Second)
		server.Restart()
		server.Play(card, counting(30))
	}()
	began := time.Now()
	runs, gaps := read(t, s, 12*time.Second)
	t.Log(gaps)
	for _, e := range ev.list { t.Log(e.at.Sub(began), e.Message) }
	for _, r := range runs { t.Log(r) }
}

func TestSoundcardFrozen(t *testing.T) {
	server := pulsetest.Start(t, card)
	s, ev := open(t, "card")
	server.Play(card, counting(30))
	go func() {
		time.Sleep(3 * time.Second)
		server.Freeze()
		time.Sleep(3 * time.Second)
		server.Thaw()
	}()
	began := time.Now()
	runs, gaps := read(t, s, 12*time.Second)
	t.Log(gaps)
	for _, e := range ev.list { t.Log(e.at.Sub(began), e.Message) }
	for _, r := range runs { t.Log(r) }
}
