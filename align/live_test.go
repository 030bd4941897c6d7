package align

import (
	"io"
	"math"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/timecode"
)

// aStation is a built-in station of the given call sign.
func aStation(t testing.TB, id string) *station.Station {
	t.Helper()
	s, ok := station.Find(id)
	if !ok {
		t.Fatalf("no station %s", id)
	}
	return s
}

// wwvAtHome are settings that leave no correction in doubt.
func wwvAtHome(t testing.TB) Settings {
	return Settings{
		Stations: []*station.Station{aStation(t, "wwv")}, Named: true,
		PathDelays:    map[string]Quantity{"": {U: 1e-6}},
		ReceiverDelay: &Quantity{U: 1e-6}, Skew: &Quantity{U: 1e-7},
		Sunspots: math.NaN(),
	}
}

// follow plays a simulated session and returns every second of it.
func follow(t testing.TB, c simulate.Config, s Settings) ([]Second, Fix, simulate.Truth) {
	t.Helper()
	return followLate(t, c, s, 0)
}

// begun is a simulated recording and the live measurement of it, at its start.
func begun(t testing.TB, c simulate.Config, s Settings) (*simulate.Source, *Live) {
	t.Helper()
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	a, err := NewAttempt(src.Info(), s)
	if err != nil {
		t.Fatal(err)
	}
	return src, NewLive(a)
}

// followLate does so with each inexact loss overrated by late frames.
func followLate(t testing.TB, c simulate.Config, s Settings, late int64) ([]Second, Fix, simulate.Truth) {
	t.Helper()
	shift := int64(0)
	src, live := begun(t, c, s)
	var all []Second
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			return all, live.Fix(), src.Truth()
		}
		if err != nil {
			t.Fatal(err)
		}
		if b.Inexact {
			b.Lost += late
			shift += late
		}
		b.Position += shift
		// A sound card's blocks are short.
		for from := 0; from < b.Len(); from += 2000 {
			part := capture.Block{Position: b.Position + int64(from)}
			for _, x := range b.Channels {
				part.Channels = append(part.Channels, x[from:min(from+2000, b.Len())])
			}
			if from == 0 {
				part.Lost, part.Inexact = b.Lost, b.Inexact
			}
			if sec, ok := live.Process(&part); ok {
				all = append(all, sec)
			}
		}
	}
}

func TestLiveFollowsAStep(t *testing.T) {
	t.Parallel()
	const stepAt, by = 40.25, 3e-3
	all, _, truth := follow(t, simulate.Config{
		Seconds: 60, Seed: 4, Station: aStation(t, "wwv"), SNRdB: 15,
		Receiver: simulate.Receiver{Detector: simulate.Linear},
		Marker: &simulate.Marker{OffsetSeconds: 0.0123, NoiseRMS: 3e-4,
			Steps: []simulate.Step{{AtSeconds: stepAt, BySeconds: by}}},
		SoundCard: simulate.SoundCard{ClockPPM: 30},
	}, wwvAtHome(t))

	var before, after *Second
	for i := range all {
		s := &all[i]
		switch {
		case s.T < stepAt && s.Offset != nil:
			before = s
		case s.T > stepAt && after == nil && s.Marker.Step != 0:
			after = s
		}
	}
	if before == nil || after == nil {
		t.Fatalf("no offset before the step, or the step does not show: %+v", all[len(all)-1])
	}
	// The step falls between two pulses, so that the next shows it.
	if late := after.T - stepAt; late > 1.1 {
		t.Errorf("the step shows %.2f s later", late)
	}
	if d := *before.Offset - *after.Offset; math.Abs(d-by) > 1e-6 {
		t.Errorf("the step is shown as %.7f s, it was %v s", d, by)
	}
	if e := *after.Offset - truth.Offset(after.T); math.Abs(e) > 3**after.U {
		t.Errorf("off by %v s at u = %v s", e, *after.U)
	}
	if first := firstOffset(all); first > 20 {
		t.Errorf("the first offset came after %.1f s", first)
	}
}

func firstOffset(all []Second) float64 {
	for _, s := range all {
		if s.Offset != nil {
			return s.T
		}
	}
	return math.Inf(1)
}

func TestLiveThroughAFade(t *testing.T) {
	t.Parallel()
	const gone, long, by = 35.0, 60.0, 0.8e-3
	all, fix, truth := follow(t, simulate.Config{
		Seconds: 115, Seed: 5, Station: aStation(t, "wwv"), SNRdB: 12,
		Receiver: simulate.Receiver{Detector: simulate.Linear},
		Marker: &simulate.Marker{OffsetSeconds: -0.2, NoiseRMS: 3e-4,
			Steps: []simulate.Step{{AtSeconds: gone + 30.5, BySeconds: by}}},
		Fades: []simulate.Fade{{AtSeconds: gone, ForSeconds: long, DepthDB: 80}},
	}, wwvAtHome(t))

	at := func(when float64) *Second {
		for i := range all {
			if all[i].T >= when {
				return &all[i]
			}
		}
		t.Fatalf("nothing after %v s", when)
		return nil
	}
	for _, c := range []struct {
		at    float64
		state Hearing
	}{{gone - 1, HeardNow}, {gone + 12, Fading}, {gone + 45, Coasting}, {gone + long + 12, HeardNow}} {
		s := at(c.at)
		if s.Radio.State != c.state {
			t.Errorf("at %v s the radio is %+v, want %s", c.at, s.Radio, c.state)
		}
		if s.Offset == nil {
			t.Fatalf("at %v s there is no offset", c.at)
		}
		if e := *s.Offset - truth.Offset(s.T); math.Abs(e) > 3**s.U {
			t.Errorf("at %v s off by %v s, u = %v s", c.at, e, *s.U)
		}
	}
	if s := at(gone + 45); math.Abs(s.Radio.Gone-44) > 3 {
		t.Errorf("after 45 s the fade is said to last %v s", s.Radio.Gone)
	}
	// The hand is followed while nothing is heard.
	d := *at(gone + 29).Offset - *at(gone + 33).Offset
	if math.Abs(d-by) > 2e-6 {
		t.Errorf("a step of %v s within the fade shows as %v s", by, d)
	}
	// The doubt grows while nothing is heard.
	early, late := at(gone+12), at(gone+long-2)
	if !(*late.U > 1.02**early.U) {
		t.Errorf("u is %v s early in the fade, %v s late", *early.U, *late.U)
	}
	if fix.Offset == nil || math.Abs(*fix.Offset-truth.Marker.Offset) > 3**fix.U {
		t.Errorf("the fix is %+v", fix)
	}
}

func TestLiveWithoutARadio(t *testing.T) {
	t.Parallel()
	all, fix, _ := follow(t, simulate.Config{
		Seconds: 20, Seed: 6, SNRdB: 0, Marker: &simulate.Marker{},
	}, wwvAtHome(t))
	last := all[len(all)-1]
	if last.Verdict != NoTick || last.Radio.State != NeverHeard || last.Offset != nil || fix.Verdict != NoTick {
		t.Errorf("%+v", last)
	}
	if last.Marker.Channel != 2 || last.Levels[1].Role != "marker" || last.Levels[0].Role != "receiver" {
		t.Errorf("channels: %+v, %+v", last.Marker, last.Levels)
	}
	if p := last.Levels[1].Peak; math.Abs(p-0.5) > 0.05 {
		t.Errorf("the marker's level is %v, it was made 0.5", p)
	}
}

// A device that went away and came back leaves a loss known to milliseconds only.
func TestInexactLoss(t *testing.T) {
	t.Parallel()
	for _, late := range []int64{-2, 50, 700} { // frames
		all, fix, truth := followLate(t, simulate.Config{
			Rate: 16000, Seconds: 48, Seed: 8, Station: aStation(t, "wwv"), SNRdB: 15,
			Receiver: simulate.Receiver{Detector: simulate.Linear},
			Marker:   &simulate.Marker{OffsetSeconds: 0.0123, NoiseRMS: 3e-4},
			SoundCard: simulate.SoundCard{Losses: []simulate.Loss{
				{Gap: capture.Gap{At: 20*16000 + 17, Lost: 3 * 16000, Inexact: true}}}},
		}, wwvAtHome(t), late)
		if fix.Offset == nil {
			t.Fatalf("%+v", fix)
		}
		withheld := 0
		for _, s := range all {
			switch {
			case s.Offset != nil && math.Abs(*s.Offset-truth.Marker.Offset) > 4**s.U:
				t.Errorf("%d frames late: %.1f s: off by %v s, u = %v s, %s", late, s.T, *s.Offset-truth.Marker.Offset, *s.U, s.Standing)
			case s.Standing == Withheld:
				withheld++
			}
		}
		if withheld == 0 || withheld > 15 {
			t.Errorf("%d frames late: withheld for %d s", late, withheld)
		}
		if e := *fix.Offset - truth.Marker.Offset; math.Abs(e) > 3**fix.U || *fix.U > 50e-6 || len(fix.Marker.Steps) > 0 {
			t.Errorf("%d frames late: off by %v s, u = %v s, steps %+v", late, e, *fix.U, fix.Marker.Steps)
		}
	}
}

// A divider's buttons move the marker by whole milliseconds, which at 16 kHz are
// whole frames as lost ones would be. The offset stands, and says that it is being
// verified.
func TestStepOfWholeFrames(t *testing.T) {
	t.Parallel()
	for _, by := range []float64{10e-3, -1e-3, 100e-3} {
		const at = 20.4
		all, fix, truth := follow(t, simulate.Config{
			Rate: 16000, Seconds: 42, Seed: 21, Station: aStation(t, "wwv"), SNRdB: 12, Receiver: simulate.Receiver{Detector: simulate.Linear},
			Marker: &simulate.Marker{OffsetSeconds: 0.0123, NoiseRMS: 3e-4, Steps: []simulate.Step{{AtSeconds: at, BySeconds: by}}},
		}, wwvAtHome(t))
		verified := 0
		for _, s := range all {
			switch {
			case s.T < 15:
			case s.Offset == nil:
				t.Errorf("by %v s: %.1f s: no offset: %v", by, s.T, s.Why)
			case s.T > at+1.2 && math.Abs(*s.Offset-truth.Marker.Offset) > 4**s.U:
				t.Errorf("by %v s: %.1f s: off by %v s", by, s.T, *s.Offset-truth.Marker.Offset)
			case s.Standing == Verifying:
				verified++
			}
		}
		if verified == 0 || verified > 12 {
			t.Errorf("by %v s: verified for %d s", by, verified)
		}
		if fix.Offset == nil || math.Abs(*fix.Offset-truth.Marker.Offset) > 4**fix.U || fix.Standing != Settled {
			t.Errorf("by %v s: %+v", by, fix)
		}
	}
}

// Frames that are lost without a word move marker and ticks alike, a hand moves
// the marker alone. A steady pulse tells by whole frames which of them is
// likely; with one that jitters, as a regulator's, only the ticks can tell.
func TestUnnoticedLossAndStep(t *testing.T) {
	t.Parallel()
	const lost = 160 // frames, 10 ms
	for _, c := range []struct {
		name   string
		jitter float64 // s
		lost   int64
		step   float64 // s
		fade   float64 // s, of the station from the movement on
	}{
		{"loss", 0, lost, 0, 0},
		{"loss, jitter", 20e-6, lost, 0, 0},
		{"step", 0, 0, 10.01e-3, 0},
		{"step, jitter", 20e-6, 0, -10e-3, 0},
		{"step in a fade", 20e-6, 0, 10e-3, 20},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			set := simulate.Config{
				Rate: 16000, Seconds: 48, Seed: 12, Station: aStation(t, "wwv"), SNRdB: 12, Receiver: simulate.Receiver{Detector: simulate.Linear},
				Marker: &simulate.Marker{OffsetSeconds: 0.0123, NoiseRMS: 3e-4, JitterSeconds: c.jitter},
			}
			const at = 25.3
			if c.lost > 0 {
				set.SoundCard.Losses = []simulate.Loss{{Gap: capture.Gap{At: at * 16000, Lost: c.lost}, Hidden: true}}
			}
			if c.step != 0 {
				set.Marker.Steps = []simulate.Step{{AtSeconds: at, BySeconds: c.step}}
			}
			if c.fade > 0 {
				set.Fades = []simulate.Fade{{AtSeconds: at - 2, ForSeconds: c.fade, DepthDB: 60}}
			}
			all, fix, truth := follow(t, set, wwvAtHome(t))
			if fix.Offset == nil {
				t.Fatalf("%s: %+v", fix.Verdict, fix.Why)
			}
			if e := *fix.Offset - truth.Marker.Offset; math.Abs(e) > 4**fix.U {
				t.Errorf("off by %v s, u = %v s", e, *fix.U)
			}
			for _, s := range all {
				switch after := s.T - at; {
				case after < 2.2 || after > stepPatience+3: // the first pulse may be a false one
				case c.step != 0 && s.Offset == nil: // the display follows the hand
					t.Errorf("%v s: %+v", s.T, s.Why)
				case c.step == 0 && c.jitter == 0 && s.Offset != nil && s.Standing != Verifying && math.Abs(*s.Offset-truth.Marker.Offset) > 1e-3:
					t.Errorf("%v s: offset %v s", s.T, *s.Offset)
				}
			}
			if len(fix.Recording.Gaps) != int(c.lost/lost) || (c.step != 0) != (len(fix.Marker.Steps) == 1) {
				t.Errorf("gaps %+v, steps %+v", fix.Recording.Gaps, fix.Marker.Steps)
			}
		})
	}
}

// After a gap the display goes on telling whether the radio is heard.
func TestRadioAfterAGap(t *testing.T) {
	t.Parallel()
	all, _, _ := follow(t, simulate.Config{
		Seconds: 60, Seed: 8, Station: aStation(t, "wwv"), SNRdB: 15,
		Receiver:  simulate.Receiver{Detector: simulate.Linear},
		Marker:    &simulate.Marker{OffsetSeconds: 0.0123, NoiseRMS: 3e-4},
		Fades:     []simulate.Fade{{AtSeconds: 40, ForSeconds: 30, DepthDB: 80}},
		SoundCard: simulate.SoundCard{Losses: []simulate.Loss{{Gap: capture.Gap{At: 25 * 48000, Lost: 3 * 48000}}}},
	}, wwvAtHome(t))
	for _, s := range all {
		if s.T > 30 && s.T < 39 && s.Radio.State != HeardNow {
			t.Errorf("%v s: %s", s.T, s.Radio.State)
		}
	}
	if last := all[len(all)-1]; last.Radio.State != Fading && last.Radio.State != Coasting || last.Radio.Gone < 12 {
		t.Errorf("at the end: %+v", last.Radio)
	}
}

// The same frames give the same numbers however they are split.
func TestSplitDoesNotMatter(t *testing.T) {
	t.Parallel()
	c := simulate.Config{
		Seconds: 40, Seed: 9, Station: aStation(t, "wwv"), SNRdB: 8, Receiver: simulate.Receiver{Detector: simulate.Linear},
		Marker:    &simulate.Marker{OffsetSeconds: 0.3, NoiseRMS: 3e-4},
		SoundCard: simulate.SoundCard{Losses: []simulate.Loss{{Gap: capture.Gap{At: 900_000, Lost: 12345}}}},
	}
	_, live, _ := follow(t, c, wwvAtHome(t))
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	a, err := NewAttempt(src.Info(), wwvAtHome(t))
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for src.Read(&b) == nil {
		a.Process(&b)
	}
	if fix := a.Fix(); live.Offset == nil || *fix.Offset != *live.Offset || *fix.U != *live.U {
		t.Errorf("%+v\n%+v", live, fix)
	}
}

func TestPresenceHasNoFalseFades(t *testing.T) {
	var p presence
	for n := range int64(3600) {
		power := 50.0
		if n%60 == 29 || n%60 == 59 {
			power = 1 // left out by rule
		}
		if p.add(n, power, 50); p.gone {
			t.Fatalf("gone at second %d", n)
		}
	}
}

// BenchmarkLive prints the share of one core that following a session in real
// time takes, but for the capture.
func BenchmarkLive(b *testing.B) {
	src, err := simulate.New(simulate.Config{Seconds: 300, Seed: 1, Station: aStation(b, "wwv"), SNRdB: 10,
		Receiver: simulate.Receiver{Detector: simulate.Linear}, Marker: &simulate.Marker{NoiseRMS: 3e-4}})
	if err != nil {
		b.Fatal(err)
	}
	var all []capture.Block
	for {
		var block capture.Block
		if src.Read(&block) != nil {
			break
		}
		all = append(all, block)
	}
	for b.Loop() {
		a, err := NewAttempt(src.Info(), wwvAtHome(b))
		if err != nil {
			b.Fatal(err)
		}
		live := NewLive(a)
		for i := range all {
			live.Process(&all[i])
		}
	}
	b.ReportMetric(100*b.Elapsed().Seconds()/float64(b.N)/300, "%core")
}

// The hands are told at a moment, before the broadcast has told the time.
func TestHandsNow(t *testing.T) {
	t.Parallel()
	c, s := clearly(t, "wwv", 0.01, 0)
	src, live := begun(t, c, s)
	var last Second
	var b capture.Block
	for told := false; src.Read(&b) == nil; {
		if second, ok := live.Process(&b); ok {
			last = second
			if second.Offset != nil {
				live.refit = math.MaxInt64 // one fit will do to tell the hands by
			}
		}
		if !told && live.attempt.Heard() > 30.2 { // 18:20:37 by the clock
			live.HandsNow(timecode.Hands{Hour: 18, Minute: 20, Second: 34})
			told = true
		}
	}
	want := timecode.Setting{Seconds: -3, WholeSeconds: -3, MinutesRead: true, HoursRead: true}
	if last.WholeSeconds == nil || *last.WholeSeconds != -3 || *last.Setting != want {
		t.Errorf("live: %v, %+v", last.WholeSeconds, last.Setting)
	}
	if f := live.Fix(); f.WholeSeconds == nil || *f.WholeSeconds != -3 || *f.Setting != want {
		t.Errorf("at the end: %v, %+v", f.WholeSeconds, f.Setting)
	}
}
