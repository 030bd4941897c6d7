package path

import (
	"math"

	"timeball/align/path/ionosphere"
	"timeball/align/path/noise"
	"timeball/capture/station"
)

// Receiver is what is assumed of the receiving place. The zero value is of no
// use; start from DefaultReceiver.
type Receiver struct {
	Environment noise.Environment // how much man-made noise there is
	// AntennaDBi is the receiving antenna's gain over an isotropic one, its
	// losses included, at the elevation of the arrivals.
	AntennaDBi float64
	// TransmitterDBi is the same for the station's antenna.
	TransmitterDBi float64
	// RequiredSNR is what counts as heard: tick tone over noise in 3 kHz of audio, dB.
	RequiredSNR float64
	Noise       noise.Maps // of the atmosphere; nil: the embedded climatology
}

// DefaultReceiver is a residential garden with a small antenna and a station with
// a half-wave vertical, and a tick that needs no patience: common practice.
var DefaultReceiver = Receiver{Environment: noise.Residential, AntennaDBi: 0, TransmitterDBi: 0, RequiredSNR: 3}

const audioBandwidthHz = 3000

// UnpublishedPowerW is what a carrier is taken to radiate whose power nobody has
// published: common practice.
const UnpublishedPowerW = 1e3

// powerDB is a carrier's power over 1 kW.
func powerDB(c station.Carrier) float64 {
	if c.PowerW == 0 {
		c.PowerW = UnpublishedPowerW
	}
	return 10 * math.Log10(c.PowerW/1e3)
}

// signal is what a receiver can expect of one carrier at one instant.
type signal struct {
	snrDB       float64 // median, tick tone over noise in 3 kHz of audio
	reliability float64 // share of days with at least the required SNR
}

// reception estimates the signal from the modes of the median ionosphere: that of
// the mode most likely to be good enough.
func (s *sky) reception(c station.Carrier, depth float64, r Receiver, external noise.Figure) signal {
	all := s.candidates(c.Hz)
	mufHz := 0.0
	for _, m := range all {
		if m.layer != sporadic {
			mufHz = max(mufHz, m.mufHz)
		}
	}
	best := signal{snrDB: math.Inf(-1)}
	for _, m := range all {
		fieldDB := m.levelDB + powerDB(c) + r.TransmitterDBi
		// Received power in dBW (Rec. ITU-R P.533-14 section 6).
		power := fieldDB + r.AntennaDBi - 20*math.Log10(c.Hz/1e6) - 107.2
		// A tone of modulation depth m has, after demodulation, m² times half the
		// carrier's ratio to the noise in the audio's bandwidth.
		snr := power - external.PowerDBW(audioBandwidthHz) + 20*math.Log10(depth) - 3
		// On days when the mode is above its MUF the signal comes by scatter, too
		// smeared to time a tick by, however strong.
		chance := m.chance
		if m.layer == layerF2 {
			chance *= s.chanceAbove(c.Hz / m.mufHz)
		}
		own := signal{snr, chance * reliability(snr-r.RequiredSNR, c.Hz/mufHz, s.auroral, external)}
		if own.reliability > best.reliability || own.reliability == best.reliability && own.snrDB > best.snrDB {
			best = own
		}
	}
	return best
}

// chanceAbove is the share of days whose foF2 over the median exceeds ratio.
func (s *sky) chanceAbove(ratio float64) float64 {
	if ratio < 1 {
		return normalCDF((1 - ratio) / (1 - s.low) * 1.2816)
	}
	return normalCDF((1 - ratio) / (s.high - 1) * 1.2816)
}

// external is all noise at a receiver for a given atmospheric noise; foF2Hz is
// the critical frequency overhead.
func (r Receiver) external(atmospheric noise.Figure, frequencyHz, foF2Hz float64) noise.Figure {
	sources := []noise.Figure{atmospheric, noise.ManMade(r.Environment, frequencyHz)}
	if g, arrives := noise.Galactic(frequencyHz, foF2Hz); arrives {
		sources = append(sources, g)
	}
	return noise.Sum(sources...)
}

// noiseAt is all noise at a receiver at an instant.
func (now instant) noiseAt(at LatLon, r Receiver, frequencyHz float64) noise.Figure {
	maps := r.Noise
	if maps == nil {
		maps = noise.Embedded()
	}
	foF2Hz, _ := now.f2.F2(ionosphere.NewPlace(at))
	return r.external(maps.Atmospheric(at, now.time, now.sun.LocalHours(at), frequencyHz), frequencyHz, foF2Hz)
}

// reliability is the basic circuit reliability of Rec. ITU-R P.842-4 for a median
// SNR above the required one by marginDB; mufRatio is frequency over MUF.
func reliability(marginDB, mufRatio float64, auroral bool, n noise.Figure) float64 {
	lower, upper := signalDeciles(mufRatio, auroral)
	const lowerWithinHour, upperWithinHour = 8, 5
	if marginDB >= 0 {
		d := math.Sqrt(n.UpperDB*n.UpperDB + lower*lower + lowerWithinHour*lowerWithinHour)
		return min(1.3-0.8/(1+marginDB/d), 1)
	}
	d := math.Sqrt(n.LowerDB*n.LowerDB + upper*upper + upperWithinHour*upperWithinHour)
	return max(0.8/(1-marginDB/d)-0.3, 0)
}

// signalDeciles are the deciles of a signal from day to day, dB below and above
// its median (P.842-4 table 1; auroral is 60 degrees of geomagnetic latitude and more).
func signalDeciles(mufRatio float64, auroral bool) (lower, upper float64) {
	limits := [...]float64{0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2, 3, 4}
	table := [2][10]float64{{8, 12, 13, 10, 8, 8, 8, 7, 6, 5}, {6, 8, 12, 13, 12, 9, 9, 8, 7, 7}}
	if auroral {
		table = [2][10]float64{{11, 16, 17, 13, 11, 11, 11, 9, 8, 7}, {9, 11, 12, 13, 12, 9, 9, 8, 7, 7}}
	}
	i := 0
	for i < len(limits) && mufRatio > limits[i] {
		i++
	}
	return table[0][i], table[1][i]
}
