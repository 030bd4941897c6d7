package timecode

import "math"

// The kinds of fading that are thought of: standard deviations of the Doppler
// spectrum, Hz, half the spreads of Rec. ITU-R F.1487. Quiet, moderate, and
// disturbed mid-latitude paths; the last also covers a tone whose pitch is not
// known well.
var dopplerHz = [...]float64{0.05, 0.25, 0.7}

// How the mean power and the kind of fading move from second to second. In slow
// fading the mean power of a second is that of the fade, so it moves as well.
const (
	kinds       = len(dopplerHz)
	kindChanges = 0.1  // probability that another kind sets in
	levelMoves  = 0.05 // probability of a step up, and of one down
	anyLevel    = 1e-3 // probability of any level, as when a receiver is switched
	negligible  = 1e-3 // probability of a state, relative to the likeliest, below which it is left out
)

// fading weighs which of several patterns the amplitude of a fading tone follows.
//
// A pattern gives the tone's amplitude in each cell of a second. On its way the
// tone is multiplied by a complex Gaussian process of zero mean, whose
// correlation over a time t is exp(-2(π·s·t)²) for a Gaussian Doppler spectrum of
// standard deviation s (Watterson's channel). Given the mean power of that and
// the noise, what the cells show is then Gaussian with a known covariance C, and
// its likelihood exp(-y*·C⁻¹·y)/|C| is exact; a fade is told from the end of a
// burst because it comes gradually. Mean power and s are hidden and follow a
// Markov chain from second to second.
//
// The noise is measured beside the tone, on some flanks, so the Gaussian
// becomes a Student distribution; its heavy tail keeps a burst of noise from
// counting as proof. What is heard of the second at its loudest, or typically,
// counts as noise by a small share: edges and other tones spill into cell and
// flanks alike, and without noise to hide them they would look like pulses.
type fading struct {
	patterns [bcdSymbols][bcdCellCount]float64 // amplitudes
	// fades is the correlation of the channel between two cells, and overlap
	// that of their noise.
	fades   [kinds]matrix
	overlap matrix

	state   [kinds][levels]float64 // probability at the end of the last second
	typical typical                // energy of a second's strongest cell

	tone  [bcdCellCount]complex128 // amplitudes of this second
	noise [bcdCellCount]float64    // energies beside them; negative: not heard
}

// matrix is symmetric, its lower half used.
type matrix [bcdCellCount][bcdCellCount]float64

// newFading prepares the weighing of the 100 Hz code; low is the tone's
// amplitude between pulses, over that in them.
func newFading(low float64) *fading {
	f := &fading{}
	for k, end := range bcdEnds {
		for c, s := range bcdCells {
			f.patterns[k][c] = low
			if s.to <= end {
				f.patterns[k][c] = 1
				if k == bcdStep && s.to > bcdEnds[bcdZero] {
					f.patterns[k][c] = 0.5
				}
			}
		}
	}
	for a, s := range bcdCells {
		for b, t := range bcdCells[:a+1] {
			f.overlap[a][b] = max(0, float64(t.to-s.from)) / bcdCellMs
			apart := float64(s.from-t.from) / 1000
			for i, doppler := range dopplerHz {
				x := math.Pi * doppler * apart
				f.fades[i][a][b] = math.Exp(-2 * x * x)
			}
		}
	}
	for i := range f.state {
		for j := range f.state[i] {
			f.state[i][j] = 1 / float64(kinds*levels)
		}
	}
	return f
}

// weigh writes the log-likelihood of each pattern, the largest being zero.
func (f *fading) weigh(out []float32) {
	var cells [bcdCellCount]int // that were heard
	n := 0
	for c, v := range f.noise {
		if v >= 0 {
			cells[n] = c
			n++
		}
	}
	scale := f.floor()
	if n == 0 || scale[cells[0]] == 0 {
		clear(out)
		return
	}
	var l [kinds][levels][bcdSymbols]float64
	top, best := math.Inf(-1), 0.0
	for i := range f.state {
		for _, p := range f.state[i] {
			best = max(best, p)
		}
	}
	for i := range f.state {
		for j, p := range f.state[i] {
			if p < negligible*best {
				continue
			}
			power := levelRatio(j) * bcdCellMs / referenceMs
			for k := range out {
				l[i][j][k] = f.likelihood(cells[:n], &scale, &f.patterns[k], &f.fades[i], power)
				top = max(top, l[i][j][k])
			}
		}
	}
	var after [kinds][levels]float64
	var sum [bcdSymbols]float64
	for i := range f.state {
		for j, p := range f.state[i] {
			if p < negligible*best {
				continue
			}
			for k := range out {
				x := p * math.Exp(l[i][j][k]-top)
				sum[k] += x
				after[i][j] += bcdShare[k] * x
			}
		}
	}
	most := math.Inf(-1)
	for k := range out {
		sum[k] = math.Log(max(sum[k], 1e-300))
		most = max(most, sum[k])
	}
	for k := range out {
		out[k] = float32(max(sum[k]-most, -bcdCap))
	}
	f.follow(&after)
}

// floor is the noise of each cell, as the reciprocal of its amplitude.
func (f *fading) floor() (scale [bcdCellCount]float64) {
	strongest, mean, count := 0.0, 0.0, 0.0
	for c, v := range f.noise {
		if v >= 0 {
			strongest = max(strongest, sqAbs(f.tone[c]))
			mean += v
			count++
		}
	}
	mean /= max(count, 1)
	strongest = f.typical.atLeast(strongest)
	for c, v := range f.noise {
		own := v + (mean-v)*bcdShared/bcdNoises
		if all := own + bcdSplatter*strongest; all > 0 {
			scale[c] = 1 / math.Sqrt(all)
		}
	}
	return scale
}

// likelihood is the logarithm of that of a pattern, given the channel's
// correlation and its mean power over the noise.
func (f *fading) likelihood(cells []int, scale, pattern *[bcdCellCount]float64, fades *matrix, power float64) float64 {
	// Cholesky's decomposition of the covariance, and with each row of it the
	// next element of the whitened amplitudes.
	var chol matrix
	var white [bcdCellCount]complex128
	sum, det := 0.0, 1.0
	for i, a := range cells {
		at := power * pattern[a] * scale[a]
		re, im := real(f.tone[a])*scale[a], imag(f.tone[a])*scale[a]
		row := &chol[i]
		for j, b := range cells[:i+1] {
			v := f.overlap[a][b] + at*pattern[b]*scale[b]*fades[a][b]
			for k := range j {
				v -= row[k] * chol[j][k]
			}
			if i == j {
				row[i] = math.Sqrt(v)
				det *= v
			} else {
				row[j] = v / chol[j][j]
				re -= row[j] * real(white[j])
				im -= row[j] * imag(white[j])
			}
		}
		white[i] = complex(re/row[i], im/row[i])
		sum += sqAbs(white[i])
	}
	return -math.Log(det) - (bcdNoises+float64(len(cells)))*math.Log1p(sum/bcdNoises)
}

// follow takes the distribution of the hidden state after a second, up to a
// factor, to the start of the next.
func (f *fading) follow(after *[kinds][levels]float64) {
	total := 0.0
	var level [levels]float64
	for i := range after {
		for j, p := range after[i] {
			level[j] += p
			total += p
		}
	}
	if total == 0 {
		return
	}
	for i := range after {
		var p [levels]float64
		for j := range p {
			p[j] = ((1-kindChanges)*after[i][j] + kindChanges/float64(kinds)*level[j]) / total
		}
		for j := range p {
			below, above := p[max(j-1, 0)], p[min(j+1, levels-1)]
			moved := p[j] + levelMoves*(below+above-2*p[j])
			f.state[i][j] = (1-anyLevel)*moved + anyLevel/float64(kinds*levels)
		}
	}
}

func sqAbs(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
