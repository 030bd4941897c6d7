//go:build cgo

package soundcard

import (
	"sync/atomic"
	"time"

	"github.com/gordonklaus/portaudio"
)

// PortAudio finds a card that has come back only when nothing uses it, so an
// output must not be open while an input is opened.
var (
	outputOpen    = make(chan struct{}, 1) // holds one while an output is
	inputsWaiting atomic.Int32             // for it to be closed
	// An output that hangs is not waited for any longer.
	outputCloses = time.Second
)

// closeOutput has an output closed, and kept so until reopen is called.
func closeOutput() (reopen func()) {
	inputsWaiting.Add(1)
	select {
	case outputOpen <- struct{}{}:
		return func() { inputsWaiting.Add(-1); <-outputOpen }
	case <-time.After(outputCloses):
		return func() { inputsWaiting.Add(-1) }
	}
}

// play plays what next fills blocks with on the default output until that
// fails, next does, or an input is to be opened.
func play(next func([]int16) error) error {
	outputOpen <- struct{}{}
	defer func() { <-outputOpen }()
	samples := make([]int16, toneBlock)
	st, err := openOutput(samples)
	if err != nil {
		return err
	}
	defer st.close()
	for inputsWaiting.Load() == 0 {
		if err := next(samples); err != nil {
			return err
		}
		if err := st.Write(); err != nil && err != portaudio.OutputUnderflowed {
			return explain(err)
		}
	}
	return nil
}

func openOutput(samples []int16) (st paStream, err error) {
	system.Lock()
	defer system.Unlock()
	if err := initialize(); err != nil {
		return st, err
	}
	defer func() {
		if err != nil {
			portaudio.Terminate()
		}
	}()
	d, err := portaudio.DefaultOutputDevice()
	if err != nil {
		return st, explain(err)
	}
	p := portaudio.HighLatencyParameters(nil, d)
	p.Output.Channels, p.SampleRate, p.FramesPerBuffer = 1, toneRate, len(samples)
	st.Stream, err = portaudio.OpenStream(p, samples)
	if err != nil {
		return st, explain(err)
	}
	if err := st.Start(); err != nil {
		st.Stream.Close()
		return st, explain(err)
	}
	return st, nil
}
