package simulate

import (
	"math"
	"math/rand/v2"
	"sync"
)

// The signal by which listeners measure the channel, as its designers describe it
// (Zenodo 5602094, 2021): what follows when, s from its begin. What comes after the
// second noise is left out.
const (
	soundingNoise   = 10 // after an announcement
	soundingTones   = 13
	soundingChirps  = 24
	soundingBursts  = 34
	soundingNoise2  = 37
	soundingEnd     = 39
	soundingTopHz   = 5000.0
	chirpPause      = 0.1 // after each chirp
	shortChirp      = 0.05
	longChirp       = 1.0
	betweenShortFor = 0.5 // after the short chirps
)

// soundingGauss is the noise, the same whenever it is sent; the samples that are
// really sent are published as such only.
var soundingGauss = sync.OnceValue(func() []float64 {
	r := rand.New(rand.NewPCG(2021, 11))
	x := make([]float64, 2*gridRate)
	for i := range x {
		x[i] = min(max(r.NormFloat64()/3, -1), 1)
	}
	return x
})

// sounding adds to x what is sent from start seconds after the signal's begin on,
// its peaks at a depth.
func (mod *modulator) sounding(x []float64, start, depth float64) {
	if start >= 0 && start < soundingNoise {
		mod.speech.run(x, depth)
		return
	}
	for i := range x {
		x[i] += depth * soundingAt(start+float64(i)/gridRate)
	}
}

// soundingAt is the signal's value t seconds after its begin.
func soundingAt(t float64) float64 {
	noise := func(t float64) float64 { return soundingGauss()[min(int(math.Round(t*gridRate)), 2*gridRate-1)] }
	switch {
	case t < soundingNoise:
	case t < soundingNoise+2:
		return noise(t - soundingNoise)
	case t < soundingTones:
	case t < soundingTones+10:
		sum := 0.0
		for hz := 2000.0; hz <= soundingTopHz; hz += 1000 {
			sum += math.Sin(2 * math.Pi * hz * t)
		}
		step := math.Floor(t - soundingTones)
		return sum / 4 * math.Pow(10, -3*step/20)
	case t < soundingChirps:
	case t < soundingChirps+8:
		return chirpsAt(t - soundingChirps)
	case t < soundingBursts:
	case t < soundingBursts+2:
		// One cycle, five times in a second.
		hz := 2500.0
		if t >= soundingBursts+1 {
			hz = 5000
		}
		if into := math.Mod(t, 0.2); into < 1/hz {
			return math.Sin(2 * math.Pi * hz * into)
		}
	case t < soundingNoise2:
	case t < soundingEnd:
		return noise(t - soundingNoise2)
	}
	return 0
}

// chirpsAt is three short chirps up and three down, and then as many
// long ones.
func chirpsAt(t float64) float64 {
	length := shortChirp
	if begin := 6*(shortChirp+chirpPause) + betweenShortFor; t >= begin {
		t, length = t-begin, longChirp
	}
	n := math.Floor(t / (length + chirpPause))
	if t -= n * (length + chirpPause); t >= length || n >= 6 {
		return 0
	}
	rise := soundingTopHz / length
	if n >= 3 {
		return math.Sin(2 * math.Pi * (soundingTopHz*t - rise*t*t/2))
	}
	return math.Sin(2 * math.Pi * rise * t * t / 2)
}
