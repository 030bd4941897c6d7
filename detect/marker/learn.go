package marker

import (
	"cmp"
	"math"
	"slices"

	"timeball/detect/rank"
)

const (
	memorySeconds  = 12   // edges older than this are forgotten while learning
	edgesPerSecond = 24   // remembered at most
	keptPerSecond  = 16   // with their samples, at most
	leastPulses    = 5    // from which the marker is learned
	leastShare     = 0.75 // of the seconds spanned must show a pulse
	maxRateError   = 2e-4 // of local second against sample clock: 100 ppm each, with room
	chainJitter    = 5e-4 // seconds of irregularity allowed while learning; when there is no such marker, four times mostJitter
	maxCompany     = 2    // other strong edges within companySeconds; a tone burst has more
	companySeconds = 0.02
	mostEdges      = 16   // strong edges a second; hum with spikes has more
	ambiguousDuty  = 0.05 // distance from one half within which the leading edge is anybody's guess
)

// Finding is what a look at a channel without a marker came to.
type Finding int

const (
	Nothing    Finding = iota // no edge stands out of the noise
	Irregular                 // edges, but not once a second
	Crowded                   // once a second, but a burst rather than a pulse
	HalfSecond                // a pulse of half a second: which edge leads?
	Unstable                  // once a second, but never twice of one shape
	found
)

// learner remembers edges until the marker is known.
type learner struct {
	recent  []edge
	tries   int
	nextTry int64
	finding Finding
}

// remember keeps an edge, with the samples about it when they are at hand, and
// forgets old ones.
func (d *Detector) remember(e edge) {
	rate := d.config.Rate
	d.recent = slices.DeleteFunc(d.recent, func(old edge) bool {
		return old.position < e.position-memorySeconds*rate
	})
	last, kept := 0, 0
	for i := len(d.recent) - 1; i >= 0 && d.recent[i].position > e.position-rate; i-- {
		last++
		if d.recent[i].snippet != nil {
			kept++
		}
	}
	if last >= edgesPerSecond {
		return
	}
	at := int(math.Round(e.position)) - int(d.base)
	if lo, hi := at-d.spanBefore(), at+d.spanAfter(); kept < keptPerSecond && lo >= 0 && hi <= len(d.buf) {
		e.snippet = slices.Clone(d.buf[lo:hi])
		e.start = d.base + int64(lo)
	}
	d.recent = append(d.recent, e)
}

// due tells whether it is time to look again for a marker: every half second of
// samples, and less often when that has long been in vain.
func (d *Detector) due(position int64) bool {
	if position < d.nextTry {
		return false
	}
	d.tries++
	d.nextTry = position + int64(d.config.Rate*min(0.5*(1+float64(d.tries/40)), 4))
	return true
}

// chain returns those edges going the given way that are one second apart, the
// strongest such series, with at least least of them and up to jitter irregular, s;
// and its median level.
func (d *Detector) chain(rising bool, least int, jitter float64) (chain []edge, level float64) {
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
				math.Abs(e.position-seed.position-n*rate) > (maxRateError*n+jitter)*rate+2 ||
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
	return rank.Median(slices.Clone(v))
}

// look is what the remembered edges show of a marker.
type look struct {
	chain  []edge // the edges from which the marker can be learned
	level  float64
	lead   bool    // their direction
	rising bool    // direction of the on-time edge
	width  float64 // from the on-time edge to the opposite one, s; 0 when that does not show
}

// learn looks for the marker among the remembered edges. When it is there,
// learn returns its pulses and from then on the Detector knows it.
func (d *Detector) learn() []Pulse {
	l, f := d.look()
	if f == found {
		var out []Pulse
		if out, f = d.adopt(l); f == found {
			d.finding = f
			return out
		}
	}
	d.finding = f
	return nil
}

// look decides which of the remembered edges are the marker's.
func (d *Detector) look() (look, Finding) {
	if len(d.recent) == 0 {
		return look{}, Nothing
	}
	// A trailing edge is seen later than its leading one; waiting for as many
	// of them would cost a second.
	var up, down []edge
	var upLevel, downLevel float64
	for _, jitter := range []float64{chainJitter, 4 * mostJitter} {
		up, upLevel = d.chain(true, leastPulses-2, jitter)
		down, downLevel = d.chain(false, leastPulses-2, jitter)
		if max(len(up), len(down)) >= leastPulses {
			break
		}
	}
	if max(len(up), len(down)) < leastPulses {
		return look{}, Irregular
	}
	// The weaker series may be ringing or noise.
	if upLevel < 0.3*downLevel {
		up = nil
	}
	if downLevel < 0.3*upLevel {
		down = nil
	}
	var l look
	if up != nil && down != nil {
		rate := d.config.Rate
		fall := (down[len(down)-1].position - up[len(up)-1].position) / rate
		fall -= math.Floor(fall) // after the rise, s
		if d.config.Edge == Auto && math.Abs(fall-0.5) < ambiguousDuty {
			return look{}, HalfSecond
		}
		l.rising = d.config.Edge == Rising || d.config.Edge == Auto && fall < 0.5
		l.lead, l.width = l.rising, fall
		if !l.rising {
			l.width = 1 - fall
		}
	} else {
		// One edge alone, or a pulse so short that the scan sees it as one.
		l.lead = up != nil
		l.rising = d.config.Edge == Rising || d.config.Edge == Auto && l.lead
	}
	l.chain, l.level = up, upLevel
	if !l.lead {
		l.chain, l.level = down, downLevel
	}
	if len(l.chain) < leastPulses {
		return look{}, Irregular
	}
	strong := 0
	for _, e := range d.recent {
		if e.level > l.level/2 {
			strong++
		}
	}
	seconds := (d.recent[len(d.recent)-1].position-d.recent[0].position)/d.config.Rate + 1
	if d.company(l.chain, l.level) > maxCompany || float64(strong) > mostEdges*seconds {
		return look{}, Crowded
	}
	return l, found
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

// adopt makes the template of what was seen and returns its pulses.
func (d *Detector) adopt(l look) ([]Pulse, Finding) {
	chain := slices.DeleteFunc(l.chain, func(e edge) bool { return e.snippet == nil })
	if len(chain) < leastPulses {
		return nil, Crowded
	}
	// The pulse of median size comes first and leads the average.
	byLevel := slices.SortedFunc(slices.Values(chain), func(a, b edge) int { return cmp.Compare(a.level, b.level) })
	seed := byLevel[len(byLevel)/2]
	frames, origin := d.scaleOf(seed)
	fromEdge := origin - (seed.position - float64(seed.start))
	guess := func(e edge) float64 { return e.position - float64(e.start) + fromEdge }
	span := float64(d.lag + 4*frames)
	snippets, origins := [][]float32{seed.snippet}, []float64{origin}
	for _, e := range chain {
		if e.position != seed.position {
			snippets = append(snippets, e.snippet)
			origins = append(origins, guess(e))
		}
	}
	t := average(frames, snippets, origins, span)
	fits := make([]fit, len(chain))
	var matches, noises []float64
	for i, e := range chain {
		fits[i] = t.find(e.snippet, guess(e), span)
		matches, noises = append(matches, fits[i].match), append(noises, fits[i].noise)
	}
	if !(median(matches) > minMatch) {
		return nil, Unstable
	}
	t.refer(median(noises), l.rising)

	d.known, d.sum = t, template{sampler: sampler{scale: t.scale}}
	d.level, d.lead, d.rising, d.width = l.level, l.lead, l.rising, l.width
	if !math.IsInf(t.width, 1) {
		d.width = t.width / d.config.Rate
		if t.trailing {
			d.width = 1 - d.width
		}
	}
	d.tally = tally{}
	var out []Pulse
	for i, e := range chain {
		if fits[i].match >= minMatch {
			out = append(out, d.pulse(fits[i], e.start))
			d.refine(e.snippet, fits[i])
		}
	}
	length := out[len(out)-1].Position - out[0].Position
	d.period = length / math.Round(length/d.config.Rate)
	d.recent, d.tries = nil, 0
	return out, found
}

// scaleOf chooses the scale that suits the edge's rise, the finest at which its
// slope is near its greatest, and returns the place in the snippet where the
// slope is steepest.
func (d *Detector) scaleOf(e edge) (frames int, origin float64) {
	centre := e.position - float64(e.start)
	type trial struct {
		scale         int
		origin, slope float64
	}
	var trials []trial
	top := 0.0
	for s := 1; s <= d.widest; s *= 2 {
		smp := sampler{scale: s}
		l := trial{scale: s, origin: centre}
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
		trials = append(trials, l)
		top = max(top, l.slope)
	}
	for _, l := range trials {
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
