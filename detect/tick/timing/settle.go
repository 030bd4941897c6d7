package timing

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// settlePhase weighs through what kind of audio chain the tick came. The tone's
// phase times it to the coherent bound if it is known by which angle δ the chain
// turns it forward at the group's arrival: none in a flat chain, some in one with a
// high-pass filter. Two things tell δ. The envelope of the tone's own neighbourhood
// is delayed by the group delay, so that it falls on the place that the phase gives
// with the right δ and cycle. And a filter of minimum phase takes from the tick's
// low frequencies what belongs to its δ (low.go, chain.go). What neither tells, as
// in weak signals or of an all-pass network, stays in the parts.
func (st *stack) settlePhase(f *fit, local *stack) {
	w := weigher{stack: st, f: f, envelope: st.newPart(f.hypothesis, f.point, f.cov, true)}
	w.scatter = w.envelope.vd
	if !f.coherent {
		w.envelope.weight = 1
		f.parts = []part{w.envelope}
		return
	}
	if f.paths == 1 {
		p, _ := local.maximise(f.hypothesis, f.point)
		cov, dof, ok := local.covariance(f.hypothesis, p)
		if ok {
			f.dof = min(f.dof, dof)
			w.envelope = st.newPart(f.hypothesis, p, cov, true)
			w.scatter = w.envelope.vd
			if !st.Onset {
				w.scatter = cov.At(0, 0)
			}
		}
	}
	power := 0.0
	for _, p := range f.power {
		power += p
	}
	w.perThump = thumpEarly * 2 * math.Pi / st.omega
	most := envelopeEarly(power*st.rate/(6000*st.samples(f.d))) * st.rate / w.perThump
	w.thumps = []thump{
		{v: leastThump * leastThump, share: 1 - thumpPrior},
		{mean: usualThump * most, v: math.Pow(thumpSpread*most, 2) + leastThump*leastThump, share: thumpPrior},
	}
	w.alongPhase()
	if a := st.amplitudes(f); a != nil {
		w.foreign, w.turned = st.foreign(f, a)
		w.scatter += math.Pow(foreignShift*w.foreign*w.rate, 2)
		w.envelope.vd += math.Pow(w.foreign*float64(w.length), 2)
		if st.low != nil {
			w.listen(a)
		}
	}
	f.parts = w.parts()
}

// weigher weighs the chains that one fit may have come through.
type weigher struct {
	*stack
	f        *fit
	envelope part
	scatter  float64 // variance of the envelope about its place behind a flat chain
	thumps   []thump
	perThump float64 // samples that the envelope is early for a thump as large as the tick
	// The fit's lag and drift under the condition that the tone has a phase:
	// what they gain for each radian, and their remaining (co)variances.
	slope, drift float64
	vd, vr, cr   float64
	low          *lowWeigher // nil: only the envelope tells
	// What sounds at the tone beside the tick, and its part in quadrature, as
	// shares of the tick.
	foreign, turned float64
}

// thump is what is thought of the rise of the mean while a tick sounds, as a share
// of the tick: an envelope detector adds it at full modulation, when noise fills
// the troughs of the carrier, and shows the envelope early in proportion.
type thump struct{ mean, v, share float64 }

// alongPhase fills in how the fit moves with the phase, by its covariance.
func (w *weigher) alongPhase() {
	n := w.f.params()
	a := mat.NewVecDense(n, nil) // the phase's derivatives
	a.SetVec(0, w.omega)
	a.SetVec(n-2, 1)
	var ca mat.VecDense
	ca.MulVec(w.f.cov, a)
	v := mat.Dot(a, &ca)
	d, r := ca.AtVec(0), ca.AtVec(n-1)
	w.slope, w.drift = d/v, r/v
	if !(w.slope > 0.5/w.omega) {
		w.slope, w.drift, d, r = 1/w.omega, 0, 0, 0 // paths that hardly differ
	}
	w.vd, w.vr, w.cr = w.f.cov.At(0, 0)-d*d/v, w.f.cov.At(n-1, n-1)-r*r/v, w.f.cov.At(0, n-1)-d*r/v
}

// at is where the earliest path arrives when its phase is phi, with variance v.
func (w *weigher) at(phi, v float64) part {
	t := phi - w.f.phi
	return part{
		d: w.f.d + t*w.slope, drift: w.f.point.drift + t*w.drift,
		vd: w.vd + v*w.slope*w.slope, vr: w.vr + v*w.drift*w.drift, cr: w.cr + v*w.slope*w.drift,
	}
}

// family is a set of alternatives that are stated as one: Σ w, Σ w·δ, Σ w·(δ²+v).
type family struct {
	cycle             int // half-cycles, since the polarity is unknown
	flat, lowPass     bool
	sum, mean, square float64
}

// parts are the places that the chains give, weighed.
func (w *weigher) parts() []part {
	var families []family
	var logs []float64
	other := math.Log(otherPrior / (math.Pi * w.slope))
	if w.low != nil {
		other += w.low.broad
	}
	top := other
	radians := w.omega * w.rate // a second of delay
	middle := int(math.Round((w.f.phi + (w.envelope.d-w.f.d)/w.slope) / math.Pi))
	var sent, sentRise []float64
	if w.low != nil {
		sent, sentRise = w.strokes(int((lowTo+4e-3)*w.rate+w.low.width)*lowFine + 4*lowFine)
	}
	for _, c := range chains(w.rate, w.omega) {
		var tick, rise []float64 // behind the chain
		for k := middle - cycles; k <= middle+cycles; k++ {
			var low lowEvidence
			for _, lowPass := range []bool{false, true} {
				share := lowPassPrior
				if !c.flat() {
					share = lowPassToo
				}
				delta, spread := c.delta, c.spread
				if lowPass {
					delta += lowPassDelay * radians
					spread += math.Pow(lowPassSpread*radians, 2)
				} else {
					share = 1 - share
				}
				narrow := w.scatter + math.Pow(chainFloor*w.rate, 2) + math.Pow(groupError*c.delta*w.slope, 2)
				v := narrow + spread*w.slope*w.slope
				place := w.at(delta+float64(k)*math.Pi, 0).d
				z := w.envelope.d - place - groupShift*c.delta*w.slope
				if w.far(z, v) {
					continue
				}
				if low == nil && w.low != nil {
					if tick == nil {
						tick, rise = c.through(sent, w.rate), c.through(sentRise, w.rate)
					}
					low = w.low.evidence(&c, tick, rise, place, k)
				}
				log, early := w.combine(low, z, v)
				log += math.Log(c.share * share)
				// The envelope has a say within the alternative too.
				delta += spread * w.slope / v * (z + early)
				spread *= narrow / v
				families = append(families, family{k, c.flat(), lowPass || !c.flat(), 1, delta, delta*delta + spread})
				logs = append(logs, log)
				top = max(top, log)
			}
		}
	}
	envelope := w.envelope
	for _, t := range w.thumps {
		envelope.d += w.perThump * t.mean * t.share
		envelope.vd += w.perThump * w.perThump * t.v * t.share
	}
	envelope.weight = math.Exp(other - top)
	total := envelope.weight
	var merged []family
	for i, f := range families {
		x := math.Exp(logs[i] - top)
		total += x
		j := 0
		for j < len(merged) && (merged[j].cycle != f.cycle || merged[j].flat != f.flat || merged[j].lowPass != f.lowPass) {
			j++
		}
		if j == len(merged) {
			merged = append(merged, family{cycle: f.cycle, flat: f.flat, lowPass: f.lowPass})
		}
		m := &merged[j]
		m.sum, m.mean, m.square = m.sum+x, m.mean+x*f.mean, m.square+x*f.square
	}
	w.f.evidence = top + math.Log(total)
	var parts []part
	kept := 0.0
	keep := func(p part) {
		if p.weight > leastWeight*total {
			parts = append(parts, p)
			kept += p.weight
		}
	}
	for _, m := range merged {
		mean := m.mean / m.sum
		p := w.at(mean+float64(m.cycle)*math.Pi, max(0, m.square/m.sum-mean*mean))
		p.vd += math.Pow(flatDelay*w.rate, 2) + math.Pow(w.turned*w.slope, 2)
		p.weight, p.flat = m.sum, m.flat && !m.lowPass
		keep(p)
	}
	keep(envelope)
	for i := range parts {
		parts[i].weight /= kept
	}
	return parts
}

// far reports whether the envelope is where chance does not put it.
func (w *weigher) far(z, v float64) bool {
	for _, t := range w.thumps {
		x := z + w.perThump*t.mean
		if x*x < 50*(v+w.perThump*w.perThump*t.v) {
			return false
		}
	}
	return true
}

// combine returns the log likelihood of the envelope z samples after its place,
// with variance v, and of the low band, and by how much the latter lets the
// envelope be early in the mean.
func (w *weigher) combine(low lowEvidence, z, v float64) (log, early float64) {
	k := w.perThump
	var alone, joint sumOfLogs
	for _, t := range w.thumps {
		alone.add(-0.5*(math.Pow(z+k*t.mean, 2)/(v+k*k*t.v)+math.Log(2*math.Pi*(v+k*k*t.v))), t.share)
		for _, e := range low {
			// The thump's share is Gaussian, and so is what depends on it.
			precision := e.q2 + k*k/v + 1/t.v
			linear := e.q1 - k*z/v + t.mean/t.v
			rest := e.q0 + z*z/v + t.mean*t.mean/t.v
			x := -0.5*(rest-linear*linear/precision+math.Log(precision*t.v)+math.Log(2*math.Pi*v)) + e.log
			joint.add(x, t.share*e.share)
		}
	}
	if low == nil {
		return alone.log(), 0
	}
	for i, t := range w.thumps {
		for j, e := range low {
			share := math.Exp(joint.logs[i*len(low)+j]-joint.log()) * joint.shares[i*len(low)+j]
			early += share * k * (e.q1 + t.mean/t.v) / (e.q2 + 1/t.v)
		}
	}
	var both sumOfLogs
	both.add(joint.log(), 1-spoiltPrior)
	both.add(alone.log()+w.low.broad, spoiltPrior)
	return both.log(), early
}

// sumOfLogs sums numbers given by their logarithms, each with a share.
type sumOfLogs struct{ logs, shares []float64 }

func (s *sumOfLogs) add(log, share float64) {
	s.logs, s.shares = append(s.logs, log), append(s.shares, share)
}

func (s *sumOfLogs) log() float64 {
	top := math.Inf(-1)
	for _, l := range s.logs {
		top = max(top, l)
	}
	sum := 0.0
	for i, l := range s.logs {
		sum += s.shares[i] * math.Exp(l-top)
	}
	return top + math.Log(sum)
}

// envelopeEarly bounds how early, s, the envelope of a tick peaks behind an
// envelope detector at full modulation: by nothing in strong signals, by a tenth of
// a millisecond in weak ones. The bound fits the mean of Rice's distribution
// over a fully modulated cycle, in noise of 10 kHz; whether the detector is of that
// kind is not known.
func envelopeEarly(snr float64) float64 { return 110e-6 / (1 + snr/4) }

// newPart turns a maximum into an alternative.
func (st *stack) newPart(h hypothesis, p point, cov mat.Symmetric, envelope bool) part {
	last := h.params() - 1
	q := part{d: p.d, drift: p.drift, vd: cov.At(0, 0), vr: cov.At(last, last), cr: cov.At(0, last), envelope: envelope}
	if envelope {
		floor := envelopeFloor * st.rate
		if h.paths == 2 || st.Onset {
			floor = envelopeFloorRough * st.rate
		}
		q.vd += floor * floor
	}
	return q
}

const (
	// cycles is the number of half-cycles to either side of the envelope that
	// are weighed.
	cycles = 3
	// envelopeFloor is how well the envelope's place stands for the group delay
	// of a chain of any kind, s (standard uncertainty), from simulated high- and
	// low-pass filters; envelopeFloorRough with two paths and for an onset, of
	// which one edge is seen. A high-pass filter delays the envelope by more than
	// the group delay at the tone, since it delays what is below even more:
	// groupShift ± groupError of what its two delays differ, in such simulations;
	// chainFloor, s, is for what else the chain is not.
	envelopeFloor      = 8e-6
	envelopeFloorRough = 40e-6
	chainFloor         = 3e-6
	groupShift         = 0.04
	groupError         = 0.03
	// foreignShift is by how much, s, the envelope may be shifted by another sound
	// as large as the tick, from simulated noises of a clock's movement. Where no
	// chain explains the envelope it is the length of the tick.
	foreignShift = 1e-3
	// flatDelay is how far, s, the two delays of a chain may differ that
	// counts as flat: a coupling capacitor of 2 Hz.
	flatDelay = 0.6e-6
	// A low-pass filter, which shape hardly tells, makes the group delay exceed
	// the phase delay by so much, s (one of the second order at 2.4 to 4 kHz by
	// 11 to 2 µs); it is in few of the chains that are flat else, and in most of
	// those with a high-pass filter (from memory of receivers).
	lowPassDelay, lowPassSpread = 6e-6, 3e-6
	lowPassPrior, lowPassToo    = 0.2, 0.6
	// thumpPrior is the share of envelope detectors. Their thump is usualThump of
	// the greatest, thumpSpread its standard deviation; others have leastThump at
	// most. thumpEarly is by how much of a cycle the envelope is early for a
	// thump as large as the tick, computed for clipped troughs.
	thumpPrior              = 0.8
	usualThump, thumpSpread = 0.85, 0.25
	leastThump              = 1e-3
	thumpEarly              = 0.45
	// spoiltPrior is the chance that the low band holds something else.
	spoiltPrior = 0.05
	// leastWeight is the probability below which an alternative is dropped.
	leastWeight = 0.005
)
