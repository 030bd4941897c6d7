//go:build cgo

package soundcard

import (
	"math"

	"github.com/gordonklaus/portaudio"
)

func (w tone) play() error {
	const blockLen = 1024
	samples := make([]int16, blockLen)
	st, err := openOutput(samples)
	if err != nil {
		return err
	}
	defer st.close()
	// After the tone a block of silence, for outputs that drop what they still
	// hold when they are closed.
	for k, end := 0, int(w.seconds*toneRate)+blockLen; k < end; k += blockLen {
		for i := range samples {
			at := float64(k+i) / toneRate
			level := toneLevel * max(0, min(1, at/toneFlank, (w.seconds-at)/toneFlank))
			samples[i] = int16(math.MaxInt16 * level * math.Sin(2*math.Pi*w.hz*at))
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
