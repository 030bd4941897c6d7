// Package marker finds the local clock's 1-PPS pulses in one channel of a
// recording, times their on-time edge to a small fraction of a sample, and
// keeps the marker's phase against the sample clock.
//
// A Detector turns samples into pulses, Assess and Choose tell which channel
// carries the marker, and a Track turns pulses into a time base.
//
// # The on-time instant
//
// Position is the instant at which the on-time edge is half-way up, after a
// symmetric (linear-phase) low-pass, as the sound card's converter is. It is
// found in two parts.
//
// Each pulse is fitted to the average of its fellows, the template; that is
// where the nanoseconds come from. Where the on-time edge lies within the
// template is found apart, by fitting the template with a rectangular pulse of
// unknown width behind an AC coupling of unknown time constant, ringing
// included where it shows. A pulse shorter than a sample has no edge of its own
// to see: what shows is its middle, and its width comes from how its spectrum
// droops towards half the sampling rate. At 48 kHz and 60 dB that places the
// leading edge of a 20 us pulse to some 10 ns if the converter is perfectly
// flat, and to 0.16 us (standard uncertainty) if it is flat to 0.03 dB; at 8 kHz
// only to some microseconds.
// An edge that its source makes slow is taken at the half-way point of its rise.
// What stays open, the same for every pulse of a recording, is stated in
// Pulse.ReferenceSigmaFrames.
package marker
