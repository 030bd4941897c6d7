package recognise

import (
	"math"
	"slices"

	"timeball/detect/logsum"
)

// periods are those, s, that divide two minutes, in which something unknown may go
// through its sounds over and over; 0: each second has one at random.
var periods = [...]int64{0, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 24, 30, 40, 60, 120}

// What is thought beforehand of something unknown that repeats (judgement).
const (
	unordered = 0.5  // that it keeps no period; each of the others is as likely
	common    = 0.5  // that a sound of its is that by which it was found, the station's commonest
	silence   = 0.1  // or none; each of the others is as likely
	slips     = 0.02 // of its sounds that are not what their place in the period had before
)

// unknown is the log likelihood of something that repeats with sounds and a period of
// its own, all of it told from the seconds before.
func (m *measured) unknown(heard []second, usual int) float64 {
	like := append(slices.Clone(m.decoys), m.unlike(), m.likes(m.sounds[usual], m.tile))
	prior := make([]float64, len(like))
	for c := range prior {
		prior[c] = (1 - common - silence) / float64(len(prior)-2)
	}
	prior[slices.Index(m.made, sound{})] = silence
	prior[len(prior)-1] = common
	log := math.Log(unordered) + repeating(like, prior, heard, 0)
	for _, p := range periods[1:] {
		log = logsum.Add(log, math.Log((1-unordered)/float64(len(periods)-1))+repeating(like, prior, heard, p))
	}
	return log
}

// repeating is the log likelihood of sounds that come with a period; like has the
// likelihoods of each kind of sound, by second. Whatever place of the period is new has
// its sound with the shares that the places before had, and that beforehand as one more.
func repeating(like [][]float64, prior []float64, heard []second, period int64) float64 {
	count, places := slices.Clone(prior), 1.0
	known := map[int64][]float64{} // probabilities of each kind, by place
	now := make([]float64, len(prior))
	log := 0.0
	for i, s := range heard {
		mean := 0.0
		for c := range now {
			now[c] = count[c] / places * like[c][i]
			mean += now[c]
		}
		var before []float64
		if period > 0 {
			before = known[((s.n%period)+period)%period]
		}
		if before == nil {
			places++
			before = make([]float64, len(prior))
			if period > 0 {
				known[((s.n%period)+period)%period] = before
			}
		} else {
			all := 0.0
			for c, v := range before {
				now[c] = v * ((1-slips)*like[c][i] + slips*mean)
				all += now[c]
			}
			mean = all
		}
		log += math.Log(mean)
		for c, v := range now {
			count[c] += v/mean - before[c]
			before[c] = v / mean
		}
	}
	return log
}

// unlike are the likelihoods, by second, of something that no decoy is: each of its
// tiles sounds by itself, in a share of the seconds that those before tell (Krichevsky
// and Trofimov 1981, from memory), and a tick is as likely as not.
func (m *measured) unlike() []float64 {
	often := make([]float64, len(m.tile[0]))
	for j := range often {
		often[j] = 0.5
	}
	out := make([]float64, len(m.tile))
	for i, row := range m.tile {
		out[i] = (1 + math.Exp(m.tick[i])) / 2
		for j, v := range row {
			q := often[j] / float64(i+1)
			there := q * math.Exp(v)
			mean := 1 - q + there
			out[i] *= mean
			often[j] += there / mean
		}
	}
	return out
}
