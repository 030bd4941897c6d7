package recognise

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/tick/timing"
)

// scene is a recording in which the place of a tick is known.
type scene struct {
	band     *Band
	listener *Listener
	station  *station.Station
	place    Place
}

func table() []*station.Station {
	var all []*station.Station
	builtin := station.Builtin()
	for i := range builtin {
		all = append(all, &builtin[i])
	}
	return all
}

func find(id string) *station.Station {
	s, _ := station.Find(id)
	return s
}

// scene hears cfg at 8 kHz for marks of st that begin at seconds into each UTC second.
func newScene(t testing.TB, cfg simulate.Config, st *station.Station, at float64) *scene {
	t.Helper()
	cfg.Rate = 8000
	src, err := simulate.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	stream := audio.NewStream(8000, int(cfg.Seconds+2)*8000)
	var b capture.Block
	for src.Read(&b) != io.EOF {
		stream.Process(b.Position, b.Channels[0])
	}
	base := func(n int64) (float64, bool) { return float64(n) * 8000, true }
	s := &scene{
		band: NewBand(stream, base, 1), station: st,
		listener: Listen(stream, base, st, table(), st.ToneHz, true, timing.Line{Lag: at}, 1),
		place:    Place{At: at, Length: 5e-3, ToneHz: st.ToneHz, RepeatSeconds: st.DUT1.SpacingSeconds},
	}
	if !ticks(st) {
		s.place.Length = 0.3
	}
	s.band.Through(int64(cfg.Seconds) - 1)
	s.listener.Through(int64(cfg.Seconds) - 1)
	return s
}

// form is what the band says of the place.
func (s *scene) form() Form {
	var tones []float64
	for _, o := range table() {
		if o.ToneHz > 0 && o.ToneHz != s.place.ToneHz {
			tones = append(tones, o.ToneHz)
		}
	}
	return s.band.Form(s.place, tones)
}

// order is what the minute says for the station against all others of its tone.
func (s *scene) order() Order {
	var others []*station.Station
	for _, o := range table() {
		if o.ID != s.station.ID && (o.ToneHz == s.station.ToneHz || o.ToneHz == 0) {
			others = append(others, o)
		}
	}
	return s.listener.Order(s.station, others, math.NaN())
}

// on is station id on a path, from a minute in which it sends marks.
func on(id string, seconds, snr float64, class string) simulate.Config {
	paths, err := simulate.Channel(class, 12e-3)
	if err != nil {
		panic(err)
	}
	return simulate.Config{
		Seconds: seconds, Station: find(id), SNRdB: snr, Paths: paths, DUT1: -0.2, Seed: 5,
		Start: time.Date(2026, 3, 12, 10, 1, 13, 0, time.UTC),
	}
}

// Stations at 6 dB are known in two minutes by the order of their sounds, but for BPM,
// of which order can tell no more than 5.6, and against every other of their tone. The
// second of the minute comes out right.
func TestOrderOfStations(t *testing.T) {
	for _, c := range []struct {
		id    string
		least float64
	}{{"chu", 30}, {"hla", 4}, {"ebc", 8}, {"bpm", 2}} {
		s := newScene(t, on(c.id, 125, 6, "mid-quiet"), find(c.id), 12e-3-find(c.id).AdvanceSeconds)
		o := s.order()
		if o.Known < c.least {
			t.Errorf("%s: %.1f, want at least %.1f", c.id, o.Known, c.least)
		}
		if o.Kept < 3 {
			t.Errorf("%s: its order is not kept (%.1f)", c.id, o.Kept)
		}
		if o.Rival > -1.5 {
			t.Errorf("%s: %s is as likely (%.1f)", c.id, o.Other.ID, o.Rival)
		}
		if want := int(13+o.Ref) % 60; o.Second != want {
			t.Errorf("%s: second %d of the minute, want %d", c.id, o.Second, want)
		}
		if o.Least < -1 {
			t.Errorf("%s: a part of its minute is missed (%.1f)", c.id, o.Least)
		}
		if f := s.form(); f != Alone {
			t.Errorf("%s: form %d", c.id, f)
		}
	}
}

// What order can tell of HLA, 57 ticks of 60, two omitted and a mark, is
// 60·H − ln 60 − ln ε = 14.3, less ln 1/0.8 for the shares and, as far as the tempers
// differ, up to ln 1/0.7 for them.
func TestMostThatOrderTells(t *testing.T) {
	s := newScene(t, on("hla", 290, 20, "steady"), find("hla"), 12e-3)
	most := 14.3 + math.Log(0.8)
	if got := s.order().Known; got > most+0.2 || got < most+math.Log(0.7)-0.2 {
		t.Errorf("%.2f, want at most %.2f and little less", got, most)
	}
}

// The seconds of a station in random order are as many as they were and no station: of
// shuffles no more than exp(−Λ) reach Λ. Of 100, none reaches 9.2, and one in ten at
// most ln 10.
func TestRandomOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, id := range []string{"chu", "hla"} {
		s := newScene(t, on(id, 125, 10, "steady"), find(id), 12e-3)
		s.order()
		high := 0
		const trials = 100
		for range trials {
			heard := slices.Clone(s.listener.heard)
			r.Shuffle(len(heard), func(i, j int) {
				heard[i], heard[j] = heard[j], heard[i]
				heard[i].n, heard[j].n = heard[j].n, heard[i].n
			})
			shuffled := *s.listener
			shuffled.heard = heard
			known := shuffled.Order(s.station, nil, math.NaN()).Known
			if known > math.Log(10) {
				high++
			}
			if known > 9.2 {
				t.Errorf("%s: %.1f of seconds in random order", id, known)
			}
		}
		if high > trials/10 {
			t.Errorf("%s: %d of %d shuffles reach ln 10", id, high, trials)
		}
	}
}

// What is alike every second has no station's order, though all else be a station's: of
// 120 s of WWV's seconds without its omissions and minute marks are missed two marks of
// five tiles or six, that none of a tone of unknown strength sounds in each being worth
// ln of the mean of 1/(1+s) over the strengths, −1.9, and four omissions of up to 5.
// Within the first seconds nothing is missed.
func TestAlikeIsNoOrder(t *testing.T) {
	s := newScene(t, on("wwv", 125, 10, "steady"), find("wwv"), 12e-3)
	o := s.order()
	if o.Kept < 10 {
		t.Errorf("WWV: %.1f", o.Kept)
	}
	heard := s.listener.heard
	usual := heard[int(((14-o.Ref)%60+60)%60)] // 10:01:27
	for i := range heard {
		n := heard[i].n
		heard[i] = usual
		heard[i].n = n
	}
	if o := s.order(); o.Kept > -15 || o.Kept < -2*(6*1.9+2*5)-5 {
		t.Errorf("alike: %.1f", o.Kept)
	}
	s.listener.heard = heard[:20]
	if o := s.order(); o.Kept < -4.6 {
		t.Errorf("alike for 20 s: %.1f", o.Kept)
	}
}

// Ticks like BPM's with another mark each minute, or with one oftener, are something
// unknown rather than BPM when they have been heard for two minutes, though most of
// their seconds are BPM's: a mark that breaks off too early is missed as much as one
// that is not there.
func TestAnotherMinuteMark(t *testing.T) {
	for _, marks := range [][]station.Mark{
		{{Seconds: "0", Length: 0.1}, {Seconds: "1-59", Length: 0.01}},
		{{Seconds: "0,30", Length: 0.3}, {Seconds: "1-59", Length: 0.01}},
		{{Seconds: "0,10,20,30,40,50", Length: 0.3}, {Seconds: "1-59", Length: 0.01}},
		{{Seconds: "0-59", Length: 0.01}},
	} {
		cfg := on("bpm", 123, 6, "steady")
		other := *cfg.Station
		other.Marks = marks
		cfg.Station = &other
		// In two minutes two marks are due, of three tiles of up to 3.5 nats and of 5 more for
		// what no tick has behind it.
		if o := newScene(t, cfg, find("bpm"), 12e-3-other.AdvanceSeconds).order(); o.Known > -1 || o.Due < 20 || o.Due > 31 {
			t.Errorf("%v: %.1f when %.1f is due", marks, o.Known, o.Due)
		}
	}
}

// A mark of 0.2 s for one of 0.3 s, or a tick where none should be, is missed by what is
// told of that alone, though the rest comes in its order.
func TestAPartIsMissed(t *testing.T) {
	for _, c := range []struct {
		id    string
		marks []station.Mark
		times float64
	}{
		// A tile of 0.3 s in each of two marks, not weaker than a tenth of the ticks.
		{"bpm", []station.Mark{{Seconds: "0", Length: 0.2}, {Seconds: "1-59", Length: 0.01}}, 2},
		// Two ticks a minute that are strong.
		{"hla", []station.Mark{{Seconds: "0", Length: 0.8, ToneHz: 1800}, {Seconds: "1-59", Length: 0.005}}, 4},
	} {
		cfg := on(c.id, 123, 6, "steady")
		other := *cfg.Station
		other.Marks = c.marks
		cfg.Station = &other
		if o := newScene(t, cfg, find(c.id), 12e-3-other.AdvanceSeconds).order(); o.Least > -c.times*2 || o.Least < -c.times*6 {
			t.Errorf("%s: %.1f", c.id, o.Least)
		}
	}
}

// In noise, where the ticks around tell nothing, what is sent is heard with the
// probability that is given beforehand; where they are a twentieth as strong as the rest
// too; and where there are none it is not.
func TestAudible(t *testing.T) {
	hear := func(around float64) float64 {
		l := new(Listener)
		for i := range 111 {
			l.heard = append(l.heard, second{tick: 100})
			if i < 11 {
				l.heard[i].tick = around
			}
		}
		if around == 1 {
			l.heard = l.heard[:11]
		}
		return l.audible()[5]
	}
	if q := hear(1); math.Abs(q-0.95) > 0.01 {
		t.Errorf("%.3f in noise", q)
	}
	if q := hear(5); q < 0.999 {
		t.Errorf("%.3f among weak ticks", q)
	}
	if q := hear(0.9); q > 0.5 {
		t.Errorf("%.3f where there are none", q)
	}
}

// A tone of a known least strength that is not there is missed by ln(1/(1+s)), the mean
// over the strengths of that and more.
func TestToneScore(t *testing.T) {
	if got, want := toneScore(0, 20), math.Log((1/31.+1/101.+1/1001.)/3); math.Abs(got-want) > 1e-9 {
		t.Errorf("%.3f, want %.3f", got, want)
	}
	if got, want := toneScore(2, 2000), 2*1000/1001.-math.Log(1001); math.Abs(got-want) > 1e-9 {
		t.Errorf("%.3f, want %.3f", got, want)
	}
}

// free is a recording without a station.
func free(seconds float64, sounds ...simulate.Sound) simulate.Config {
	return simulate.Config{
		Seconds: seconds, SNRdB: 10, Sounds: sounds, Seed: 9,
		Start: time.Date(2026, 3, 12, 10, 1, 0, 0, time.UTC),
	}
}

// What is part of a sound at other frequencies, or comes at other times of the second
// too, is no tick alone, whatever repeats.
func TestFormOfOthers(t *testing.T) {
	wwv := find("wwv")
	for _, c := range []struct {
		name string
		at   float64 // at which it passes 1000 Hz
		make simulate.Sound
	}{
		{"sweep of 25 kHz/s", 0.5, simulate.Sound{Kind: simulate.Sweep, Level: 0.2}},
		{"sweep of 60 kHz/s, down", 0.5, simulate.Sound{Kind: simulate.Sweep, Level: 0.05, SweepHz: -60e3}},
		{"two sweeps a second", 0.25, simulate.Sound{Kind: simulate.Sweep, Level: 0.2, SweepHz: 50e3, PerSecond: 2}},
		{"pulses at 20 Hz", 0, simulate.Sound{Kind: simulate.Radar, Level: 0.3, PerSecond: 20}},
		{"dance at 120", 0, simulate.Sound{Kind: simulate.Dance, Level: 0.3, PerSecond: 2}},
	} {
		s := newScene(t, free(60, c.make), wwv, c.at)
		if f := s.form(); f < Repeated {
			t.Errorf("%s: form %d", c.name, f)
		}
	}
	// A bleep elsewhere in the second is no part of a tick: it comes again at the tone.
	cfg := on("wwv", 60, 10, "steady")
	cfg.Sounds = []simulate.Sound{{Kind: simulate.Bleep, Level: 0.3, PhaseSeconds: 0.4}}
	if f := newScene(t, cfg, wwv, 12e-3).form(); f != Repeated {
		t.Errorf("WWV beside a bleep: form %d", f)
	}
	if f := newScene(t, free(60), wwv, 0.3).form(); f >= Repeated {
		t.Errorf("noise: form %d", f)
	}
}

// What sounds in a few seconds of each minute, as a broadcaster's pips, is no tick of
// every second; a tick that fades, by Rayleigh's law and slowly, is.
func TestFormOfPips(t *testing.T) {
	if f := newScene(t, free(130, simulate.Sound{Kind: simulate.Pips, Level: 0.3, ToneHz: 1000}), find("ebc"), 0).form(); f != Passing {
		t.Errorf("pips: form %d", f)
	}
	for _, class := range []string{"mid-quiet", "low-quiet"} { // 0.1 Hz of Doppler spread (Rec. ITU-R F.1487)
		if f := newScene(t, on("wwv", 130, 10, class), find("wwv"), 12e-3).form(); f != Alone {
			t.Errorf("%s: form %d", class, f)
		}
	}
}

// C of noise has the stated spread: of many sets of cells few stand out.
func TestFormOfNoise(t *testing.T) {
	s := newScene(t, free(120), find("wwv"), 0)
	refused := 0
	for i := range 40 {
		s.place.At = float64(i) / 40
		if s.form() >= Repeated {
			refused++
		}
	}
	if refused > 1 {
		t.Errorf("%d of 40 places in noise seem to repeat beside themselves", refused)
	}
}

func BenchmarkOrder(b *testing.B) {
	s := newScene(b, on("wwv", 300, 0, "steady"), find("wwv"), 12e-3)
	b.Run("hear", func(b *testing.B) {
		for range b.N {
			s.listener.hear(20)
		}
	})
	b.Run("band", func(b *testing.B) {
		for range b.N {
			s.band.take(20)
		}
	})
	for _, start := range []float64{math.NaN(), 400} {
		b.Run(fmt.Sprint("order from ", start), func(b *testing.B) {
			for range b.N {
				s.listener.Order(s.station, nil, start)
			}
		})
	}
}
