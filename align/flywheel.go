package align

import "timeball/detect/marker"

// flywheel is the time base of the radio track: the sample clock, paced by the
// marker when there is one.
type flywheel struct {
	rate  float64 // nominal, frames a second
	track *marker.Track
}

// Base implements find.Timebase.
func (f *flywheel) Base(n int64) (frames float64, ok bool) {
	if f.track == nil {
		return float64(n) * f.rate, true
	}
	return f.track.Base(int(n))
}
