package longwave

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"timeball/capture/station"
	"timeball/detect/audio"
	"timeball/detect/longwave/pulsecode"
)

// Track follows one keyed carrier.
type Track struct {
	Station    *station.Station // the one it is taken for
	other      *station.Station // not asked for, but heard; Station is then nil
	finder     *Finder
	input      *Input
	cutter     *cutter
	candidates []*candidate // the stations it may be
	*candidate              // the one it is looked at as
	seen       int
	hz         float64
	axis       line
	latest     int64
	// rateVariance is that of the axis's rate, (s/s)².
	rateVariance float64

	drift     float64 // by how much the carrier is off, Hz, over some seconds
	lastPhase float64
	lastStart float64
	lastAxis  float64
	lastN     int64
	phased    bool
	// later is by how much the marks would come later than the first of a run of seconds,
	// s, by the cycles of a carrier that is sampled itself; run numbers the runs without a
	// gap.
	later float64
	run   int
	level float64 // of the full carrier, over some seconds
	full  float64 // the same by the slot in which no mark is keyed
	keyed keyed   // its level while it is keyed, whatever station it is
	noise float64 // variance of a sample, likewise

	blocks   []*block // in order
	open     *block   // that the next second goes to; nil: a new one
	ordered  bool     // whose it is, and the order of the minute, have been known
	readFrom int64    // second from which the code is read
	read     int64
	missing  int
	steps    []step // the latest ones
	quiet    *quiet // the noise between marks; nil: it comes through a receiver
	rest     rest   // what the marks do not explain
	crowd    *Crowd // nil: nobody else is heard on the carrier
}

// step is the change of level at a second, in units of its noise.
type step struct {
	n         int64
	size, snr float64
}

// candidate is a station that a track may be of.
type candidate struct {
	*plan
	asks    bool // it was asked for
	decoder *pulsecode.Decoder
	reading pulsecode.Reading
	// What earlier decoders told, and what the order of the minute and what it holds add to
	// the marks alone, log-likelihood over anything's.
	before, order float64
}

// log is how much likelier all that was heard is by the station than by anything.
func (c *candidate) log() float64 { return c.before + c.decoder.Log() + c.order }

// renew begins to read the code anew.
func (c *candidate) renew() {
	if c.decoder != nil {
		c.before = c.log()
	}
	c.decoder, c.order = pulsecode.New(c.Station.Code.Kind), 0
	c.reading = pulsecode.Reading{SecondError: 1, UTCError: 1}
}

const (
	leastBlock, blockSeconds = 4, 30
	mostBlocks               = 60
	readEvery                = 10
	// A station is told from marks of any lengths by leastOdds, log-likelihood, over
	// leastSeconds; and it is heard when the station, or its minute's order, is wrong with
	// less than orderError. Until another is likelier by as much it is looked at as it was.
	leastOdds, leastSeconds = 20, 8
	orderError              = 1e-4
	// hopeless is by how much less likely than the likeliest a station is whose order is not
	// looked at, log-likelihood: more than what a minute's order adds.
	hopeless = 100
	// A track whose marks are missing for so long is given up, s.
	patience = 120
)

func (f *Finder) newTrack(in *Input, b *band, hz float64, keying station.Keying, lag float64, from int64) *Track {
	t := &Track{finder: f, input: in, cutter: &cutter{band: b}, hz: hz, axis: line{lag: lag, ref: float64(from)}, latest: from - 1, rateVariance: clockRateU * clockRateU}
	for _, s := range in.sharing(keying) {
		c := &candidate{plan: newPlan(s), asks: slices.Contains(in.Stations, s)}
		c.renew()
		t.candidates = append(t.candidates, c)
	}
	if len(t.candidates) == 0 {
		return nil
	}
	if in.CarrierHz > 0 {
		t.quiet = newQuiet(in.CarrierHz)
	}
	t.keyed = anyKeyed
	t.choose(t.candidates[0])
	return t
}

// loop is the tuned antenna; of quality 0: none.
func (t *Track) loop() Loop {
	if t.input.FindLoop {
		return t.quiet.found
	}
	return t.input.Loop
}

// Loop is the tuned antenna before the carrier as the noise beside it shows it, whatever it
// was told to be; false where the noise does not come through it alone.
func (t *Track) Loop() (l Loop, ok bool) {
	if t.quiet == nil {
		return l, false
	}
	return t.quiet.found, true
}

// choose looks at the track as a candidate's.
func (t *Track) choose(c *candidate) {
	t.candidate = c
	t.Station = nil
	t.blocks, t.open, t.ordered = nil, nil, false
	t.rest, t.crowd = newRest(), nil
	t.phased = false
}

// mark is the shape of what is timed, and how long after its start it is on time, s.
func (t *Track) mark(scale float64) (s shape, onTime float64) {
	if t.plan.ramps() {
		e := t.plan.element
		for _, p := range t.poles(scale) {
			e.delay += p.delay()
		}
		return e, e.length / 2
	}
	return t.cutter.newEdge(t.poles(scale)...), -t.plan.Edge.TauSeconds * scale * math.Log(1-t.plan.Edge.OnTime)
}

// poles are those of the edge: the station's, scaled, and the loop's.
func (t *Track) poles(scale float64) []pole {
	all := []pole{{tau: t.plan.Edge.TauSeconds * scale}}
	if l := t.loop(); l.Q > 0 {
		all = append(all, l.pole(t.plan.Carriers[0].Hz))
	}
	return all
}

// take goes on with second n.
func (t *Track) take(n int64) {
	if n <= t.latest {
		return
	}
	t.latest = n
	if t.open != nil && n >= t.open.first+t.blockSeconds() {
		t.follow()
		t.open = nil
	}
	start, period, ok := t.finder.second(t.input, n)
	start += t.axis.at(float64(n))
	if !ok || !t.cutter.cut(t.input.Stream, start, period, t.hz) {
		t.phased = false
		t.missing++
		return
	}
	h := t.hear(t.cutter, 0)
	t.tune(h, n, start)
	if t.level == 0 {
		t.level, t.full, t.noise = h.amplitude, t.fullSlot(h), h.noise
	}
	const share = 0.1
	t.level += share * (min(h.amplitude, 2*t.level) - t.level)
	t.noise += share * (min(h.noise, 4*t.noise) - t.noise)
	if full := t.fullSlot(h); full > t.full/2 {
		t.full += share * (min(full, 2*t.full) - t.full)
	}
	t.steps = append(t.steps, step{n, h.step / t.level, t.level * t.level / t.noise})
	if len(t.steps) > 2*blockSeconds {
		t.steps = t.steps[1:]
	}
	if h.step > t.plan.Depth*t.level/2 {
		t.missing = 0
	} else {
		t.missing++
	}
	turned := t.turned(h)
	t.recognise(n-1, h, turned)
	t.sum(n, h, turned)
}

// turned is by how much likelier it is that the carrier's phase turned over in the
// second before the cut's edge than that it did not, by the difference of log
// likelihoods; 0 of a station that does not turn it.
func (t *Track) turned(h heardSecond) float64 {
	if t.plan.Phase.Kind != "wwvb" || !(h.noise > 0) {
		return 0
	}
	variance := h.noise / (t.noiseHz() * (endedTo - endedFrom))
	return -2 * h.amplitude * real(t.cutter.mean(endedFrom, endedTo)) / variance
}

// driftShare and tuneShare are the parts of what one second tells of the frequency that
// are taken over: some seconds to follow a receiver's oscillator, which drifts by less
// than a hertz a minute (common practice).
const driftShare, tuneShare = 0.2, 0.3

// tune follows the carrier's frequency by its phase from second to second.
func (t *Track) tune(h heardSecond, n int64, start float64) {
	rate, axis := t.cutter.rate, t.axis.at(float64(n))
	if t.phased {
		turns := (h.phase-t.lastPhase)/(2*math.Pi) - t.hz/rate*(start-t.lastStart)
		seconds := (start - t.lastStart) / rate
		step := 1.0
		if t.plan.Phase.Kind == "wwvb" {
			step = 0.5 // the phase may turn over
		}
		// The turn within the seconds tells which of the possible ones it is.
		t.drift += driftShare * (h.drift - t.drift)
		off := math.Remainder(turns, step)
		off = (off + step*math.Round((t.drift-off)/step)) / seconds
		t.count(n, seconds, t.hz+off, (axis-t.lastAxis)/rate)
		move := tuneShare * max(-1, min(1, off))
		t.hz += move
		t.drift -= move
	} else {
		t.drift = h.drift
		t.later, t.run = 0, t.run+1
	}
	t.lastPhase, t.lastStart, t.lastAxis, t.lastN, t.phased = h.phase, start, axis, n, true
}

// count goes on to second n by the cycles of the carrier: it was at hz in the stream for
// some seconds of the sample clock, in which the axis moved.
func (t *Track) count(n int64, seconds, hz, moved float64) {
	if f := t.input.CarrierHz; f > 0 {
		elapsed := seconds * t.input.recordedHz(hz) / f
		t.later += float64(n-t.lastN) - (elapsed - moved)
	}
}

// recognise weighs which station it is by second n: by its mark, and now and then by the
// order of all of them.
func (t *Track) recognise(n int64, h heardSecond, turned float64) {
	t.seen++
	level, noise := h.level, t.slotNoise()
	for i := range level {
		level[i] /= t.full
	}
	t.weighRest(t.symbols[floats.MaxIdx(t.weigh(level, noise))])
	if n >= t.readFrom {
		any := t.anything(level, noise, t.keyed)
		for _, c := range t.candidates {
			logs := c.weigh(level, noise)
			for i := range logs {
				logs[i] -= any
			}
			c.decoder.Add(n, logs)
		}
		t.decoder.AddTurn(n, turned)
	}
	t.keyed.learn(level[t.keyedSlot()], noise)
	for _, c := range t.candidates {
		c.keyed.learn(level[t.keyedSlot()], noise)
	}
	read := n >= t.read+readEvery || t.read == 0
	if read {
		t.read = n
		least := t.likeliest().log() - hopeless
		for _, c := range t.candidates {
			if c.log() >= least {
				c.reading = c.decoder.Reading()
				c.order = c.reading.Log - c.decoder.Log()
			}
		}
	}
	best := t.likeliest()
	if lead := best.log() - t.candidate.log(); lead > -math.Log(orderError) || lead > 0 && best.asks && !t.asks {
		t.choose(best)
	}
	if read && !t.ordered {
		wrong := t.reading.SecondError
		for _, c := range t.candidates {
			if c != t.candidate {
				wrong += math.Exp(c.log() - t.candidate.log())
			}
		}
		t.ordered = wrong < orderError
	}
	t.other, t.Station = nil, nil
	if t.candidate.log() > leastOdds && t.seen >= leastSeconds {
		switch {
		case t.asks:
			t.Station = t.plan.Station
		case t.ordered:
			t.other = t.plan.Station
		}
	}
}

// likeliest is the candidate that is, the first of equal ones.
func (t *Track) likeliest() *candidate {
	return slices.MaxFunc(t.candidates, func(a, b *candidate) int { return cmp.Compare(a.log(), b.log()) })
}

// noiseHz is the width of white noise at the antenna with the power of the base
// band's: what the loop leaves of what the band passes.
func (t *Track) noiseHz() float64 {
	w := t.cutter.band.noiseHz
	if l := t.loop(); l.Q > 0 {
		hz := t.plan.Carriers[0].Hz
		b, x := hz/l.Q, l.off(hz)
		return (1 + x*x) * b / 2 * (math.Atan(w/b+x) + math.Atan(w/b-x))
	}
	return w
}

// evidence is that for the likeliest of the stations.
func (t *Track) evidence() float64 { return t.likeliest().log() }

// slotNoise is the variance of a slot's level over the full one.
func (t *Track) slotNoise() float64 {
	return t.noise / (t.full * t.full) * baseRate / t.noiseHz() / (baseRate * t.plan.slotSeconds)
}

// known reports whether the order of the station's minute is.
func (t *Track) known() bool { return t.Station != nil && t.ordered && t.alone() }

// lost reports whether the marks are gone.
func (t *Track) lost() bool { return t.missing > patience }

// sum adds the second to the block.
func (t *Track) sum(n int64, h heardSecond, turned float64) {
	if !(h.noise > 0) || h.noise > 25*t.noise {
		return // lightning, or somebody else
	}
	b := t.open
	if b == nil {
		b = &block{first: n, axis: t.axis, run: t.run, began: t.later, edge: make([]float64, index(t.edgeTo)-index(t.edgeFrom))}
		b.edgeAcross = make([]float64, len(b.edge))
		switch t.plan.Phase.Kind {
		case "dcf77":
			b.code, b.codeAcross = make([]float64, codeLength), make([]float64, codeLength)
		case "wwvb":
			b.code = make([]float64, index(turnTo)-index(turnFrom))
		}
		t.open, t.blocks = b, append(t.blocks, b)
		if len(t.blocks) > mostBlocks {
			t.blocks = t.blocks[1:]
		}
	}
	b.last = n
	b.count++
	b.level += h.amplitude
	b.carrier += (t.later - b.carrier) / float64(b.count)
	if b.run != t.run {
		b.run = 0
	}
	weight := h.amplitude / h.noise
	if h.step > t.plan.Depth*t.level/2 {
		for i := range b.edge {
			z := t.cutter.z[index(t.edgeFrom)+i]
			if t.plan.ramps() {
				z = complex(imag(z), real(z))
			}
			b.edge[i] += weight * real(z)
			b.edgeAcross[i] += weight * imag(z)
		}
		b.edgeWeight += weight * h.amplitude
	}
	sign := 1.0
	if t.plan.Phase.Kind == "dcf77" && t.codeOf(t.cutter) < 0 {
		sign = -1
	}
	if t.quiet != nil {
		t.quiet.add(t.plan, t.cutter, sign)
	}
	switch t.plan.Phase.Kind {
	case "wwvb":
		if turned < surelyTurned {
			return
		}
		for i := range b.code {
			b.code[i] += weight * real(t.cutter.z[index(turnFrom)+i])
		}
	case "dcf77":
		z := t.cutter.z[index(codeFrom-1):][:codeLength]
		for i, v := range z {
			b.code[i] += sign * weight * imag(v)
			b.codeAcross[i] += sign * weight * real(v)
		}
	default:
		return
	}
	b.codeWeight += weight * h.amplitude
}

// codeOf is how much of the phase code there is in the second before a cut's edge.
func (t *Track) codeOf(c *cutter) (corr float64) {
	template, _ := t.template()
	for i, v := range c.z[index(codeFrom-1):][:codeLength] {
		corr += imag(v) * template[i]
	}
	return corr
}

// surelyTurned is from when on a turn of the phase is taken for one, log-likelihood.
const surelyTurned = 8

// The phase code, with what its last chip leaves, s after the second.
const (
	codeFrom   = chipFirst - 0.002
	codeLength = int(0.8 * baseRate)
)

var codeFirst = int(math.Round(codeFrom * baseRate))

// chipped is what the form of a phase code rests on.
type chipped struct {
	halfHz, tau float64
	loop        Loop
}

// template is the phase code as it is expected.
func (t *Track) template() (code, slope []float64) {
	f := t.finder
	key := chipped{t.cutter.halfHz, t.plan.Edge.TauSeconds, t.loop()}
	if c, ok := f.templates[key]; ok {
		return c[0], c[1]
	}
	code, slope = make([]float64, codeLength), make([]float64, codeLength)
	t.cutter.newEdge(t.poles(1)...).chips(code, slope, codeFirst, 0)
	f.templates[key] = [2][]float64{code, slope}
	return code, slope
}

// blockSeconds is how long the open block may be: no longer than what is not known of the
// rate smears its marks by.
func (t *Track) blockSeconds() int64 {
	return int64(max(leastBlock, min(mostSmear/math.Sqrt(t.rateVariance), blockSeconds)))
}

const (
	// clockRateU is the standard deviation of clocks' rates before anything is heard, s/s:
	// half of what the worst of them are off, 1.2e-4 (common practice).
	clockRateU = 60e-6
	// mostSmear is by how much the marks of one block may move along it, s: the variance of
	// so many is a hundredth of that of an edge's usual third of a millisecond.
	mostSmear = 0.1e-3
	// rateBlocks are the latest blocks by which the axis is laid: five minutes, in which a
	// sample clock that warms, 2e-6 to and fro in twenty, bends a line by less than mostSmear.
	rateBlocks = 10
	// mostMoved is by how much the axis may move and the seconds before and after still be
	// alike, s: it leaves a hundredth of each turn of a phase code, a chip of 1.5 ms.
	mostMoved = 20e-6
	// farthest is by how much a block's marks may be off the axis, s, and be its own.
	farthest = 30e-3
)

// follow lays the axis through where the latest blocks have the edge, and along the
// carrier's cycles where they are sampled themselves.
func (t *Track) follow() {
	b := t.open
	e, _ := t.mark(1)
	p, ok := t.fit(b, e)
	if !ok || math.Abs(p.lag) > farthest {
		return
	}
	b.place = p
	now, scale := b.middle(), t.cutter.rate
	rate, u := 0.0, clockRateU
	if t.input.CarrierHz > 0 && b.run == t.run && b.last > b.first {
		rate, u = (t.later-b.began)/float64(b.last-b.first), carrierRateU
	}
	var n normal // what the axis lacks at the block's middle, s, and in a second
	n.add([3]float64{0, 1 / u}, (rate-t.axis.rate/scale)/u)
	for _, o := range t.blocks[max(0, len(t.blocks)-rateBlocks):] {
		if o.place.variance > 0 {
			w, middle := 1/math.Sqrt(o.place.variance), o.middle()
			late := (o.axis.at(middle)-t.axis.at(middle))/scale + o.place.lag
			n.add([3]float64{w, w * (middle - now)}, w*late)
		}
	}
	x, variance, ok := n.solve(2)
	if !ok {
		return
	}
	t.rateVariance = variance
	t.axis = line{t.axis.at(now) + x[0]*scale, t.axis.rate + x[1]*scale, now}
	if t.quiet != nil && math.Abs(x[0]) > mostMoved {
		t.quiet.last = nil
	}
}

// fit places a block's marks by edge and code together.
func (t *Track) fit(b *block, e shape) (place, bool) {
	p, _, _, ok := t.fitBoth(b, e)
	return p, ok
}

// fitBoth also returns the two places apart; that of the code has no variance when
// there is none.
func (t *Track) fitBoth(b *block, e shape) (both, byEdge, byCode place, ok bool) {
	if b.edgeWeight == 0 {
		return both, byEdge, byCode, false
	}
	scale := baseRate / t.noiseHz()
	byEdge, ok = fitEdge(e, over(b.edge, b.edgeWeight), index(t.edgeFrom)+cutFirst, scale/b.edgeWeight, 0)
	if !ok {
		return both, byEdge, byCode, false
	}
	both = byEdge
	byCode, found := t.fitPhase(b, e, byEdge.lag)
	if !found {
		return both, byEdge, place{}, true
	}
	w1, w2 := 1/byEdge.variance, 1/byCode.variance
	d := byEdge.lag - byCode.lag
	both = place{
		lag: (w1*byEdge.lag + w2*byCode.lag) / (w1 + w2), variance: 1 / (w1 + w2),
		misfit: byEdge.misfit + byCode.misfit + d*d/(2*(byEdge.variance+byCode.variance)),
	}
	return both, byEdge, byCode, true
}

// worstTurn is the standard deviation beyond which the place of turns is not taken, s:
// of a step that noise moves by a third of its length the fit is no longer linear.
const worstTurn = 0.1e-3

// fitPhase places a block's phase code, from lag on; false when there is none, or too
// little.
func (t *Track) fitPhase(b *block, e shape, lag float64) (p place, ok bool) {
	if b.codeWeight == 0 {
		return p, false
	}
	code := over(b.code, b.codeWeight)
	unit := baseRate / t.noiseHz() / b.codeWeight
	if chipped, ok := e.(*edge); ok && t.plan.Phase.Kind == "dcf77" {
		return fitCode(chipped, code, codeFirst, unit, lag)
	}
	p, ok = fitEdge(e, code, index(turnFrom)+cutFirst, unit, lag+turnAt)
	p.lag -= turnAt
	return p, ok && p.variance < worstTurn*worstTurn
}

// stepEvidence is how much one second's mark may count for or against, log-likelihood:
// a discharge of lightning must not decide.
const stepEvidence = 8

// present weighs whether second n's mark comes where it is expected.
func (t *Track) present(n int64) float64 {
	for _, s := range t.steps {
		if s.n == n {
			return stepEvidence * (2*min(1, max(0, s.size/t.plan.Depth)) - 1)
		}
	}
	return 0
}

// ReadFrom lets the time be read anew from second n on, if it was read before.
func (t *Track) ReadFrom(n int64) {
	if t.readFrom < n {
		t.readFrom = n
		for _, c := range t.candidates {
			c.renew()
		}
	}
}

// Alike lists other stations that send the same, so that nothing but the name that was given
// tells this one from them.
func (t *Track) Alike() []*station.Station { return t.input.alike(t.plan.Station, t.input.Table) }

// Onset is where second n's mark is expected, low-rate samples after the flywheel's
// second.
func (t *Track) Onset(n int64) float64 { return t.axis.at(float64(n)) }

// ToneHz is the carrier's pitch in the stream.
func (t *Track) ToneHz() float64 { return t.hz }

// ClockOff is by how much the sample clock is fast, as a share, by a carrier that is
// sampled itself; false when it is not.
func (t *Track) ClockOff() (share float64, ok bool) {
	f := t.input.CarrierHz
	return (audio.Pitch - t.hz) / (f - audio.Pitch + t.hz), f > 0
}

// Latest is the latest second.
func (t *Track) Latest() int64 { return t.latest }

// Power is that of second n's mark and the noise together, over the noise's; false
// when it was not heard.
func (t *Track) Power(n int64) (power float64, ok bool) {
	for _, s := range t.steps {
		if s.n == n {
			x := max(0, s.size/t.plan.Depth)
			return 1 + x*x*s.snr, true
		}
	}
	return 0, false
}

// PowerSNR is the carrier's ratio to the noise in 3 kHz for a mark that adds the
// noise's power once.
func (t *Track) PowerSNR() float64 { return t.noiseHz() / 2 / 3000 }

// Code is what the station's code has told, and the code's name; last: all is looked
// at that is left.
func (t *Track) Code(last bool) (pulsecode.Reading, string) {
	if last {
		t.reading = t.decoder.Reading()
	}
	return t.reading, t.decoder.Name() + " code"
}

// moved weighs whether second n's mark comes shift samples later than expected.
func (t *Track) moved(n int64, shift float64) float64 {
	start, period, ok := t.finder.second(t.input, n)
	if !ok {
		return 0
	}
	score := func(at float64) float64 {
		c := &cutter{band: t.cutter.band}
		if !c.cut(t.input.Stream, at, period, t.hz) {
			return 0
		}
		h := t.hear(c, 0)
		x := min(1, max(0, h.step/(t.level*t.plan.Depth)))
		return x
	}
	at := start + t.axis.at(float64(n))
	return stepEvidence * (score(at+shift) - score(at))
}
