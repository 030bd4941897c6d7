package soundcard

import (
	"math"
	"sync/atomic"
	"time"
)

const (
	toneRate  = 48000 // Hz
	toneBlock = 1024  // frames
	toneLevel = 0.2   // full scale 1
	toneFlank = 0.01  // s, so that it does not click
)

// Tones plays tones on the system's default sound output. That is kept open and
// fed with silence in between, as a sound server takes more than a second to
// begin.
type Tones struct {
	wanted chan tone
	done   chan struct{}
	ended  chan struct{}
	failed atomic.Pointer[error]
}

type tone struct {
	hz      float64
	seconds float64
}

// OpenTones readies the output.
func OpenTones() *Tones {
	t := &Tones{wanted: make(chan tone, 1), done: make(chan struct{}), ended: make(chan struct{})}
	go t.run()
	return t
}

// Sound plays a tone, without waiting for it, after the one that is sounding.
// It returns why nothing can be heard at present, if so.
func (t *Tones) Sound(hz float64, length time.Duration) error {
	if err := t.failed.Load(); err != nil {
		return *err
	}
	select {
	case t.wanted <- tone{hz, length.Seconds()}:
	default:
	}
	return nil
}

// Close ends at once. An output that hangs is left behind.
func (t *Tones) Close() {
	close(t.done)
	select {
	case <-t.ended:
	case <-time.After(closeWithin):
	}
}

// run plays on one output after another, should they fail, until Close.
func (t *Tones) run() {
	defer close(t.ended)
	for {
		err := play(t.next())
		if err == errClosed {
			return
		}
		backOff := firstBackOff
		if err != nil {
			t.failed.Store(&err)
			backOff = lastBackOff
		}
		select {
		case <-t.done:
			return
		case <-time.After(backOff):
		}
	}
}

// next returns a function that fills blocks one after another with what is to
// be heard, or fails with errClosed.
func (t *Tones) next() func([]int16) error {
	var now tone
	played := 0
	return func(samples []int16) error {
		t.failed.Store(nil) // it has come this far
		for i := range samples {
			at := float64(played) / toneRate
			if at >= now.seconds {
				select {
				case now = <-t.wanted:
					played, at = 0, 0
				default:
					now = tone{}
				}
			}
			level := toneLevel * max(0, min(1, at/toneFlank, (now.seconds-at)/toneFlank))
			samples[i] = int16(math.MaxInt16 * level * math.Sin(2*math.Pi*now.hz*at))
			played++
		}
		select {
		case <-t.done:
			return errClosed
		default:
			return nil
		}
	}
}
