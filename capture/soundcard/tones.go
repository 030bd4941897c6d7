package soundcard

import (
	"sync"
	"time"
)

const (
	toneRate  = 48000 // Hz
	toneLevel = 0.2   // full scale 1
	toneFlank = 0.01  // s, so that it does not click
)

// Tones plays tones on the system's default sound output.
type Tones struct {
	wanted chan tone
	ended  chan struct{}

	mu     sync.Mutex
	failed error
}

type tone struct {
	hz      float64
	seconds float64
}

// OpenTones readies the output. The device is opened for each tone anew, so
// that it does not hold up an input that must be opened again.
func OpenTones() *Tones {
	t := &Tones{wanted: make(chan tone, 1), ended: make(chan struct{})}
	go func() {
		defer close(t.ended)
		for w := range t.wanted {
			err := w.play()
			t.mu.Lock()
			t.failed = err
			t.mu.Unlock()
		}
	}()
	return t
}

// Sound plays a tone, without waiting for it, unless one is still sounding. It
// returns the error of the tone before.
func (t *Tones) Sound(hz float64, length time.Duration) error {
	select {
	case t.wanted <- tone{hz, length.Seconds()}:
	default:
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.failed
}

// Close ends after the tone that is sounding.
func (t *Tones) Close() {
	close(t.wanted)
	<-t.ended
}
