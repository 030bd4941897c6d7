// Package marker finds the local clock's 1-PPS pulses in one channel of a
// recording, times their on-time edge to a small fraction of a sample, and
// keeps the marker's phase against the sample clock.
//
// A Detector turns samples into pulses, Assess and Choose tell which channel
// carries the marker, and a Track turns pulses into a time base.
//
// # The on-time instant
//
// Position is the instant of the on-time edge as the sound card's linear-phase
// converter places it: the half-way point of the edge's rise after a symmetric
// low-pass. It is found in two parts. Each pulse is fitted to the average of
// its fellows (the template), which is where the nanoseconds come from; where
// the on-time edge lies within the template is found once for each template by
// fitting it with a band-limited rectangular pulse of unknown width behind an
// AC coupling of unknown time constant. A pulse shorter than a sample has no
// edge of its own to see; its width then comes from how its spectrum droops
// towards half the sampling rate, and what stays open is stated in
// Pulse.ReferenceSigmaFrames. That part is the same for every pulse of a recording.
// An edge that the source itself makes slow or lets ring moves the reference by
// a fraction of its rise time; it belongs to the same constant.
package marker
