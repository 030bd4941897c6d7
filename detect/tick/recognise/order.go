package recognise

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"timeball/capture/station"
	"timeball/detect/logsum"
)

// Order is what the order of the sounds in a minute says for a station, as the
// logarithm of a ratio of likelihoods.
type Order struct {
	// Known is for the station against something unknown: its sounds in the
	// station's order, against a random order or one of its own.
	Known float64
	// Kept is for the same against the station's own sounds in any order, or the
	// commonest of them in every second, as clocks and a broadcaster's pips have it.
	// What is heard wrong alike, as other tones beneath, counts for neither: a low
	// Kept is evidence against the station. Of its own recordings no more than
	// exp(Kept) come so low.
	Kept float64
	// Rival is that of the likeliest other station against this one, and Other
	// which it is; −Inf and nil without any.
	Rival float64
	Other *station.Station
	// Second is the second of the minute of flywheel second Ref, when the minute
	// has been made out with better than even odds; else −1.
	Second int
	Ref    int64
	Heard  int // seconds it was told from
}

const (
	unknownOrder = 0.01 // that a thing which repeats has a minute of its own
	emphasis     = 0.2  // that DUT1 changes the mark of a second that it may change
	steps        = 20   // of expectation and maximisation
)

// A tone of the programme may sound at the marks' tone, by distortion, in a share of
// the seconds that have one, each as likely as the others; and anything else in a share
// of all, which is seldom large.
var (
	programmeShares = [...]float64{0, 0.15, 0.5, 0.9}
	otherShares     = [...]struct{ share, prior float64 }{{0.001, 0.8}, {0.03, 0.2}}
)

// tempers are powers of the likelihoods of ticks and of tones. A group that is too
// weak, or that the model has wrong, is best ignored. Each has its probability
// beforehand.
var tempers = [...]struct{ tick, tone, prior float64 }{{1, 1, 0.7}, {1, 0.3, 0.1}, {0.3, 0.3, 0.1}, {0, 1, 0.1}}

// Order weighs what was heard for station s. Others are rivals, and table all
// stations, of which s may be one. start tells, when it is known, the second of the
// hour at flywheel second 0 to within 30 s; NaN: not known.
func (l *Listener) Order(s *station.Station, others []*station.Station, start float64) Order {
	out := Order{Known: math.Inf(-1), Kept: math.Inf(-1), Rival: math.Inf(-1), Second: -1, Heard: len(l.heard)}
	if len(l.heard) < 5 {
		out.Known, out.Kept = 0, 0
		return out
	}
	off := l.off()
	ticks, heard := l.ticks(), l.audible()
	var rivals []float64
	top, loose := math.Inf(-1), math.Inf(-1)
	for _, b := range tempers {
		m := l.measure(off, ticks, heard, b.tick, b.tone)
		own, k, clear := m.inOrder(l, s, start)
		out.Known = logsum.Add(out.Known, math.Log(b.prior)+own-m.unknown(l))
		out.Kept, loose = logsum.Add(out.Kept, math.Log(b.prior)+own), logsum.Add(loose, math.Log(b.prior)+m.loose(l, s, math.IsNaN(start)))
		if own > top {
			top = own
			out.Second, out.Ref = -1, l.heard[0].n
			if clear {
				out.Second = int(((l.heard[0].n-k)%60 + 60) % 60)
			}
		}
		for i, o := range others {
			if i == len(rivals) {
				rivals = append(rivals, math.Inf(-1))
			}
			other, _, _ := m.inOrder(l, o, start)
			rivals[i] = max(rivals[i], other-own)
		}
	}
	out.Kept -= loose
	for i, r := range rivals {
		if r > out.Rival {
			out.Rival, out.Other = r, others[i]
		}
	}
	return out
}

// off is the mistuning at which the tones are clearest.
func (l *Listener) off() int {
	best, most := 0, math.Inf(-1)
	for o := range l.offs {
		sum := 0.0
		for i := range l.heard {
			for _, v := range l.heard[i].tile[o] {
				sum += max(0, float64(v))
			}
		}
		if sum > most {
			best, most = o, sum
		}
	}
	return best
}

// ticks are the log likelihoods of a mark's begin over none. How strong it would be
// the seconds around tell, without this one: an omission in a fade says nothing.
func (l *Listener) ticks() []float64 {
	out := make([]float64, len(l.heard))
	for i := range out {
		rho := excessOf(l.nearby(i))
		v := -math.Log1p(rho) + l.heard[i].tick*rho/(1+rho)
		out[i] = max(-mostTick, min(v, mostTick))
	}
	return out
}

// nearby is the sum of the marks' powers in the n seconds around the i-th, without its
// own.
func (l *Listener) nearby(i int) (sum, n float64) {
	const around = 5
	for j := max(0, i-around); j < min(len(l.heard), i+around+1); j++ {
		if j != i {
			sum += min(l.heard[j].tick, mostPower)
			n++
		}
	}
	return sum, n
}

// mostPower is what a second's mark counts for at most among others.
const mostPower = 1e4

// excessOf is by how much the mean of n powers exceeds the noise's, which is 1.
func excessOf(sum, n float64) float64 { return max(sum/n-1, 0.05) }

// audible are the probabilities that what is sent about a second is heard, as the
// ticks around tell it, without its own: nine in ten as strong as in the whole, one in
// twenty weaker, one in twenty not at all (from memory of fading). A minute mark that
// is missing in a fade is not missing.
func (l *Listener) audible() []float64 {
	const strong, weaker, gone = 0.9, 0.05, 0.05
	total := 0.0
	for _, s := range l.heard {
		total += min(s.tick, mostPower)
	}
	whole := excessOf(total, float64(len(l.heard)))
	out := make([]float64, len(l.heard))
	for i := range out {
		sum, n := l.nearby(i)
		// The powers are exponentially distributed, 1 in the mean in noise alone.
		odds := func(rho float64) float64 { return math.Exp(min(sum*rho/(1+rho)-n*math.Log1p(rho), 300)) }
		o := (strong*odds(whole) + weaker*odds(excessOf(sum, n))) / gone
		out[i] = o / (1 + o)
	}
	return out
}

// measured holds the log likelihoods of the seconds' parts at one temper.
type measured struct {
	tick   []float64
	heard  []float64   // probability that anything would be heard about a second
	tile   [][]float64 // by second; tone and tile
	tiles  int
	decoys [][]float64 // log likelihood of each decoy, by second
	any    []float64   // mean likelihood of all decoys
}

func (l *Listener) measure(off int, ticks, heard []float64, tick, tone float64) *measured {
	m := &measured{tiles: len(l.tiles), heard: heard}
	for i := range l.heard {
		row := make([]float64, len(l.heard[i].tile[off]))
		for j, v := range l.heard[i].tile[off] {
			row[j] = tone * float64(v)
		}
		m.tick = append(m.tick, tick*ticks[i])
		m.tile = append(m.tile, row)
	}
	decoys := l.tiles.decoys(len(l.tones))
	for i := range l.heard {
		row, sum := make([]float64, len(decoys)), 0.0
		for c, d := range decoys {
			row[c] = m.like(i, d)
			sum += math.Exp(row[c])
		}
		m.decoys, m.any = append(m.decoys, row), append(m.any, sum/float64(len(decoys)))
	}
	return m
}

// like is the log likelihood of a sound in the i-th second over silence: it may be
// there and not be heard.
func (m *measured) like(i int, s sound) float64 {
	q := m.heard[i]
	return math.Log(q*math.Exp(m.plain(i, s)) + 1 - q)
}

// plain is the same when all is heard that is there.
func (m *measured) plain(i int, s sound) float64 {
	sum := 0.0
	if s.tick {
		sum = m.tick[i]
	}
	row := m.tile[i][s.tone*m.tiles:]
	for j := 0; s.on>>j != 0; j++ {
		if s.on>>j&1 == 1 {
			sum += row[j]
		}
	}
	return sum
}

// likes are the log likelihoods of a sound in each second, when a share of those that
// may have the programme's tone has it and a share of all anything else.
func (m *measured) likes(s sound, programme, other float64, every uint64) []float64 {
	out := make([]float64, len(m.tick))
	for i := range out {
		v := math.Exp(m.like(i, s))
		if s.hum && programme > 0 {
			v = (1-programme)*v + programme*math.Exp(m.like(i, sound{tick: s.tick, on: every}))
		}
		out[i] = math.Log((1-other)*v + other*m.any[i])
	}
	return out
}

// each calls f with the log likelihoods of the sounds that station s makes, by their
// place in the list and by second, for each of the shares that other things may have,
// and with the logarithm of those shares' probability beforehand.
func (m *measured) each(l *Listener, s *station.Station, of *[60]*schedule, f func(rows [][]float64, prior float64)) {
	hums := programmeShares[:]
	if len(s.Tones) == 0 {
		hums = hums[:1]
	}
	rows, made := make([][]float64, len(l.sounds)), soundsOf(of)
	for _, hum := range hums {
		for _, other := range otherShares {
			for _, id := range made {
				rows[id] = m.likes(l.sounds[id], hum, other.share, l.tiles.every())
			}
			f(rows, math.Log(other.prior/float64(len(hums))))
		}
	}
}

// loose is the log likelihood of the station's sounds in no order: each second has one
// at random, or all have the commonest. Shares that are learnt fit the seconds too
// well, in the worst case by (c−1)/2·ln n + ln c for c sounds in n seconds (Krichevsky
// and Trofimov 1981, from memory), which is taken off again.
func (m *measured) loose(l *Listener, s *station.Station, plain bool) float64 {
	log := math.Inf(-1)
	of := l.scheduleOf(s, plain)
	minute := of[plainMinute(s)]
	m.each(l, s, of, func(rows [][]float64, prior float64) {
		var own [][]float64
		for id := range rows {
			if slices.Contains(minute.sounds[:], id) {
				own = append(own, rows[id])
			}
		}
		like := make([][]float64, len(m.tick))
		for i := range like {
			for _, row := range own {
				like[i] = append(like[i], row[i])
			}
		}
		c := float64(len(own))
		fit := (c-1)/2*math.Log(float64(len(like))) + math.Log(c)
		alike := floats.Sum(rows[minute.commonest()])
		log = logsum.Add(log, prior-math.Ln2+logsum.Add(alike, mix(like)-fit))
	})
	return log
}

// inOrder is the log likelihood of the station's order, the mean over the seconds k at
// which its minute may begin, and the likeliest of them.
func (m *measured) inOrder(l *Listener, s *station.Station, start float64) (log float64, k int64, sure bool) {
	// Flywheel second n is second begin+n−k of the hour, or of any minute.
	plain := math.IsNaN(start)
	begin, first, count := int64(0), int64(0), int64(60)
	if !plain {
		begin, first, count = int64(math.Round(start)), -30, 61
	}
	logs := make([]float64, count)
	for j := range logs {
		logs[j] = math.Inf(-1)
	}
	of := l.scheduleOf(s, plain)
	m.each(l, s, of, func(rows [][]float64, prior float64) {
		for j := range count {
			var plain, changed [60]float64
			total := 0.0
			for i := range l.heard {
				second := int(((begin+l.heard[i].n-first-j)%3600 + 3600) % 3600)
				sch := of[second/60]
				second %= 60
				p, e := sch.sounds[second], sch.emphasised[second]
				if p == e {
					total += rows[p][i]
					continue
				}
				plain[second] += rows[p][i]
				changed[second] += rows[e][i]
			}
			for r := range plain {
				if plain[r] != 0 || changed[r] != 0 {
					total += logsum.Add(math.Log(1-emphasis)+plain[r], math.Log(emphasis)+changed[r])
				}
			}
			logs[j] = logsum.Add(logs[j], total+prior)
		}
	})
	best := 0
	for j, v := range logs {
		if v > logs[best] {
			best = j
		}
	}
	log = logMean(logs)
	return log, first + int64(best) - begin, logs[best] > log+math.Log(float64(count)/2)
}

// unknown is the log likelihood of something that repeats every second and has no
// order, or, less likely beforehand, an order of its own by the minute.
func (m *measured) unknown(l *Listener) float64 {
	classes := len(m.decoys[0]) + 1
	n := len(m.tick)
	// Something that no decoy is: each tile by itself.
	share := m.spectrum()
	like := make([][]float64, n)
	var minute [60][]float64
	var tile [60][]float64
	var count [60]int
	for i := range n {
		row := append(slices.Clone(m.decoys[i]), 0)
		r := ((l.heard[i].n % 60) + 60) % 60
		if minute[r] == nil {
			minute[r] = make([]float64, classes)
			tile[r] = make([]float64, len(share)+1)
		}
		count[r]++
		for c, v := range m.decoys[i] {
			minute[r][c] += v
		}
		for j, v := range m.tile[i] {
			tile[r][j] += v
		}
		tile[r][len(share)] += m.tick[i]
		row[classes-1] = anything(append(slices.Clone(m.tile[i]), m.tick[i]), share)
		like[i] = row
	}
	random := mix(like)
	var own [][]float64
	for r := range minute {
		if count[r] > 0 {
			minute[r][classes-1] = anything(tile[r], share)
			own = append(own, minute[r])
		}
	}
	return logsum.Add(random, math.Log(unknownOrder)+mix(own))
}

// anything is the log likelihood of tiles, and a tick at the end, that are each by
// themselves, with the given shares; a tick is as likely as not.
func anything(tile []float64, share []float64) float64 {
	sum := 0.0
	for j, v := range tile {
		q := 0.5
		if j < len(share) {
			q = share[j]
		}
		sum += logsum.Add(math.Log1p(-q), math.Log(q)+v)
	}
	return sum
}

// spectrum is the share of seconds in which each tile sounds.
func (m *measured) spectrum() []float64 {
	share := make([]float64, len(m.tile[0]))
	for j := range share {
		q := 0.3
		for range 5 {
			sum := 0.0
			for i := range m.tile {
				e := q * math.Exp(m.tile[i][j])
				sum += e / (1 - q + e)
			}
			q = max(0.01, min(sum/float64(len(m.tile)), 0.99))
		}
		share[j] = q
	}
	return share
}

// mix is the greatest Σ ln Σ w·exp(rows) over shares w.
func mix(logs [][]float64) float64 {
	classes := len(logs[0])
	w := make([]float64, classes)
	for c := range w {
		w[c] = 1 / float64(classes)
	}
	base := 0.0
	like := make([][]float64, len(logs))
	for i, row := range logs {
		top := slices.Max(row)
		base += top
		like[i] = make([]float64, classes)
		for c, v := range row {
			like[i][c] = math.Exp(v - top)
		}
	}
	sum := 0.0
	next := make([]float64, classes)
	for range steps {
		clear(next)
		sum = base
		for _, row := range like {
			total := 0.0
			for c, v := range row {
				total += w[c] * v
			}
			sum += math.Log(total)
			for c, v := range row {
				next[c] += w[c] * v / total / float64(len(like))
			}
		}
		copy(w, next)
	}
	return sum
}

func logMean(v []float64) float64 {
	top := slices.Max(v)
	if math.IsInf(top, -1) {
		return top
	}
	sum := 0.0
	for _, x := range v {
		sum += math.Exp(x - top)
	}
	return top + math.Log(sum/float64(len(v)))
}
