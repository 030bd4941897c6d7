package simulate

import (
	"math"
	"math/rand/v2"
)

// pathHalf is half the number of taps that read the modulation at a path's
// delay.
const pathHalf = 16

// path carries one signal's modulation over one way.
type path struct {
	whole int       // delay: grid points before the present one at which taps begin
	taps  []float64 // read between grid points
	gain  fader
}

func newPath(p Path, amplitude, offsetHz float64, rng *rand.Rand) *path {
	back := p.DelaySeconds * gridRate
	ahead := math.Ceil(back)
	// Near a grid point the last few ulps of a delay must not cost 32 taps.
	if r := math.Round(back); math.Abs(back-r) < 1e-7 {
		return &path{whole: int(r), taps: []float64{1}, gain: newFader(p, amplitude, offsetHz, rng)}
	}
	return &path{
		whole: int(ahead) + pathHalf - 1,
		taps:  fractionalTaps(ahead-back, 0.5, pathHalf),
		gain:  newFader(p, amplitude, offsetHz, rng),
	}
}

// run writes to out the modulation as it arrives; m[at] is the modulation at
// the transmitter at the time of out[0].
func (p *path) run(out, m []float64, at int) {
	for i := range out {
		out[i] = dot(p.taps, m[at+i-p.whole:])
	}
}

// fader is a path's complex gain: steady, or a complex Gaussian process with a
// Gaussian Doppler spectrum of standard deviation σ (Rec. ITU-R F.1487),
// made at no less than 64 σ and interpolated linearly.
type fader struct {
	amplitude  float64
	turn       complex128 // Doppler shift and carrier offset for each grid point
	phase      complex128
	rng        *rand.Rand
	taps       []float64 // nil: steady
	white      []complex128
	from, to   complex128 // gain at the slow points about the present
	every, age int        // grid points between slow points; since from
}

func newFader(p Path, amplitude, offsetHz float64, rng *rand.Rand) fader {
	s, c := math.Sincos(2 * math.Pi * (p.ShiftHz + offsetHz) / gridRate)
	ps, pc := math.Sincos(p.PhaseRadians)
	f := fader{amplitude: amplitude, turn: complex(c, s), phase: complex(pc, ps), rng: rng}
	if p.SpreadHz == 0 {
		return f
	}
	sigma := p.SpreadHz / 2
	f.every = max(1, min(gridRate/4, int(gridRate/(64*sigma))))
	rate := gridRate / float64(f.every)
	half := int(math.Ceil(4 / (2 * math.Pi * sigma) * rate))
	f.taps = make([]float64, 2*half+1)
	sum := 0.0
	for i := range f.taps {
		t := 2 * math.Pi * sigma * float64(i-half) / rate
		f.taps[i] = math.Exp(-t * t)
		sum += f.taps[i] * f.taps[i]
	}
	for i := range f.taps {
		f.taps[i] /= math.Sqrt(sum)
	}
	f.white = make([]complex128, len(f.taps))
	for i := range f.white {
		f.white[i] = f.normal()
	}
	f.to = f.slow()
	f.age = f.every
	return f
}

// normal is a complex Gaussian of unit mean power.
func (f *fader) normal() complex128 {
	return complex(f.rng.NormFloat64()*math.Sqrt2/2, f.rng.NormFloat64()*math.Sqrt2/2)
}

func (f *fader) slow() complex128 {
	copy(f.white, f.white[1:])
	f.white[len(f.white)-1] = f.normal()
	var re, im float64
	for i, w := range f.white {
		re += f.taps[i] * real(w)
		im += f.taps[i] * imag(w)
	}
	return complex(re, im)
}

// run fills re and im with the gain at consecutive grid points.
func (f *fader) run(re, im []float64) {
	steady := f.taps == nil
	if steady && f.turn == 1 {
		a, b := f.amplitude*real(f.phase), f.amplitude*imag(f.phase)
		for i := range re {
			re[i], im[i] = a, b
		}
		return
	}
	g := complex(f.amplitude, 0)
	for i := range re {
		if !steady {
			if f.age == f.every {
				f.from, f.to, f.age = f.to, f.slow(), 0
			}
			u := f.amplitude * float64(f.age) / float64(f.every)
			g = complex(f.amplitude-u, 0)*f.from + complex(u, 0)*f.to
			f.age++
		}
		v := g * f.phase
		re[i], im[i] = real(v), imag(v)
		f.phase *= f.turn
	}
	// Keep the rotation on the unit circle.
	f.phase /= complex(math.Hypot(real(f.phase), imag(f.phase)), 0)
}

// signal is one emission on its way through its paths.
type signal struct {
	mod      *modulator
	paths    []*path
	fades    []Fade
	fadeFrom float64   // UTC second from which fades count
	hilbert  *fir      // upper sideband only; nil: both
	m, q     []float64 // modulation and its quadrature: the second before, this one, the next
	next     int64     // UTC second to be modulated next
	out      []float64 // scratch
	outq     []float64
	re, im   []float64
}

func newSignal(s Signal, c *Config, seed *seeder) *signal {
	sig := &signal{
		mod: newModulator(s, c.DUT1, leapSecond{c.LeapPending, c.LeapAt}, seed.rng()),
		m:   make([]float64, 3*gridRate),
		out: make([]float64, gridRate), re: make([]float64, gridRate), im: make([]float64, gridRate),
	}
	if s.Station != nil && s.Station.UpperSideband {
		sig.hilbert = newFIR(hilbertTaps(64))
		sig.q, sig.outq = make([]float64, 3*gridRate), make([]float64, gridRate)
	}
	total := 0.0
	for _, p := range s.Paths {
		total += power(p.LevelDB)
	}
	for _, p := range s.Paths {
		a := math.Sqrt(power(p.LevelDB+s.LevelDB) / total)
		sig.paths = append(sig.paths, newPath(p, a, s.OffsetHz, seed.rng()))
	}
	return sig
}

func power(dB float64) float64 { return math.Pow(10, dB/10) }

// start prepares for run to begin with UTC second sec.
func (s *signal) start(sec int64) {
	s.next = sec - 1
	s.modulate()
	s.modulate()
}

// modulate adds a second to m.
func (s *signal) modulate() {
	copy(s.m, s.m[gridRate:])
	s.mod.second(s.m[2*gridRate:], s.next)
	s.next++
	if s.hilbert != nil {
		// q is late by the shifter's latency; run looks ahead by it.
		copy(s.q, s.q[gridRate:])
		copy(s.q[2*gridRate:], s.m[2*gridRate:])
		s.hilbert.run(s.q[2*gridRate:])
	}
}

// run adds the signal of the next UTC second to the sums it arrives in:
// c the carriers, m the modulation, both complex.
func (s *signal) run(cRe, cIm, mRe, mIm []float64) {
	s.modulate()
	sec := s.next - 2
	for _, p := range s.paths {
		p.run(s.out, s.m, gridRate)
		p.gain.run(s.re, s.im)
		s.fade(sec)
		re, im := s.re, s.im
		for i, x := range s.out {
			cRe[i] += re[i]
			cIm[i] += im[i]
			mRe[i] += re[i] * x
			mIm[i] += im[i] * x
		}
		if s.hilbert == nil {
			continue
		}
		p.run(s.outq, s.q, gridRate+s.hilbert.latency())
		for i, x := range s.outq {
			mRe[i] -= im[i] * x
			mIm[i] += re[i] * x
		}
	}
}

// fade lowers the gain in re and im where Config.Fades says so.
func (s *signal) fade(sec int64) {
	const flank = 1.0 // s
	for _, f := range s.fades {
		begin := s.fadeFrom + f.AtSeconds - float64(sec)
		if begin-flank > 1 || begin+f.ForSeconds+flank < 0 {
			continue
		}
		floor := math.Sqrt(power(-f.DepthDB))
		for i := range s.re {
			t := float64(i)/gridRate - begin
			outside := max(-t, t-f.ForSeconds, 0) / flank
			if outside >= 1 {
				continue
			}
			g := floor + (1-floor)*(1-math.Cos(math.Pi*outside))/2
			s.re[i] *= g
			s.im[i] *= g
		}
	}
}

// seeder hands out independent generators in a fixed order.
type seeder struct{ seed, stream uint64 }

func (s *seeder) rng() *rand.Rand {
	s.stream++
	return rand.New(rand.NewPCG(s.seed, s.stream))
}
