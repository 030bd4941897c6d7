package simulate

import (
	"math"
	"math/rand/v2"
)

// speech is a stand-in for a voice: syllables of a pitched or hissing source
// through three resonances that move from one syllable to the next, with
// pauses between phrases. Its figures are common practice.
type speech struct {
	rng      *rand.Rand
	left, n  int     // of the present syllable or pause: grid points to go, and in all
	silent   bool    // a pause
	hiss     bool    // unvoiced
	pitch    float64 // cycles a grid point
	glide    float64 // factor on pitch for each point
	phase    float64
	glottis  float64
	formants [3]resonance
	weights  [3]float64
}

// resonance is a two-pole resonator of unit gain at its peak, roughly.
type resonance struct{ b, a1, a2, y1, y2 float64 }

func (r *resonance) tune(hz, width float64) {
	p := math.Exp(-math.Pi * width / gridRate)
	r.a1, r.a2 = 2*p*math.Cos(2*math.Pi*hz/gridRate), -p*p
	r.b = (1 - p) * 2 * math.Sin(2*math.Pi*hz/gridRate)
}

func (r *resonance) step(x float64) float64 {
	y := r.b*x + r.a1*r.y1 + r.a2*r.y2
	r.y1, r.y2 = y, r.y1
	return y
}

func newSpeech(rng *rand.Rand) *speech { return &speech{rng: rng} }

func (s *speech) between(lo, hi float64) float64 { return lo + (hi-lo)*s.rng.Float64() }

func (s *speech) next() {
	s.silent = s.rng.Float64() < 0.2
	s.hiss = s.rng.Float64() < 0.2
	s.n = int(s.between(0.09, 0.28) * gridRate)
	if s.silent {
		s.n = int(s.between(0.05, 0.5) * gridRate)
	}
	s.left = s.n
	s.pitch = s.between(95, 160) / gridRate
	s.glide = 1 + s.between(-2, 1)*1e-5
	hz := [3]float64{s.between(300, 800), s.between(900, 2200), s.between(2300, 3000)}
	if s.hiss {
		hz = [3]float64{s.between(1500, 2000), s.between(2500, 3000), s.between(3200, 4000)}
	}
	for i := range s.formants {
		s.formants[i].tune(hz[i], 60+40*float64(i))
	}
	s.weights = [3]float64{1, s.between(0.3, 0.8), s.between(0.1, 0.4)}
}

// run adds speech to x with peaks of about amplitude.
func (s *speech) run(x []float64, amplitude float64) {
	for i := range x {
		if s.left == 0 {
			s.next()
		}
		s.left--
		if s.silent {
			continue
		}
		var source float64
		if s.hiss {
			source = 1.2 * s.rng.NormFloat64()
		} else {
			s.phase += s.pitch
			s.pitch *= s.glide
			if s.phase >= 1 {
				s.phase--
				source = 20
			}
			s.glottis += 0.2 * (source - s.glottis)
			source = s.glottis
		}
		y := 0.0
		for k := range s.formants {
			y += s.weights[k] * s.formants[k].step(source)
		}
		u := float64(s.left) / float64(s.n)
		x[i] += amplitude * max(-1, min(1, y*4*4*u*(1-u)))
	}
}

// music is a stand-in for dance music: chords that die away and a drum, both
// on a steady beat. One seed in four beats exactly twice a second, so that
// everything repeats each second as ticks do.
type music struct {
	rng   *rand.Rand
	beat  int // grid points a beat
	left  int // to the next beat
	count int
	notes [3][4]partial // three notes of four harmonics
	drum  float64       // level of the present stroke
}

// partial is a decaying sine.
type partial struct{ s, c, ds, dc float64 }

func newMusic(rng *rand.Rand) *music {
	m := &music{rng: rng, beat: gridRate / 2}
	if rng.IntN(4) != 0 {
		m.beat = int(60 * gridRate / (90 + 50*rng.Float64()))
	}
	return m
}

func (m *music) strike() {
	m.left = m.beat
	m.drum = 1
	m.count++
	if m.count%2 == 0 {
		m.drum = 0.5
		return
	}
	root := 110 * math.Exp2(float64(m.rng.IntN(12))/12)
	for i, semitones := range [3]float64{0, 4, 7} {
		for k := range m.notes[i] {
			hz := root * math.Exp2(semitones/12) * float64(k+1)
			decay := math.Exp(-3.0 * float64(k+1) / gridRate)
			ds, dc := math.Sincos(2 * math.Pi * hz / gridRate)
			m.notes[i][k] = partial{c: 0.2 / float64(k+1), ds: ds * decay, dc: dc * decay}
		}
	}
}

// run adds music to x with peaks of about amplitude.
func (m *music) run(x []float64, amplitude float64) {
	const drumDecay = 1 - 1/(0.01*gridRate)
	for i := range x {
		if m.left == 0 {
			m.strike()
		}
		m.left--
		y := 0.3 * m.drum * m.rng.NormFloat64()
		m.drum *= drumDecay
		for n := range m.notes {
			for k := range m.notes[n] {
				p := &m.notes[n][k]
				p.s, p.c = p.s*p.dc+p.c*p.ds, p.c*p.dc-p.s*p.ds
				y += p.s
			}
		}
		x[i] += amplitude * max(-1, min(1, y))
	}
}
