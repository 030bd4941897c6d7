//go:build cgo

package soundcard

/*
#include <stdio.h>

// PortAudio and the libraries below it write pages of complaints to the C
// library's standard error, at every start and from any thread. Where the C
// library lets one assign its stderr, that alone is pointed elsewhere; the
// descriptor, and with it Go's own standard error, stay as they are.
static void hush(void) {
#ifdef __GLIBC__
	FILE *null = fopen("/dev/null", "w");
	if (null != NULL)
		stderr = null;
#endif
}
*/
import "C"

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"github.com/gordonklaus/portaudio"
)

// Available reports whether this program can capture live.
const Available = true

const (
	// Long enough that a busy machine does not make a card overflow, short
	// enough that the screen follows the hand.
	inputLatency = 200 * time.Millisecond
	// listWithin is more than a busy machine with many devices takes to look at all.
	listWithin = 20 * time.Second
	// No card runs at oddRate: an input that takes it converts.
	oddRate = 47999
)

// cardRates are the rates that cards commonly have, Hz.
var cardRates = []int{44100, 48000, 88200, 96000, 176400, 192000}

var hushOnce = sync.OnceFunc(func() { C.hush() })

// system guards PortAudio and its binding, which may be used by one goroutine
// at a time but for reading from a stream.
var system sync.Mutex

// initialize readies PortAudio. The list of devices is made anew when nothing
// in the process uses it.
func initialize() error {
	hushOnce()
	if err := portaudio.Initialize(); err != nil {
		return explain(err)
	}
	numberOnce()
	return nil
}

// numberOnce keeps the binding from crashing the program. It numbers streams
// from 0 and passes the number to C as a pointer; the Go runtime ends a program
// that has a pointer below 4096 on a stack which it moves (and checks for them
// when built with -race). So that many numbers are used up, by openings that
// fail for want of a buffer.
var numberOnce = sync.OnceFunc(func() {
	for range 4096 {
		portaudio.OpenStream(portaudio.StreamParameters{})
	}
})

// Inputs lists the sound inputs.
func Inputs() ([]Input, error) {
	type result struct {
		inputs []Input
		err    error
	}
	c := make(chan result, 1)
	go func() {
		inputs, err := listInputs()
		c <- result{inputs, err}
	}()
	select {
	case r := <-c:
		return r.inputs, r.err
	case <-time.After(listWithin): // a sound server that hangs does so for ever
		return nil, fmt.Errorf("the sound system does not answer within %v: restart the sound server", listWithin)
	}
}

func listInputs() ([]Input, error) {
	system.Lock()
	defer system.Unlock()
	if err := initialize(); err != nil {
		return nil, err
	}
	defer portaudio.Terminate()
	devices, err := inputDevices()
	if err != nil {
		return nil, err
	}
	standard, _ := portaudio.DefaultInputDevice() // there need not be one
	var inputs []Input
	for i, d := range devices {
		in := Input{
			Number:      i + 1,
			Name:        d.Name,
			HostAPI:     d.HostApi.Name,
			Channels:    d.MaxInputChannels,
			DefaultRate: int(math.Round(d.DefaultSampleRate)),
			Converts:    supports(d, oddRate),
			Default:     d == standard,
		}
		for _, rate := range cardRates {
			if supports(d, rate) {
				in.Rates = append(in.Rates, rate)
			}
		}
		inputs = append(inputs, in)
	}
	return inputs, nil
}

// inputDevices lists the devices that have inputs.
func inputDevices() ([]*portaudio.DeviceInfo, error) {
	all, err := portaudio.Devices()
	if err != nil {
		return nil, explain(err)
	}
	return slices.DeleteFunc(slices.Clone(all), func(d *portaudio.DeviceInfo) bool {
		return d.MaxInputChannels == 0
	}), nil
}

func supports(d *portaudio.DeviceInfo, rate int) bool {
	return portaudio.IsFormatSupported(parameters(d, min(2, d.MaxInputChannels), rate), []int32{}) == nil
}

func parameters(d *portaudio.DeviceInfo, channels, rate int) portaudio.StreamParameters {
	return portaudio.StreamParameters{
		Input:      portaudio.StreamDeviceParameters{Device: d, Channels: channels, Latency: inputLatency},
		SampleRate: float64(rate),
		Flags:      portaudio.DitherOff, // dither would change the samples
	}
}

// device finds the input that set names. It is opened by its full name, as
// numbers change when devices come and go.
func device(set Settings) (name string, open opener, err error) {
	inputs, err := Inputs()
	if err != nil {
		return "", nil, err
	}
	in, err := findInput(inputs, set.Device)
	if err != nil {
		return "", nil, err
	}
	if in.Channels < set.Channels {
		return "", nil, fmt.Errorf("sound input %q has %d channels, not the %d asked for", in.Name, in.Channels, set.Channels)
	}
	return in.Name, func(samples []int32) (stream, error) { return openStream(in.Name, set, samples) }, nil
}

func openStream(name string, set Settings, samples []int32) (stream, error) {
	defer closeOutput()()
	system.Lock()
	defer system.Unlock()
	if err := initialize(); err != nil {
		return nil, err
	}
	st, err := func() (*portaudio.Stream, error) {
		devices, err := inputDevices()
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(devices, func(d *portaudio.DeviceInfo) bool { return d.Name == name })
		if i < 0 {
			return nil, errors.New("it is not there")
		}
		p := parameters(devices[i], set.Channels, set.Rate)
		p.FramesPerBuffer = len(samples) / set.Channels
		st, err := portaudio.OpenStream(p, samples)
		if err != nil {
			return nil, fmt.Errorf("cannot open %d channels at %d Hz: %w", set.Channels, set.Rate, explain(err))
		}
		if err := st.Start(); err != nil {
			st.Close()
			return nil, fmt.Errorf("cannot start: %w", explain(err))
		}
		return st, nil
	}()
	if err != nil {
		portaudio.Terminate()
		return nil, err
	}
	return paStream{st}, nil
}

// paStream reads in blocking mode: a callback is told nothing when its device
// goes away, a blocked read at least gets an error, most times.
type paStream struct{ *portaudio.Stream }

func (s paStream) read() (overflowed bool, err error) {
	err = s.Read()
	if err == portaudio.InputOverflowed {
		return true, nil // the frames that are there have been read all the same
	}
	return false, explain(err)
}

func (s paStream) close() {
	system.Lock()
	defer system.Unlock()
	// The device may be gone: there is nothing to do about an error.
	s.Close()
	portaudio.Terminate()
}

// explain gives an error of the host's sound system the text that it may lack.
// Its host type is then not to be looked at: it may be out of range.
func explain(err error) error {
	var host portaudio.UnanticipatedHostError
	if errors.As(err, &host) && host.Text == "" {
		return errors.New("the sound system has gone")
	}
	return err
}
