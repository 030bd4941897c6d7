package soundcard

import (
	"fmt"
	"strconv"
	"strings"
)

// Input is a sound input that can be opened.
type Input struct {
	Number   int    // from 1, in the system's order
	Name     string // as the system calls it
	HostAPI  string // sound system that offers it
	Channels int    // most channels it can be opened with
	// DefaultRate is what the system proposes, Hz. For a sound server it says
	// nothing about the card behind it.
	DefaultRate int
	Rates       []int // common rates it can be opened with, Hz
	// Converts is set when the input takes any rate, because something between
	// it and the program resamples and remixes without saying so. Open it with
	// the card's own rate and channel count only.
	Converts bool
	Default  bool // the one that is opened when none is named
}

// findInput returns the input that device means: its number, its name, or a
// part of its name that no other has. An empty device means the default input.
func findInput(inputs []Input, device string) (Input, error) {
	if len(inputs) == 0 {
		return Input{}, fmt.Errorf("no sound input found: is the card plugged in and the sound server running?")
	}
	if device == "" {
		for _, in := range inputs {
			if in.Default {
				return in, nil
			}
		}
		return Input{}, fmt.Errorf("the system names no default sound input: choose one of %s", names(inputs))
	}
	for _, in := range inputs {
		if in.Name == device {
			return in, nil
		}
	}
	if n, err := strconv.Atoi(device); err == nil {
		if n < 1 || n > len(inputs) {
			return Input{}, fmt.Errorf("no sound input has number %d: there are %s", n, names(inputs))
		}
		return inputs[n-1], nil
	}
	var found []Input
	for _, in := range inputs {
		if strings.Contains(strings.ToLower(in.Name), strings.ToLower(device)) {
			found = append(found, in)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return Input{}, fmt.Errorf("no sound input is called %q: there are %s", device, names(inputs))
	default:
		return Input{}, fmt.Errorf("%q may mean %s: say which", device, names(found))
	}
}

// names lists inputs for an error message.
func names(inputs []Input) string {
	var b strings.Builder
	for i, in := range inputs {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%d %q", in.Number, in.Name)
	}
	return b.String()
}
