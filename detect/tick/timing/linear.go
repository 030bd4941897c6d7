package timing

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"

	"timeball/capture/lanes"
)

// hearing is how a receiver's audio shows a path.
type hearing int

const (
	// steady: of both sidebands and a carrier a path's audio keeps its phase.
	steady hearing = iota
	// enveloped: an envelope detector adds the squares of what is out of phase with
	// the carrier, and in noise, which fills the carrier's troughs, that of all paths.
	enveloped
	// stands: as an envelope detector shows two paths that stand still.
	stands
	// turned: the same, through a chain that turns the phase by any angle.
	turned
	// turning: of a single sideband, or without the carrier, each path turns by itself.
	turning
)

// bench is a stack seen through one chain: its waves and the inverse of the noise's
// covariance.
type bench struct {
	*stack
	*shaper
	chain      learned
	inverse    blas64.General
	tick, turn wave     // burst and its quadrature
	lift       *wave    // what noise adds to it; nil until asked for
	troughs    float64  // variance of that noise in the power of the tick
	alone      float64  // log likelihood of the windows as noise
	grids      [2]*grid // of a burst alone and with its quadrature
	guest      *guest   // nil: nobody else is looked for
}

func (st *stack) bench(l learned) *bench { return st.behind(l, l.hummed()) }

// behind is a bench whose noise comes through another chain than the waves.
func (st *stack) behind(l learned, noise chain) *bench {
	n := st.points
	b := &bench{stack: st, chain: l, inverse: general(n, n), shaper: st.shaper(l.chain)}
	r := make([]float64, n)
	st.covariance(r, noise)
	var t toeplitz
	if !t.set(r) {
		return nil
	}
	t.inverse(b.inverse.Data)
	energy := 0.0
	for i := range b.inverse.Data {
		b.inverse.Data[i] /= l.scale
		energy += b.inverse.Data[i] * st.square[0][i]
	}
	b.alone = -(energy + st.count*(t.logDet+float64(n)*math.Log(l.scale))) / 2
	// A mark's energy is its amplitude's square times half its samples.
	energy = -float64(n) * l.scale * (r[0] - noise.rest(0))
	for i := range n {
		energy += st.square[0][i*n+i] / max(1, st.count)
	}
	power := 2 * max(1, energy) / (st.heardSeconds() * st.rate)
	b.tick, b.turn, b.troughs = b.wave(inPhase), b.wave(quadrature), usualBand/(st.rate/2)/power
	return b
}

// at is b with the tick at another pitch.
func (b *bench) at(toneHz float64) *bench {
	if toneHz == b.shaper.ToneHz {
		return b
	}
	sh := b.shaper.Shape
	sh.ToneHz = toneHz
	o := *b
	o.shaper, o.lift, o.grids = b.stack.filter.of(sh).shaper(b.chain.chain), nil, [2]*grid{}
	o.tick, o.turn = o.wave(inPhase), o.wave(quadrature)
	return &o
}

// usualBand is the width of the sidebands, Hz, from which noise comes into an envelope
// detector (common practice: filters of 6 to 10 kHz in all).
const usualBand = 4e3

func general(rows, cols int) blas64.General {
	return blas64.General{Rows: rows, Cols: cols, Stride: cols, Data: make([]float64, rows*cols)}
}

// matmul returns a·bᵀ: rows are what lies together in memory.
func matmul(a, b blas64.General) blas64.General {
	c := general(a.Rows, b.Rows)
	lanes.Products(c, a, b)
	return c
}

// rows are those of a, from ≤ i < to.
func rows(a blas64.General, from, to int) blas64.General {
	return blas64.General{Rows: to - from, Cols: a.Cols, Stride: a.Stride, Data: a.Data[from*a.Stride:]}
}

// dot is the product of a's i-th row and x.
func dot(a blas64.General, i int, x []float64) float64 {
	return blas64.Dot(blas64.Vector{N: a.Cols, Inc: 1, Data: a.Data[i*a.Stride:]}, blas64.Vector{N: a.Cols, Inc: 1, Data: x})
}

// mostBases is the greatest number of waveforms with amplitudes of their own: three
// paths and two of another station's, their beats and one rise.
const mostBases = 16

type (
	vector [mostBases]float64
	matrix [mostBases]vector
)

// moments are sums over seconds of whitened outputs z: n, Σ z, Σ z·zᵀ.
type moments struct {
	n    float64
	d    int // of z
	mean vector
	prod matrix
}

// gain is the log likelihood of the moments over that of noise alone, at the most
// likely mean and covariance of the amplitudes, and what those parameters cost. For
// z Gaussian, of mean μ and a covariance that exceeds one in so many directions,
//
//	Λ = n/2·( |μ|² + Σ f(λ_i) ),  f(λ) = λ − 1 − ln λ,
//
// λ_i the greatest eigenvalues of z's covariance. A parameter costs the logarithm
// of how much narrower the data, so many seconds as they are trusted for, leave it than the
// tick's strength does.
type gain struct {
	log, cost float64
	free      float64 // number of parameters
	fading    int     // directions in which the amplitudes vary
	varying   float64 // share of the strength that does
}

// gain with so many directions of fading, or with the best number if it is negative.
func (m *moments) gain(turns bool, fading int, trust float64) gain {
	d := m.d
	cov := m.prod
	square := 0.0
	for i := range d {
		for j := range d {
			cov[i][j] /= m.n
			if !turns {
				cov[i][j] -= m.mean[i] * m.mean[j] / (m.n * m.n)
			}
		}
		if !turns {
			square += m.mean[i] * m.mean[i] / (m.n * m.n)
		}
	}
	lambda := cov.eigenvalues(d)
	strength := square
	for _, l := range lambda[:d] {
		strength += max(0, l-1)
	}
	k := 1 // eigenvalues that belong together
	if turns {
		k = 2
	}
	share := strength / (1 + strength)
	n := trust * m.n
	each := math.Log1p(n*share*share) / 2
	// with returns the gain when r directions, counted by k, vary.
	with := func(r int) gain {
		g := gain{log: square, fading: r}
		varies := 0.0
		for _, l := range lambda[:r*k] {
			if l > 1 {
				g.log += l - 1 - math.Log(l)
				varies += l - 1
			}
		}
		g.log *= m.n / 2
		g.varying = varies / max(strength, 1e-9)
		if turns {
			p := d / 2
			g.free = float64(2*r*p - r*r)
			g.cost = g.free * each
		} else {
			g.free = float64(r*d-r*(r-1)/2) + float64(d)
			g.cost = (g.free-float64(d))*each + float64(d)*math.Log1p(n*strength/(1+varies))/2
		}
		return g
	}
	if fading >= 0 {
		return with(fading)
	}
	best := gain{log: math.Inf(-1)}
	from := 0
	if turns {
		from = 1
	}
	for r := from; r <= d/k; r++ {
		if g := with(r); trust*g.log-g.cost > trust*best.log-best.cost {
			best = g
		}
	}
	return best
}

// turningGain is what gain comes to, less its cost, for one or two paths that turn, of
// whose waveforms and quadratures gram and square give the products. Averaged over all
// turns these are those of complex waveforms: two by two, and Hermitian.
func turningGain(n float64, lags []int, gram, square func(i, j int) float64) float64 {
	own := func(of func(i, j int) float64, a int) float64 { return (of(2*a, 2*a) + of(2*a+1, 2*a+1)) / 2 }
	both := func(of func(i, j int) float64, a, b int) complex128 {
		return complex(of(2*a, 2*b)+of(2*a+1, 2*b+1), of(2*a, 2*b+1)-of(2*a+1, 2*b)) / 2
	}
	// The eigenvalues of the whitened covariance, the greater first; each counts twice.
	var lambda [2]float64
	g, s := own(gram, lags[0]), own(square, lags[0])
	lambda[0] = s / g / n
	if len(lags) == 2 {
		// Cholesky's factor of the Gram matrix is (√g, 0; l·√g, √rest).
		g1, s1, s10 := own(gram, lags[1]), own(square, lags[1]), both(square, lags[1], lags[0])
		l := over(both(gram, lags[1], lags[0]), g)
		rest := g1 - sqAbs(l)*g
		if !(rest > leastOwn*g1) {
			return math.Inf(-1)
		}
		cross := s10 - l*complex(s, 0)
		a := s / g
		b := (s1 - real(l*cmplx.Conj(s10)) - real(cross*cmplx.Conj(l))) / rest
		middle, apart := (a+b)/2, math.Sqrt((a-b)*(a-b)/4+sqAbs(cross)/(g*rest))
		lambda = [2]float64{(middle + apart) / n, (middle - apart) / n}
	}
	strength := 0.0
	for _, v := range lambda {
		strength += 2 * max(0, v-1)
	}
	share := strength / (1 + strength)
	each := math.Log1p(n*share*share) / 2
	best, log := math.Inf(-1), 0.0
	for i, v := range lambda[:len(lags)] {
		if v > 1 {
			log += n * (v - 1 - math.Log(v))
		}
		r := i + 1
		best = max(best, log-float64(2*r*len(lags)-r*r)*each)
	}
	return best
}

func over(z complex128, by float64) complex128 { return complex(real(z)/by, imag(z)/by) }

// eigenvalues of a symmetric matrix of n rows, the greatest first: by Householder's
// reflections to three diagonals, and of these by the implicit QL method with
// Wilkinson's shift (Golub and Van Loan, Matrix Computations, 8.3).
func (a *matrix) eigenvalues(n int) (d vector) {
	var e, u, p vector // e: beside the diagonal
	for k := range n - 1 {
		x, alpha := a[k+1][k], 0.0
		for i := k + 1; i < n; i++ {
			alpha += a[i][k] * a[i][k]
		}
		alpha = math.Copysign(math.Sqrt(alpha), -x)
		h := alpha*alpha - x*alpha // half of |u|²
		if k == n-2 || !(h > 0) {
			e[k] = x
			continue
		}
		e[k] = alpha
		u[k+1] = x - alpha
		for i := k + 2; i < n; i++ {
			u[i] = a[i][k]
		}
		up := 0.0
		for i := k + 1; i < n; i++ {
			p[i] = 0
			for j := k + 1; j < n; j++ {
				p[i] += a[i][j] * u[j] / h
			}
			up += u[i] * p[i]
		}
		for i := k + 1; i < n; i++ {
			p[i] -= up / (2 * h) * u[i]
		}
		for i := k + 1; i < n; i++ {
			for j := k + 1; j < n; j++ {
				a[i][j] -= p[i]*u[j] + u[i]*p[j]
			}
		}
	}
	for i := range n {
		d[i] = a[i][i]
	}
	const enough, mostTurns = 1e-15, 30
	for first := 0; first < n; first++ {
		for range mostTurns {
			last := first
			for last < n-1 && math.Abs(e[last]) > enough*(math.Abs(d[last])+math.Abs(d[last+1])) {
				last++
			}
			if last == first {
				break
			}
			g := (d[first+1] - d[first]) / (2 * e[first])
			g = d[last] - d[first] + e[first]/(g+math.Copysign(math.Sqrt(g*g+1), g))
			sin, cos, shift := 1.0, 1.0, 0.0
			i := last - 1
			for ; i >= first; i-- {
				f, b := sin*e[i], cos*e[i]
				r := math.Sqrt(f*f + g*g)
				e[i+1] = r
				if r == 0 {
					d[i+1] -= shift
					e[last] = 0
					break
				}
				sin, cos = f/r, g/r
				g = d[i+1] - shift
				r = (d[i]-g)*sin + 2*cos*b
				shift = sin * r
				d[i+1] = g + shift
				g = cos*r - b
			}
			if i >= first {
				continue
			}
			d[first] -= shift
			e[first], e[last] = g, 0
		}
	}
	for i := 1; i < n; i++ {
		for j := i; j > 0 && d[j] > d[j-1]; j-- {
			d[j], d[j-1] = d[j-1], d[j]
		}
	}
	return d
}

// place is where paths are thought to arrive: lags after the axis, samples, in order.
type place struct {
	lags   []float64
	beside []float64 // those of another station's tick
	log    float64
}

// mostPlaces is how many places of a number of paths are looked at closely.
const mostPlaces = 5

// grid is what matched filters at all lags that are tried give of a window: the burst
// there, and its quadrature if it turns, behind the inverse of the noise's covariance;
// a row each.
type grid struct {
	lags    []float64
	each    int // waveforms of each
	filters blas64.General
	gram    pairs
}

// pairs are products of the waveforms at lags that may be those of two paths: row i has
// those with waveform i &^ (block - 1) and so many after it.
type pairs struct {
	blas64.General
	block int // a power of two
}

// pairs works out those of a's rows with b's, which must not depend on which is which, in
// memory that is given.
func (g *grid) pairs(a, b blas64.General, farthest int, memory func(rows, cols int) blas64.General) pairs {
	const together = 16
	p := pairs{block: together * g.each}
	p.General = memory(a.Rows, min(p.block+farthest*g.each, b.Rows))
	for from := 0; from < a.Rows; from += p.block {
		to := min(from+p.block, a.Rows)
		part := rows(p.General, from, to)
		part.Cols = min(part.Cols, b.Rows-from)
		lanes.Products(part, rows(a, from, to), rows(b, from, from+part.Cols))
	}
	return p
}

func (p *pairs) at(i, j int) float64 {
	if i > j {
		i, j = j, i
	}
	return p.Data[i*p.Stride+j-i&^(p.block-1)]
}

func (b *bench) grid(h hearing) *grid {
	which := 0
	if h == turned || h == turning {
		which = 1
	}
	if b.grids[which] != nil {
		return b.grids[which]
	}
	to := b.stack.view.reach * b.stack.rate
	if b.stack.Onset {
		to = min(to, (onsetEnd-3e-3)*b.stack.rate)
	}
	b.grids[which] = b.tabulate(b.spaced(-b.stack.view.reach*b.stack.rate, to), []*wave{&b.tick, &b.turn}[:1+which])
	return b.grids[which]
}

// spaced are lags from ≤ lag < to that are tried.
func (b *bench) spaced(from, to float64) []float64 {
	step := b.stack.view.step
	lags := make([]float64, int((to-from)/step))
	for i := range lags {
		lags[i] = from + float64(i)*step
	}
	return lags
}

// tabulate makes a grid of waves at lags.
func (b *bench) tabulate(lags []float64, waves []*wave) *grid {
	g := &grid{lags: lags, each: len(waves)}
	t := b.sampled(lags, waves)
	g.filters = matmul(t, b.inverse)
	g.gram = g.pairs(t, g.filters, b.farthest(), general)
	return g
}

// sampled are windows with the waves at lags, a row each.
func (b *bench) sampled(lags []float64, waves []*wave) blas64.General {
	t := general(len(lags)*len(waves), b.points)
	for i, lag := range lags {
		for q, w := range waves {
			w.sample(t.Data[(i*len(waves)+q)*t.Stride:][:b.points], value, -b.before-lag)
		}
	}
	return t
}

// farthest is by how many lags of a grid two paths may be apart.
func (b *bench) farthest() int { return int(b.stack.view.longest * b.stack.rate / b.stack.view.step) }

// search returns places of up to most paths about which the likelihood is greatest,
// heard by their bursts alone.
func (b *bench) search(h hearing, most int, p *Priors) [][]place {
	return b.among(b.grid(h), nil, h == turning, most, p)
}

// among is the same in a grid, where the waves of still, if any, are there as well.
func (b *bench) among(gr *grid, still *still, turns bool, most int, p *Priors) [][]place {
	at, done := b.likelihood(gr, still, turns, most)
	defer done()
	s := gr.survey(at, b, min(most, 2), p)
	all := append(make([][]place, 0, most), heaviest(s.one()))
	if most == 1 {
		return all
	}
	all = append(all, heaviest(s.two()))
	if most == 2 {
		return all
	}
	// A third path beside the likeliest pairs.
	var found []place
	for _, q := range all[1][:min(2, len(all[1]))] {
		i, j := slices.Index(gr.lags, q.lags[0]), slices.Index(gr.lags, q.lags[1])
		best := place{log: math.Inf(-1)}
		for m := range gr.lags {
			trio := []int{i, j, m}
			slices.Sort(trio)
			if trio[1]-trio[0] < s.least || trio[2]-trio[1] < s.least || trio[2]-trio[0] > b.farthest() {
				continue
			}
			if x := at(trio...); x > best.log {
				best = place{lags: []float64{gr.lags[trio[0]], gr.lags[trio[1]], gr.lags[trio[2]]}, log: x}
			}
		}
		if best.lags != nil {
			found = append(found, best)
		}
	}
	return append(all, heaviest(found))
}

// likelihood is that of paths at lags of a grid, up to most, as a logarithm. Its memory is
// given back when it is done with.
func (b *bench) likelihood(gr *grid, still *still, turns bool, most int) (at func(lags ...int) float64, done func()) {
	k, v, pool := gr.each, gr.filters, b.stack.pool
	left := pool.general(v.Rows, b.points)
	lanes.Products(left, v, b.matrix(b.square[0]))
	done = func() { pool.back(left) }
	mean := make([]float64, v.Rows)
	for i := range mean {
		mean[i] = dot(v, i, b.mean[0])
	}
	square := func(i, j int) float64 { return dot(v, i, left.Data[j*left.Stride:]) }
	if most > 1 {
		all := gr.pairs(v, left, b.farthest(), pool.general)
		square = all.at
		done = func() { pool.back(left, all.General) }
	}
	base := still.beside(gr)
	return func(lags ...int) float64 {
		if turns && len(lags) <= 2 {
			return turningGain(b.count, lags, gr.gram.at, square)
		}
		m := moments{n: b.count}
		var g matrix
		var rows [mostBases]int
		base.into(&m, &g)
		for _, l := range lags {
			for q := range k {
				rows[m.d] = l*k + q
				m.d++
			}
		}
		for x := base.n; x < m.d; x++ {
			i := rows[x]
			m.mean[x] = mean[i]
			base.across(&m, &g, x, i)
			for y := base.n; y <= x; y++ {
				j := rows[y]
				g[x][y], m.prod[x][y] = gr.gram.at(j, i), square(j, i)
				g[y][x], m.prod[y][x] = g[x][y], m.prod[x][y]
			}
		}
		if !m.whiten(&g, turns) {
			return math.Inf(-1)
		}
		r := m.gain(turns, -1, 1)
		return r.log - r.cost
	}, done
}

// survey is the log likelihood of a path at each lag of a grid and of another so many lags
// later, at least least; none later: of the one alone.
type survey struct {
	*grid
	least int
	log   [][]float64
}

func (g *grid) survey(at func(lags ...int) float64, b *bench, most int, p *Priors) survey {
	s := survey{g, int(math.Ceil(p.LeastExcess * b.stack.rate / b.stack.view.step)), make([][]float64, len(g.lags))}
	for i := range s.log {
		row := append(make([]float64, 0, 1+max(0, most-1)*b.farthest()), at(i))
		for later := 1; most > 1 && later <= b.farthest() && i+later < len(g.lags); later++ {
			if later < s.least {
				row = append(row, math.Inf(-1))
			} else {
				row = append(row, at(i, i+later))
			}
		}
		s.log[i] = row
	}
	return s
}

// one are the places of one path where the likelihood is greatest.
func (s *survey) one() (found []place) {
	for i, x := range s.log {
		if (i == 0 || x[0] >= s.log[i-1][0]) && (i == len(s.lags)-1 || x[0] > s.log[i+1][0]) {
			found = append(found, place{lags: []float64{s.lags[i]}, log: x[0]})
		}
	}
	return found
}

// two are those of two.
func (s *survey) two() (found []place) {
	at := func(i, later int) float64 {
		if i < 0 || i >= len(s.lags) || later < s.least || later >= len(s.log[i]) {
			return math.Inf(-1)
		}
		return s.log[i][later]
	}
	for i, row := range s.log {
		for later := s.least; later < len(row); later++ {
			x, peak := row[later], !math.IsInf(row[later], -1)
			for di := -1; di <= 1 && peak; di++ {
				for dj := -1; dj <= 1; dj++ {
					peak = peak && !(at(i+di, later+dj-di) > x)
				}
			}
			if peak {
				found = append(found, place{lags: []float64{s.lags[i], s.lags[i+later]}, log: x})
			}
		}
	}
	return found
}

// drift is by how many lags, within from ≤ lags ≤ to, a later survey's paths most likely
// come later than s's, as far apart, and by how much likelier that is than by none.
func (s *survey) drift(o *survey, from, to float64) (by int, gain float64) {
	most := func(by int) float64 {
		best := math.Inf(-1)
		for i := max(0, -by); i < min(len(s.lags), len(s.lags)-by); i++ {
			other := o.log[i+by]
			for later, x := range s.log[i][:min(len(s.log[i]), len(other))] {
				best = max(best, x+other[later])
			}
		}
		return best
	}
	stays := most(0)
	farthest := float64(len(s.lags) - 1)
	for k := int(math.Ceil(max(from, -farthest))); float64(k) <= min(to, farthest); k++ {
		if more := most(k) - stays; more > gain {
			by, gain = k, more
		}
	}
	return by, gain
}

func (st *stack) matrix(data []float64) blas64.General {
	return blas64.General{Rows: st.points, Cols: st.points, Stride: st.points, Data: data}
}

// heaviest are the first few of the places, the likeliest first.
func heaviest(all []place) []place {
	slices.SortFunc(all, func(a, b place) int { return cmp.Compare(b.log, a.log) })
	return all[:min(mostPlaces, len(all))]
}

// whiten makes of matched filters' outputs, with Gram matrix g, such in which noise is
// white; false when the filters are too alike. Of turning paths nothing but what all
// phases have in common is left; their filters come in pairs.
func (m *moments) whiten(g *matrix, turns bool) bool {
	d := m.d
	if turns {
		g.turn(d)
		m.prod.turn(d)
	}
	// Cholesky's factor of g, lower; then L⁻¹·s·L⁻ᵀ and L⁻¹·m.
	var l matrix
	for i := range d {
		for j := range i + 1 {
			v := g[i][j]
			for k := range j {
				v -= l[i][k] * l[j][k]
			}
			if i > j {
				l[i][j] = v / l[j][j]
				continue
			}
			if !(v > leastOwn*g[i][i]) {
				return false
			}
			l[i][i] = math.Sqrt(v)
		}
	}
	for i := range d {
		for k := range i {
			m.mean[i] -= l[i][k] * m.mean[k]
			for j := range d {
				m.prod[i][j] -= l[i][k] * m.prod[k][j]
			}
		}
		m.mean[i] /= l[i][i]
		for j := range d {
			m.prod[i][j] /= l[i][i]
		}
	}
	for r := range d {
		row := &m.prod[r]
		for i := range d {
			for k := range i {
				row[i] -= l[i][k] * row[k]
			}
			row[i] /= l[i][i]
		}
	}
	return true
}

// leastOwn is the least share of a waveform's energy that the others before it do not
// explain.
const leastOwn = 1e-4

// turn makes a the mean of it over all common turns of its pairs' phases.
func (a *matrix) turn(d int) {
	for i := 0; i < d; i += 2 {
		for j := 0; j < d; j += 2 {
			same := (a[i][j] + a[i+1][j+1]) / 2
			cross := (a[i][j+1] - a[i+1][j]) / 2
			a[i][j], a[i+1][j+1] = same, same
			a[i][j+1], a[i+1][j] = cross, -cross
		}
	}
}

// near is the likelihood about one place: the waves there in series, so that small
// departures of lags, rate and corners cost little to try.
type near struct {
	*bench
	hearing
	lags  []float64
	own   int // of the lags, the first; the others are another station's
	terms []term
	bases int // whose amplitudes are free
	// filters are the matched filters of the columns of all waves, a row each, and gram
	// the waves' products with them.
	filters blas64.General
	gram    []float64
	prod    [3][]float64 // Σ tᵏ of the products of the columns' outputs; for k > 0 with movers
	sum     [3][]float64 // Σ tᵏ of the outputs
}

// term is a part of a waveform by which a place is fitted: of one path, or the beat of
// two. Terms of one basis have one amplitude.
type term struct {
	*wave           // nil of a beat
	path, later int // later: of a beat, else the path
	basis       int
}

// terms of paths at the lags, the first of which are the station's own, and the number of
// bases.
func (b *bench) terms(h hearing, lags []float64, own int) (all []term, bases int) {
	add := func(w *wave, i, j int) {
		all = append(all, term{w, i, j, bases})
		bases++
	}
	for i := range lags {
		tick, turn := &b.tick, &b.turn
		if i >= own {
			tick, turn = &b.guest.tick, &b.guest.turn
		}
		add(tick, i, i)
		if h == turning {
			add(turn, i, i)
		}
	}
	if h != enveloped {
		return all, bases
	}
	for i := range lags {
		for j := i + 1; j < len(lags); j++ {
			add(nil, i, j)
		}
	}
	if b.lift == nil {
		w := b.rise(b.troughs)
		b.lift = &w
	}
	for i := range own {
		all = append(all, term{b.lift, i, i, bases})
	}
	return all, bases + 1
}

// about prepares the likelihood about lags, and those of another station's paths.
func (b *bench) about(h hearing, lags []float64, beside ...float64) *near {
	nr := &near{bench: b, hearing: h, lags: slices.Concat(lags, beside), own: len(lags)}
	lags = nr.lags
	nr.terms, nr.bases = b.terms(h, lags, nr.own)
	pool := b.stack.pool
	x, left := pool.general(len(nr.terms)*columns, b.points), pool.general(len(nr.terms)*columns, b.points)
	moving := pool.general(len(nr.terms)*movers, b.points)
	defer pool.back(x, left, moving)
	for i, w := range nr.terms {
		start := -b.before - lags[w.path]
		var beat sampled
		if w.wave == nil {
			beat = b.beat(nr.sentOn(w.path), nr.sentOn(w.later), lags[w.later]-lags[w.path], start, b.points)
		}
		for col := range columns {
			row := x.Data[(i*columns+col)*x.Stride:][:b.points]
			if w.wave == nil {
				copy(row, beat[col])
			} else {
				w.sample(row, col, start)
			}
		}
	}
	a := matmul(x, b.inverse)
	nr.filters, nr.gram = a, matmul(x, a).Data
	for i := range nr.terms {
		copy(moving.Data[i*movers*moving.Stride:][:movers*moving.Stride], a.Data[(i*columns+slope)*a.Stride:])
	}
	for k := range nr.prod {
		if b.square[k] == nil {
			break
		}
		nr.sum[k] = make([]float64, a.Rows)
		for i := range nr.sum[k] {
			nr.sum[k][i] = dot(a, i, b.mean[k])
		}
		if k == 0 {
			lanes.Products(left, a, b.matrix(b.square[k]))
			nr.prod[k] = matmul(left, a).Data
			continue
		}
		part := rows(left, 0, moving.Rows)
		lanes.Products(part, moving, b.matrix(b.square[k]))
		part = matmul(part, a)
		nr.prod[k] = make([]float64, a.Rows*a.Rows)
		for c := range part.Rows {
			col := c/movers*columns + slope + c%movers
			for row, v := range part.Data[c*part.Stride:][:part.Cols] {
				nr.prod[k][row*a.Rows+col], nr.prod[k][col*a.Rows+row] = v, v
			}
		}
	}
	return nr
}

// movers is the number of columns, slope and bend, that have a part in what moves in
// time; sums with a power of time are worked out for those alone.
const movers = 2

// departure is a set of parameters about a place: how much later each path comes, by
// how much later a span after the reference, samples, and the corners' logarithms.
type departure struct {
	lags      []float64
	drift     float64
	high, low float64
}

// moments at a departure.
func (nr *near) moments(e departure) (moments, bool) {
	w := len(nr.terms) * columns
	var c [mostBases + mostPaths - 1][3][columns]float64 // the waves in powers of time
	for i, t := range nr.terms {
		s := e.lags[t.path]
		if t.later != t.path {
			c[i][0] = [columns]float64{1, s, e.lags[t.later] - s, e.high, e.low}
			c[i][1][slope] = e.drift
			continue
		}
		c[i][0] = [columns]float64{1, s, s * s / 2, e.high, e.low}
		c[i][1][slope], c[i][1][bend] = e.drift, e.drift*s
		c[i][2][bend] = e.drift * e.drift / 2 // there alone
	}
	m := moments{n: nr.count, d: nr.bases}
	var g matrix
	t1, t2 := nr.time[1]/nr.count, nr.time[2]/nr.count
	for i, t := range nr.terms {
		a := &c[i]
		for x, v := range a[0] {
			m.mean[t.basis] += v * nr.sum[0][i*columns+x]
		}
		for x := slope; x <= bend; x++ {
			m.mean[t.basis] += a[1][x]*nr.sum[1][i*columns+x] + a[2][x]*nr.sum[2][i*columns+x]
		}
		for j, o := range nr.terms[:i+1] {
			b := &c[j]
			gram, prod := 0.0, 0.0
			for x := range columns {
				at := (i*columns+x)*w + j*columns
				g0, p0 := (*[columns]float64)(nr.gram[at:]), (*[columns]float64)(nr.prod[0][at:])
				p1, p2 := (*[columns]float64)(nr.prod[1][at:]), (*[columns]float64)(nr.prod[2][at:])
				// Sums over the other's columns, by powers of time; only two columns move.
				var still, stands float64
				for y, v := range b[0] {
					still += v * g0[y]
					stands += v * p0[y]
				}
				moves := b[1][slope]*g0[slope] + b[1][bend]*g0[bend]
				turns := b[2][bend] * g0[bend]
				stands += b[1][slope]*p1[slope] + b[1][bend]*p1[bend] + b[2][bend]*p2[bend]
				gram += a[0][x] * (still + t1*moves + t2*turns)
				prod += a[0][x] * stands
				if x == slope || x == bend {
					first, second := 0.0, 0.0
					for y, v := range b[0] {
						first += v * p1[y]
						second += v * p2[y]
					}
					first += b[1][slope]*p2[slope] + b[1][bend]*p2[bend]
					gram += a[1][x]*(t1*still+t2*moves) + a[2][x]*t2*still
					prod += a[1][x]*first + a[2][x]*second
				}
			}
			g[t.basis][o.basis] += gram
			m.prod[t.basis][o.basis] += prod
			if i != j {
				g[o.basis][t.basis] += gram
				m.prod[o.basis][t.basis] += prod
			}
		}
	}
	return m, m.whiten(&g, nr.hearing == turning)
}

// misfit is what is beside the paths and goes with their amplitudes from second to second,
// as a mean of squares of which noise gives one, over the samples in which a mark sounds:
// elsewhere no model errs. With outputs z of the filters at e, Gram matrix G, and the
// windows' rest r = y − T·G⁻¹·z, it is
//
//	tr((Σ z·zᵀ)⁻¹ · Σ z·rᵀ · R⁻¹ · Σ r·zᵀ) − d·(n − d),
//
// less two standard deviations of what noise makes of it, χ² with d·(n − d) degrees of
// freedom.
func (nr *near) misfit(e departure) float64 {
	d := nr.bases
	at, gram := general(d, nr.points), mat.NewDense(d, d, nil)
	shares := make([]float64, len(nr.terms)*columns)
	for i, t := range nr.terms {
		s := e.lags[t.path]
		share := [columns]float64{value: 1, slope: s, bend: s * s / 2, byHigh: e.high, byLow: e.low}
		if t.later != t.path {
			share[bend] = e.lags[t.later] - s
		}
		copy(shares[i*columns:], share[:])
	}
	for i, v := range shares {
		a := nr.terms[i/columns].basis
		blas64.Axpy(v, blas64.Vector{N: nr.points, Inc: 1, Data: nr.filters.Data[i*nr.filters.Stride:]}, blas64.Vector{N: nr.points, Inc: 1, Data: at.Data[a*at.Stride:]})
		for j, u := range shares {
			b := nr.terms[j/columns].basis
			gram.Set(a, b, gram.At(a, b)+v*u*nr.gram[i*len(shares)+j])
		}
	}
	seen := matmul(at, nr.matrix(nr.square[0])) // Σ z·yᵀ
	dense := func(a blas64.General) *mat.Dense { return mat.NewDense(a.Rows, a.Cols, a.Data) }
	outputs, all := dense(matmul(at, seen)), dense(matmul(matmul(seen, nr.inverse), seen))
	var whole, paths mat.Dense
	if whole.Solve(outputs, all) != nil || paths.Solve(gram, outputs) != nil {
		return 0
	}
	freedom := float64(d * (nr.points - d))
	return (mat.Trace(&whole) - mat.Trace(&paths) - freedom - 2*math.Sqrt(2*freedom)) / (nr.heardSeconds() * nr.stack.rate)
}

// power is the mean power of each path's burst over the noise's at its matched filter,
// per second.
func (nr *near) power() []float64 {
	// The amplitudes' second moment is G⁻¹·S·G⁻¹ − G⁻¹.
	d, m := nr.bases, len(nr.terms)*columns
	gram, prod := mat.NewDense(d, d, nil), mat.NewDense(d, d, nil)
	for i, w := range nr.terms {
		for j, o := range nr.terms {
			at := i*columns*m + j*columns
			gram.Set(w.basis, o.basis, gram.At(w.basis, o.basis)+nr.gram[at])
			prod.Set(w.basis, o.basis, prod.At(w.basis, o.basis)+nr.prod[0][at]/nr.count)
		}
	}
	p := make([]float64, len(nr.lags))
	var inv, left, a mat.Dense
	if inv.Inverse(gram) != nil {
		return p
	}
	left.Mul(&inv, prod)
	a.Mul(&left, &inv)
	for _, w := range nr.terms {
		if i := w.basis; w.wave != nil && w.wave != nr.lift {
			p[w.path] += max(0, a.At(i, i)-inv.At(i, i)) * gram.At(i, i)
		}
	}
	return p
}
