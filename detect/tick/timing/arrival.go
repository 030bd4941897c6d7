package timing

import (
	"math"

	"timeball/capture/station"
)

// Arrival says when a station's ticks arrive, on the flywheel's second, in
// seconds of the sample clock's nominal rate.
type Arrival struct {
	Station *station.Station
	ToneHz  float64
	// At second Ref the earliest path's tick arrives Lag after the flywheel's
	// second; the lag grows by Rate a second.
	Ref       float64
	Lag, Rate float64
	// Variances and covariance of Lag and Rate, and their degrees of freedom.
	VarLag, VarRate, Cov float64
	DoF                  float64
	Alternatives         []Alternative
	Coherent             bool // the audio keeps the tick's phase (AM); else SSB
	Ticks                int
	Expected             int
	SNRdB                float64 // of the tone in a burst against noise in 3 kHz
	Paths                []Path
	// FadingShare is the share of the tick's power that fades: 0 when it is
	// steady, 1 for Rayleigh fading.
	FadingShare float64
	// HiddenSeconds bounds by how much paths too weak or too near to be told
	// apart may make the arrival later than the earliest of them; 0 when two
	// are told apart.
	HiddenSeconds float64
	// EdgeU is the standard uncertainty, s, of an arrival on long wave that comes from
	// the time constant of the carrier's edge; 0 of a tick.
	EdgeU float64
}

// Alternative is one place the arrival may have, with its probability; they
// differ by cycles of the tone, or in whether its phase can be trusted.
type Alternative struct {
	Lag, Rate            float64
	VarLag, VarRate, Cov float64
	Probability          float64
	Envelope             bool // timed by the envelope, the tone's phase left free
	Flat                 bool // timed by the phase of a chain that leaves it alone
	Preferred            bool // the one the arrival is stated by
}

// leastCycle is the probability from which a cycle is preferred to the
// envelope: it is nearer by an order of magnitude, and the interval holds the
// other place too. From leastFlat on the phase of a flat chain is preferred to
// that of a filter which has not shown itself.
const leastCycle, leastFlat = 0.03, 0.015

// preferred is the place to state: not the mean of places, which are apart.
func preferred(all []Alternative) *Alternative {
	class := func(p *Alternative) int {
		switch {
		case p.Flat && p.Probability >= leastFlat:
			return 2
		case !p.Envelope && p.Probability >= leastCycle:
			return 1
		}
		return 0
	}
	best := &all[0]
	for i := range all {
		p := &all[i]
		if c, held := class(p), class(best); c > held || c == held && p.Probability > best.Probability {
			best = p
		}
	}
	return best
}

// Path is one arrival, relative to the earliest.
type Path struct {
	ExcessSeconds float64
	UExcess       float64 // its standard uncertainty
	LevelDB       float64 // against the strongest
}

// Arrival times the tick by what is kept; nil when there is none. Its station is
// left to whoever knows.
func (t *Track) Arrival() *Arrival {
	st := t.stack(t.snaps, maxBlocks)
	m := st.axis
	st.hear(t.snaps)
	f, ok := st.fit(buildStack(t.local, t.snaps, m, maxBlocks))
	if !ok {
		return nil
	}
	r := t.rate
	a := &Arrival{
		ToneHz: t.ToneHz(), Ref: m.ref, DoF: f.dof, Coherent: f.coherent,
		Ticks: int(st.count), Expected: int(t.snaps[len(t.snaps)-1].n-t.snaps[0].n) + 1,
	}
	for _, p := range f.parts {
		a.Alternatives = append(a.Alternatives, Alternative{
			Lag: (m.lag + p.d) / r, Rate: (m.rate + p.drift) / r,
			VarLag: p.vd / (r * r), VarRate: p.vr / (r * r), Cov: p.cr / (r * r),
			Probability: p.weight, Envelope: p.envelope, Flat: p.flat,
		})
	}
	best := preferred(a.Alternatives)
	best.Preferred = true
	a.Lag, a.Rate = best.Lag, best.Rate
	for _, p := range a.Alternatives {
		dl, dr := p.Lag-a.Lag, p.Rate-a.Rate
		a.VarLag += p.Probability * (p.VarLag + dl*dl)
		a.VarRate += p.Probability * (p.VarRate + dr*dr)
		a.Cov += p.Probability * (p.Cov + dl*dr)
	}
	strongest := 0.0
	for _, p := range f.power {
		strongest = max(strongest, p)
	}
	total := 0.0
	for i, p := range f.power {
		path := Path{LevelDB: 10 * math.Log10(p/strongest)}
		if i > 0 {
			path.ExcessSeconds, path.UExcess = f.excess/r, math.Sqrt(f.cov.At(1, 1))/r
		}
		a.Paths = append(a.Paths, path)
		total += p
	}
	n := st.samples(f.d)
	a.SNRdB = 10 * math.Log10(total*r/(6000*n))
	a.FadingShare = t.fadingShare(st, f)
	if f.paths == 1 {
		a.HiddenSeconds = a.FadingShare * hidden(a.SNRdB+10*math.Log10(st.count))
	}
	return a
}

// fadingShare estimates the share of the tick's power that fades, from the
// powers p of the seconds. For a steady signal of power S in noise N, p has the
// mean S+N and the variance 2SN+N² (noncentral χ² of two degrees of freedom);
// Rice fading adds S4²·S², S4 the scintillation index, when a share of
// 1 − √(1−S4²) fades. Where noise hides it, S4² is drawn to usualFading.
func (t *Track) fadingShare(st *stack, f fit) float64 {
	var sum, square, noise, noise2, n float64
	for k, s := range t.snaps {
		centre := st.axis.at(float64(s.n)) - s.origin
		at := centre + f.d + f.drift*(float64(s.n)-st.axis.ref)
		if s.long {
			continue
		}
		o := t.output(s)
		if !o.holds(at) {
			continue
		}
		w := o.value(at)
		if st.Onset {
			if !o.holds(centre + st.end) {
				continue
			}
			w -= o.value(centre + st.end)
		}
		p, v := sqAbs(w), st.noise[k]*st.samples(f.d)
		sum, square, noise, noise2, n = sum+p, square+p*p, noise+v, noise2+v*v, n+1
	}
	index, spread := usualFading, math.Inf(1)
	if n > 2 {
		mean, v := sum/n, noise/n
		signal := max(mean-v, v/math.Sqrt(n))
		index = (square/n - mean*mean - 2*signal*v - noise2/n) / (signal * signal)
		// Its own variance, that of a sample variance of p.
		spread = 2 * math.Pow((2*signal+v)*v/(signal*signal), 2) / n
	}
	trust := usualFading / (usualFading + spread)
	return 1 - math.Sqrt(1-min(1, max(0, trust*index+(1-trust)*usualFading)))
}

// usualFading is S4² where it cannot be told: between a steady path and
// Rayleigh fading (common practice).
const usualFading = 0.3

// hidden is by how much, s, a second path that fades like the first can make
// their mean power's place later than the earliest when it is just too weak to
// be told apart. Equal paths are told apart from resolveHalf dB of signal to
// noise, all ticks together, when 0.5 ms apart, and from resolveWide when
// 1.5 ms apart; each dB beyond lets a path weaker by one be seen.
func hidden(totalDB float64) float64 {
	const resolveHalf, resolveWide = 28.0, 20.0
	shift := func(excess, needed float64) float64 {
		ratio := min(1, math.Pow(10, (needed-totalDB)/10))
		return excess * ratio / (1 + ratio)
	}
	return max(shift(0.5e-3, resolveHalf), shift(1.5e-3, resolveWide))
}

// maxBlocks is the number of blocks whose scatter tells the uncertainty.
const maxBlocks = 12
