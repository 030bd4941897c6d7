package levels

import (
	"math"
	"testing"
)

// A sine of amplitude a has the rms a/√2; its square wave clips.
func TestMeter(t *testing.T) {
	var m Meter
	x := make([]float32, 48000)
	for i := range x {
		x[i] = float32(0.25 + 0.5*math.Sin(2*math.Pi*float64(i)/48))
	}
	m.Add(x)
	l := m.Take()
	if math.Abs(l.RMS-0.5/math.Sqrt2) > 1e-6 || math.Abs(l.DC-0.25) > 1e-6 || math.Abs(l.Peak-0.75) > 1e-6 || l.Clipped != 0 {
		t.Errorf("%+v", l)
	}
	m.Add([]float32{1, 1}) // a run across two calls
	m.Add([]float32{-1, 1, 0, 1, 0})
	if l := m.Take(); l.Clipped != 4 {
		t.Errorf("%+v", l)
	}
}
