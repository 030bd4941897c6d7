package longwave

import (
	"math"
	"slices"

	"github.com/mjibson/go-dsp/fft"

	"timeball/capture/station"
	"timeball/detect/rank"
)

// quiet is the spectrum of the noise about a carrier in the part of the seconds in which
// its level rests, without the carrier and without a phase code: what is alike in two
// seconds goes out of their difference. Noise of the world comes through a tuned antenna
// as the carrier does and has its shape.
type quiet struct {
	length  int // samples of a spectrum
	count   int // spectra
	density []float64
	last    []complex128 // of the second before, its phase code turned to bits 0

	found Loop // by so many spectra
	by    int
}

// newQuiet knows no more than what is thought of an antenna before.
func newQuiet(hz float64) *quiet { return &quiet{found: antenna(nil, 1, hz)} }

const (
	// A spectrum has resolution enough for a loop of Q 300 at 40 kHz, 130 Hz wide.
	quietMost, quietLeast = 512, 128
	// The carrier's own neighbourhood, where its phase strays, Hz, and how far out the base
	// band is flat.
	quietFrom, quietTo = 50, 1500
	quietCell          = 50 // Hz that are taken together: their median leaves lines out
	// flat is a tenth of a decibel, to which a sound card and its filters are flat there
	// (common practice).
	flat = 0.023
	// Other people's noise beside the carrier is not of an antenna's shape: where no
	// antenna leaves a mean square of less than mostMisfit, nothing is taken from it. Of 50
	// cells chance alone exceeds 2 once in a million; a switching supply within a kilohertz
	// made it 10 to 200 (simulated).
	mostMisfit = 2
	// findEvery is after how many more spectra a loop is looked for anew, as a share.
	findEvery = 0.1
)

// add takes a cut's second, whose phase code has a sign.
func (q *quiet) add(p *plan, c *cutter, sign float64) {
	if p.Phase.Kind == station.Unpublished {
		return
	}
	z := c.z[index(p.fullFrom+slotGuard):index(p.fullTo)]
	if q.length == 0 {
		q.length = quietMost
		for q.length > quietLeast && q.length > len(z) {
			q.length /= 2
		}
		q.density = make([]float64, q.length)
	}
	if len(z) < q.length {
		return
	}
	var mean complex128
	for _, v := range z {
		mean += v / complex(float64(len(z)), 0)
	}
	x := make([]complex128, len(z))
	for i, v := range z {
		x[i] = (v - mean) * complex(sign, 0)
	}
	if p.Phase.Kind == "dcf77" {
		before := q.last
		q.last = slices.Clone(x)
		if len(before) != len(x) {
			return
		}
		for i := range x {
			x[i] -= before[i]
		}
	}
	for ; len(x) >= q.length; x = x[q.length:] {
		part := make([]complex128, q.length)
		for i, v := range x[:q.length] {
			part[i] = v * complex(hann(i, q.length), 0)
		}
		for i, v := range fft.FFT(part) {
			q.density[i] += real(v)*real(v) + imag(v)*imag(v)
		}
		q.count++
	}
	if float64(q.count) >= float64(q.by)*(1+findEvery) {
		q.by = q.count
		hz := p.Carriers[0].Hz
		cells, relative := q.cells(hz)
		q.found = antenna(cells, relative, hz)
	}
}

// cells are the densities to either side of a carrier, and by what share of themselves
// they stray.
func (q *quiet) cells(hz float64) (cells []loopPoint, relative float64) {
	step := float64(baseRate) / float64(q.length)
	bins := max(3, int(quietCell/step))
	for _, side := range []float64{-1, 1} {
		for i := int(math.Ceil(quietFrom / step)); float64(i+bins-1)*step <= quietTo; i += bins {
			cell := make([]float64, bins)
			for k := range cell {
				cell[k] = q.density[(int(side)*(i+k)+q.length)%q.length]
			}
			cells = append(cells, loopPoint{hz + side*(float64(i)+float64(bins-1)/2)*step, rank.Median(cell)})
		}
	}
	// As in Noise.Loop, and the card's own response.
	return cells, math.Hypot(flat, math.Sqrt(math.Pi/2/float64(bins*q.count)*2))
}

// What is thought of an antenna beforehand (common practice): it is tuned or not, of any
// quality that loops have, to within about half its width of the carrier, for it was tuned
// by ear; and of the noise on tune a part, from none to half, is the sound card's and has
// not come through it.
const (
	untuned      = 0.5
	detunedSigma = 0.5 // half widths
	detunedReach = 1.5
	// antennaNodes are points of a grid, which closes in at most antennaFiner times.
	antennaNodes, antennaFiner = 21, 4
)

var cardShares = []float64{0, 0.1, 0.25, 0.5}

// guess is a resonator; of none the quality is 0.
type guess struct {
	q, detuned float64 // in half widths
	misfit     float64 // half the sum of squares
	prior      float64 // logarithm
}

// antenna weighs resonators about a carrier by the noise beside it.
func antenna(cells []loopPoint, relative, hz float64) Loop {
	f := noiseFit{relative: relative}
	for _, c := range cells {
		f.x, f.y = append(f.x, c.hz/hz-hz/c.hz), append(f.y, math.Log(c.density))
	}
	low, high := [2]float64{math.Log(leastQ), -detunedReach}, [2]float64{math.Log(mostQ), detunedReach}
	var l Loop
	least := math.Inf(1)
	for range antennaFiner {
		all := f.lay(low, high)
		all = append(all, guess{misfit: f.misfit(0, 0, 0), prior: math.Log(untuned)})
		var mean, deviation [2]float64
		for _, g := range all {
			least = min(least, g.misfit)
		}
		l, mean, deviation = weighed(all, hz)
		done := true
		for i := range low {
			step := (high[i] - low[i]) / antennaNodes
			reach := max(4*deviation[i], 2*step)
			done = done && deviation[i] > step
			low[i], high[i] = max(low[i], mean[i]-reach), min(high[i], mean[i]+reach)
		}
		if done {
			break
		}
	}
	if len(cells) > 0 && 2*least > mostMisfit*float64(len(cells)-5) {
		return antenna(nil, 1, hz)
	}
	return l
}

// lay lays a grid over logarithm of quality and detuning.
func (f noiseFit) lay(low, high [2]float64) (all []guess) {
	steps := [2]float64{(high[0] - low[0]) / antennaNodes, (high[1] - low[1]) / antennaNodes}
	cell := math.Log((1-untuned)*steps[0]/math.Log(mostQ/leastQ)) + math.Log(steps[1]/(detunedSigma*math.Sqrt(2*math.Pi)*float64(len(cardShares))))
	for i := range antennaNodes {
		q := math.Exp(low[0] + (float64(i)+0.5)*steps[0])
		for k := range antennaNodes {
			d := low[1] + (float64(k)+0.5)*steps[1]
			for _, share := range cardShares {
				all = append(all, guess{q, d, f.misfit(q, d, share), cell - d*d/(2*detunedSigma*detunedSigma)})
			}
		}
	}
	return all
}

// noiseFit is the logarithm of the density of noise, y, by how far a quality of 1 is off
// its tune.
type noiseFit struct {
	x, y     []float64
	relative float64
}

// misfit is half the sum of squares that a resonator leaves, with the best level and the
// likeliest tilt: of the power noiseTilt of the frequency, of which x has twice the logarithm.
func (f noiseFit) misfit(q, detuned, share float64) float64 {
	if len(f.x) == 0 {
		return 0
	}
	var n, sx, sxx, sy, sxy, syy float64
	for i, x := range f.x {
		at := q*x - detuned
		d := f.y[i]
		if q > 0 {
			d -= math.Log(share + (1-share)/(1+at*at))
		}
		n++
		sx += x
		sxx += x * x
		sy += d
		sxy += d * x
		syy += d * d
	}
	tilt := f.relative / (noiseTilt / 2)
	b := (sxy - sx*sy/n) / (sxx - sx*sx/n + tilt*tilt)
	return (syy - sy*sy/n - b*(sxy-sx*sy/n)) / (2 * f.relative * f.relative)
}

// weighed is the antenna that guesses make together, and mean and standard deviation of
// logarithm of quality and detuning of those that are tuned.
func weighed(all []guess, hz float64) (l Loop, mean, deviation [2]float64) {
	top := math.Inf(-1)
	log := func(g guess) float64 { return g.prior - g.misfit }
	for _, g := range all {
		top = max(top, log(g))
	}
	var weight, tuned, first, square float64
	var squares [2]float64
	for _, g := range all {
		w := math.Exp(log(g) - top)
		d := g.q / (1 + g.detuned*g.detuned)
		weight += w
		first += w * d
		square += w * d * d
		if g.q == 0 {
			continue
		}
		tuned += w
		for i, x := range [2]float64{math.Log(g.q), g.detuned} {
			mean[i] += w * x
			squares[i] += w * x * x
		}
	}
	for i := range mean {
		mean[i] /= max(tuned, 1e-300)
		deviation[i] = math.Sqrt(max(0, squares[i]/max(tuned, 1e-300)-mean[i]*mean[i]))
	}
	first /= weight
	// With the mean delay at the carrier. What is not tuned is not beside its tune either: a
	// quality that is small since there may be no loop goes with a detuning as small.
	d := mean[1] * tuned / weight
	l = Loop{Q: first * (1 + d*d), TunedHz: hz, DelayU: math.Sqrt(max(0, square/weight-first*first)) / (math.Pi * hz)}
	l.QU = l.Q * deviation[0]
	if l.Q > 0 {
		y := d / (2 * l.Q)
		l.TunedHz *= y + math.Hypot(1, y) // at which Q·(tuned/hz − hz/tuned) is d
		l.TunedU = deviation[1] * hz / (2 * l.Q)
	}
	return l, mean, deviation
}
