package find

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/floats"

	"timeball/detect/tone"
)

// spread is the second moments of the tone's complex envelope about a candidate,
// bin by bin: Σ z·z* over the looks, which are the seconds or, of a coherent
// candidate, the sum of all seconds alone.
type spread struct {
	moments [][]complex128
	looks   float64
	floor   float64 // power of the seconds' noise in a bin, in all looks together
}

func newSpread(bins int) *spread {
	s := &spread{moments: make([][]complex128, bins)}
	for i := range s.moments {
		s.moments[i] = make([]complex128, bins)
	}
	return s
}

// add adds one look at z.
func (s *spread) add(z []complex128) {
	s.looks++
	for i, row := range s.moments {
		for j := range row {
			row[j] += z[i] * cmplx.Conj(z[j])
		}
	}
}

// scale leaves of the power in each bin a share.
func (s *spread) scale(share []float64) {
	for i, row := range s.moments {
		for j := range row {
			row[j] *= complex(math.Sqrt(share[i]*share[j]), 0)
		}
	}
}

// noise is the mean power of the quiet bins in a look, and no less than what is
// expected nor than how well the course of so strong a mark is known: its edges
// are smeared by filters and paths.
func (s *spread) noise() float64 {
	quiet, most := 0.0, 0.0
	for i, row := range s.moments {
		if i < quietBins {
			quiet += real(row[i]) / quietBins
		}
		most = max(most, real(row[i]))
	}
	return max(s.floor, quiet, most/sharpest) / s.looks
}

// sharpest is the greatest ratio of power to noise in a bin up to which the course
// of a mark's or ring's envelope is relied upon.
const sharpest = 100

// evidence is how much more likely, logarithmically, the looks are with a signal
// of so many bins' freedom in which the mean power is so many times the noise
// than with noise alone, when the signal is Gaussian and of any strength.
func (s *spread) evidence(power, freedom float64) float64 {
	if power <= 1 {
		return 0
	}
	return s.looks * freedom * (power - 1 - math.Log(power))
}

// like is the evidence for the course x, which begins at bin from, at the best of
// some pitches about the tone.
func (s *spread) like(x []float64, from int, noise float64) float64 {
	x = x[:min(len(x), len(s.moments)-from)]
	norm := 0.0
	for _, v := range x {
		norm += v * v
	}
	// The diagonals' sums tell the power at every pitch.
	var diagonals [profileBefore + profileAfter]complex128
	for i, v := range x {
		row := s.moments[from+i][from:]
		for j, w := range x[:i+1] {
			diagonals[i-j] += row[j] * complex(v*w, 0)
		}
	}
	best := 0.0
	for hz := -pitchRange; hz <= pitchRange; hz += pitchStep {
		power := real(diagonals[0])
		for i, turn := range tone.Rotating(hz*binSeconds, 2, len(x)) {
			if i > 0 {
				power += real(diagonals[i] * turn)
			}
		}
		best = max(best, power)
	}
	return s.evidence(best/(norm*noise*s.looks), 1)
}

const (
	// Of something struck, Hz off the tone, that the tone's filter still passes.
	pitchRange = 150.0
	pitchStep  = 25.0
)

// likePair is the evidence for the courses x and y, of any strengths, of which
// each begins at a bin of its own.
func (s *spread) likePair(x, y []float64, atX, atY int, noise float64) float64 {
	a, b := make([]float64, len(s.moments)), make([]float64, len(s.moments))
	copy(a[atX:], x)
	copy(b[atY:], y)
	floats.Scale(1/floats.Norm(a, 2), a)
	floats.AddScaled(b, -floats.Dot(a, b), a)
	floats.Scale(1/floats.Norm(b, 2), b)
	var aa, bb float64
	var ab complex128
	for i := atX; i < min(atY+len(y), len(a)); i++ {
		for j := atX; j < min(atY+len(y), len(a)); j++ {
			m := s.moments[i][j]
			aa += a[i] * a[j] * real(m)
			bb += b[i] * b[j] * real(m)
			ab += complex(a[i]*b[j], 0) * m
		}
	}
	// The powers along the principal axes of what the two span.
	mean, half := (aa+bb)/2, math.Hypot((aa-bb)/2, cmplx.Abs(ab))
	unit := noise * s.looks
	return s.evidence((mean+half)/unit, 1) + s.evidence((mean-half)/unit, 1)
}

// tickRatherThanRing is how much more likely, logarithmically, the looks are with a
// tick of so many seconds, by one path or two or smeared in any way over some
// milliseconds, than with something struck that rings and dies away.
func (s *spread) tickRatherThanRing(seconds float64) float64 {
	noise := s.noise()
	tick, ring := 0.0, 0.0
	for from := quietBins - 1; from <= profileBefore+6; from++ {
		for _, late := range [...]float64{0, 0.5} {
			x := burst(seconds/binSeconds, late)
			tick = max(tick, s.like(x, from, noise))
			for apart := 1; apart <= widestPair && from+apart < len(s.moments); apart++ {
				tick = max(tick, s.likePair(x, x, from, from+apart, noise)-secondPath)
			}
			for _, rise := range [...]float64{0, 1} {
				for decay := 1.0; decay <= longestDecay; decay *= math.Sqrt2 {
					ring = max(ring, s.like(strike(rise, decay, late), from, noise))
				}
			}
		}
		to := min(from+int(seconds/binSeconds)+widestPair, len(s.moments))
		power := 0.0
		for i := from; i < to; i++ {
			power += real(s.moments[i][i])
		}
		width := float64(to - from)
		tick = max(tick, s.evidence(power/(width*noise*s.looks), width))
	}
	return tick - ring
}

const (
	longestDecay = 12 // bins; what rings longer is nothing like a tick
	secondPath   = 3  // evidence that a second path must bring
)

// burst is the mean, bin by bin, of a unit burst of so many bins that begins late
// within the first.
func burst(length, late float64) []float64 {
	x := make([]float64, int(math.Ceil(length+late)))
	for i := range x {
		x[i] = max(0, min(float64(i)+1, length+late)-max(float64(i), late))
	}
	return x
}

// strike is the mean, bin by bin, of something struck that begins late within the
// first, rises and dies away with time constants in bins, as 1−exp(−t/rise) and
// exp(−t/decay).
func strike(rise, decay, late float64) []float64 {
	x := make([]float64, int(5*(rise+decay))+1)
	// ∫exp(−t/c) over each bin.
	add := func(c, sign float64) {
		for i := range x {
			from, to := max(0, float64(i)-late), float64(i)+1-late
			x[i] += sign * c * (math.Exp(-from/c) - math.Exp(-to/c))
		}
	}
	add(decay, 1)
	if rise > 0 {
		add(1/(1/decay+1/rise), -1)
	}
	return x
}
