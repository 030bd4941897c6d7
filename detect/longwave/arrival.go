package longwave

import (
	"math"

	"timeball/capture/station"
	"timeball/detect/tick/timing"
)

// Arrival says when a station's marks arrive, on the flywheel's second, in seconds of
// the sample clock's nominal rate.
type Arrival struct {
	Station *station.Station
	ToneHz  float64 // of the carrier as recorded
	// At second Ref the mark is on time Lag after the flywheel's second; the lag grows
	// by Rate a second. Variances are those of noise and of what varies from block to
	// block, with DoF degrees of freedom.
	Ref, Lag, Rate       float64
	VarLag, VarRate, Cov float64
	DoF                  float64
	// EdgeU is the standard uncertainty of Lag that comes from the edge's time
	// constant, which is TauSeconds ± TauU.
	EdgeU, TauSeconds, TauU float64
	// FilterU is the standard uncertainty of Lag that a receiver's filter makes, by what of the
	// edges is not as the fit has them; 0 where nothing is.
	FilterU float64
	// PhaseLater is by how much the phase code comes later than the level's edge, s,
	// and PhaseLaterU its standard uncertainty; 0 without a phase code.
	PhaseLater, PhaseLaterU float64
	// PhaseAgrees: they differ by no more than noise explains.
	PhaseAgrees     bool
	Marks, Expected int
	CN0dBHz         float64 // of the full carrier
	Waves           timing.Waves
}

// tauNodes and their spacing in standard deviations span the prior of the logarithm of
// the edge's time constant.
const (
	tauNodes = 13
	tauReach = 3.0
	// knownTau is the standard deviation of that logarithm below which the constant counts
	// as known: a third of a microsecond of a third of a millisecond.
	knownTau = 1e-3
)

// Arrival fits all that is kept; nil when there is too little.
func (t *Track) Arrival() *Arrival {
	n := 0
	for _, b := range t.blocks {
		if b.edgeWeight > 0 && b.count >= 3 {
			n++
		}
	}
	if n == 0 || !t.known() {
		return nil
	}
	// The posterior of the time constant over a grid, and a finer one about its top.
	sigma := math.Log(max(1, t.plan.Edge.TauFactor)) / 1.96
	centre, spread := 0.0, sigma
	var at []tauFit
	for range 4 {
		at = at[:0]
		for i := range tauNodes {
			x := centre + spread*tauReach*(2*float64(i)/(tauNodes-1)-1)
			if sigma < knownTau {
				x = 0
			}
			f := t.fitAll(math.Exp(x))
			f.x = x
			if sigma > 0 {
				f.log -= x * x / (2 * sigma * sigma)
			}
			at = append(at, f)
			if sigma < knownTau {
				break
			}
		}
		mean, deviation := moments(at)
		if sigma < knownTau || deviation > 0.6*spread {
			break
		}
		centre, spread = mean, max(1.5*deviation, spread/20)
	}
	mean, deviation := moments(at)
	best := t.fitAll(math.Exp(mean))
	if len(best.places) == 0 {
		return nil
	}
	a := best.line(t)
	if a == nil {
		return nil
	}
	tau := t.plan.Edge.TauSeconds
	a.TauSeconds, a.TauU = tau*math.Exp(mean), tau*math.Exp(mean)*deviation
	// The spread of the lag over the posterior.
	if deviation > 0 && len(at) > 1 {
		up, down := t.fitAll(math.Exp(mean+deviation)).line(t), t.fitAll(math.Exp(mean-deviation)).line(t)
		if up != nil && down != nil {
			a.EdgeU = math.Abs(up.Lag-down.Lag) / 2
		}
	}
	if t.input.CarrierHz == 0 {
		a.FilterU = best.misshapen(t)
	}
	// An edge that goes on in the phase code, and was fitted with the same poles.
	a.PhaseLater, a.PhaseLaterU = best.difference()
	more := disagreement(a.PhaseLater, a.PhaseLaterU)
	a.PhaseAgrees = more == 0
	a.EdgeU = math.Hypot(a.EdgeU, more)
	return a
}

// phaseTolerance is by how many standard deviations of noise an edge and a phase code may
// differ: chance alone makes more once in four hundred.
const phaseTolerance = 3

// disagreement is the standard uncertainty that an edge and a phase code add which
// differ by more than that, as behind a filter or a loop that is not what it is taken
// for: one of them is out by the difference, and nobody knows which.
func disagreement(later, u float64) float64 {
	if math.Abs(later) <= phaseTolerance*u {
		return 0
	}
	return math.Abs(later) / 2
}

// misshapenLeast is by how many standard deviations of noise an edge must be of another form
// than the fit's: chance alone makes more once in a thousand (normal distribution).
const misshapenLeast = 3

// misshapen is how far a receiver's filter may have moved the edges, s, standard uncertainty.
// The fit leaves what is neither along the edge's slope nor along its change with the time
// constant, which moves the edge too. Nothing makes what is along these two smaller than that,
// and each as a shift is as long as one whose samples have the same sum of squares.
func (f tauFit) misshapen(t *Track) float64 {
	var left, variance, slopes float64
	for _, p := range f.places {
		mean, first := over(p.edge, p.edgeWeight), index(t.edgeFrom)+cutFirst
		n := float64(len(mean))
		noise := n / p.edgeWeight
		left += residual(f.shape, mean, first, p.byEdge.lag) - noise
		variance += noise * noise * 2 / (n * t.noiseHz() / baseRate)
		for i := range mean {
			_, slope := f.shape.at(float64(i+first)/baseRate - p.byEdge.lag)
			slopes += p.byEdge.height * p.byEdge.height * slope * slope
		}
	}
	if left < misshapenLeast*math.Sqrt(variance) {
		return 0
	}
	return math.Sqrt(2 * left / slopes)
}

// tauFit is the fit of all blocks with one time constant.
type tauFit struct {
	x, log float64
	places []fitted
	shape  shape
	onTime float64 // from the edge's start to where it is on time, s
}

type fitted struct {
	*block
	both, byEdge, byCode place
}

// moments are mean and standard deviation of x by the weights of the fits.
func moments(all []tauFit) (mean, deviation float64) {
	top := math.Inf(-1)
	for _, f := range all {
		top = max(top, f.log)
	}
	var sum, square, weight float64
	for _, f := range all {
		w := math.Exp(f.log - top)
		weight += w
		sum += w * f.x
		square += w * f.x * f.x
	}
	mean = sum / weight
	return mean, math.Sqrt(max(0, square/weight-mean*mean))
}

func (t *Track) fitAll(scale float64) tauFit {
	var f tauFit
	e, onTime := t.mark(scale)
	f.shape, f.onTime = e, onTime
	for _, b := range t.blocks {
		smear := (b.axis.rate - t.axis.rate) / t.cutter.rate * float64(b.last-b.first)
		if b.edgeWeight == 0 || b.count < 3 || math.Abs(smear) > mostSmear {
			continue
		}
		both, byEdge, byCode, ok := t.fitBoth(b, e)
		if !ok {
			continue
		}
		f.log -= both.misfit
		f.places = append(f.places, fitted{b, both, byEdge, byCode})
	}
	return f
}

// across is what the component across the carrier's phase tells of a block; nothing where
// marks are themselves in the phase.
func (t *Track) across(p fitted, e shape) shift {
	edge, ok := e.(*edge)
	if !ok {
		return shift{}
	}
	unit := baseRate / t.noiseHz()
	s := edgeAcross(edge, p.byEdge, over(p.edgeAcross, p.edgeWeight), index(t.edgeFrom)+cutFirst, unit/p.edgeWeight)
	if p.byCode.variance > 0 && p.codeAcross != nil {
		s = s.and(codeAcross(edge, p.byCode, over(p.codeAcross, p.codeWeight), codeFirst, unit/p.codeWeight))
	}
	return s
}

// line fits a line to the places, weighted, and widened when they scatter more than
// noise allows.
func (f tauFit) line(t *Track) *Arrival {
	if len(f.places) == 0 {
		return nil
	}
	rate := t.cutter.rate
	var sw, st, sx, stt, stx, ref, total float64
	for _, p := range f.places {
		ref += float64(p.count) * p.middle()
		total += float64(p.count)
	}
	ref /= total
	lag := func(p fitted) (n, x float64) {
		n = p.middle()
		return n - ref, p.axis.at(n)/rate + p.both.lag + f.onTime
	}
	for _, p := range f.places {
		n, x := lag(p)
		w := 1 / p.both.variance
		sw += w
		st += w * n
		sx += w * x
		stt += w * n * n
		stx += w * n * x
	}
	a := &Arrival{Station: t.Station, ToneHz: t.input.recordedHz(t.hz), Ref: ref, DoF: math.Inf(1)}
	a.Waves.NoiseU, a.Waves.Scatter = 1/math.Sqrt(sw), 1
	stt += 1 / (clockRateU * clockRateU)
	det := sw*stt - st*st
	a.Rate = (sw*stx - st*sx) / det
	a.Lag = (sx - a.Rate*st) / sw
	a.VarLag, a.VarRate, a.Cov = stt/det, sw/det, -st/det
	k := len(f.places)
	chi2 := 0.0
	for _, p := range f.places {
		n, x := lag(p)
		d := x - a.Lag - a.Rate*n
		chi2 += d * d / p.both.variance
	}
	if dof := float64(k - 2); dof > 0 && chi2 > dof {
		s := chi2 / dof
		a.Waves.Scatter = math.Sqrt(s)
		a.VarLag, a.VarRate, a.Cov, a.DoF = s*a.VarLag, s*a.VarRate, s*a.Cov, dof
	}
	if y, ok := f.carrierRate(); ok && t.input.CarrierHz > 0 {
		a.condition(y)
	}
	for _, p := range f.places {
		n, x := lag(p)
		across := t.across(p, f.shape)
		place := timing.Stretch{
			Second: n + ref, Late: x - a.Lag - a.Rate*n, U: math.Sqrt(p.both.variance),
			Across: across.late, AcrossU: math.Sqrt(across.variance),
		}
		if t.input.CarrierHz > 0 {
			place.Level = p.level / float64(p.count)
		}
		a.Waves.Stretches = append(a.Waves.Stretches, place)
		a.Marks += p.count
	}
	a.Expected = int(f.places[k-1].last-f.places[0].first) + 1
	a.CN0dBHz = 10 * math.Log10(t.level*t.level*t.noiseHz()/(2*t.noise))
	return a
}

// carrierRateU is the standard uncertainty of a rate by the carrier's phase: a layer that
// rises by 20 km in an hour of twilight makes one hop later by 20 us (Rec. ITU-R P.684's
// geometry at some hundred kilometres), twice this; by day it is far less.
const carrierRateU = 3e-9

// carrierRate is the lag's by the cycles of the carrier in the latest run of blocks;
// false when there are fewer than two.
func (f tauFit) carrierRate() (rate float64, ok bool) {
	run := f.places[len(f.places)-1].run
	var sw, sn, sy, snn, sny float64
	for _, p := range f.places {
		if p.run == run && run > 0 {
			w, n := float64(p.count), p.middle()
			sw, sn, sy, snn, sny = sw+w, sn+w*n, sy+w*p.carrier, snn+w*n*n, sny+w*n*p.carrier
		}
	}
	det := sw*snn - sn*sn
	if !(det > 1e-9*sw*snn) {
		return 0, false
	}
	return (sw*sny - sn*sy) / det, true
}

// condition takes the rate that the carrier tells, y, unless the marks' own contradicts
// it: then cycles were lost.
func (a *Arrival) condition(y float64) {
	const plain = 4 // standard deviations
	v := a.VarRate + carrierRateU*carrierRateU
	d := y - a.Rate
	if d*d > plain*plain*v {
		return
	}
	g := a.VarRate / v
	a.Lag, a.Rate = a.Lag+a.Cov/v*d, a.Rate+g*d
	a.VarLag, a.VarRate, a.Cov = a.VarLag-a.Cov*a.Cov/v, a.VarRate*(1-g), a.Cov*(1-g)
	a.Waves.RateU = carrierRateU
}

// difference is by how much the phase code comes later than the edge.
func (f tauFit) difference() (later, u float64) {
	var sw, sx float64
	for _, p := range f.places {
		if p.byCode.variance > 0 {
			w := 1 / (p.byCode.variance + p.byEdge.variance)
			sw += w
			sx += w * (p.byCode.lag - p.byEdge.lag)
		}
	}
	if sw == 0 {
		return 0, 0
	}
	return sx / sw, 1 / math.Sqrt(sw)
}
