package timecode

import "math"

// Levels of the signal-to-noise ratio: the energy of 5 ms of tone over the
// noise density, in steps of stepDB from lowestDB. They span a tick at -20 dB
// in 3 kHz (-8 dB) to one at +30 dB.
const (
	levels      = 11
	lowestDB    = -8.0
	stepDB      = 5.0
	referenceMs = 5
)

// How the level moves from one second to the next: it stays, goes one step up
// or down, or is drawn anew, as when a receiver is switched.
const (
	levelStays = 0.60
	levelSteps = 0.12 // each way
	levelAnew  = 1 - levelStays - 2*levelSteps
)

// cell is one span of a second in which a tone is on or off.
type cell struct {
	from, to int // ms after the onset
	flanks   int // count of flank frequencies that measure the noise
}

// bursts weighs which of several patterns of tone a second holds. A pattern
// names the cells in which the tone is on; in the others it is at a lower
// level, or off.
//
// The energy z of each cell is in units of the noise beside it in frequency,
// averaged over M flanks. With the amplitude Rayleigh-distributed about an
// energy ratio g, z/(1+g) follows the F distribution with 2 and 2M degrees of
// freedom, whose density is (1+z/M)^-(M+1). Its heavy tail is what keeps a
// burst of noise from counting as proof. The second's own level is unknown: it
// is integrated over, with a prior that follows the fading from second to
// second.
type bursts struct {
	cells    []cell
	patterns [][]int   // cells that are on
	prior    []float64 // share of each pattern among the seconds
	cap      float64   // greatest log-likelihood ratio one second may give

	up, down [][levels]scale // per cell: tone on, and at its lower level
	level    [levels]float64 // probability of each level, predicted for the next second

	// Log-likelihoods of this second, relative to no tone, for each level.
	rise [][levels]float64 // per cell: on over lower level
	sum  [][levels]float64 // per pattern
}

// scale is what the density of a cell's energy needs for one energy ratio g.
type scale struct{ log, inverse float64 } // log(1+g) and 1/(M(1+g))

// newBursts prepares the weighing. low is the energy of the lower level over
// that of the upper; 0 when the tone is off between bursts.
func newBursts(cells []cell, patterns [][]int, prior []float64, low, cap float64) *bursts {
	b := &bursts{
		cells: cells, patterns: patterns, prior: prior, cap: cap,
		up: make([][levels]scale, len(cells)), down: make([][levels]scale, len(cells)),
		rise: make([][levels]float64, len(cells)), sum: make([][levels]float64, len(patterns)),
	}
	for j := range levels {
		b.level[j] = 1.0 / levels
		ratio := math.Pow(10, (lowestDB+stepDB*float64(j))/10)
		for c, cell := range cells {
			g := ratio * float64(cell.to-cell.from) / referenceMs
			m := float64(cell.flanks)
			b.up[c][j] = scale{math.Log1p(g), 1 / (m * (1 + g))}
			b.down[c][j] = scale{math.Log1p(low * g), 1 / (m * (1 + low*g))}
		}
	}
	return b
}

// weigh writes the log-likelihood of each pattern, the largest being zero. z
// has one energy per cell; a negative one was not measured.
func (b *bursts) weigh(z []float64, out []float32) {
	var rest [levels]float64 // all cells at their lower level
	for c, cell := range b.cells {
		if z[c] < 0 {
			b.rise[c] = [levels]float64{}
			continue
		}
		m := float64(cell.flanks)
		quiet := (m + 1) * math.Log1p(z[c]/m)
		for j := range levels {
			up, down := b.up[c][j], b.down[c][j]
			on := quiet - up.log - (m+1)*math.Log1p(z[c]*up.inverse)
			off := 0.0
			if down.log > 0 {
				off = quiet - down.log - (m+1)*math.Log1p(z[c]*down.inverse)
			}
			b.rise[c][j] = on - off
			rest[j] += off
		}
	}

	top := math.Inf(-1)
	for k, on := range b.patterns {
		b.sum[k] = rest
		for _, c := range on {
			for j := range levels {
				b.sum[k][j] += b.rise[c][j]
			}
		}
		for j := range levels {
			top = max(top, b.sum[k][j])
		}
	}
	var posterior [levels]float64
	best := math.Inf(-1)
	for k := range b.patterns {
		total := 0.0
		for j := range levels {
			p := b.level[j] * math.Exp(b.sum[k][j]-top)
			total += p
			posterior[j] += b.prior[k] * p
		}
		l := math.Log(max(total, 1e-300))
		out[k] = float32(l)
		best = max(best, l)
	}
	for k := range b.patterns {
		out[k] = max(out[k]-float32(best), -float32(b.cap))
	}
	b.predict(posterior)
}

// predict turns the posterior of this second's level into the prior of the next.
func (b *bursts) predict(posterior [levels]float64) {
	total := 0.0
	for _, p := range posterior {
		total += p
	}
	if total <= 0 {
		return
	}
	for j := range b.level {
		p := levelStays*posterior[j] + levelSteps*(posterior[max(j-1, 0)]+posterior[min(j+1, levels-1)])
		b.level[j] = p/total + levelAnew/levels
	}
}
