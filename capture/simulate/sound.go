package simulate

import (
	"math"
	"math/rand/v2"
)

// Sound is something heard in the receiver channel that is no time station. What
// repeats does so by a clock of its own, which may be right.
type Sound struct {
	Kind      SoundKind
	Level     float64 // amplitude, full scale 1
	PerSecond float64 // how often it repeats; 0: once a second
	ClockPPM  float64 // rate error of its clock; 0: locked to UTC
	// PhaseSeconds is how long after the UTC second it begins at the start of
	// the day.
	PhaseSeconds float64
	ToneHz       float64   // 0: 1000; of Sparks the mains frequency, 0: 50
	SweepHz      float64   // of Sweep, hertz a second, either way; 0: 25000
	FadeHz       float64   // its level comes and goes so often; 0: steady
	Audio        []float32 // of Playback, full scale 1, which is begun again at its end
	AudioRate    float64   // of Audio, Hz
}

// SoundKind names a sound.
type SoundKind string

// The figures of these sounds are common practice.
const (
	Sweep      SoundKind = "sweep"      // a carrier swept through the pass-band
	Radar      SoundKind = "radar"      // pulses of 1 ms
	Dance      SoundKind = "dance"      // drum, cymbal and chord, PerSecond beats
	Clockwork  SoundKind = "clockwork"  // a ticking clock by microphone, tick and tock unlike
	Metronome  SoundKind = "metronome"  // a block of wood struck
	Telegraphy SoundKind = "telegraphy" // a keyed tone of random text, elements of a twentieth of a second
	Data       SoundKind = "data"       // eight tones 6.25 Hz apart, 0.16 s each, in slots of 15 s
	Pips       SoundKind = "pips"       // a broadcaster's six pips before each minute, the last long
	Beacon     SoundKind = "beacon"     // a tone of 0.3 s each second; each minute a dash and ten seconds of a call sign
	Bleep      SoundKind = "bleep"      // a bleep of 30 ms
	Sparks     SoundKind = "sparks"     // mains-locked sparks with harmonics to the top of the band
	Telegrams  SoundKind = "telegrams"  // a tone, in the first half of each repetition shifted by 170 Hz either way at 200 Bd
	Switching  SoundKind = "switching"  // a wandering line of a switch-mode supply with the ripple of 50 Hz mains, on in the first 0.3 of each repetition
	Playback   SoundKind = "playback"   // Audio
)

// sounder plays one sound on the grid.
type sounder struct {
	Sound
	rng     *rand.Rand
	n       float64 // repetitions begun by the latest point
	weight  float64 // of the present repetition
	tones   [4]float64
	element int64
	keyed   bool
	text    []bool // elements to come
	call    []bool // what a beacon sends each minute
	choice  int
	played  float64
	turns   float64 // of a tone that changes
	strayHz float64
}

func newSounder(s Sound, rng *rand.Rand) *sounder {
	if s.PerSecond == 0 {
		s.PerSecond = 1
	}
	if s.ToneHz == 0 {
		s.ToneHz = 1000
		if s.Kind == Sparks {
			s.ToneHz = 50
		}
	}
	if s.SweepHz == 0 {
		s.SweepHz = 25e3
	}
	p := &sounder{Sound: s, rng: rng, element: -1}
	for range 200 {
		p.call = append(p.call, rng.IntN(2) == 0)
	}
	return p
}

// run adds the sound during UTC second sec to x, which is gridRate long.
func (p *sounder) run(x []float64, sec int64) {
	day := float64(sec % 86400)
	for i := range x {
		utc := day + float64(i)/gridRate
		t := (utc - p.PhaseSeconds) * (1 + 1e-6*p.ClockPPM)
		a := p.Level
		if p.FadeHz > 0 {
			a *= 0.55 + 0.45*math.Sin(2*math.Pi*p.FadeHz*utc)
		}
		x[i] += a * p.at(t)
	}
}

// at is the sound at a time of its own clock.
func (p *sounder) at(t float64) float64 {
	turns := t * p.PerSecond
	begun := math.Floor(turns)
	u := (turns - begun) / p.PerSecond // s since the repetition began
	fresh := begun != p.n
	if fresh {
		p.n = begun
		p.weight = 0.7 + 0.3*p.rng.Float64()
	}
	tone := math.Sin(2 * math.Pi * p.ToneHz * u)
	switch p.Kind {
	case Sweep:
		v := u - 0.5/p.PerSecond // through the tone in the middle
		if hz := p.ToneHz + p.SweepHz*v; hz < 100 || hz > 3200 {
			return 0
		}
		return math.Sin(2 * math.Pi * v * (p.ToneHz + p.SweepHz*v/2))
	case Radar:
		if u > 1e-3 {
			return 0
		}
		return math.Sin(2 * math.Pi * p.ToneHz * t)
	case Dance:
		return p.dance(u, turns, fresh)
	case Clockwork:
		hz := 2600.0
		if math.Mod(begun, 2) == 0 {
			hz = 1900
		}
		return p.weight * (0.6*math.Exp(-u/2e-3)*math.Sin(2*math.Pi*hz*u) + 0.4*math.Exp(-u/6e-3)*tone)
	case Metronome:
		return p.weight * math.Exp(-u/0.012) * (0.7*tone + 0.3*math.Sin(2*math.Pi*2.4*p.ToneHz*u))
	case Bleep:
		if u > 30e-3 {
			return 0
		}
		return tone
	case Telegraphy:
		return p.key(t, p.morse) * math.Sin(2*math.Pi*p.ToneHz*t)
	case Beacon:
		second := math.Mod(math.Floor(t), 60)
		on := math.Mod(t, 1) < 0.3
		switch {
		case second == 0:
			on = math.Mod(t, 1) < 0.8
		case second <= 10:
			on = p.call[int((math.Mod(t, 60)-1)*20)]
		}
		return p.key(t, func() bool { return on }) * math.Sin(2*math.Pi*p.ToneHz*t)
	case Data:
		if e := int64(t / 0.16); e != p.element {
			p.element, p.choice = e, p.rng.IntN(8)
			if math.Mod(t, 15) < 0.7 {
				p.keyed = p.rng.Float64() < 0.7 // this slot is used
			}
		}
		if s := math.Mod(t, 15); !p.keyed || s < 0.5 || s > 13.14 {
			return 0
		}
		return math.Sin(2 * math.Pi * (p.ToneHz + 6.25*float64(p.choice)) * t)
	case Telegrams:
		hz := p.ToneHz
		if u < 0.5/p.PerSecond {
			if e := int64(t * 200); e != p.element {
				p.element, p.keyed = e, p.rng.IntN(2) == 0
			}
			hz = p.ToneHz - 170
			if p.keyed {
				hz = p.ToneHz + 170
			}
		}
		p.turns += hz / gridRate
		return math.Sin(2 * math.Pi * p.turns)
	case Switching:
		p.strayHz += 0.02 * p.rng.NormFloat64()
		p.turns += (p.ToneHz + p.strayHz) / gridRate
		if u > 0.3/p.PerSecond {
			return 0
		}
		return (1 + 0.3*math.Sin(2*math.Pi*100*t)) * math.Sin(2*math.Pi*p.turns)
	case Pips:
		second, into := math.Mod(math.Floor(t), 60), math.Mod(t, 1)
		if second >= 55 && into < 0.1 || second == 0 && into < 0.5 {
			return math.Sin(2 * math.Pi * p.ToneHz * t)
		}
	case Sparks:
		phase := math.Mod(t*2*p.ToneHz, 1) / (2 * p.ToneHz)
		return math.Exp(-phase/0.4e-3) * (1 + 0.3*p.rng.NormFloat64())
	case Playback:
		p.played += p.AudioRate / gridRate * p.PerSecond
		whole := int(p.played)
		i := whole % (len(p.Audio) - 1)
		f := p.played - float64(whole)
		return float64(p.Audio[i])*(1-f) + float64(p.Audio[i+1])*f
	}
	return 0
}

// dance is a drum on each beat, a cymbal on each quarter of it and a chord on
// every second.
func (p *sounder) dance(u, turns float64, fresh bool) float64 {
	if fresh && math.Mod(p.n, 2) == 0 {
		root := 220 * math.Exp2(float64(p.rng.IntN(12))/12)
		p.tones = [4]float64{root, root * math.Exp2(4.0/12), root * math.Exp2(7.0/12), 2 * root}
	}
	quarter := math.Mod(turns*4, 1) / (4 * p.PerSecond)
	y := 0.45*math.Exp(-u/0.05)*math.Sin(2*math.Pi*60*u) + 0.12*math.Exp(-quarter/0.03)*p.rng.NormFloat64()
	chord := math.Mod(turns, 2) / p.PerSecond
	for _, hz := range p.tones {
		y += 0.1 * math.Exp(-chord/0.3) * math.Sin(2*math.Pi*hz*chord)
	}
	return y
}

// key is 1 or 0 as the element that holds at t says, 5 ms soft at its edges.
func (p *sounder) key(t float64, next func() bool) float64 {
	if e := int64(t * 20); e != p.element {
		p.element, p.keyed = e, next()
	}
	soft := 2.5e-3 / (1.0 / 16000)
	if p.keyed {
		p.weight = math.Min(1, p.weight+1/soft)
	} else {
		p.weight = math.Max(0, p.weight-1/soft)
	}
	return p.weight
}

// morse is the next element of random text.
func (p *sounder) morse() bool {
	for len(p.text) == 0 {
		for range 1 + p.rng.IntN(4) {
			p.text = append(p.text, true)
			if p.rng.IntN(2) == 0 {
				p.text = append(p.text, true, true)
			}
			p.text = append(p.text, false)
		}
		p.text = append(p.text, false, false)
	}
	on := p.text[0]
	p.text = p.text[1:]
	return on
}
