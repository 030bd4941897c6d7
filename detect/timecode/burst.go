package timecode

import "math"

// Levels of the signal-to-noise ratio: the energy of 5 ms of tone over the
// noise density, in steps of stepDB from lowestDB. The lowest is nothing even
// over 100 ms, so that a faded burst may look like none at all; the highest is a
// tick at +30 dB in 3 kHz.
const (
	levels      = 14
	lowestDB    = -23.0
	stepDB      = 5.0
	referenceMs = 5
)

// How the level moves with time. A Gaussian fading moves the amplitude evenly,
// so the logarithm of the energy moves the faster, the deeper the fade; in the
// long run the energy is distributed exponentially about its mean. How fast it
// moves is hidden as well.
const (
	paces       = 2
	paceChanges = 0.02 // probability that another pace sets in, for each second
	mostSteps   = 0.25 // probability of a step from one cell to the next
	levelAnew   = 2e-5 // probability, at each cell, of any level, as when a receiver is switched
	leastLevel  = 1e-3 // probability that any level has in the long run
	meanSeconds = 20.0 // over which the mean is averaged
)

// stepsPerSecond are those each way from the mean level. For a Doppler spread
// of 2s Hz (Rec. ITU-R F.1487) the amplitude's logarithm moves by 2*pi*s*t/sqrt(2)
// in a time t; as a random walk of steps of 5 dB over the 0.3 s of a pulse, 1 Hz
// (disturbed) comes to 2 steps, 0.5 Hz (moderate) to 0.6, and 0.1 Hz (quiet) to 0.02.
var stepsPerSecond = [paces]float64{0.7, 0.08}

// How the energy of a cell scatters about its level.
const (
	// steadyFrom is the energy ratio from which the tone outweighs the noise.
	steadyFrom = 2.0
	// amplitudeScatter is relative: half a step of level, and the error of the
	// measured noise.
	amplitudeScatter = 0.22
	// unsteadyShare of cells scatter as if they faded on their own.
	unsteadyShare = 0.02
)

// cell is one span of a second in which a tone is on or off.
type cell struct {
	from, to int // ms after the onset
	flanks   int // count of flank frequencies that measure the noise
}

// bursts weighs which of several patterns of tone a second holds. A pattern
// names the cells in which the tone is on; in the others it is off. The signal's
// level is a hidden Markov chain that runs through the cells of one second after
// another, so that a fade is told from the end of a burst by its likelihood.
//
// The energy z of a cell is in units of the noise beside it in frequency,
// averaged over M flanks. Without tone it follows the F distribution with 2 and
// 2M degrees of freedom, whose density is (1+z/M)^-(M+1); its heavy tail keeps a
// burst of noise from counting as proof. With a tone of energy ratio g, z/(1+g)
// does so if the amplitude is Rayleigh-distributed; for a steady amplitude,
// sqrt(z) is nearly normal about sqrt(g).
type bursts struct {
	cells    []cell
	patterns [][]bool  // by cell: the tone is on
	prior    []float64 // share of each pattern among the seconds
	cap      float64   // greatest log-likelihood ratio one second may give
	// splatter is the share of the strongest cell's energy, in this second or
	// typically, that counts as noise in every cell. Edges, fading within a cell
	// and other tones spill into cell and flanks alike, and without noise to
	// hide them they would look like bursts.
	splatter float64

	up      [][levels]scale        // per cell
	gap     []float64              // per cell: s since the start of the one before it
	level   [paces][levels]float64 // probability of each pace and level at the end of the last second
	typical typical                // energy of a second's strongest cell, for each millisecond
	mean    float64                // mean energy ratio of 5 ms; 0: nothing heard yet
	rise    [levels]float64        // share of the proposed steps up from a level that are taken
	fall    [levels]float64        // and down

	tone, noise []float64         // energies of the cells of this second
	on          [][levels]float64 // their likelihoods with the tone on, up to a factor for each cell
	off         []float64         // and off
}

// scale is what the density of a cell's energy needs for one energy ratio g.
type scale struct {
	flanks  int     // M
	share   float64 // 1/(1+g)
	inverse float64 // 1/(M(1+g))
	root    float64 // sqrt(g)
	spread  float64 // of sqrt(z); 0 when the tone does not outweigh the noise
}

func newScale(g float64, flanks int) scale {
	m := float64(flanks)
	s := scale{flanks: flanks, share: 1 / (1 + g), inverse: 1 / (m * (1 + g)), root: math.Sqrt(g)}
	if g > steadyFrom {
		s.spread = math.Sqrt(0.5 + amplitudeScatter*amplitudeScatter*g)
	}
	return s
}

// newBursts prepares the weighing. Cells are in order of time.
func newBursts(cells []cell, patterns [][]bool, prior []float64, cap, splatter float64) *bursts {
	n := len(cells)
	b := &bursts{
		cells: cells, patterns: patterns, prior: prior, cap: cap, splatter: splatter,
		up: make([][levels]scale, n), gap: make([]float64, n),
		tone: make([]float64, n), noise: make([]float64, n),
		on: make([][levels]float64, n), off: make([]float64, n),
	}
	for j := range levels {
		for i := range paces {
			b.level[i][j] = 1.0 / (paces * levels)
		}
		for c, cell := range cells {
			g := levelRatio(j) * float64(cell.to-cell.from) / referenceMs
			b.up[c][j] = newScale(g, cell.flanks)
		}
	}
	for c := range cells {
		before := cells[n-1].from - 1000
		if c > 0 {
			before = cells[c-1].from
		}
		b.gap[c] = float64(cells[c].from-before) / 1000
	}
	b.settle()
	return b
}

// levelRatio is the energy ratio of a level.
func levelRatio(j int) float64 { return math.Pow(10, (lowestDB+stepDB*float64(j))/10) }

// settle sets the steps that keep the level distributed about its mean.
func (b *bursts) settle() {
	share := func(x float64) float64 { return x*math.Exp(-x) + leastLevel }
	for j := range levels - 1 {
		b.rise[j], b.fall[j+1] = 1, 1
		if b.mean > 0 {
			below, above := levelRatio(j)/b.mean, levelRatio(j+1)/b.mean
			pace, balance := 1/math.Sqrt(below*above), math.Sqrt(share(above)/share(below))
			b.rise[j], b.fall[j+1] = pace*balance, pace/balance
		}
	}
}

// heard sets the energy of the tone in a cell and of the noise beside it.
func (b *bursts) heard(cell int, tone, noise float64) {
	b.tone[cell], b.noise[cell] = tone, noise
}

// missed tells that a cell was not measured.
func (b *bursts) missed(cell int) { b.noise[cell] = -1 }

// weigh writes the log-likelihood of each pattern, the largest being zero.
func (b *bursts) weigh(out []float32) {
	b.likelihoods()
	best := math.Inf(-1)
	var after [paces][levels]float64
	for k, on := range b.patterns {
		total := 0.0
		for i, p := range b.level {
			for c := range b.cells {
				b.move(&p, stepsPerSecond[i]*b.gap[c])
				for j := range p {
					if on[c] {
						p[j] *= b.on[c][j]
					} else {
						p[j] *= b.off[c]
					}
				}
			}
			for j := range p {
				total += p[j]
				after[i][j] += b.prior[k] * p[j]
			}
		}
		l := math.Log(max(total, 1e-300))
		out[k] = float32(l)
		best = max(best, l)
	}
	for k := range out {
		out[k] = max(out[k]-float32(best), -float32(b.cap))
	}
	b.follow(&after)
}

// follow takes the distribution of the level after a second, up to a factor,
// as the start of the next.
func (b *bursts) follow(after *[paces][levels]float64) {
	var level [levels]float64
	total := 0.0
	for i := range after {
		for j, p := range after[i] {
			level[j] += p
			total += p
		}
	}
	if total == 0 {
		return
	}
	mean := 0.0
	for j := range level {
		mean += level[j] / total * levelRatio(j)
		for i := range after {
			b.level[i][j] = ((1-paceChanges)*after[i][j] + paceChanges/paces*level[j]) / total
		}
	}
	if b.mean == 0 {
		b.mean = mean
	}
	b.mean += (mean - b.mean) / meanSeconds
	b.settle()
}

// move advances the distribution of the level by one cell.
func (b *bursts) move(p *[levels]float64, step float64) {
	total := 0.0
	for _, x := range p {
		total += x
	}
	anew := levelAnew * total / levels
	rising := 0.0 // from the level below
	for j := range p {
		now := p[j]
		up, down := min(mostSteps, step*b.rise[j])*now, min(mostSteps, step*b.fall[j])*now
		falling := 0.0
		if j+1 < levels {
			falling = min(mostSteps, step*b.fall[j+1]) * p[j+1]
		}
		p[j] = (1-levelAnew)*(now-up-down+rising+falling) + anew
		rising = up
	}
}

// likelihoods turns the energies heard into likelihoods of each level, scaled
// so that the largest of a cell is 1.
func (b *bursts) likelihoods() {
	strongest := 0.0 // energy for each millisecond of the cell
	for c, cell := range b.cells {
		if b.noise[c] >= 0 {
			strongest = max(strongest, b.tone[c]/float64(cell.to-cell.from))
		}
	}
	strongest = b.typical.atLeast(strongest)
	for c, cell := range b.cells {
		floor := b.noise[c] + b.splatter*strongest*float64(cell.to-cell.from)
		if b.noise[c] < 0 || floor == 0 {
			b.off[c] = 1
			for j := range levels {
				b.on[c][j] = 1
			}
			continue
		}
		z := b.tone[c] / floor
		root := math.Sqrt(z)
		b.off[c] = tail(z/float64(cell.flanks), cell.flanks)
		top := b.off[c]
		for j := range levels {
			b.on[c][j] = b.up[c][j].density(z, root)
			top = max(top, b.on[c][j])
		}
		b.off[c] /= top
		for j := range levels {
			b.on[c][j] /= top
		}
	}
}

// typical is the geometric mean over the latest meanSeconds of the energy of a
// second's strongest cell; 0: nothing heard yet.
type typical float64

// atLeast takes that of another second, and returns it or what is typical,
// whichever is more.
func (t *typical) atLeast(strongest float64) float64 {
	if strongest <= 0 {
		return strongest
	}
	if *t == 0 {
		*t = typical(strongest)
	}
	*t *= typical(math.Pow(strongest/float64(*t), 1/meanSeconds))
	return max(strongest, float64(*t))
}

// density is that of the energy z of a cell in which there is a tone; root is
// its square root.
func (s *scale) density(z, root float64) float64 {
	faded := s.share * tail(z*s.inverse, s.flanks)
	steady := faded
	if s.spread > 0 {
		d := (root - s.root) / s.spread
		steady = math.Exp(-d*d/2) / (s.spread * 2 * max(root, 0.5) * math.Sqrt(2*math.Pi))
	}
	return unsteadyShare*faded + (1-unsteadyShare)*steady
}

// tail is that of the F distribution, (1+x)^-(m+1).
func tail(x float64, m int) float64 {
	p, power := 1.0, 1/(1+x)
	for n := m + 1; n > 0; n >>= 1 {
		if n&1 == 1 {
			p *= power
		}
		power *= power
	}
	return p
}
