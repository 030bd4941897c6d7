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
	wanted chan []Tone
	done   chan struct{}
	ended  chan struct{}
	failed atomic.Pointer[error]
}

// Tone is a tone, or a silence where Hz is 0.
type Tone struct{ Hz, Seconds float64 }

// OpenTones readies the output.
func OpenTones() *Tones {
	t := &Tones{wanted: make(chan []Tone, 1), done: make(chan struct{}), ended: make(chan struct{})}
	go t.run()
	return t
}

// Play plays tones one after another, without waiting for them, in place of what is
// left of those before, from the next silence on. It returns why nothing
// can be heard at present, if so.
func (t *Tones) Play(tones ...Tone) error {
	if err := t.failed.Load(); err != nil {
		return *err
	}
	select {
	case <-t.wanted: // nobody has begun with them yet
	default:
	}
	select {
	case t.wanted <- tones:
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
	var now Tone
	var left []Tone
	played := 0
	return func(samples []int16) error {
		t.failed.Store(nil) // it has come this far
		for i := range samples {
			at := float64(played) / toneRate
			if at >= now.Seconds {
				if now.Hz == 0 || len(left) == 0 { // two tones never join
					select {
					case left = <-t.wanted:
					default:
					}
				}
				now, played, at = Tone{}, 0, 0
				if len(left) > 0 {
					now, left = left[0], left[1:]
				}
			}
			level := toneLevel * max(0, min(1, at/toneFlank, (now.Seconds-at)/toneFlank))
			samples[i] = int16(math.MaxInt16 * level * math.Sin(2*math.Pi*now.Hz*at))
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
