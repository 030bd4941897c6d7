package marker

import (
	"cmp"
	"math"
	"slices"
)

const (
	memorySeconds  = 12   // edges older than this are forgotten while learning
	edgesPerSecond = 64   // remembered at most
	keptPerSecond  = 16   // with their samples, at most
	leastPulses    = 5    // from which the marker is learned
	leastShare     = 0.75 // of the seconds spanned must show a pulse
	maxRateError   = 2e-4 // of local second against sample clock: 100 ppm each, with room
	chainJitter    = 5e-4 // seconds of irregularity allowed while learning
	maxCompany     = 2    // other strong edges within companySeconds; a tone burst has more
	companySeconds = 0.02
	ambiguousDuty  = 0.05 // distance from one half within which the leading edge is anybody's guess
)

// finding is what a look at the remembered edges came to.
type finding int

const (
	nothing   finding = iota // no edge stands out of the noise
	irregular                // edges, but not once a second
	crowded                  // once a second, but a burst rather than a pulse
	ambiguous                // a pulse of half a second: which edge leads?
	unstable                 // once a second, but never twice of one shape
	found
)

// learner remembers edges until the marker is known.
type learner struct {
	recent  []edge
	nextTry int64
	finding finding
}

func (l *learner) remember(e edge) { l.recent = append(l.recent, e) }

// room tells whether an edge at position may be remembered with its samples,
// and forgets old ones.
func (d *Detector) room(position float64) bool {
	old := 0
	for old < len(d.recent) && d.recent[old].position < position-memorySeconds*d.config.Rate {
		old++
	}
	d.recent = slices.Delete(d.recent, 0, old)
	last, kept := 0, 0
	for i := len(d.recent) - 1; i >= 0 && d.recent[i].position > position-d.config.Rate; i-- {
		last++
		if d.recent[i].snippet != nil {
			kept++
		}
	}
	if last >= edgesPerSecond {
		d.recent = d.recent[:len(d.recent)-1]
	}
	return kept < keptPerSecond
}

// due tells whether it is time to look again for a marker, every half second of
// samples.
func (d *Detector) due(position int64) bool {
	if position < d.nextTry {
		return false
	}
	d.nextTry = position + int64(d.config.Rate/2)
	return true
}

// chain returns those edges going the given way that are one second apart, the
// strongest such series, with at least least of them; and its median level.
func (d *Detector) chain(rising bool, least int) (chain []edge, level float64) {
	if len(d.recent) == 0 {
		return nil, 0
	}
	now := d.recent[len(d.recent)-1].position
	rate := d.config.Rate
	for i, seed := range d.recent {
		if seed.rising != rising {
			continue
		}
		members := []edge{seed}
		lastSecond := 0.0
		for _, e := range d.recent[i+1:] {
			n := math.Round((e.position - seed.position) / rate)
			if e.rising != rising || n <= lastSecond ||
				math.Abs(e.position-seed.position-n*rate) > (maxRateError*n+chainJitter)*rate+2 ||
				e.level < seed.level/3 || e.level > seed.level*3 {
				continue
			}
			members = append(members, e)
			lastSecond = n
		}
		span := (now-seed.position)/rate + 1
		if len(members) < least || float64(len(members)) < leastShare*math.Floor(span) {
			continue
		}
		levels := make([]float64, len(members))
		for k, m := range members {
			levels[k] = m.level
		}
		if m := median(levels); m > 1.2*level || m > level/1.2 && len(members) > len(chain) {
			chain, level = members, max(m, level)
		}
	}
	return chain, level
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	if len(v) == 0 {
		return math.NaN()
	}
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// learn looks for the marker among the remembered edges. When it is there,
// learn returns its pulses and from then on the Detector knows it.
func (d *Detector) learn() []Pulse {
	up, upLevel := d.chain(true, leastPulses-2)
	down, downLevel := d.chain(false, leastPulses-2)
	if max(len(up), len(down)) < leastPulses {
		d.finding = nothing
		if len(d.recent) > 0 {
			d.finding = irregular
		}
		return nil
	}
	// The weaker series may be ringing or noise.
	if upLevel < 0.3*downLevel {
		up = nil
	}
	if downLevel < 0.3*upLevel {
		down = nil
	}
	rate := d.config.Rate
	paired := up != nil && down != nil
	duty := math.NaN() // from rising to falling edge, share of a second
	if paired {
		duty = math.Mod(down[len(down)-1].position-up[len(up)-1].position, rate) / rate
		if duty < 0 {
			duty++
		}
	}
	lead := up != nil
	if paired {
		lead = duty < 0.5
	}
	d.rising = lead
	if d.config.Edge != Auto {
		d.rising = d.config.Edge == Rising
	} else if paired && math.Abs(duty-0.5) < ambiguousDuty {
		d.finding = ambiguous
		return nil
	}
	d.lead = d.rising
	chain, level := up, upLevel
	if !d.rising {
		chain, level = down, downLevel
	}
	if chain == nil { // the pulse is so short that the scan sees it as one edge
		d.lead = !d.rising
		chain, level = up, upLevel
		if !d.lead {
			chain, level = down, downLevel
		}
	}
	if len(chain) < leastPulses {
		return nil
	}
	if d.company(chain, level) > maxCompany {
		d.finding = crowded
		return nil
	}
	d.width = math.NaN()
	if paired {
		d.width = duty
		if !d.rising {
			d.width = 1 - duty
		}
	}
	return d.adopt(chain, level)
}

// company is the median number of other strong edges near those of the chain.
func (d *Detector) company(chain []edge, level float64) float64 {
	near := make([]float64, len(chain))
	for i, c := range chain {
		for _, e := range d.recent {
			if e.position != c.position && e.level > level/2 &&
				math.Abs(e.position-c.position) < companySeconds*d.config.Rate {
				near[i]++
			}
		}
	}
	return median(near)
}

// adopt makes the template from the chain and returns the chain's pulses.
func (d *Detector) adopt(chain []edge, level float64) []Pulse {
	chain = slices.DeleteFunc(slices.Clone(chain), func(e edge) bool { return e.snippet == nil })
	if len(chain) < leastPulses {
		d.finding = crowded
		return nil
	}
	// The pulse of median size leads the average.
	order := slices.Clone(chain)
	slices.SortFunc(order, func(a, b edge) int { return cmp.Compare(a.level, b.level) })
	seed := order[len(order)/2]
	frames, origin := d.scaleOf(seed)
	snippets, origins := [][]float32{seed.snippet}, []float64{origin}
	for _, e := range chain {
		if e.position != seed.position {
			snippets = append(snippets, e.snippet)
			origins = append(origins, e.position-float64(e.start)+origin-(seed.position-float64(seed.start)))
		}
	}
	t := average(frames, snippets, origins, float64(d.lag)+4*float64(frames))
	matches, noises := make([]float64, len(chain)), make([]float64, len(chain))
	fits := make([]fit, len(chain))
	for i, e := range chain {
		fits[i] = t.find(e.snippet, e.position-float64(e.start)+origin-(seed.position-float64(seed.start)), float64(d.lag)+4*float64(frames))
		matches[i], noises[i] = fits[i].match, fits[i].noise
	}
	if !(median(matches) > minMatch) {
		d.finding = unstable
		return nil
	}
	t.refer(median(noises), d.rising)
	if !math.IsInf(t.width, 1) {
		d.width = t.width / d.config.Rate
	}
	d.known, d.level, d.finding = t, level, found
	d.sum = template{sampler: sampler{scale: t.scale}}
	var out []Pulse
	for i, e := range chain {
		if fits[i].match >= minMatch {
			out = append(out, d.pulse(fits[i], e.start))
			d.refine(e.snippet, fits[i])
		}
	}
	span := out[len(out)-1].Position - out[0].Position
	d.period = span / math.Round(span/d.config.Rate)
	d.recent = nil
	return out
}

// scaleOf chooses the scale that suits the edge's rise, the finest at which its
// slope is near its greatest, and returns the place in the snippet where the
// slope is steepest.
func (d *Detector) scaleOf(e edge) (frames int, origin float64) {
	centre := e.position - float64(e.start)
	type look struct {
		scale         int
		origin, slope float64
	}
	var looks []look
	top := 0.0
	for s := 1; s <= d.widest; s *= 2 {
		smp := sampler{scale: s}
		l := look{scale: s, origin: centre}
		var y, dy [1]float64
		for o := centre - float64(d.lag+2); o <= centre+float64(d.lag+2); o += 0.5 {
			smp.sample(y[:], dy[:], e.snippet, o, 0)
			v := dy[0] * float64(s)
			if !e.rising {
				v = -v
			}
			if v > l.slope {
				l.origin, l.slope = o, v
			}
		}
		looks = append(looks, l)
		top = max(top, l.slope)
	}
	for _, l := range looks {
		if l.slope > 0.35*top {
			return l.scale, l.origin
		}
	}
	return 1, centre
}

// pulse makes a Pulse of a fit in a snippet that starts at the given position.
func (d *Detector) pulse(f fit, start int64) Pulse {
	t := d.known
	p := Pulse{
		Position:             float64(start) + f.origin + t.reference,
		SigmaFrames:          f.sigma,
		ReferenceSigmaFrames: t.refSigma,
		Rising:               d.rising,
		Amplitude:            f.amplitude * t.level,
		Noise:                f.noise,
		Match:                f.match,
		WidthSeconds:         d.width,
	}
	d.tally.add(p)
	return p
}

// refine adds a pulse to the next template, which replaces the known one when
// it holds four times as many pulses, up to maxAveraged.
func (d *Detector) refine(x []float32, f fit) {
	t := d.known
	if t.n >= maxAveraged || f.amplitude < 0.8 || f.amplitude > 1.25 || f.noise > 3*median(d.tally.noise) {
		return
	}
	var y, dy [points]float64
	t.sample(y[:], dy[:], x, f.origin, before)
	for k := range y {
		d.sum.shape[k] += y[k]
		d.sum.slope[k] += dy[k]
	}
	d.sum.n++
	if d.sum.n < 4*t.n {
		return
	}
	next := d.sum
	scale(&next.shape, 1/float64(next.n))
	scale(&next.slope, 1/float64(next.n))
	next.prepare()
	next.follow(t)
	d.known = &next
}

const maxAveraged = 64
