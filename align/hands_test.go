package align

import (
	"fmt"
	"io"
	"math"
	"testing"
	"time"

	"timeball/align/path"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/detect/timecode"
)

// measured is the fix of a simulated recording by a start that is late by some
// time, 0: as the recording itself says.
func measured(t testing.TB, c simulate.Config, s Settings, late time.Duration) Fix {
	t.Helper()
	return played(t, c, s, late).Fix()
}

// played is the attempt that has heard all of it.
func played(t testing.TB, c simulate.Config, s Settings, late time.Duration) *Attempt {
	t.Helper()
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	if late != 0 {
		s.Start = c.Start.Add(late)
	}
	a, err := NewAttempt(src.Info(), s)
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for {
		switch err := src.Read(&b); err {
		case nil:
			a.Process(&b)
		case io.EOF:
			return a
		default:
			t.Fatal(err)
		}
	}
}

// clearly is a good reception of a station beside a clock that is ahead by some
// seconds and fractions: from 18:20:07 on, of a station that tells the time within
// seconds of each minute as long as that takes, of others over two minutes.
func clearly(t testing.TB, id string, offset, dut1 float64) (simulate.Config, Settings) {
	s := wwvAtHome(t)
	s.Stations = []*station.Station{aStation(t, id)}
	length := 140.0
	if s.Stations[0].Code.Kind == "fsk-300" {
		length = 75
	}
	return simulate.Config{
		Start: time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC),
		Rate:  8000, Seconds: length, Seed: 3, Station: aStation(t, id), SNRdB: 20, DUT1: dut1,
		Receiver: simulate.Receiver{Detector: simulate.Linear},
		Marker:   &simulate.Marker{OffsetSeconds: offset, NoiseRMS: 1e-4},
	}, s
}

// Each station's recording is measured once, and its hands read at several moments.
func TestHandsAgainstTheCode(t *testing.T) {
	t.Parallel()
	type reading struct {
		shown  string
		at     float64 // s into the recording
		whole  int
		ut1    bool
		offUT1 float64
	}
	for _, tt := range []struct {
		id           string
		offset, dut1 float64 // s
		readings     []reading
	}{
		// The last marker is that of 18:22:26, when it is ahead.
		{"wwv", 0.3, 0.3, []reading{{"18:22:24", math.NaN(), -3, false, 0}}},
		{"chu", -0.3, -0.1, []reading{
			{"18:21:21", math.NaN(), 0, false, 0},
			// 60.5 s after the start it is 18:21:07.5 UTC.
			{"19:21:10", 60.5, 3603, false, 0},
			{"18:21:08", 60.9, 0, true, -0.2}, // nearest to its second
		}},
	} {
		c, s := clearly(t, tt.id, tt.offset, tt.dut1)
		a := played(t, c, s, 0)
		heard := a.radio.arrivals(false)
		for _, r := range tt.readings {
			shown, err := timecode.ParseHands(r.shown)
			if err != nil {
				t.Fatal(err)
			}
			a.Hands(HandsReading{Shown: shown, At: r.at})
			a.settings.UT1 = r.ut1
			f := a.report(heard, decoder.Close)
			if f.UTC == nil || f.UTC.DUT1 == nil || math.Abs(*f.UTC.DUT1-tt.dut1) > 1e-9 {
				t.Fatalf("%s: UTC %+v", tt.id, f.UTC)
			}
			if f.WholeSeconds == nil || *f.WholeSeconds != r.whole || f.Setting.WholeSeconds != r.whole || f.Setting.UT1 != r.ut1 {
				t.Errorf("%s showing %s at %v by %v: %v, %+v; want %d", tt.id, r.shown, r.at, f.UTC.Second, f.WholeSeconds, f.Setting, r.whole)
			}
			if (f.OffsetUT1 != nil) != r.ut1 || r.ut1 && math.Abs(*f.OffsetUT1-r.offUT1) > 0.01 {
				t.Errorf("%s: offset from UT1 %v, want %v", tt.id, f.OffsetUT1, r.offUT1)
			}
		}
	}
}

// A rough time helps, but the code decides; without the code it sets no hands.
func TestRoughTimeDoesNotDecide(t *testing.T) {
	t.Parallel()
	for late, id := range map[time.Duration]string{25 * time.Second: "wwv", -25 * time.Second: "wwv", time.Hour: "chu", -365 * 24 * time.Hour: "wwv"} {
		c, s := clearly(t, id, 0.01, 0)
		c.Seconds = 140 // a minute's code alone does not stand against a start far off
		if id == "wwv" && late < -time.Hour {
			c.Seconds = 200
		}
		last := c.Start.Add(seconds(c.Seconds - 1))
		f := measured(t, c, s, late)
		if f.UTC == nil || !f.UTC.Second.Equal(last) {
			t.Errorf("%s, start %v late: UTC %+v, want %v", id, late, f.UTC, last)
		}
	}
	// Rec. ITU-R TF.768: HLA's code is not among those read; its marks tell the
	// second, the start the minute.
	c, s := clearly(t, "hla", 0.01, 0)
	s.Hands = &HandsReading{Shown: timecode.Hands{Hour: -1, Minute: -1, Second: 3}, At: math.NaN()}
	f := measured(t, c, s, 12*time.Second)
	last := c.Start.Add(seconds(c.Seconds - 1))
	if f.UTC != nil || f.WholeSeconds != nil || f.Setting != nil {
		t.Errorf("without a code: UTC %+v, hands %v %+v", f.UTC, f.WholeSeconds, f.Setting)
	}
	if f.At == nil || !f.At.Equal(last) {
		t.Errorf("without a code it is %v, want %v", f.At, last)
	}
}

// Without metadata and a start the code alone gives the time, and with it the
// path's delay; the recording begins in the middle of a second.
func TestTimeFromTheCodeAlone(t *testing.T) {
	t.Parallel()
	for _, id := range []string{"wwv", "chu"} {
		c, s := clearly(t, id, 0.01, 0)
		c.Start = c.Start.Add(437 * time.Millisecond)
		if id == "wwv" {
			c.Seconds = 200
		}
		s.PathDelays, s.At, s.Sunspots = nil, &path.LatLon{Lat: 40, Lon: -90}, 100
		src, err := simulate.New(c)
		if err != nil {
			t.Fatal(err)
		}
		info := src.Info()
		info.Start = time.Time{}
		a, err := NewAttempt(info, s)
		if err != nil {
			t.Fatal(err)
		}
		var b capture.Block
		for src.Read(&b) == nil {
			a.Process(&b)
		}
		f := a.Fix()
		// The last marker is 10 ms ahead of its second.
		want := c.Start.Add(seconds(c.Seconds)).Truncate(time.Second)
		if f.UTC == nil || !f.UTC.Second.Equal(want) || f.At == nil || !f.At.Equal(want) {
			t.Errorf("%s: UTC %+v at %v, want %v", id, f.UTC, f.At, want)
		}
		if f.Verdict != Found || f.Stations[0].Path == nil {
			t.Errorf("%s: %s, %+v", id, f.Verdict, f.Why)
		}
	}
}

// BenchmarkUTC prints how often the UTC is told, and told wrong, by recordings
// that start within half a minute of what they say. ITU-R F.1487, mid-latitude,
// moderate; 10 recordings a point with -benchtime 1x.
func BenchmarkUTC(b *testing.B) {
	for _, id := range []string{"wwv", "wwvh", "chu"} {
		for _, c := range []struct {
			receiver simulate.Receiver
			snrDB    float64
			seconds  float64
		}{
			{simulate.Receiver{Detector: simulate.AM}, 6, 180},
			{simulate.Receiver{Detector: simulate.AM}, 6, 300},
			{simulate.Receiver{Detector: simulate.AM}, 12, 180},
			{simulate.Receiver{Detector: simulate.Linear}, 6, 180},
			{simulate.Receiver{Detector: simulate.SSB, MistuningHz: 33}, 10, 180},
		} {
			right, wrong, trials := 0, 0, 10*b.N
			for seed := range trials {
				paths, err := simulate.Channel("mid-moderate", 0.01)
				if err != nil {
					b.Fatal(err)
				}
				_, s := clearly(b, id, 0, 0)
				s.PathDelays[""] = Quantity{Value: 0.01, U: 1e-4}
				start := time.Date(2026, 3, 14, seed%24, seed*7%60, seed*13%60, 0, time.UTC)
				f := measured(b, simulate.Config{
					Rate: 16000, Seconds: c.seconds, Seed: uint64(seed), Station: aStation(b, id), SNRdB: c.snrDB, Paths: paths, Start: start,
					Receiver: c.receiver, Marker: &simulate.Marker{OffsetSeconds: 0.0123, NoiseRMS: 1e-4},
				}, s, time.Duration(seed%50-25)*time.Second)
				switch {
				case f.UTC == nil:
				case f.UTC.Second.Equal(start.Add(time.Duration(c.seconds-1) * time.Second)):
					right++
				default:
					wrong++
				}
			}
			fmt.Printf("%-5s %-6s %3.0f dB %4.0f s: right %3d  no %3d  wrong %d of %d\n",
				id, c.receiver.Detector, c.snrDB, c.seconds, right, trials-right-wrong, wrong, trials)
		}
	}
}
