package marker

import "math"

// Pattern says how a marker's pulses scatter about their mean line.
type Pattern string

const (
	White       Pattern = "white"       // each by itself
	Alternating Pattern = "alternating" // by turns early and late, as an escapement out of beat
	Slow        Pattern = "slow"        // successive ones alike
)

// Mean is the mean line of the marker: a straight line against the base, through the
// pulses of a stretch of seconds, with a place of its own after each step.
type Mean struct {
	// Offset is where the line lies at the latest second, frames after Base and
	// Phase; Slope is what it gains on them a second.
	Offset, Slope float64
	// Variances of both, and their covariance, frames².
	VarOffset, VarSlope, Cov float64
	Jitter                   float64 // standard deviation of a pulse about it, frames
	Pattern                  Pattern
}

// At is the line's place at a second so many before the latest, and the covariances
// there.
func (m Mean) At(before float64) Mean {
	m.Offset -= before * m.Slope
	m.VarOffset += before * (before*m.VarSlope - 2*m.Cov)
	m.Cov -= before * m.VarSlope
	return m
}

// Mean fits the line to the pulses from second from on. Each counts as Student's
// distribution of four degrees of freedom lets it; the variance is that of the
// M-estimate (Huber 1981, Robust Statistics, 7.6), times what successive pulses that
// resemble each other take from it.
func (t *Track) Mean(from int) Mean {
	t.smooth()
	from = max(from, t.oldest)
	last := t.Seconds() - 1
	var at, off []float64 // seconds before the latest, frames from the base
	var segment []int
	segments := 0
	for n := from; n <= last; n++ {
		s := &t.log[n-t.oldest]
		if n > from && s.shift != t.log[n-1-t.oldest].shift {
			segments++
		}
		if s.seen {
			at, off, segment = append(at, float64(n-last)), append(off, t.place(n)-s.filter.smooth), append(segment, segments)
		}
	}
	segments++
	m := Mean{Pattern: White}
	if t.beat != 0 {
		m.Pattern = Alternating
	}
	// A movement that no pulse followed leaves nothing to fit behind it.
	if len(off) == 0 || segment[len(segment)-1] != segments-1 {
		return m
	}
	scale2 := max(t.sigma*t.sigma, 1e-12)
	psi := make([]float64, len(off))
	weight := make([]float64, len(off))
	for i := range weight {
		weight[i] = 1
	}
	type group struct{ w, n, c float64 }
	var groups []group
	var sxx float64
	for range 6 {
		groups = make([]group, segments)
		for i, w := range weight {
			g := &groups[segment[i]]
			g.w, g.n, g.c = g.w+w, g.n+w*at[i], g.c+w*off[i]
		}
		for k := range groups {
			if g := &groups[k]; g.w > 0 {
				g.n, g.c = g.n/g.w, g.c/g.w
			}
		}
		sxx = 0
		sxy := 0.0
		for i, w := range weight {
			g := groups[segment[i]]
			sxx += w * (at[i] - g.n) * (at[i] - g.n)
			sxy += w * (at[i] - g.n) * (off[i] - g.c)
		}
		m.Slope = 0
		if sxx > 0 {
			m.Slope = sxy / sxx
		}
		for i := range weight {
			g := groups[segment[i]]
			r := off[i] - g.c - m.Slope*(at[i]-g.n)
			weight[i] = (tail + 1) / (tail + r*r/scale2)
			psi[i] = weight[i] * r
		}
	}
	last1 := groups[segments-1]
	m.Offset = last1.c - m.Slope*last1.n
	// Of a pulse, as the mean of the estimate has it.
	var square, slope float64
	for i, p := range psi {
		r2 := math.Pow(p/weight[i], 2)
		square += p * p
		slope += (tail + 1) * (tail*scale2 - r2) * scale2 / math.Pow(tail*scale2+r2, 2)
	}
	count := float64(len(psi))
	variance := square * count / (slope * slope)
	if free := count - float64(segments) - 1; free > 0 {
		variance *= count / free
	}
	// The base follows the pulses by the filter's gain, so that they seem to scatter
	// less.
	e := &t.log[t.latest-t.oldest].filter
	variance /= max(0.1, 1-e.kx)
	m.Jitter = math.Sqrt(variance)
	alike := likeness(psi, square)
	if alike > slowFrom && m.Pattern == White {
		m.Pattern = Slow
	}
	variance *= alike
	// Weights are about one: the lines' own sums serve.
	level := variance / float64(countOf(segment, segments-1))
	if sxx > 0 && count > float64(segments)+1 {
		m.VarSlope = variance / (sxx * count / sumOf(weight))
	} else {
		m.VarSlope = math.Pow(maxRateError*t.rate, 2)
	}
	m.VarOffset = level + last1.n*last1.n*m.VarSlope
	m.Cov = -last1.n * m.VarSlope
	return m
}

// slowFrom is the factor by which scatter that is alike from pulse to pulse widens the
// variance of a mean, from which it is called slow.
const slowFrom = 2

// likeness is that factor: one and twice the sum of the correlations, taken in pairs
// for as long as these are positive (Geyer 1992, Practical Markov Chain Monte Carlo,
// 3.3).
func likeness(psi []float64, square float64) float64 {
	at := func(lag int) float64 {
		sum := 0.0
		for i := range psi[lag:] {
			sum += psi[i] * psi[i+lag]
		}
		return sum / square
	}
	if !(square > 0) {
		return 1
	}
	sum := -1.0
	for lag := 0; lag+1 < len(psi)/3; lag += 2 {
		pair := at(lag) + at(lag+1)
		if pair <= 0 {
			break
		}
		sum += 2 * pair
	}
	return max(1, sum)
}

func countOf(v []int, x int) (n int) {
	for _, y := range v {
		if y == x {
			n++
		}
	}
	return n
}

func sumOf(v []float64) (sum float64) {
	for _, x := range v {
		sum += x
	}
	return sum
}
