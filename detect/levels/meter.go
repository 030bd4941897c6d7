// Package levels judges what a recording's channels carry: whether the receiver
// and the marker are there, well set, well wired and kept apart.
package levels

import "math"

// Level is the level of one channel over a while. Full scale is 1.
type Level struct {
	Peak    float64 `json:"peak"`
	RMS     float64 `json:"rms"` // about DC
	DC      float64 `json:"dc"`
	Clipped int     `json:"clipped"` // samples in runs at full scale
}

// PeakDB is the peak in decibels below full scale; −Inf for silence.
func (l Level) PeakDB() float64 { return 20 * math.Log10(l.Peak) }

// fullScale is where a converter of 12 bits or more clips, and the samples in a
// row at it that no sound reaches by chance.
const (
	fullScale = 0.9995
	clipRun   = 3
)

// Meter measures the level of one channel.
type Meter struct {
	n, sum, square float64
	peak           float64
	run, clipped   int
}

// Add takes samples.
func (m *Meter) Add(x []float32) {
	sum, square := 0.0, 0.0
	peak := float32(0)
	for _, v := range x {
		sum += float64(v)
		square += float64(v) * float64(v)
		a := max(v, -v)
		peak = max(peak, a)
		if a < fullScale {
			m.run = 0
			continue
		}
		m.run++
		switch {
		case m.run == clipRun:
			m.clipped += clipRun
		case m.run > clipRun:
			m.clipped++
		}
	}
	m.n += float64(len(x))
	m.sum += sum
	m.square += square
	m.peak = max(m.peak, float64(peak))
}

// Take returns the level since the last call, and begins anew.
func (m *Meter) Take() Level {
	l := Level{Peak: m.peak, Clipped: m.clipped}
	if m.n > 0 {
		l.DC = m.sum / m.n
		l.RMS = math.Sqrt(max(0, m.square/m.n-l.DC*l.DC))
	}
	*m = Meter{run: m.run}
	return l
}
