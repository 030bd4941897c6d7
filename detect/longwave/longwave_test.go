package longwave

import (
	"io"
	"math"
	"math/cmplx"
	"slices"
	"testing"
	"time"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/audio"
)

// trueTime is a flywheel whose seconds are UTC's, on a sample clock that is right.
type trueTime struct{ rate float64 }

func (t trueTime) Base(n int64) (float64, bool) { return float64(n) * t.rate, true }

var builtin = func() (all []*station.Station) {
	table := station.Builtin()
	for i := range table {
		all = append(all, &table[i])
	}
	return all
}()

func find(t testing.TB, id string) *station.Station {
	s, ok := station.Find(id)
	if !ok {
		t.Fatal(id)
	}
	return s
}

// hear runs a simulated recording through a finder for the stations named.
func hear(t testing.TB, c simulate.Config, ids ...string) *Finder {
	t.Helper()
	return hearWith(t, c, false, ids...)
}

// hearWith may leave the loop of an antenna that is sampled itself to be found.
func hearWith(t testing.TB, c simulate.Config, findLoop bool, ids ...string) *Finder {
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	rate := float64(src.Info().Rate)
	var asked []*station.Station
	for _, id := range ids {
		asked = append(asked, find(t, id))
	}
	in := &Input{Stations: asked, Table: builtin, LowHz: LowestPitch, HighHz: HighestPitch}
	if c.Receiver.Detector == simulate.Direct {
		hz := asked[0].Carriers[0].Hz
		in = Tuned(rate, hz)
		in.Stream = audio.NewTuned(rate, 480*8000, hz) // which is all of it
		in.Stations, in.Table, in.Loop, in.FindLoop = asked, builtin, Loop{Q: c.Receiver.Loop.Q, TunedHz: hz}, findLoop
	} else {
		in.Stream = audio.NewStream(rate, 480*8000)
	}
	f := NewFinder(trueTime{rate}, []*Input{in})
	f.Start(0)
	var b capture.Block
	for n := int64(0); ; {
		err := src.Read(&b)
		if err == io.EOF {
			return f
		}
		if err != nil {
			t.Fatal(err)
		}
		in.Stream.Process(b.Position, b.Channels[0])
		for float64(n+1)*rate < float64(b.Position) {
			n++
			f.Advance(n)
		}
	}
}

const delay = 3.3e-3

func config(t testing.TB, id string, cn0 float64, direct bool) simulate.Config {
	c := simulate.Config{
		Rate: 192000, Seconds: 80, SNRdB: cn0 - 10*math.Log10(3000), Start: time.Date(2026, 3, 14, 10, 20, 0, 0, time.UTC),
		Station: find(t, id), Seed: 5, Paths: []simulate.Path{{DelaySeconds: delay}},
		Receiver: simulate.Receiver{Detector: simulate.Direct, Loop: simulate.Loop{Q: 20}},
	}
	if !direct {
		c.Rate, c.Receiver = 8000, simulate.Receiver{Detector: simulate.SSB, MistuningHz: 1500}
	}
	return c
}

// In white noise of 60 dBHz every station is told, its minute is known, and its marks are
// placed within what the fit says of itself: some microseconds, of which a tuned loop
// alone would make a hundred. What loop it is, off its tune by half its half width, is
// found in the noise.
func TestStationsAreHeardAndTimed(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		id      string
		direct  bool
		seconds float64
	}{{"dcf77", true, 80}, {"msf", false, 80}, {"wwvb", false, 130}, {"jjy-40", false, 80}, {"bpc", false, 80}, {"als162", false, 80}} {
		c := config(t, tt.id, 60, tt.direct)
		c.Seconds = tt.seconds
		loop := Loop{Q: 40, TunedHz: 78e3}
		c.Receiver.Loop = simulate.Loop{Q: loop.Q, TunedHz: loop.TunedHz}
		heard := hearWith(t, c, true, tt.id).Heard()
		if len(heard) != 1 || heard[0].Station.ID != tt.id {
			t.Errorf("%s direct %v: %d stations heard", tt.id, tt.direct, len(heard))
			continue
		}
		a := heard[0].Arrival()
		found, ok := heard[0].Loop()
		if off := found.Delay(77.5e3) - loop.Delay(77.5e3); ok != tt.direct || ok && (math.Abs(off) > 3*found.DelayU || found.DelayU > 4e-6) {
			t.Errorf("%s: the loop delays by %.1f us ± %.1f too much", tt.id, off*1e6, found.DelayU*1e6)
		}
		u := math.Sqrt(a.VarLag + a.EdgeU*a.EdgeU + found.DelayU*found.DelayU)
		if late := a.Lag - delay; math.Abs(late) > 4*u || u > 15e-6 {
			t.Errorf("%s direct %v: out by %.1f us, u = %.1f us", tt.id, tt.direct, late*1e6, u*1e6)
		}
		if math.Abs(a.TauSeconds-c.Station.Edge.TauSeconds) > 5*a.TauU {
			t.Errorf("%s: time constant %.0f us ± %.1f, it is %.0f", tt.id, a.TauSeconds*1e6, a.TauU*1e6, c.Station.Edge.TauSeconds*1e6)
		}
		if math.Abs(a.CN0dBHz-60) > 0.5 {
			t.Errorf("%s: %.1f dBHz, want 60", tt.id, a.CN0dBHz)
		}
		// A phase code is timed beside the edges: 65 turns of WWVB's phase, of 0.28 of the
		// full level, to some 8 us.
		if coded := slices.Contains([]string{"dcf77", "wwvb"}, tt.id); coded != (a.PhaseLaterU > 0) || a.PhaseLaterU > 12e-6 || math.Abs(a.PhaseLater) > 4*a.PhaseLaterU {
			t.Errorf("%s: the phase code is later by %.1f us ± %.1f", tt.id, a.PhaseLater*1e6, a.PhaseLaterU*1e6)
		}
		// The cycles of a carrier that is sampled itself tell the rate, which here is none.
		if rateU := math.Sqrt(a.VarRate); tt.direct && (rateU > 1.01*carrierRateU || math.Abs(a.Rate) > 3*carrierRateU) {
			t.Errorf("%s: the lag grows by %.2g a second, u = %.2g", tt.id, a.Rate, rateU)
		}
		r, _ := heard[0].Code(true)
		if second := int((c.Start.Unix() + r.N) % 60); r.Second != second {
			t.Errorf("%s: second %d of the minute at %d, want %d", tt.id, r.Second, r.N, second)
		}
	}
}

// ALS162's phase is a radian above its mean a quarter of the element after its start, at
// the middle it falls through the mean by 40 rad/s (a radian in 25 ms), and before and
// after there is nothing; a delay moves all of it.
func TestElement(t *testing.T) {
	e := elementOf(find(t, "als162"))
	for _, tt := range []struct{ at, phase, slope float64 }{
		{-1e-3, 0, 0}, {12.5e-3, 0.5, 40}, {37.5e-3, 0.5, -40}, {50e-3, 0, -40}, {62.5e-3, -0.5, -40}, {87.5e-3, -0.5, 40}, {101e-3, 0, 0},
	} {
		e.delay = 0.3e-3
		if phase, slope := e.phase(tt.at + e.delay); math.Abs(phase-tt.phase) > 1e-9 || math.Abs(slope-tt.slope) > 1e-9 {
			t.Errorf("%g s: %g rad, %g rad/s, want %g and %g", tt.at, phase, slope, tt.phase, tt.slope)
		}
	}
}

// Another station of the same carrier than the one asked for is told and not timed, and
// neither is telegraphy.
func TestOthersAreNotHeard(t *testing.T) {
	t.Parallel()
	c := config(t, "msf", 60, true)
	c.Seconds = 70
	f := hear(t, c, "wwvb")
	if n := len(f.Heard()); n != 0 {
		t.Errorf("%d stations heard", n)
	}
	if s := f.Other(); len(s) != 1 || s[0].ID != "msf" {
		t.Errorf("in its place %v", s)
	}
}

// A beat note beyond the filter of a receiver for single sideband is not timed, and where
// it lies is said; a mere tone there is none.
func TestAstray(t *testing.T) {
	t.Parallel()
	c := config(t, "dcf77", 60, false)
	c.Seconds, c.Receiver.MistuningHz = 40, 220
	f := hear(t, c, "dcf77")
	if at := f.Astray(); len(f.Heard()) != 0 || math.Abs(at-220) > 1 {
		t.Errorf("%d stations heard, astray at %.1f Hz", len(f.Heard()), at)
	}
	c.Programme = simulate.CarrierOnly
	if at := hear(t, c, "dcf77").Astray(); at != 0 {
		t.Errorf("a tone is astray at %.1f Hz", at)
	}
}

// Of an edge that is known, the constant is as it is given: at 90 dBHz the marks are placed
// to some hundredths of a microsecond.
func TestKnownEdge(t *testing.T) {
	t.Parallel()
	c := config(t, "dcf77", 90, false)
	c.Seconds, c.Station.Edge.TauFactor = 80, 1.001
	heard := hear(t, c, "dcf77").Heard()
	if len(heard) != 1 {
		t.Fatal("not heard")
	}
	known := *heard[0].plan.Station
	known.Edge.TauFactor = 1.001
	heard[0].plan.Station = &known
	if a := heard[0].Arrival(); math.Abs(a.Lag-delay) > 0.15e-6 || math.Abs(a.TauSeconds-0.32e-3) > 1e-9 {
		t.Errorf("out by %.3f us, time constant %.2f us", (a.Lag-delay)*1e6, a.TauSeconds*1e6)
	}
}

// A clock that is not yet regulated, or a bad sound card, drifts by milliseconds within
// what is added up: the axis follows, and what was smeared before it did is left out.
func TestAnyRate(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		id     string
		direct bool
		rate   float64
	}{{"dcf77", false, 1e-4}, {"msf", false, -4e-4}, {"jjy-40", true, -1e-4}} {
		c := config(t, tt.id, 60, tt.direct)
		c.SoundCard.ClockPPM = tt.rate * 1e6
		heard := hear(t, c, tt.id).Heard()
		if len(heard) != 1 {
			t.Errorf("%s: not heard", tt.id)
			continue
		}
		a := heard[0].Arrival()
		if off, u := a.Rate-tt.rate, math.Sqrt(a.VarRate); math.Abs(off) > 4*u || u > 1e-6 {
			t.Errorf("%s: the rate is out by %.2g, u = %.2g", tt.id, off, u)
		}
		u := math.Sqrt(a.VarLag + a.EdgeU*a.EdgeU)
		if late := a.Lag - tt.rate*a.Ref - delay*(1+tt.rate); math.Abs(late) > 4*u || u > 30e-6 {
			t.Errorf("%s: out by %.1f us, u = %.1f us", tt.id, late*1e6, u*1e6)
		}
	}
}

// The pitch of a beat note is followed while the receiver's oscillator drifts.
func TestDriftingPitch(t *testing.T) {
	t.Parallel()
	c := config(t, "dcf77", 60, false)
	c.Receiver.DriftHz = 60 // in an hour, as of one that warms up
	heard := hear(t, c, "dcf77").Heard()
	if len(heard) != 1 {
		t.Fatal("not heard")
	}
	if off := heard[0].ToneHz() - 1500 - 60*(c.Seconds-2)/3600; math.Abs(off) > 0.2 {
		t.Errorf("the pitch is followed %.2f Hz off", off)
	}
	a := heard[0].Arrival()
	if late := a.Lag - delay; math.Abs(late) > 4*math.Sqrt(a.VarLag+a.EdgeU*a.EdgeU) {
		t.Errorf("out by %.1f us", late*1e6)
	}
}

// The picture shows the fall of the carrier's level where the mark is: before it the
// full level, a millisecond after it nine tenths of the way down (τ = 0.32 ms), and the
// steepest place between.
func TestPictureShowsTheEdge(t *testing.T) {
	t.Parallel()
	c := config(t, "dcf77", 70, true)
	c.Seconds = 70
	heard := hear(t, c, "dcf77").Heard()
	if len(heard) != 1 {
		t.Fatal("not heard")
	}
	a := heard[0].Arrival()
	p := heard[0].Picture(a.Ref, a.Lag, a.Rate)
	at := func(s float64) float64 { return p.Audio[int(math.Round((s-p.AudioFirst)/p.AudioStep))] }
	full := at(-2e-3)
	if down := (full - at(1e-3)) / (0.85 * full); full <= 0 || down < 0.85 || down > 0.99 {
		t.Errorf("level %g, a millisecond later %.2f of the way down", full, down)
	}
	for _, r := range p.Rows {
		steepest := 0
		for i, v := range r.Level {
			if v > r.Level[steepest] {
				steepest = i
			}
		}
		if s := p.First + float64(steepest)*p.Step; s < 0 || s > 1e-3 {
			t.Errorf("second %g: steepest %.2f ms after the mark", r.Second, s*1e3)
		}
	}
}

// An antenna's signal with two stations in it and a line 312 Hz above one: both are
// listed with their ratio to the noise, the line with its level, and the sample clock's
// error with them; noise alone lists nothing.
func TestSurvey(t *testing.T) {
	t.Parallel()
	c := simulate.Config{
		Rate: 192000, Seconds: 6, SNRdB: 60 - 10*math.Log10(3000), Station: find(t, "dcf77"), Seed: 3,
		Others:    []simulate.Signal{{Station: find(t, "wwvb"), LevelDB: -6}},
		Carriers:  []simulate.Carrier{{OffsetHz: 312, LevelDB: -10}},
		Receiver:  simulate.Receiver{Detector: simulate.Direct},
		SoundCard: simulate.SoundCard{ClockPPM: 50},
	}
	channel := func(c simulate.Config) (x []float32) {
		src, err := simulate.New(c)
		if err != nil {
			t.Fatal(err)
		}
		var b capture.Block
		for src.Read(&b) == nil {
			x = append(x, b.Channels[0]...)
		}
		return x
	}
	got := Survey(192000, channel(c))
	if len(got) != 2 || got[0].Hz != 60e3 || got[1].Hz != 77.5e3 {
		t.Fatalf("found %+v", got)
	}
	dcf77 := got[1]
	// Its mean level is below the full one by its marks, 15 % of the time at 15 %.
	if math.Abs(dcf77.CN0dBHz-58.5) > 1.5 || math.Abs(dcf77.Off+50e-6) > 1e-6 {
		t.Errorf("DCF77: %.1f dBHz, off by %.1f ppm", dcf77.CN0dBHz, dcf77.Off*1e6)
	}
	if len(dcf77.Beside) != 1 || math.Abs(dcf77.Beside[0].OffsetHz-312) > 1 || math.Abs(dcf77.Beside[0].LevelDB+9) > 1.5 {
		t.Errorf("beside it %+v", dcf77.Beside)
	}
	if len(got[0].Stations) != 3 || math.Abs(got[0].CN0dBHz-50) > 4 {
		t.Errorf("at 60 kHz %+v", got[0])
	}
	c.Station, c.Others, c.Carriers = nil, nil, nil
	if got := Survey(192000, channel(c)); len(got) != 0 {
		t.Errorf("in noise %+v", got)
	}
}

// A rate by the carrier takes from a lag at the end of a recording what the marks' own
// rate adds, and is left alone where they contradict it.
func TestCondition(t *testing.T) {
	atEnd := func(a Arrival) (lag, u float64) {
		const half = 300
		return a.Lag + half*a.Rate, math.Sqrt(a.VarLag + 2*half*a.Cov + half*half*a.VarRate)
	}
	// Evenly spaced marks of ten minutes, u = 1 us in the middle: the rate's is √3 of that
	// over half the time (least squares).
	marks := Arrival{Rate: 1e-8, VarLag: 1e-12, VarRate: 3 * 1e-12 / (300 * 300)}
	a := marks
	a.condition(0)
	lag, u := atEnd(a)
	if want := math.Hypot(1e-6, 300*2.66e-9); math.Abs(u-want) > 0.01*want || math.Abs(lag-300*2.12e-9) > 1e-8 {
		t.Errorf("at the end %.3g s, u = %.3g s, want %.3g", lag, u, want)
	}
	a = marks
	a.condition(5e-8)
	if a.Rate != marks.Rate {
		t.Errorf("a rate of 5e-8 against %g ± %.1g was taken", marks.Rate, math.Sqrt(marks.VarRate))
	}
}

// A difference of edge and phase code is allowed for by half of it once it is more than
// three standard deviations, either way.
func TestDisagreement(t *testing.T) {
	for _, tt := range []struct{ later, want float64 }{{0, 0}, {2.9e-6, 0}, {-2.9e-6, 0}, {4e-6, 2e-6}, {-4e-6, 2e-6}} {
		if got := disagreement(tt.later, 1e-6); math.Abs(got-tt.want) > 1e-12 {
			t.Errorf("%g s: %g s, want %g", tt.later, got, tt.want)
		}
	}
}

// A second way of half the amplitude, late by 116 us as over 500 km by night, makes marks
// later by D·Re s and turns them across by D·Im s, s being its share of the sum
// (reference study of long wave, from the geometry of Rec. ITU-R P.684).
func TestSecondWay(t *testing.T) {
	t.Parallel()
	const d, r = 116e-6, 0.5
	for _, tt := range []struct {
		id   string
		turn float64 // of a cycle by which the second way's carrier is behind
	}{{"dcf77", 0}, {"dcf77", 0.25}, {"dcf77", 0.6}, {"msf", 0.3}, {"jjy-40", 0.7}} {
		c := config(t, tt.id, 75, false)
		c.Seconds = 70
		hz := c.Station.Carriers[0].Hz
		late := (math.Floor(d*hz) + tt.turn) / hz
		c.Paths = append(c.Paths, simulate.Path{DelaySeconds: delay + late, LevelDB: 20 * math.Log10(r)})
		heard := hear(t, c, tt.id).Heard()
		if len(heard) != 1 {
			t.Fatalf("%s: not heard", tt.id)
		}
		a := heard[0].Arrival()
		rho := cmplx.Rect(r, -2*math.Pi*tt.turn)
		want := complex(late, 0) * rho / (1 + rho)
		var across, weight float64
		for _, b := range a.Waves.Stretches {
			w := 1 / (b.AcrossU * b.AcrossU)
			across, weight = across+w*b.Across, weight+w
		}
		across /= weight
		// What is of second order, D²/2τ, is less than a tenth of D.
		if got := complex(a.Lag-delay, across); cmplx.Abs(got-want) > 0.1*late {
			t.Errorf("%s, %g of a cycle: later by %.1f us and across by %.1f, want %.1f and %.1f", tt.id, tt.turn,
				real(got)*1e6, imag(got)*1e6, real(want)*1e6, imag(want)*1e6)
		}
	}
}
