package align

import (
	"math/rand/v2"
	"sync"
	"testing"

	"timeball/capture"
	"timeball/capture/simulate"
)

// A marker whose pulse comes in the first milliseconds of the recording is told
// from strong ticks all the same, though these come once a second too.
func TestChannelsAreNotConfused(t *testing.T) {
	const recordings = 64
	var mu sync.Mutex
	wrong, latest := 0, 0.0
	t.Run("each", func(t *testing.T) {
		for i := range recordings {
			rng := rand.New(rand.NewPCG(uint64(i), 77))
			set := plain(t, uint64(1000+i))
			set.Seconds, set.SNRdB = 20, 10+15*rng.Float64()
			set.Marker.OffsetSeconds = -1e-3 - 6e-3*rng.Float64() // behind
			set.Marker.WidthSeconds = 1e-3 + 0.1*rng.Float64()
			set.Receiver.Detector = []simulate.Detector{simulate.AM, simulate.Linear}[i%2]
			set.Programme = []simulate.Programme{simulate.AsPublished, simulate.MarksOnly}[i/2%2]
			set.Marker.CouplingHz = []float64{0, 5}[i/4%2]
			set.SoundCard.ClockPPM = 200*rng.Float64() - 100
			set.MarkerFirst = i/8%2 == 0
			t.Run("", func(t *testing.T) {
				t.Parallel()
				src, err := simulate.New(set)
				if err != nil {
					t.Fatal(err)
				}
				// No station is looked for: the channels are told by their pulses alone.
				a, err := NewAttempt(src.Info(), Settings{})
				if err != nil {
					t.Fatal(err)
				}
				var b capture.Block
				for a.marker < 0 && src.Read(&b) == nil {
					a.Process(&b)
				}
				mu.Lock()
				defer mu.Unlock()
				latest = max(latest, a.seconds())
				if set.MarkerFirst != (a.marker == 0) {
					wrong++
					t.Logf("recording %d: channel %d: %v", i, a.marker+1, a.why)
				}
			})
		}
	})
	t.Logf("%d of %d wrong; the last was decided after %.1f s", wrong, recordings, latest)
	if wrong > 0 {
		t.Errorf("%d of %d wrong", wrong, recordings)
	}
}
