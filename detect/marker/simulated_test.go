package marker_test

import (
	"errors"
	"io"
	"math"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/detect/marker"
)

// TestSimulatedRecordings checks against the simulator, which shares no code
// with this package: the channel is found, and the track follows the local
// clock through what the recording holds.
func TestSimulatedRecordings(t *testing.T) {
	const rms = 0.5e-3
	for _, c := range []struct {
		name   string
		marker simulate.Marker
		card   simulate.SoundCard
		loss   int64   // hidden
		limit  float64 // on the error of a pulse, s
		jitter float64 // most that may be stated, s
	}{
		{"plain", simulate.Marker{}, simulate.SoundCard{NoiseRMS: rms}, 0, 40e-9, 40e-9},
		{"inverted, coupled", simulate.Marker{Inverted: true}, simulate.SoundCard{NoiseRMS: rms, CouplingHz: 5}, 0, 40e-9, 40e-9},
		{"20 us", simulate.Marker{WidthSeconds: 20e-6}, simulate.SoundCard{NoiseRMS: rms, CouplingHz: 5}, 0, 300e-9, 40e-9},
		{"150 us", simulate.Marker{WidthSeconds: 150e-6, Inverted: true}, simulate.SoundCard{NoiseRMS: rms, CouplingHz: 5}, 0, 40e-9, 40e-9},
		// The simulator does not band-limit the ringing itself.
		{"ringing", simulate.Marker{RingHz: 6000, RingLevel: 0.3, RingDecay: 0.3e-3}, simulate.SoundCard{NoiseRMS: rms, CouplingHz: 5}, 0, 200e-9, 40e-9},
		{"slow", simulate.Marker{RiseSeconds: 100e-6}, simulate.SoundCard{NoiseRMS: rms, CouplingHz: 5}, 0, 1e-6, 100e-9},
		{"leak, hum of the clock", simulate.Marker{Motor: simulate.Motor{Shape: simulate.Click, Level: 0.9, DelaySeconds: 0.1}},
			simulate.SoundCard{NoiseRMS: rms, LeakDB: -40}, 0, 40e-9, 40e-9},
		{"missing, false, wandering", simulate.Marker{MissingShare: 0.1, FalsePerMinute: 6},
			simulate.SoundCard{NoiseRMS: rms, ClockPPM: 100, WanderPPM: 0.2, WanderSeconds: 300}, 0, 40e-9, 40e-9},
		{"jitter", simulate.Marker{JitterSeconds: 20e-6}, simulate.SoundCard{NoiseRMS: rms, ClockPPM: -100}, 0, 100e-6, 25e-6},
		{"hidden loss", simulate.Marker{}, simulate.SoundCard{NoiseRMS: rms, ClockPPM: 30}, 1024, 40e-9, 40e-9},
		{"step", simulate.Marker{Steps: []simulate.Step{{AtSeconds: 14.5, BySeconds: 0.012}}}, simulate.SoundCard{NoiseRMS: rms}, 0, 40e-9, 40e-9},
		{"crank", simulate.Marker{Steps: []simulate.Step{{AtSeconds: 12.5, BySeconds: -0.06, OverSeconds: 8}}}, simulate.SoundCard{NoiseRMS: rms}, 0, 40e-9, 40e-9},
	} {
		t.Run(c.name, func(t *testing.T) {
			const seconds = 30
			if c.loss > 0 {
				c.card.Losses = []simulate.Loss{{Gap: capture.Gap{At: 48000 * 15.25, Lost: c.loss}, Hidden: true}}
			}
			source, err := simulate.New(simulate.Config{Seconds: seconds, Programme: simulate.Speech, SNRdB: 15, Marker: &c.marker, SoundCard: c.card})
			if err != nil {
				t.Fatal(err)
			}
			rate := float64(source.Info().Rate)
			detectors := []*marker.Detector{
				marker.NewDetector(marker.Config{Rate: rate}), marker.NewDetector(marker.Config{Rate: rate}),
			}
			track := marker.NewTrack(rate)
			var pulses []marker.Pulse
			var b capture.Block
			chosen := false
			for {
				err := source.Read(&b)
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				found := detectors[1].Process(b.Position, b.Channels[1])
				track.Update(float64(b.Position)-0.025*rate, found)
				pulses = append(pulses, found...)
				if b.Position < int64(12*rate) {
					detectors[0].Process(b.Position, b.Channels[0])
				} else if !chosen {
					chosen = true
					got := marker.Choose(rate, []marker.Assessment{detectors[0].Assess(), detectors[1].Assess()})
					if got.Channel != 1 {
						t.Errorf("chose %+v", got)
					}
				}
			}
			truth := source.Truth()
			worst, spurious := 0.0, 0
			for _, p := range pulses {
				whole := math.Floor(p.Position)
				at := truth.Time(int64(whole)) + (p.Position-whole)/rate
				e := math.Remainder(at+truth.Offset(at), 1)
				if math.Abs(e) > 1e-3 {
					spurious++
					continue
				}
				worst = max(worst, math.Abs(e))
			}
			n, missed, discarded := track.Counts()
			t.Logf("%d pulses (%d false), worst error %.1f ns, jitter %.1f ns; %d used, %d missed, %d discarded; steps %+v, jumps %+v",
				len(pulses), spurious, worst*1e9, track.JitterSeconds()*1e9, n, missed, discarded, track.Steps(), track.Jumps())
			if len(pulses) == 0 || worst > 4*c.limit || spurious > truth.Marker.FalsePulses {
				t.Errorf("worst error %v s", worst)
			}
			if track.JitterSeconds() > c.jitter {
				t.Errorf("jitter %v s", track.JitterSeconds())
			}
			by := 0.0
			for _, s := range track.Steps() {
				by += s.BySeconds
			}
			want := -float64(c.loss) / rate
			for _, s := range truth.Marker.Steps {
				want += s.By
			}
			if math.Abs(by-want) > 2*c.limit+1e-7 {
				t.Errorf("steps by %v s, want %v s", by, want)
			}
			if c.loss > 0 && (len(track.Jumps()) != 1 || track.Jumps()[0].Frames != -c.loss || !track.Jumps()[0].Whole) {
				t.Errorf("jumps %+v", track.Jumps())
			}
		})
	}
}
