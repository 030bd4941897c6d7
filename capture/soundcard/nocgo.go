//go:build !cgo

package soundcard

import "errors"

// Available reports whether this program can capture live.
const Available = false

var errNoCgo = errors.New("live capture is not in this program: it was built without cgo; build it with CGO_ENABLED=1 and PortAudio's development files (recordings can be measured all the same)")

// Inputs lists the sound inputs. Without cgo it only says that it cannot.
func Inputs() ([]Input, error) { return nil, errNoCgo }

func device(Settings) (string, opener, error) { return "", nil, errNoCgo }

func play(func([]int16) error) error { return errNoCgo }
