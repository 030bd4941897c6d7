package align

import (
	"math"
	"time"

	"timeball/detect/timecode"
)

// HandsReading is what the clock's hands showed at a moment of the recording.
type HandsReading struct {
	Shown timecode.Hands
	// At is the moment, seconds on the sample clock from the first frame; NaN:
	// the last marker. Half a second either way does no harm.
	At float64
}

// Hands tells what the clock's hands showed, as by a key pressed while its
// second hand passed a mark.
func (a *Attempt) Hands(h HandsReading) { a.settings.Hands = &h }

// Heard is how much has been heard, seconds on the sample clock: the present,
// for HandsReading.
func (a *Attempt) Heard() float64 { return a.seconds() }

// setHands states by how much the hands are out, once the broadcast has told
// the time: a rough idea of it is not good enough to set a clock by.
func (a *Attempt) setHands(f *Fix, last int) {
	h := a.settings.Hands
	if h == nil {
		return
	}
	if f.UTC == nil || a.settings.UT1 && f.UTC.DUT1 == nil {
		f.Notices = append(f.Notices, HandsUntold{})
		return
	}
	// The hands jump with the marker, so whole markers are counted.
	utc := f.UTC.Second
	if !math.IsNaN(h.At) {
		base, _ := a.pulses.Base(last)
		utc = utc.Add(time.Duration(math.Round(h.At-(base+a.pulses.Shift())/a.rate)) * time.Second)
	}
	s := h.Shown.Compare(utc)
	if a.settings.UT1 {
		s = h.Shown.CompareUT1(utc, *f.UTC.DUT1)
	}
	f.WholeSeconds, f.Setting = &s.WholeSeconds, &s
}

// setUT1 states the offset from UT1 on wish, once the broadcast has told DUT1.
func (a *Attempt) setUT1(f *Fix) {
	if a.settings.UT1 && f.UTC != nil && f.UTC.DUT1 != nil && f.Offset != nil {
		x := timecode.OffsetToUT1(*f.Offset, *f.UTC.DUT1)
		f.OffsetUT1 = &x
	}
}
