package longwave

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"

	"timeball/capture/station"
	"timeball/detect/tone"
)

// Keyed is an antenna's signal in which a generator's carrier is keyed on and off. After an
// edge a resonator's answer nears its rest as e^(p·t) with its pole p: level and phase of
// what is added to the rest are the edge's own, and the pole is that of all.
type Keyed struct {
	rate float64
	x    []float32
}

// KeyedFault is why a keyed carrier tells nothing of a loop.
type KeyedFault int

// What may be wrong with a keyed carrier.
const (
	KeyedFine    KeyedFault = iota
	NoKeyed                 // no carrier stands out that is on and off
	KeyedClipped            // it is too strong for the input
	KeyedStation            // it is on a station's frequency
	FewEdges                // it was switched too seldom
	NoPole                  // its edges do not tell a resonance
)

const (
	// KeyedSeconds are looked at, and no more: a hundred edges and more.
	KeyedSeconds = 60
	// KeyedEdges are needed, for their scatter to tell the uncertainty.
	KeyedEdges = 16

	keyedSpectrum = 1 << 19 // samples, some seconds
	keyedFull     = 0.999   // of full scale; beyond, samples are clipped
	keyedBin      = 1e-3    // s, in which the level is looked at
	// keyedRest is for how long a level must last on either side of an edge, s: six time
	// constants of a loop of Q 300 at 40 kHz are 14 ms.
	keyedRest = 20e-3
	// keyedBegun is the share of its change after which an edge is taken: then it is over,
	// for a loop's answer comes later than what it answers to.
	keyedBegun = 0.3
	// keyedQuiet is from how long before an answer on there is nothing of it, s: it is
	// looked for within three bins.
	keyedQuiet = 4 * keyedBin
	// keyedTau is how many of the loop's time constants are looked at: then 3·10⁻⁴ is left.
	keyedTau = 8
)

// NewKeyed returns a keyed carrier at a rate.
func NewKeyed(rate float64) *Keyed { return &Keyed{rate: rate} }

// Process takes more of the signal.
func (k *Keyed) Process(x []float32) {
	k.x = append(k.x, x[:min(len(x), int(KeyedSeconds*k.rate)-len(k.x))]...)
}

// Loop is the resonator that the edges show, and how many there are.
func (k *Keyed) Loop() (l Loop, edges int, why KeyedFault) {
	if len(k.x) < keyedSpectrum {
		return l, 0, FewEdges
	}
	lines := Lines(k.x[len(k.x)-keyedSpectrum:], k.rate, loopLowHz, 0.48*k.rate)
	if len(lines) == 0 {
		return l, 0, NoKeyed
	}
	if slices.ContainsFunc(k.x, func(v float32) bool { return math.Abs(float64(v)) > keyedFull }) {
		return l, 0, KeyedClipped
	}
	hz := lines[0].Hz
	onCarrier := func(s station.Station) bool { return s.LongWave() && math.Abs(s.Carriers[0].Hz-hz) < directOffHz }
	if slices.ContainsFunc(station.Builtin(), onCarrier) {
		return l, 0, KeyedStation
	}
	var all []keyedEdge
	for _, lag := range []int{1, 8, 64} { // the finer, the longer
		var off float64
		var ok bool
		if all, off, ok = k.edges(hz, lag); !ok {
			return l, 0, NoKeyed
		}
		hz += off
	}
	if len(all) < KeyedEdges {
		return l, len(all), FewEdges
	}
	p, ok := k.begin(all, hz)
	if !ok {
		return l, len(all), NoPole
	}
	p, tells, ok := k.fit(all, hz, p, 0)
	if !ok {
		return l, len(all), NoPole
	}
	covariance := scatter(tells)
	// What is no single pole, as a keying that takes as long as the loop or a filter, shows
	// in the beginning: a time constant later it is less.
	if later, tellsLater, ok := k.fit(all, hz, p, 1/p[0]); ok {
		for i := range tellsLater {
			for j := range p {
				tellsLater[i][j] -= tells[i][j]
			}
		}
		d, c := [2]float64{later[0] - p[0], later[1] - p[1]}, scatter(tellsLater)
		if det := c[0][0]*c[1][1] - c[0][1]*c[0][1]; (c[1][1]*d[0]*d[0]-2*c[0][1]*d[0]*d[1]+c[0][0]*d[1]*d[1])/det > misfitChance(len(all)) {
			covariance[0][0] += d[0] * d[0]
			covariance[1][1] += d[1] * d[1]
		}
	}
	decay, ringing := p[0], 2*math.Pi*hz+p[1]
	natural := math.Hypot(decay, ringing)
	l = Loop{Q: natural / (2 * decay), TunedHz: natural / (2 * math.Pi), TunedU: math.Sqrt(covariance[1][1]) / (2 * math.Pi)}
	l.QU = l.Q * math.Sqrt(covariance[0][0]) / decay
	if l.Q < leastQ || l.Q > mostQ || told*l.QU > l.Q {
		return l, len(all), NoPole
	}
	return l, len(all), KeyedFine
}

// keyedEdge is one: the sample from which its answer is looked at.
type keyedEdge struct {
	from   int
	before complex128 // the level it leaves,
	after  complex128 // and that it comes to
}

// mixed is the mean of n samples from i on of what lies at hz.
func (k *Keyed) mixed(i, n int, hz float64) complex128 {
	var sum complex128
	for m, turn := range tone.Rotating(hz/k.rate, 2*tone.Turn(hz/k.rate, float64(i)), n) {
		sum += turn * complex(float64(k.x[i+m]), 0)
	}
	return sum / complex(float64(n), 0)
}

// edges finds where a carrier at hz is switched, and by how much it is higher, Hz, by its
// phase over so many bins while it is on; false where it is not on and off.
func (k *Keyed) edges(hz float64, lag int) (all []keyedEdge, off float64, ok bool) {
	per := int(keyedBin * k.rate)
	z := make([]complex128, len(k.x)/per)
	level := make([]float64, len(z))
	for m := range z {
		z[m] = k.mixed(m*per, per, hz)
		level[m] = cmplx.Abs(z[m])
	}
	// It is on for a twentieth of the time at least, and off likewise.
	sorted := slices.Sorted(slices.Values(level))
	high, low := sorted[len(sorted)*39/40], sorted[len(sorted)/40]
	if low > high/4 {
		return nil, 0, false
	}
	on := func(m int) bool { return level[m] > high/2 }
	rest := int(math.Round(keyedRest / keyedBin))
	var turned complex128
	for m, run := 0, 0; m < len(z); m++ {
		run++
		if !on(m) || m+1 == len(z) || !on(m+1) { // the last is not on to its end
			run = 0
		}
		if run > rest+lag {
			turned += cmplx.Conj(z[m-lag]) * z[m]
		}
	}
	off = cmplx.Phase(turned) / (2 * math.Pi * float64(lag*per) / k.rate)
	for m := rest + 1; m+rest < len(z); m++ {
		steady := on(m-1) != on(m)
		for i := 1; i <= rest && steady; i++ {
			steady = on(m-i) == on(m-1) && on(m+i) == on(m)
		}
		if e := k.edge(m*per, per, rest, hz); steady && e.from > 0 {
			all = append(all, e)
		}
	}
	return all, off, true
}

// edge is the one about sample at.
func (k *Keyed) edge(at, per, rest int, hz float64) (e keyedEdge) {
	e.before, e.after = k.mixed(at-(rest-1)*per, (rest-4)*per, hz), k.mixed(at+(rest-4)*per, 3*per, hz)
	fine := k.fine(hz)
	for i := at - 3*per; i < at+3*per; i += fine {
		// Now and in the next bin: noise alone does not make it twice.
		begun := true
		for n := range 2 {
			change := (k.mixed(i+n*fine, fine, hz) - e.before) / (e.after - e.before)
			begun = begun && real(change) > keyedBegun
		}
		if begun {
			e.from = i + fine
			break
		}
	}
	return e
}

// fine is how many samples hold two cycles.
func (k *Keyed) fine(hz float64) int { return int(math.Ceil(2 * k.rate / hz)) }

// begin is about the pole, decay and turn a second: by how much what an edge adds changes
// from bin to bin.
func (k *Keyed) begin(all []keyedEdge, hz float64) (p [2]float64, ok bool) {
	fine := k.fine(hz)
	bins := 3 // as a loop of the least quality wants, and as many as another one, then
	for range 3 {
		var product complex128
		power := 0.0
		for _, e := range all {
			last := k.mixed(e.from, fine, hz) - e.after
			for m := 1; m <= bins; m++ {
				z := k.mixed(e.from+m*fine, fine, hz) - e.after
				product += cmplx.Conj(last) * z
				power += real(last)*real(last) + imag(last)*imag(last)
				last = z
			}
		}
		ratio := product / complex(power, 0)
		step := float64(fine) / k.rate
		decay := -math.Log(cmplx.Abs(ratio)) / step
		p = [2]float64{max(math.Pi*hz/mostQ, min(math.Pi*hz/leastQ, decay)), cmplx.Phase(ratio) / step}
		bins = max(2, int(min(2/p[0], keyedRest/2)/step))
	}
	return p, !math.IsNaN(p[0] + p[1])
}

// fit finds the pole by least squares from p on, from some seconds after each edge on; each
// edge's share in what it is off tells how sure it is.
func (k *Keyed) fit(all []keyedEdge, hz float64, p [2]float64, after float64) (pole [2]float64, tells [][2]float64, ok bool) {
	skip, quietGap := int(math.Round(after*k.rate)), int(keyedQuiet*k.rate)
	for range 40 {
		n := int(min(keyedTau/p[0], keyedRest*0.8)*k.rate) - skip
		if n < 8 {
			return p, nil, false
		}
		step := 1e-3 * p[0]
		bases := [5][][]float64{k.basis(hz, p, n)}
		for i := range p {
			for side := range 2 {
				q := p
				q[i] += step * float64(2*side-1)
				bases[1+2*i+side] = k.basis(hz, q, n)
			}
		}
		var normal [2][2]float64
		tells = tells[:0]
		for _, e := range all {
			g, h := tell(bases, step, k.x[e.from+skip:][:n])
			// What noise alone tells, for it has the loop's shape, too.
			noise, of := tell(bases, step, k.x[e.from-quietGap-n:][:n])
			for i := range g {
				g[i] -= noise[i]
				for j := range g {
					normal[i][j] += h[i][j] - of[i][j]
				}
			}
			tells = append(tells, g)
		}
		det := normal[0][0]*normal[1][1] - normal[0][1]*normal[1][0]
		if !(det > 0) {
			return p, nil, false
		}
		var move [2]float64
		for i, g := range tells {
			tells[i] = [2]float64{(normal[1][1]*g[0] - normal[0][1]*g[1]) / det, (normal[0][0]*g[1] - normal[1][0]*g[0]) / det}
			move[0] += tells[i][0]
			move[1] += tells[i][1]
		}
		most := math.Hypot(move[0], move[1]) / (0.3 * p[0])
		for i := range p {
			p[i] += move[i] / max(1, most)
		}
		if p[0] < math.Pi*hz/(2*mostQ) || p[0] > 2*math.Pi*hz/leastQ {
			return p, nil, false
		}
		if most < 1e-6 {
			return p, tells, true
		}
	}
	return p, nil, false
}

// tell is what samples say of a pole, the derivative by it of half the sum of squares that
// the basis leaves, and the second one; bases has those of lesser and greater poles, too.
func tell(bases [5][][]float64, step float64, x []float32) (g [2]float64, h [2][2]float64) {
	left := remainder(bases[0], x)
	var by [2][]float64 // its change with the pole
	for i := range by {
		by[i] = remainder(bases[2+2*i], x)
		for m, v := range remainder(bases[1+2*i], x) {
			by[i][m] = (by[i][m] - v) / (2 * step)
		}
	}
	for i := range by {
		g[i] = -floats.Dot(by[i], left)
		for j := range by {
			h[i][j] = floats.Dot(by[i], by[j])
		}
	}
	return g, h
}

// basis spans the carrier and the ringing of a pole over n samples, each of any phase.
func (k *Keyed) basis(hz float64, p [2]float64, n int) [][]float64 {
	all := make([][]float64, 4)
	for i := range all {
		all[i] = make([]float64, n)
	}
	w := 2 * math.Pi * hz
	for m := range n {
		t := float64(m) / k.rate
		sin, cos := math.Sincos(w * t)
		all[0][m], all[1][m] = cos, sin
		sin, cos = math.Sincos((w + p[1]) * t)
		left := math.Exp(-p[0] * t)
		all[2][m], all[3][m] = left*cos, left*sin
	}
	// Made orthogonal (Gram and Schmidt).
	for i, a := range all {
		for _, b := range all[:i] {
			floats.AddScaled(a, -floats.Dot(a, b), b)
		}
		floats.Scale(1/floats.Norm(a, 2), a)
	}
	return all
}

// remainder is what a basis leaves of x.
func remainder(basis [][]float64, x []float32) []float64 {
	left := make([]float64, len(x))
	for i, v := range x {
		left[i] = float64(v)
	}
	for _, b := range basis {
		floats.AddScaled(left, -floats.Dot(left, b), b)
	}
	return left
}

// scatter is the covariance of a sum by the scatter of its terms, whatever the noise is made
// of (the sandwich estimator), two being taken by the fit; and wider, as Student's t is than
// the normal distribution.
func scatter(terms [][2]float64) (c [2][2]float64) {
	n := float64(len(terms))
	for _, t := range terms {
		for i := range t {
			for j := range t {
				c[i][j] += t[i] * t[j] * n / (n - 4) // n/(n−2), and (n−2)/(n−4) of Student's t
			}
		}
	}
	return c
}

// misfitChance is what Hotelling's T² of two quantities, of so many edges, exceeds by chance
// once in a thousand: of two degrees of freedom against ν, F has the distribution 1 − (1 +
// 2·F/ν)^(−ν/2).
func misfitChance(n int) float64 {
	nu := float64(n - 2)
	return float64(n-1) * (math.Pow(1e-3, -2/nu) - 1)
}
