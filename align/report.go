package align

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"timeball/align/path"
	"timeball/capture/station"
	"timeball/detect/marker"
	"timeball/detect/mixture"
	"timeball/detect/tick/find"
	"timeball/detect/tick/timing"
	"timeball/detect/timecode"
)

// Schema names the form of Fix.
const Schema = "timeball.fix/1"

// stationOffset is what one station says of the local clock.
type stationOffset struct {
	fix      StationFix
	ticks    mixture.Mixture // offset before the path delay is taken out, type A only
	measured mixture.Mixture // and after, with all that is known of the path
	rate     mixture.Mixture
	ua, u    float64 // of ticks and of measured
	drift    float64 // part of them that comes from the path's drift
	jitter   float64 // and from the marker's scatter, the same for all stations
	ub       float64 // its own type B uncertainty, without the path's
	filter   float64 // part of it that comes from the receiver's filter, the same for all stations
	beside   []timing.Beside
	// calibrated: it was timed through the receiver's response, which is kept; response is
	// what is found of that.
	calibrated bool
	response   *timing.Response
	lines      []BudgetLine
	pathKnown  bool
	noPath     PathUnknown // why not
	notices    []Reason
}

// now returns the attempt with all weighed that has been heard so far. It is only for
// asking: a itself looks when it would have.
func (a *Attempt) now() *Attempt {
	c := *a
	if a.radio != nil {
		c.radio = a.radio.now()
	}
	return &c
}

// Fix states the measurement so far.
func (a *Attempt) Fix() Fix {
	now := a.now()
	var heard []*timing.Arrival
	if a.radio != nil {
		heard = now.radio.arrivals(a.settings.Calibrate)
		a.soundOut() // which goes on meanwhile
		now.sounds = a.sounds
	}
	f := now.report(heard, decoder.Close)
	if f.Standing == Verifying {
		// Of a fix, unlike of a display, nobody sees what comes next.
		f = Fix{Schema: f.Schema, Recording: f.Recording, Marker: f.Marker, SampleClock: f.SampleClock, Warnings: f.Warnings, Notices: f.Notices,
			Budget: []BudgetLine{}, Stations: []StationFix{}, Verdict: NoTick, Why: Unsettled{}, Standing: Withheld}
	}
	return f
}

// report states the measurement by arrivals, which may be some seconds old: the
// marker's latest pulse is counted at once. read gets a decoder's reading.
func (a *Attempt) report(heard []*timing.Arrival, read func(decoder) timecode.Reading) Fix {
	f := Fix{
		Schema:    Schema,
		Recording: Recording{Path: a.info.Name, RateHz: a.info.Rate, Seconds: a.seconds(), Gaps: []Gap{}},
		Budget:    []BudgetLine{},
		Stations:  []StationFix{},
		Warnings:  []string{},
	}
	if p := a.settings.At; p != nil {
		f.Place = &Place{p.Lat, p.Lon}
	}
	for _, g := range a.gaps {
		f.Recording.Gaps = append(f.Recording.Gaps, Gap{At: float64(g.At) / a.rate, LostFrames: g.Lost})
	}
	if a.marker < 0 {
		f.Verdict = NoMarker
		f.Why = a.why
		if f.Why == nil {
			f.Why = TooShort{decideAfter}
		}
		return f
	}
	f.Marker = a.markerFix()
	f.Notices = append(f.Notices, scatterNotices(f.Marker)...)
	period := a.pulses.PeriodFrames()
	ppm := (period/a.rate - 1) * 1e6
	f.SampleClock = &SampleClock{PPMvsMarker: &ppm, PPMvsCarrier: a.radio.clockPPM()}
	last := a.pulses.Seconds() - 1
	phase := a.pulses.Shift() / period

	var found []stationOffset
	begin := a.begin(read)
	for _, arr := range heard {
		s := a.stationOffset(arr, period, phase, last, begin)
		s.fix.AsNamed = a.radio.standing(arr.Station) == find.AsNamed
		if s.fix.AsNamed {
			f.Notices = append(f.Notices, TakenAsNamed{arr.Station.ID})
		}
		found = append(found, s)
		f.Notices = append(f.Notices, s.notices...)
		if like := a.radio.alike(arr.Station); len(like) > 0 && a.settings.CarrierHz == 0 {
			f.Notices = append(f.Notices, OneOfAlike{arr.Station.ID, idsOf(like)})
		}
	}
	if n := len(a.settings.Ionograms); n > 0 && !begin.IsZero() && len(path.NearIonograms(a.settings.Ionograms, begin)) == 0 {
		f.Notices = append(f.Notices, IonosondeElsewhen{n, begin})
	}
	if len(found) == 0 {
		f.Verdict = NoTick
		a.explain(&f)
		return f
	}
	if f.Standing = a.standing(); f.Standing == Withheld {
		f.Verdict = NoTick
		f.Why = Unsettled{}
		return f
	}
	a.combine(&f, found)
	a.label(&f, last, read)
	a.checkStart(&f, last)
	a.setHands(&f, last)
	a.setUT1(&f)
	return f
}

// stationOffset applies the corrections that belong to one station.
func (a *Attempt) stationOffset(arr *timing.Arrival, period, phase float64, last int, begin time.Time) stationOffset {
	var s stationOffset
	snr := arr.SNRdB
	s.fix = StationFix{ID: arr.Station.ID, CarrierHz: a.carrierOf(arr.Station), ToneHz: arr.ToneHz, TicksExpected: arr.Expected, TicksUsed: arr.Ticks, SNRdB: &snr, TimedBy: timedBy(arr), Arrivals: []Arrival{}}
	for _, p := range arr.Paths {
		s.fix.Arrivals = append(s.fix.Arrivals, Arrival{p.ExcessSeconds, p.UExcess, p.LevelDB})
	}
	shift := -phase + arr.Station.AdvanceSeconds
	if e := arr.Station.EmissionSeconds / 1.96; e > 0 {
		s.lines = append(s.lines, BudgetLine{Source: "emission " + arr.Station.ID, Type: "B", U: e})
	}
	if e := arr.EdgeU; e > 0 {
		s.lines = append(s.lines, BudgetLine{Source: "edge " + arr.Station.ID, Type: "B", U: e, Known: EdgeFitted{}})
	}
	l := a.loop(arr.Station)
	if l.Against != nil {
		s.notices = append(s.notices, LoopContradicted{arr.Station.ID, l.Q, *l.Against})
	}
	if l.Q > 0 || l.DelayU > 0 {
		s.lines = append(s.lines, BudgetLine{Source: "loop " + arr.Station.ID, Type: "B", U: l.delayU(arr.Station.Carriers[0].Hz), Known: l.Known})
	}
	if u := arr.FilterU; u > 0 {
		line := BudgetLine{Source: receiversFilter, Type: "B", U: u, Known: FilterUntold{}}
		if arr.Station.LongWave() {
			line.Known = FilterInEdges{}
		}
		s.lines = append(s.lines, line)
	}
	if arr.PhaseLaterU > 0 {
		s.fix.PhaseCode = &PhaseCode{arr.PhaseLater, arr.PhaseLaterU, arr.PhaseAgrees}
		if !arr.PhaseAgrees {
			s.notices = append(s.notices, PhaseContradicts{arr.Station.ID, arr.PhaseLater, arr.PhaseLaterU})
		}
	}
	s.filter, s.beside, s.calibrated, s.response = arr.FilterU, arr.Beside, arr.Calibrated, arr.Response
	if a.settings.Response != nil && !arr.Calibrated && !arr.Station.UpperSideband && !arr.Station.LongWave() {
		s.notices = append(s.notices, ReceiverOtherwise{})
	}
	s.ub, _ = combine(s.lines)
	var way delay
	s.fix.Sounding = a.soundingOf(arr)
	if way, s.noPath, s.pathKnown = a.pathDelay(arr, s.fix.Sounding, s.fix.Arrivals, begin, last); s.pathKnown {
		s.fix.Path = &way.used
		s.notices = append(s.notices, way.notices...)
		s.lines = append(s.lines, BudgetLine{Source: "path delay " + arr.Station.ID, Type: "B", U: way.used.U, Known: way.known})
	}
	all, since := lines(arr, a.rate, period), float64(last)-arr.Ref
	ticks, _ := extrapolate(withDrift(all, way.used.Drift, way.uDrift), since)
	all = againstMean(all, a.pulses.Mean(int(arr.Ref)-arr.Expected/2).At(since), period)
	s.ticks, s.rate = extrapolate(withDrift(all, way.used.Drift, way.uDrift), since)
	s.rate = s.rate.Scale(1 / (1 - s.rate.Mean())) // in a second of UTC, not from pulse to pulse
	if way.onLine {
		// What else is not known of the line is in the path's delay.
		mean := a.pulses.Mean(int(arr.Ref) - arr.Expected/2)
		ticks = mixture.Normal((arr.Lag+arr.Rate*since)*scale(arr.Rate, a.rate, period), arr.Waves.NoiseU)
		s.ticks = ticks.Shift(-mean.Offset / period).Widen(math.Sqrt(mean.VarOffset) / period)
	}
	s.ticks = s.ticks.Shift(shift)
	s.ua = s.ticks.U()
	s.jitter = partOf(s.ua, ticks.U())
	if way.uDrift > 0 {
		steady, _ := extrapolate(withDrift(all, way.used.Drift, 0), since)
		s.drift = partOf(s.ua, steady.U())
	}
	s.measured, s.u = s.ticks, s.ua
	if s.pathKnown {
		s.measured = s.ticks.Reduce(mostTimings).Plus(way.spread.Scale(-1))
		s.u = s.measured.U()
	}
	return s
}

// carrierOf is the carrier a station was heard on; 0: not known.
func (a *Attempt) carrierOf(s *station.Station) float64 {
	if len(s.Carriers) == 1 {
		return s.Carriers[0].Hz
	}
	return a.settings.CarrierHz
}

// timedBy names what the arrival is the time of.
func timedBy(arr *timing.Arrival) string {
	switch {
	case len(arr.Paths) > 1:
		return EarliestArrival
	case arr.FadingShare > leastFading:
		return PowerWeightedMean
	}
	return OnlyArrival
}

// leastFading is the share of fading power from which a tick is taken to come
// by several paths (common practice).
const leastFading = 0.2

// Sources of uncertainty that every station and recording shares.
const receiverDelay, skewLine, markerEdge, receiversFilter = "receiver delay", "skew", "marker edge", "receiver's filter"

// combine joins the stations' offsets, tests whether they agree, and adds the
// corrections that are common to all.
func (a *Attempt) combine(f *Fix, found []stationOffset) {
	// Only stations whose path is known can be compared.
	known := found[:0:0]
	for _, s := range found {
		if s.pathKnown {
			known = append(known, s)
		}
	}
	f.Verdict = Found
	if len(known) == 0 {
		f.Verdict = NoPath
		f.Why = found[0].noPath
		known = found[:1]
	}
	receiver, skew := a.settings.Delays(a.rate)
	if r := a.settings.Response; r != nil && !slices.ContainsFunc(known, func(s stationOffset) bool { return !s.calibrated }) {
		receiver.U = r.DelayU
	}
	common := -receiver.Value + skew.Value
	commonLines := []BudgetLine{
		{Source: receiverDelay, Type: "B", U: receiver.U, Known: receiver.Known},
		{Source: skewLine, Type: "B", U: skew.U, Known: skew.Known},
		{Source: markerEdge, Type: "B", U: a.detectors[a.marker].Assess().ReferenceSigmaFrames / a.rate},
	}

	// Weights from each station's own uncertainty. Offsets are taken about the
	// first's, so that half a second's wrap does not matter.
	origin := known[0].measured.Median()
	weights, total := make([]float64, len(known)), 0.0
	for i, s := range known {
		weights[i] = 1 / (s.u*s.u + s.ub*s.ub + 1e-18)
		total += weights[i]
	}
	mean, chi2 := 0.0, 0.0
	places := make([]float64, len(known))
	heaviest := 0
	for i, s := range known {
		weights[i] /= total
		median := s.measured.Median()
		places[i] = origin + wrap(median-origin)
		known[i].measured = s.measured.Shift(places[i] - median)
		mean += weights[i] * places[i]
		if weights[i] > weights[heaviest] {
			heaviest = i
		}
	}
	birge := 1.0
	for i := range known {
		d := places[i] - mean
		chi2 += d * d * weights[i] * total
	}
	if n := float64(len(known) - 1); n > 0 && chi2 > n*(1+2*math.Sqrt(2/n)) {
		birge = math.Sqrt(chi2 / n)
		f.Notices = append(f.Notices, Disagreement{chi2, len(known) - 1})
	}
	jitter := known[heaviest].jitter
	joint, shared, filter, tied := join(known, weights, jitter)
	median := joint.Median()
	joint = joint.Shift(-median).Scale(birge).Shift(median)
	for i, s := range known {
		for _, l := range s.lines {
			if l.U *= weights[i] * birge; l.Source == receiversFilter {
				l.U = filter * birge
				if i > 0 {
					continue
				}
			}
			f.Budget = append(f.Budget, l)
		}
	}
	ua, dof := 0.0, known[heaviest].measured.DoF()
	for i, s := range known {
		scale := weights[i] * birge
		ua += scale * scale * max(0, s.ua*s.ua-s.drift*s.drift-s.jitter*s.jitter)
		if s.drift > 0 {
			f.Budget = append(f.Budget, BudgetLine{Source: "path drift " + s.fix.ID, Type: "B", U: scale * s.drift, Known: SinceTicks{}})
		}
	}
	average := "tick average"
	if a.radio.ticks == nil {
		average = "mark average"
	}
	line := BudgetLine{Source: average, Type: "A", U: math.Sqrt(max(0, ua+tied*birge*birge))}
	if !math.IsInf(dof, 1) {
		line.DoF = &dof
	}
	f.Budget = append([]BudgetLine{line, {Source: "marker jitter", Type: "A", U: jitter}}, f.Budget...)
	f.Budget = append(f.Budget, commonLines...)
	commonU, _ := combine(commonLines)
	f.state(joint.Shift(common), math.Hypot(birge*shared, commonU))
	if r := known[0].response; r != nil && len(known) == 1 {
		f.Response = &ReceiverResponse{*r, partOf(*f.U, filter)}
	}
	if f.Verdict == NoPath {
		f.Sense = "" // nobody knows yet
	}
	f.Rate = &Rate{known[heaviest].rate.Median(), known[heaviest].rate.U()}
	utc := *f.SampleClock.PPMvsMarker - f.Rate.Y*1e6
	f.SampleClock.PPMvsUTC = &utc
	for i := range found {
		s := &found[i]
		own := s.measured.Shift(common).Widen(math.Hypot(s.ub, commonU))
		median, hull := own.Median(), own.Hull(0.95)
		x, u := wrap(median), own.UOf(hull)
		s.fix.Offset, s.fix.U, s.fix.CI95 = &x, &u, &[2]float64{x + hull.Low - median, x + hull.High - median}
		s.fix.Received = &Received{wrap(s.ticks.Median() + common), math.Hypot(s.ua, s.ub)}
		f.Stations = append(f.Stations, s.fix)
	}
}

// mostTimings is the same for the ticks alone, which the path's possibilities
// multiply.
const mostTimings = 4

// mostPossibilities is to how many possibilities the offset is reduced where the
// stations multiply theirs: cost grows with it, and those that are merged lie
// within each other.
const mostPossibilities = 40

// state puts the offset, its interval and sense into the fix. sharedU is what is not known
// of it whatever it may rest on.
func (f *Fix) state(offset mixture.Mixture, sharedU float64) {
	whole := offset.Widen(sharedU)
	median, hull := whole.Median(), whole.Hull(0.95)
	x, u := wrap(median), whole.UOf(hull)
	f.Offset, f.U, f.CI95 = &x, &u, &[2]float64{x + hull.Low - median, x + hull.High - median}
	if d := whole.DoF(); !math.IsInf(d, 1) {
		f.DoF = &d
	}
	f.Sense = SenseOf(x)
	f.Candidates = candidates(offset, sharedU)
}

// leastCandidate is the probability below which a candidate is not worth a
// person's while.
const leastCandidate = 0.02

// supported is what an offset may be by what it rests on.
type supported struct {
	by          mixture.Mixture
	probability float64
	because     string
	median, u   float64
}

func newSupported(because string, by mixture.Mixture) supported {
	s := supported{by: by, because: because}
	for _, c := range by {
		s.probability += c.Weight
	}
	conditional := slices.Clone(by)
	conditional.Normalise()
	s.median, s.u = conditional.Median(), conditional.U()
	return s
}

// candidates groups what an offset may be by what it rests on, and joins groups
// that lie within each other; nil when there is one. What is not known whatever it rests on,
// sharedU, blurs each candidate and not which one it is.
func candidates(offset mixture.Mixture, sharedU float64) []Candidate {
	groups := map[string]mixture.Mixture{}
	weights := map[string]float64{}
	for _, c := range offset {
		groups[c.Label] = append(groups[c.Label], c)
		weights[c.Label] += c.Weight
	}
	delete(groups, "") // rests on nothing that has a name
	maps.DeleteFunc(groups, func(label string, _ mixture.Mixture) bool { return weights[label] < leastCandidate })
	if len(groups) < 2 {
		return nil
	}
	var all []supported
	for label, m := range groups {
		all = append(all, newSupported(label, m))
	}
	slices.SortFunc(all, func(a, b supported) int {
		return cmp.Or(cmp.Compare(a.median, b.median), cmp.Compare(a.because, b.because))
	})
	for i := 1; i < len(all); {
		a, b := all[i-1], all[i]
		if b.median-a.median > 2*math.Hypot(a.u, b.u) {
			i++
			continue
		}
		because := a.because + " or " + b.because
		if b.probability > a.probability {
			because = b.because + " or " + a.because
		}
		all[i-1] = newSupported(because, slices.Concat(a.by, b.by))
		all = slices.Delete(all, i, i+1)
		i = max(1, i-1) // the joined one may reach the one before
	}
	if len(all) < 2 {
		return nil
	}
	slices.SortFunc(all, func(a, b supported) int { return cmp.Compare(b.probability, a.probability) })
	var out []Candidate
	for _, s := range all {
		out = append(out, Candidate{wrap(s.median), math.Hypot(s.u, sharedU), s.probability, s.because})
	}
	return out
}

// markerFix describes the marker.
func (a *Attempt) markerFix() *MarkerFix {
	as := a.detectors[a.marker].Assess()
	pulses, missed, _ := a.pulses.Counts()
	mean := a.pulses.Mean(0)
	m := &MarkerFix{
		Channel: a.marker + 1, Edge: as.Edge.String(), Pulses: pulses, Missed: missed,
		Jitter: mean.Jitter / a.rate, Scatter: mean.Pattern, Beat: math.Abs(a.pulses.BeatSeconds()), Steps: []Step{},
	}
	for _, s := range a.pulses.Steps() {
		m.Steps = append(m.Steps, Step{s.At / a.rate, s.BySeconds})
	}
	return m
}

// A marker is steady if its pulses scatter by less than an electrical pulse's noise
// ever lets them (common practice): then nothing need be said of it.
const steadyMarker = 10e-6 // s

// scatterNotices says what is to be said of how a marker's pulses lie.
func scatterNotices(m *MarkerFix) (all []Reason) {
	if m.Beat > steadyMarker {
		all = append(all, OutOfBeat{m.Beat})
	}
	if m.Jitter > steadyMarker {
		all = append(all, Jittery{m.Jitter, marker.SureStep * m.Jitter})
	}
	return all
}

// label finds the UTC of the last marker: from the broadcast's code, else from
// the recording's own start.
func (a *Attempt) label(f *Fix, last int, read func(decoder) timecode.Reading) {
	for i, c := range a.told() {
		r := read(c.dec)
		if !r.UTC.Known() {
			continue
		}
		utc, inserted, ok := r.At(int64(last) - a.turn(f, c, last))
		if !ok {
			return // a leap second may have come
		}
		f.At = &utc
		u := &UTC{Second: utc, Inserted: inserted, Leap: "unknown", From: r.UTC.From}
		u.add(r)
		// What this code does not send, another may.
		for _, c := range a.told()[i+1:] {
			if r := read(c.dec); r.UTC.Known() && u.add(r) {
				u.From += " and the " + r.UTC.From
			}
		}
		f.UTC = u
		return
	}
	at := a.start()
	if at.IsZero() {
		return
	}
	utc := at.Add(seconds(a.since(float64(last)) + *f.Offset)).Round(time.Second)
	for _, c := range a.told() {
		if r := read(c.dec); r.Second.Known() {
			// The marks tell the second, the rough time the minute.
			since := time.Duration(int64(last)-r.N-a.turn(f, c, last)) * time.Second
			utc = r.Nearest(utc.Add(-since)).Add(since)
			break
		}
	}
	f.At = &utc
}

// add notes what a reading announces and nothing before it did, and reports whether
// there was any.
func (u *UTC) add(r timecode.Reading) (more bool) {
	if u.Leap == "unknown" && r.Leap.Known() {
		u.Leap, more = r.Leap.Value.String(), true
	}
	if u.DUT1 == nil && r.DUT1.Known() {
		d := r.DUT1.Value
		u.DUT1, more = &d, true
	}
	if u.SummerTime == "" && r.DST.Known() {
		switch r.DST.Value {
		case timecode.SummerBegins:
			u.SummerTime, more = "begins", true
		case timecode.SummerEnds:
			u.SummerTime, more = "ends", true
		}
	}
	return more
}

// since is how long after the first frame the marker of second n comes, s. Seconds
// are counted by the marker, which runs truer than the sample clock.
func (a *Attempt) since(n float64) float64 {
	return (a.pulses.Start()+a.pulses.Shift())/a.rate + n
}

// roughStart is how far off a start may be that people give: half a minute is asked for,
// with room for a computer's clock.
const roughStart = time.Minute

// checkStart notes where the start that was given cannot be.
func (a *Attempt) checkStart(f *Fix, last int) {
	given := a.settings.Start
	if given.IsZero() {
		given = a.info.Start
	} else if told := a.info.Start; !told.IsZero() && given.Sub(told).Abs() > roughStart {
		f.Notices = append(f.Notices, StartContradicted{Given: given, Told: told})
	}
	at, ok := a.pulses.Pulse(last)
	if f.UTC == nil || given.IsZero() || !ok {
		return
	}
	if told := f.UTC.Second.Add(-seconds(at / a.rate)); given.Sub(told).Abs() > roughStart {
		f.Notices = append(f.Notices, StartContradicted{given, told, true})
	}
}

// seconds is a length of time in the clock's terms.
func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// turn is how many seconds before the broadcast's second of the same number the
// last marker stands. The tick nearest to a marker may be that of the second
// before or after: it arrives later by all delays, and the marker is ahead by up
// to half a second.
func (a *Attempt) turn(f *Fix, c *code, last int) int64 {
	onset := c.heard.Onset(int64(last)) / a.streams[a.receiver].Rate()
	return int64(math.Round(onset - a.pulses.Shift()/a.rate - a.delayOf(f, c.heard.Station.ID) - *f.Offset))
}

// delayOf is all that was taken out between a station's UTC second and its
// tick's arrival, s.
func (a *Attempt) delayOf(f *Fix, id string) float64 {
	receiver, _ := a.settings.Delays(a.rate)
	d := receiver.Value
	for _, s := range f.Stations {
		if s.ID == id && s.Path != nil {
			d += s.Path.Delay
		}
	}
	return d
}
