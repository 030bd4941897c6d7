package recognise

import (
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/floats"

	"timeball/capture/station"
	"timeball/detect/logsum"
	"timeball/detect/rank"
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
	// Least is by how much likelier it is, when the minute is made out, that a part of it
	// is there, a tick's omission or one stretch of its marks, than that the common sound
	// is in its place: for the part of which that is least, in all the minutes.
	Least float64
	// Due is what the station's order would be worth in as many seconds, if it is kept and
	// as loud as the ticks are; and Clear how many of the seconds tell that, in which the
	// ticks around are louder than the noise.
	Due   float64
	Clear int
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
	unknownOrder = 0.01 // that a thing which repeats has one of the longer periods of its own
	undivided    = 0.5  // that DUT1 is sent as nought, and each of ±0.1 to ±0.8 s is as likely
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
	tiles, marks := l.scores(off)
	ticks, heard := l.ticks(), l.audible()
	own := l.orderOf(s, start)
	out.Due, out.Clear = l.due(own)
	var against []*order
	for _, o := range others {
		against = append(against, l.orderOf(o, start))
	}
	rivals := make([]float64, len(others))
	for i := range rivals {
		rivals[i] = math.Inf(-1)
	}
	top, loose := math.Inf(-1), math.Inf(-1)
	var m measured
	for _, b := range tempers {
		m.measure(l, tiles, marks, ticks, heard, b.tick, b.tone)
		log, k, clear := m.inOrder(own)
		out.Known = logsum.Add(out.Known, math.Log(b.prior)+log-m.unknown(l))
		out.Kept, loose = logsum.Add(out.Kept, math.Log(b.prior)+log), logsum.Add(loose, math.Log(b.prior)+m.loose(own))
		if b == tempers[0] && clear {
			out.Least = m.least(l, own, k)
		}
		if log > top {
			top = log
			out.Second, out.Ref = -1, l.heard[0].n
			if clear {
				out.Second = int(((l.heard[0].n-k)%60 + 60) % 60)
			}
		}
		for i, o := range against {
			other, _, _ := m.inOrder(o)
			rivals[i] = max(rivals[i], other-log)
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
				sum += max(0, toneScore(float64(v), 0))
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

// around is how many seconds before one, and after, tell how strong its mark would be.
const around = 5

// nearby is the sum of the marks' powers in the n seconds around the i-th, without its
// own.
func (l *Listener) nearby(i int) (sum, n float64) {
	for j := max(0, i-around); j < min(len(l.heard), i+around+1); j++ {
		if j != i {
			sum += min(l.heard[j].tick, mostPower)
			n++
		}
	}
	return sum, n
}

// surely is by how much the marks' power in the seconds around the i-th exceeds the
// noise's in three of four of them.
func (l *Listener) surely(i int) float64 {
	var near []float64
	for j := max(0, i-around); j < min(len(l.heard), i+around+1); j++ {
		if j != i {
			near = append(near, l.heard[j].tick)
		}
	}
	return max(0, rank.Nth(near, len(near)/4)-1)
}

// scores are the log likelihoods of a tone over none at a mistuning, by second; tone and
// tile: of any tone, and of a mark that is not much weaker than the ticks around.
func (l *Listener) scores(off int) (tiles, marks [][]float64) {
	for i, s := range l.heard {
		row := make([]float64, len(s.tile[off]))
		for j, v := range s.tile[off] {
			row[j] = toneScore(float64(v), 0)
		}
		mark := row
		if l.after { // its seconds are ticks
			mark = slices.Clone(row)
			rho := marksShare * l.surely(i) / l.length
			for j, t := range l.tiles {
				mark[j] = min(row[j], toneScore(float64(s.tile[off][j]), rho*(t[1]-t[0])))
			}
		}
		tiles, marks = append(tiles, row), append(marks, mark)
	}
	return tiles, marks
}

// marksShare is the share of the ticks' power that a longer mark of their tone and depth
// has at least: a fade, gain control and a pitch that is not quite met take the rest
// (judgement; a third of it or three times it is less than a nat for stations in fading).
const marksShare = 0.1

// due is what the seconds that are unlike most of the station's tell of its order, as if
// they might have been any of those heard, and in how many seconds the ticks are clear.
func (l *Listener) due(of *order) (total float64, clear int) {
	usual := l.sounds[of.common]
	for i := range l.heard {
		rho := l.surely(i)
		if rho > clearTick {
			clear++
		}
		for _, id := range of.minute.sounds {
			s := l.sounds[id]
			if s.tick != usual.tick {
				total += min(toldBy(rho), mostTick) / 60
			}
			for unlike := s.on ^ usual.on; unlike != 0; unlike &= unlike - 1 {
				t := l.tiles[bits.TrailingZeros64(unlike)]
				total += min(toldBy(rho*(t[1]-t[0])/l.length), mostTile) / 60
			}
		}
	}
	return total, clear
}

// toldBy is what it tells in the mean, in nats, that a tone of a known power over the
// noise's is not there.
func toldBy(rho float64) float64 { return math.Log1p(rho) - rho/(1+rho) }

// clearTick is the power of ticks over the noise's from which they are clear.
const clearTick = 1

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

// order is a station's sounds in their order, laid against what was heard.
type order struct {
	minutes *[60]*schedule
	minute  *schedule // a plain one
	made    []int     // the sounds of all minutes
	hums    []float64
	// Flywheel second n is second begin+n−k of the hour, or of any minute; k is one of
	// so many from first on.
	begin, first, count int64
	common              int   // the commonest sound
	other               []hit // the seconds that have another, or may
	changes             bool  // by DUT1
}

// hit is the i-th second heard when the minute begins at the k-th place that is tried:
// then it is a second of the minute whose sound is plain, or by DUT1 changed.
type hit struct {
	i              int32
	k, second      uint8
	plain, changed int16
}

func (l *Listener) orderOf(s *station.Station, start float64) *order {
	plain := math.IsNaN(start)
	o := &order{minutes: l.scheduleOf(s, plain), hums: programmeShares[:], count: 60}
	o.made = soundsOf(o.minutes)
	if len(s.Tones) == 0 {
		o.hums = o.hums[:1]
	}
	if !plain {
		o.begin, o.first, o.count = int64(math.Round(start)), -30, 61
	}
	o.minute = o.minutes[plainMinute(s)]
	o.common = o.minute.commonest()
	o.other = make([]hit, 0, 8*len(l.heard)) // more of few stations
	for i := range l.heard {
		for k := range o.count {
			second := int(((o.begin+l.heard[i].n-o.first-k)%3600 + 3600) % 3600)
			sch := o.minutes[second/60]
			second %= 60
			p, e := sch.sounds[second], sch.emphasised[second]
			o.changes = o.changes || p != e
			if p != o.common || e != o.common {
				o.other = append(o.other, hit{int32(i), uint8(k), uint8(second), int16(p), int16(e)})
			}
		}
	}
	return o
}

// measured holds the likelihoods of the seconds' parts at one temper.
type measured struct {
	sounds []sound
	tick   []float64   // logarithmic
	heard  []float64   // probability that anything would be heard about a second
	tile   [][]float64 // logarithmic, by second; tone and tile
	mark   [][]float64 // the same of the station's own marks
	tiles  int
	every  uint64      // tiles
	decoys [][]float64 // likelihoods of each decoy, by second
	any    []float64   // mean of all decoys
	plain  [][]float64 // of each sound, once it is asked for
	hum    [2][]float64
	// logs are the logarithms for each of the shares that other things may have, of
	// each sound, once they are asked for.
	logs [len(programmeShares)][len(otherShares)][][]float64
}

func (m *measured) measure(l *Listener, tiles, marks [][]float64, ticks, heard []float64, tick, tone float64) {
	*m = measured{sounds: l.sounds, tiles: len(l.tiles), heard: heard, every: l.tiles.every(), plain: make([][]float64, len(l.sounds))}
	tempered := func(v []float64) []float64 {
		return floats.ScaleTo(make([]float64, len(v)), tone, v)
	}
	for i := range l.heard {
		m.tick = append(m.tick, tick*ticks[i])
		m.tile, m.mark = append(m.tile, tempered(tiles[i])), append(m.mark, tempered(marks[i]))
	}
	m.any = make([]float64, len(l.heard))
	decoys := l.tiles.decoys(len(l.tones))
	for _, d := range decoys {
		like := m.likes(d, m.tile)
		floats.AddScaled(m.any, 1/float64(len(decoys)), like)
		m.decoys = append(m.decoys, like)
	}
	for t := range m.hum {
		m.hum[t] = m.likes(sound{tick: t == 1, on: m.every}, m.tile)
	}
}

// likes are the likelihoods of a sound over silence in each second, by those of its tiles:
// it may be there and not be heard.
func (m *measured) likes(s sound, tile [][]float64) []float64 {
	out := make([]float64, len(m.tick))
	for i, q := range m.heard {
		sum := 0.0
		if s.tick {
			sum = m.tick[i]
		}
		row := tile[i][s.tone*m.tiles:]
		for on := s.on; on != 0; on &= on - 1 {
			sum += row[bits.TrailingZeros64(on)]
		}
		out[i] = q*math.Exp(sum) + 1 - q
	}
	return out
}

// shared puts into out the likelihoods of a sound in each second, when a share of those
// that may have the programme's tone has it and a share of all anything else.
func (m *measured) shared(out []float64, id int, programme, other float64) {
	s := m.sounds[id]
	if m.plain[id] == nil {
		m.plain[id] = m.likes(s, m.mark)
	}
	hum := m.hum[0]
	if s.tick {
		hum = m.hum[1]
	}
	if !s.hum {
		programme = 0
	}
	for i, v := range m.plain[id] {
		out[i] = (1-other)*((1-programme)*v+programme*hum[i]) + other*m.any[i]
	}
}

// each calls f with the log likelihoods of the sounds that a station makes, by their
// place in the list and by second, for each of the shares that other things may have,
// and with the logarithm of those shares' probability beforehand.
func (m *measured) each(of *order, f func(rows [][]float64, hum, other, prior float64)) {
	for h, hum := range of.hums {
		for o, other := range otherShares {
			rows := m.logs[h][o]
			if rows == nil {
				rows = make([][]float64, len(m.sounds))
				m.logs[h][o] = rows
			}
			for _, id := range of.made {
				if rows[id] != nil {
					continue
				}
				rows[id] = make([]float64, len(m.tick))
				m.shared(rows[id], id, hum, other.share)
				for i, v := range rows[id] {
					rows[id][i] = math.Log(v)
				}
			}
			f(rows, hum, other.share, math.Log(other.prior/float64(len(of.hums))))
		}
	}
}

// loose is the log likelihood of the station's sounds in no order: each second has one
// at random, or all have the commonest. Shares that are learnt fit the seconds too
// well, in the worst case by (c−1)/2·ln n + ln c for c sounds in n seconds (Krichevsky
// and Trofimov 1981, from memory), which is taken off again.
func (m *measured) loose(of *order) float64 {
	log := math.Inf(-1)
	var own []int
	var like [][]float64
	for id := range m.sounds {
		if slices.Contains(of.minute.sounds[:], id) {
			own, like = append(own, id), append(like, make([]float64, len(m.tick)))
		}
	}
	c, n := float64(len(own)), float64(len(m.tick))
	fit := (c-1)/2*math.Log(n) + math.Log(c)
	m.each(of, func(rows [][]float64, hum, other, prior float64) {
		for i, id := range own {
			m.shared(like[i], id, hum, other)
		}
		alike := floats.Sum(rows[of.common])
		log = logsum.Add(log, prior-math.Ln2+logsum.Add(alike, mix(like)-fit))
	})
	return log
}

// least is what is heard for the part of the station's minute, which begins by k, that
// is heard least. Only where the ticks around are clear can it be missed; marks that DUT1
// may change are left out.
func (m *measured) least(l *Listener, of *order, k int64) float64 {
	usual := m.sounds[of.common]
	parts := make([]float64, 1+len(m.tile[0])) // the omissions' and each tile's
	for _, h := range of.other {
		if of.first+int64(h.k)-of.begin != k || h.plain != h.changed || l.surely(int(h.i)) < clearTick {
			continue
		}
		q, s := m.heard[h.i], m.sounds[h.plain]
		told := func(log float64) float64 { return math.Log(q*math.Exp(log) + 1 - q) }
		if usual.tick && s.on == 0 && !s.tick {
			parts[0] -= told(m.tick[h.i])
		}
		for unlike := s.on ^ usual.on; unlike != 0; unlike &= unlike - 1 {
			j := bits.TrailingZeros64(unlike)
			part := s.tone*m.tiles + j
			if s.on>>j&1 == 1 {
				parts[1+part] += told(m.mark[h.i][part])
			} else {
				parts[1+part] -= told(m.mark[h.i][part])
			}
		}
	}
	return slices.Min(parts)
}

// inOrder is the log likelihood of the station's order, the mean over the seconds k at
// which its minute may begin, and the likeliest of them.
func (m *measured) inOrder(of *order) (log float64, k int64, sure bool) {
	logs := make([]float64, of.count)
	for j := range logs {
		logs[j] = math.Inf(-1)
	}
	// What the seconds say beyond the commonest sound; by second of the minute for those
	// that DUT1 may change.
	total := make([]float64, of.count)
	var plain, changed [][60]float64
	if of.changes {
		plain, changed = make([][60]float64, of.count), make([][60]float64, of.count)
	}
	m.each(of, func(rows [][]float64, _, _, prior float64) {
		clear(total)
		clear(plain)
		clear(changed)
		common := rows[of.common]
		for _, h := range of.other {
			if h.plain == h.changed {
				total[h.k] += rows[h.plain][h.i] - common[h.i]
				continue
			}
			plain[h.k][h.second] += rows[h.plain][h.i] - common[h.i]
			changed[h.k][h.second] += rows[h.changed][h.i] - common[h.i]
		}
		all := floats.Sum(common)
		for j := range logs {
			if of.changes {
				total[j] += floats.Sum(plain[j][:]) + divided(&plain[j], &changed[j])
			}
			logs[j] = logsum.Add(logs[j], all+total[j]+prior)
		}
	})
	best := 0
	for j, v := range logs {
		if v > logs[best] {
			best = j
		}
	}
	log = logMean(logs)
	return log, of.first + int64(best) - of.begin, logs[best] > log+math.Log(float64(of.count)/2)
}

// divided is by how much likelier the marks of a minute are with those that DUT1 may
// change than with all plain: 1 to n are changed for n tenths of a second, 9 to 8+n for
// −n (Rec. ITU-R TF.460).
func divided(plain, changed *[60]float64) float64 {
	const most = 8
	log := math.Log(undivided)
	for _, first := range []int{1, 1 + most} {
		sum := math.Log((1 - undivided) / (2 * most))
		for r := first; r < first+most; r++ {
			sum += changed[r] - plain[r]
			log = logsum.Add(log, sum)
		}
	}
	return log
}

// periods are those, s, that divide a minute and are not so short that what is unlike
// the rest in each could not be rare.
var periods = [...]int64{10, 12, 15, 20, 30, 60}

// unknown is the log likelihood of something that repeats every second and has no
// order, or, less likely beforehand, an order of its own with a longer period.
func (m *measured) unknown(l *Listener) float64 {
	// The last class is something that no decoy is: each tile by itself.
	n := len(m.tick)
	share := m.spectrum()
	rest := make([]float64, n)
	for i := range n {
		rest[i] = math.Exp(anything(m.tile[i], m.tick[i], share))
	}
	log := mix(append(slices.Clone(m.decoys), rest))
	for _, period := range periods {
		log = logsum.Add(log, math.Log(unknownOrder)+m.repeating(l.heard, period, share))
	}
	return log
}

// repeating is the log likelihood of something that has one sound for good at each
// place of a period, s, with the shares of them that fit best.
func (m *measured) repeating(heard []second, period int64, share []float64) float64 {
	last := len(m.decoys)
	like, tile := make([][]float64, period), make([][]float64, period)
	for i, s := range heard {
		r := ((s.n % period) + period) % period
		if like[r] == nil {
			like[r] = make([]float64, last+1)
			tile[r] = make([]float64, len(share)+1)
		}
		for c, d := range m.decoys {
			like[r][c] += math.Log(d[i])
		}
		for j, v := range m.tile[i] {
			tile[r][j] += v
		}
		tile[r][len(share)] += m.tick[i]
	}
	base := 0.0
	own := make([][]float64, last+1)
	for r, row := range like {
		if row == nil {
			continue
		}
		row[last] = anything(tile[r][:len(share)], tile[r][len(share)], share)
		top := slices.Max(row)
		base += top
		for c, v := range row {
			own[c] = append(own[c], math.Exp(v-top))
		}
	}
	return base + mix(own)
}

// anything is the log likelihood of tiles and a tick that are each by themselves, the
// tiles with the given shares; a tick is as likely as not.
func anything(tile []float64, tick float64, share []float64) float64 {
	sum := logsum.Add(0, tick) - math.Ln2
	product := 1.0
	for j, v := range tile {
		product *= 1 - share[j] + share[j]*math.Exp(v)
		if product < 1e-100 || product > 1e100 {
			sum += math.Log(product)
			product = 1
		}
	}
	return sum + math.Log(product)
}

// spectrum is the share of seconds in which each tile sounds.
func (m *measured) spectrum() []float64 {
	share := make([]float64, len(m.tile[0]))
	like := make([]float64, len(m.tile))
	for j := range share {
		for i := range like {
			like[i] = math.Exp(m.tile[i][j])
		}
		q := 0.3
		for range 5 {
			sum := 0.0
			for _, v := range like {
				sum += q * v / (1 - q + q*v)
			}
			q = max(0.01, min(sum/float64(len(like)), 0.99))
		}
		share[j] = q
	}
	return share
}

// mix is the greatest Σ ln Σ w·like over shares w of the classes; like has the
// likelihoods of each class, by second.
func mix(like [][]float64) float64 {
	classes, n := len(like), len(like[0])
	rows := make([]float64, 0, classes*n)
	for i := range n {
		for _, l := range like {
			rows = append(rows, l[i])
		}
	}
	w := make([]float64, classes)
	for c := range w {
		w[c] = 1 / float64(classes)
	}
	next := make([]float64, classes)
	for range steps - 1 {
		clear(next)
		for row := range slices.Chunk(rows, classes) {
			f := 1 / floats.Dot(w, row)
			for c, v := range row {
				next[c] += f * v
			}
		}
		for c := range w {
			w[c] *= next[c] / float64(n)
		}
	}
	sum := 0.0
	for row := range slices.Chunk(rows, classes) {
		sum += math.Log(floats.Dot(w, row))
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
