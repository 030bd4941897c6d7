//go:build !cgo

package soundcard

import (
	"errors"
	"testing"
)

func TestNoCgo(t *testing.T) {
	if _, err := Inputs(); !errors.Is(err, errNoCgo) {
		t.Errorf("inputs: %v", err)
	}
	if _, err := Open(t.Context(), Settings{Rate: 48000, Channels: 2}); !errors.Is(err, errNoCgo) {
		t.Errorf("open: %v", err)
	}
}
