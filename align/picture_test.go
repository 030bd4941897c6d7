package align

import (
	"io"
	"math"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
)

// draw measures a simulated recording and draws it up.
func draw(t *testing.T, c simulate.Config) (Picture, simulate.Truth) {
	t.Helper()
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	a, err := NewAttempt(src.Info(), wwvAtHome(t))
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for {
		err := src.Read(&b)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		a.Process(&b)
	}
	p := a.Picture(a.Fix())
	if len(p.Stations) != 1 || p.Stations[0].ID != "wwv" {
		t.Fatalf("stations %+v, %+v", p.Fix.Stations, p.Fix.Why)
	}
	return p, src.Truth()
}

// meanRow is the mean of the rows' levels, and the lag at which it is greatest.
func meanRow(s StationPicture) (mean []float64, peak float64) {
	mean = make([]float64, len(s.Rows[0].Level))
	best := 0
	for i := range mean {
		for _, r := range s.Rows {
			mean[i] += float64(r.Level[i]) / float64(len(s.Rows))
		}
		if mean[i] > mean[best] {
			best = i
		}
	}
	return mean, s.First + float64(best)*s.Step
}

// The picture must show the tick where the simulator sent it.
func TestPictureShowsTheTick(t *testing.T) {
	const path, step = 7.2e-3, 20e-3
	for _, detector := range []simulate.Detector{simulate.AM, simulate.SSB} {
		c := simulate.Config{
			Rate: 8000, Seconds: 90, Seed: 5, Station: aStation(t, "wwv"), Programme: simulate.MarksOnly, SNRdB: 20,
			Paths:    []simulate.Path{{DelaySeconds: path}},
			Receiver: simulate.Receiver{Detector: detector},
			Marker:   &simulate.Marker{OffsetSeconds: 31e-3, WidthSeconds: 0.02, Steps: []simulate.Step{{AtSeconds: 40, BySeconds: step}}},
		}
		if detector == simulate.SSB {
			c.Receiver.MistuningHz = 17.3 // not a whole number of turns a second
		}
		p, truth := draw(t, c)
		s := p.Stations[0]
		if s.Coherent != (detector == simulate.AM) {
			t.Errorf("%s: coherent %v", detector, s.Coherent)
		}
		// The arrival, after the last marker: UTC is there by the offset, and the
		// tick by path and receiver later.
		want := truth.Marker.Offset + path + truth.Receiver.GroupDelay
		if math.Abs(s.Arrival-want) > 0.2e-3 {
			t.Errorf("%s: the tick arrives at %.3f ms, want %.3f", detector, s.Arrival*1e3, want*1e3)
		}
		if s.Band[0] > s.Arrival || s.Arrival > s.Band[1] {
			t.Errorf("%s: band %v around %g", detector, s.Band, s.Arrival)
		}
		if s.UTC == nil || *s.UTC != *p.Fix.Stations[0].Offset {
			t.Errorf("%s: UTC at %v, the offset is %v", detector, s.UTC, *p.Fix.Stations[0].Offset)
		}
		if n := len(p.Marker); n != 2 || math.Abs(p.Marker[0].Place+step) > 1e-4 || math.Abs(p.Marker[1].Place) > 1e-12 || math.Abs(p.Marker[1].At-40) > 1.1 {
			t.Errorf("%s: the marker stood at %+v", detector, p.Marker)
		}
		mean, peak := meanRow(s)
		if math.Abs(peak) > 0.5e-3 {
			t.Errorf("%s: the rows are brightest %.2f ms after the arrival", detector, peak*1e3)
		}
		// 20 dB in 3 kHz over a 5 ms burst: 2·3000·0.005·100 of power over noise.
		if bright := mean[int(math.Round((peak-s.First)/s.Step))]; bright < 0.5*math.Sqrt(3000) || bright > 1.5*math.Sqrt(3000) {
			t.Errorf("%s: the tick is %.1f times the noise, want about %.1f", detector, bright, math.Sqrt(3000))
		}
		for i, r := range s.Rows {
			if r.Seconds != 1 || i > 0 && s.Start[i] <= s.Start[i-1] {
				t.Fatalf("%s: row %d of %d seconds at %g s", detector, i, r.Seconds, s.Start[i])
			}
			if math.Abs(r.Late) > 6*r.U+s.Step {
				t.Errorf("%s: second %.0f is late by %.3f ms, noise explains %.3f", detector, r.Second, r.Late*1e3, r.U*1e3)
			}
		}
	}
}

// The audio before the arrival is still, that after it holds the tick.
func TestPictureAudio(t *testing.T) {
	p, _ := draw(t, simulate.Config{
		Rate: 8000, Seconds: 60, Seed: 6, Station: aStation(t, "wwv"), Programme: simulate.MarksOnly, SNRdB: 20,
		Paths: []simulate.Path{{DelaySeconds: 7.2e-3}}, Marker: &simulate.Marker{OffsetSeconds: -5e-3, WidthSeconds: 0.02},
	})
	s := p.Stations[0]
	power := func(from, to float64) float64 {
		sum, n := 0.0, 0
		for i, v := range s.Audio {
			if at := s.AudioFirst + float64(i)*s.AudioStep; from <= at && at < to {
				sum, n = sum+v*v, n+1
			}
		}
		if n == 0 {
			t.Fatalf("no audio from %g to %g s", from, to)
		}
		return sum / float64(n)
	}
	// A second has 20 dB in 3 kHz, 4 kHz of noise pass, and the mean of 50 and
	// more gains 17 dB: more than 30 dB in all.
	if ratio := power(0.5e-3, 4.5e-3) / power(-8e-3, -2e-3); ratio < 1000 {
		t.Errorf("the tick has %.0f times the power of what is before it", ratio)
	}
	// What there is to see is in the picture: the marker, UTC and the tick.
	first, last := s.Arrival+s.AudioFirst, s.Arrival+s.AudioFirst+float64(len(s.Audio))*s.AudioStep
	for what, at := range map[string]float64{"marker": 0, "UTC": *s.UTC, "end of the tick": s.Arrival + 5e-3} {
		if at < first || at > last {
			t.Errorf("the %s at %g s is outside %g to %g s", what, at, first, last)
		}
	}
}

// However long the recording, the picture has no more than 600 rows.
func TestPictureIsThinned(t *testing.T) {
	p, _ := draw(t, simulate.Config{
		Rate: 8000, Seconds: 700, Seed: 7, Station: aStation(t, "wwv"), Programme: simulate.MarksOnly, SNRdB: 10,
		Paths: []simulate.Path{{DelaySeconds: 7.2e-3}}, Marker: &simulate.Marker{WidthSeconds: 0.02},
	})
	s := p.Stations[0]
	seconds := 0
	for _, r := range s.Rows {
		seconds += r.Seconds
	}
	if len(s.Rows) < 300 || len(s.Rows) > 600 || seconds < 650 || s.Start[len(s.Start)-1] < 680 {
		t.Errorf("%d rows of %d seconds up to %g s", len(s.Rows), seconds, s.Start[len(s.Start)-1])
	}
}
