package simulate

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// radio produces the receiver's audio on the grid, a UTC second at a time.
type radio struct {
	cfg       Receiver
	signals   []emission
	carriers  []*fader
	lightning *lightning
	rng       *rand.Rand
	sigma     float64 // standard deviation of the noise in each of I and Q
	gain      float64 // from carrier amplitude 1 to full scale

	ifRe, ifIm *fir // AM and Sync: the intermediate-frequency filter; SSB: the sideband's
	dial       fader
	sync       complex128 // recovered carrier
	level      float64    // AGC
	sections   []section  // audio filter, detector's coupling first
	linear     *fir       // linear-phase audio filter
	hum        [3]fader
	sounds     []*sounder
	codec      *codec
	second     int64 // UTC second of the next run

	cRe, cIm, mRe, mIm []float64
}

const (
	couplingHz = 2  // of the detector's output capacitor
	syncHz     = 10 // half width of the synchronous detector's carrier recovery
	ssbLowHz   = 200
	ifHalf     = 32
	ssbHalf    = 80
	audioHalf  = 320
)

func newRadio(c *Config, seed *seeder) *radio {
	rx := c.Receiver
	r := &radio{cfg: rx, rng: seed.rng()}
	for _, buf := range []*[]float64{&r.cRe, &r.cIm, &r.mRe, &r.mIm} {
		*buf = make([]float64, gridRate)
	}
	main := Signal{Station: c.Station, Programme: c.Programme, Paths: c.Paths}
	for i, s := range append([]Signal{main}, c.Others...) {
		if s.Station != nil && s.Station.LongWave() {
			mainHz := s.Station.Carriers[0].Hz
			if c.Station != nil {
				mainHz = c.Station.Carriers[0].Hz
			}
			r.signals = append(r.signals, newLongSignal(s, c, mainHz, seed))
			continue
		}
		sig := newSignal(s, c, seed)
		sig.fadeFrom = float64(c.Start.Unix()) + float64(c.Start.Nanosecond())/1e9
		if i == 0 {
			sig.fades = c.Fades
		}
		if i > 0 || s.Station != nil || s.Programme != AsPublished {
			r.signals = append(r.signals, sig)
		}
	}
	for _, k := range c.Carriers {
		var rng *rand.Rand
		if k.SpreadHz > 0 {
			rng = seed.rng()
		}
		f := newFader(Path{ShiftHz: k.OffsetHz, SpreadHz: k.SpreadHz}, math.Sqrt(power(k.LevelDB)), 0, rng)
		r.carriers = append(r.carriers, &f)
	}
	r.lightning = newLightning(c.Lightning, seed.rng(), gridRate)

	// Amplitude of a mark's tone and one-sided noise density after linear
	// detection, see the package comment. Noise of σ² in I and in Q has the
	// density 2σ²/gridRate in either; a single sideband carries half of both.
	mark, density := 1.0, 2.0/gridRate
	longWave := c.Station != nil && c.Station.LongWave()
	if c.Station != nil && !longWave {
		mark = c.Station.Depth
	}
	if rx.Detector == SSB {
		density = 1.0 / gridRate
		if longWave {
			// The mark is in the carrier itself.
		} else if c.Station == nil || !c.Station.UpperSideband && c.Station.Keying != "carrier-on" {
			mark /= 2
		}
	}
	if !c.Noiseless {
		r.sigma = math.Sqrt(mark * mark / 2 / (3000 * power(c.SNRdB)) / density)
	}
	level := rx.Level
	if level == 0 {
		noise := r.sigma * math.Sqrt(density*gridRate/2)
		level = min(0.25, 0.12*mark/max(noise, 1e-9))
	}
	r.gain = level / mark
	if rx.Invert {
		r.gain = -r.gain
	}

	switch rx.Detector {
	case AM, Sync:
		taps := lowPassTaps(rx.BandwidthHz/2/gridRate, ifHalf)
		r.ifRe, r.ifIm = newFIR(taps), newFIR(taps)
		r.sections = append(r.sections, coupling(couplingHz, gridRate))
	case SSB:
		taps := lowPassTaps(rx.BandwidthHz/2/gridRate, ssbHalf)
		re, im := make([]float64, len(taps)), make([]float64, len(taps))
		for i, h := range taps {
			s, c := math.Sincos(2 * math.Pi * (ssbLowHz + rx.BandwidthHz/2) / gridRate * float64(i-ssbHalf))
			re[i], im[i] = h*c, h*s
		}
		r.ifRe, r.ifIm = newFIR(re), newFIR(im)
		r.dial = newFader(Path{ShiftHz: rx.MistuningHz, PhaseRadians: 2 * math.Pi * r.rng.Float64()}, 1, 0, nil)
	}
	f := rx.Filter
	switch {
	case f.Order > 0:
		if f.HighPassHz > 0 {
			r.sections = append(r.sections, butterworth(f.Order, f.HighPassHz/gridRate, true)...)
		}
		if f.LowPassHz > 0 {
			r.sections = append(r.sections, butterworth(f.Order, f.LowPassHz/gridRate, false)...)
		}
	case f.HighPassHz > 0 || f.LowPassHz > 0:
		high := f.LowPassHz
		if high == 0 {
			high = gridRate / 2
		}
		taps := lowPassTaps(high/gridRate, audioHalf)
		if f.HighPassHz > 0 {
			for i, h := range lowPassTaps(f.HighPassHz/gridRate, audioHalf) {
				taps[i] -= h
			}
		}
		r.linear = newFIR(taps)
	}
	if rx.HumHz > 0 {
		for k := range r.hum {
			n := float64(k + 1)
			r.hum[k] = newFader(Path{ShiftHz: n * rx.HumHz, PhaseRadians: 2 * math.Pi * r.rng.Float64()}, rx.HumLevel/n, 0, nil)
		}
	}
	for _, s := range c.Sounds {
		r.sounds = append(r.sounds, newSounder(s, seed.rng()))
	}
	if rx.Compressed {
		r.codec = newCodec()
	}
	return r
}

// latency is by how many grid points the audio is late because of the way
// filters are computed, not by any delay of the simulated receiver.
func (r *radio) latency() int {
	n := 0
	if r.ifRe != nil {
		n += r.ifRe.latency()
	}
	if r.linear != nil {
		n += r.linear.latency()
	}
	if r.codec != nil {
		n += codecFrame / 2
	}
	return n
}

// emission is a signal as it arrives at the antenna.
type emission interface {
	// start prepares for run to begin with UTC second sec.
	start(sec int64)
	// run adds the next UTC second, gridRate points, to c the carriers and m the
	// modulation, both complex.
	run(cRe, cIm, mRe, mIm []float64)
}

// start prepares for run to begin with UTC second sec.
func (r *radio) start(sec int64) {
	r.second = sec
	for _, s := range r.signals {
		s.start(sec)
	}
}

// run fills audio, gridRate long, with the next second.
func (r *radio) run(audio []float64) {
	cRe, cIm, mRe, mIm := r.cRe, r.cIm, r.mRe, r.mIm
	clear(cRe)
	clear(cIm)
	clear(mRe)
	clear(mIm)
	for _, s := range r.signals {
		s.run(cRe, cIm, mRe, mIm)
	}
	if r.cfg.Detector == Linear {
		r.detectLinear(audio)
	} else {
		r.antenna()
		switch r.cfg.Detector {
		case AM:
			r.ifRe.run(cRe)
			r.ifIm.run(cIm)
			for i, re := range cRe {
				audio[i] = math.Sqrt(re*re + cIm[i]*cIm[i])
			}
		case Sync:
			r.ifRe.run(cRe)
			r.ifIm.run(cIm)
			r.detectSync(audio)
		case SSB:
			r.detectSSB(audio)
		}
	}
	r.agc(audio)
	for i := range r.sections {
		r.sections[i].run(audio)
	}
	if r.linear != nil {
		r.linear.run(audio)
	}
	for i := range audio {
		audio[i] *= r.gain
	}
	if r.cfg.HumHz > 0 {
		for k := range r.hum {
			r.hum[k].run(cRe, cIm)
			for i, v := range cRe {
				audio[i] += v
			}
		}
	}
	for _, s := range r.sounds {
		s.run(audio, r.second)
	}
	if r.codec != nil {
		r.codec.run(audio)
	}
	r.second++
}

// antenna gathers in c the whole signal with noise, interference and lightning.
func (r *radio) antenna() {
	re, im := r.cRe, r.cIm
	for i := range re {
		re[i] += r.mRe[i]
		im[i] += r.mIm[i]
	}
	for _, k := range r.carriers {
		k.run(r.mRe, r.mIm)
		for i := range re {
			re[i] += r.mRe[i]
			im[i] += r.mIm[i]
		}
	}
	if r.sigma > 0 {
		for i := range re {
			re[i] += r.sigma * r.rng.NormFloat64()
			im[i] += r.sigma * r.rng.NormFloat64()
		}
	}
	r.lightning.run(re, im)
}

// detectLinear projects the modulation on the sum of the carriers:
// Re(Σ g_i m_i · conj C) / |C| with C = Σ g_i.
func (r *radio) detectLinear(audio []float64) {
	for i := range audio {
		cr, ci := r.cRe[i], r.cIm[i]
		if p := cr*cr + ci*ci; p > 0 {
			audio[i] = (r.mRe[i]*cr + r.mIm[i]*ci) / math.Sqrt(p)
		} else {
			audio[i] = 0
		}
	}
	if r.sigma > 0 {
		for i := range audio {
			audio[i] += r.sigma * r.rng.NormFloat64()
		}
	}
	clear(r.cIm) // lightning reaches the audio, the other carriers do not
	r.lightning.run(audio, r.cIm)
}

// detectSync multiplies by the carrier's phase, recovered through a first-order
// low-pass.
func (r *radio) detectSync(audio []float64) {
	const a = 2 * math.Pi * syncHz / gridRate
	sr, si := real(r.sync), imag(r.sync)
	for i, re := range r.cRe {
		im := r.cIm[i]
		sr += a * (re - sr)
		si += a * (im - si)
		audio[i] = (re*sr + im*si) / math.Sqrt(sr*sr+si*si+1e-30)
	}
	r.sync = complex(sr, si)
}

// detectSSB shifts the spectrum by the mistuning and keeps the real part of
// what is above the dial's frequency.
func (r *radio) detectSSB(audio []float64) {
	r.dial.run(r.mRe, r.mIm)
	if d := r.cfg.DriftHz; d != 0 {
		r.dial.turn *= cmplx.Rect(1, 2*math.Pi*d/3600/gridRate)
	}
	for i, re := range r.cRe {
		im := r.cIm[i]
		r.cRe[i], r.cIm[i] = re*r.mRe[i]-im*r.mIm[i], re*r.mIm[i]+im*r.mRe[i]
	}
	// Real part of a complex convolution. dot runs forward in time where a
	// convolution runs back, which conjugates these taps.
	r.ifRe.run(r.cRe)
	r.ifIm.run(r.cIm)
	for i := range audio {
		audio[i] = r.cRe[i] + r.cIm[i]
	}
}

// agc divides by a level that follows |x|.
func (r *radio) agc(x []float64) {
	if r.cfg.AGC.AttackSeconds == 0 {
		return
	}
	attack := 1 - math.Exp(-1/(gridRate*r.cfg.AGC.AttackSeconds))
	decay := 1 - math.Exp(-1/(gridRate*max(r.cfg.AGC.DecaySeconds, 1e-4)))
	level := r.level
	for i, v := range x {
		a := math.Abs(v)
		if a > level {
			level += attack * (a - level)
		} else {
			level += decay * (a - level)
		}
		x[i] = v / (level + 1e-3)
	}
	r.level = level
}

// delays are the receiver's group and phase delay at an audio frequency, s.
func (r *radio) delays(hz float64) (group, phase float64) {
	for i := range r.sections {
		g, p := r.sections[i].delays(hz / gridRate)
		group += g
		phase += p
	}
	return group/gridRate + r.cfg.DelaySeconds, phase/gridRate + r.cfg.DelaySeconds
}
