package simulate

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"time"

	"timeball/capture/station"
)

// keyer is the carrier of a long-wave station as its antenna radiates it, of full
// level 1: level and phase change at instants, and reach the air through one pole.
// Times are in seconds since the first frame.
type keyer struct {
	st    *station.Station
	dut1  float64
	leap  leapSecond
	begin float64 // UTC second 0 of 1970 lies this long before the first frame
	next  int64   // UTC second whose changes come next
	code  string  // of the minute that starts at of
	chips [60]bool
	of    time.Time
	wrote int64 // second for which it was looked at

	changes []change // not yet made
	since   float64  // time of the latest change,
	level   complex128
	target  complex128
}

// change is a new level that the transmitter goes to.
type change struct {
	at float64
	to complex128
}

// newKeyer returns a keyer that can be asked for times from from on.
func newKeyer(s Signal, c *Config, from float64) *keyer {
	k := &keyer{st: s.Station, dut1: c.DUT1, leap: leapSecond{c.LeapPending, c.LeapAt}, wrote: math.MinInt64}
	k.begin = float64(c.Start.Unix()) + float64(c.Start.Nanosecond())/1e9
	k.next = int64(math.Floor(k.begin+from)) - 2
	k.since, k.target = math.Inf(-1), 1
	if s.Programme == CarrierOnly {
		k.next = math.MaxInt64
	}
	return k
}

// at is the complex level at a time; times must not fall.
func (k *keyer) at(t float64) complex128 {
	if k.st.Keying == station.PhaseRamps && k.next < math.MaxInt64 {
		return cmplx.Rect(1, k.ramps(t+k.begin))
	}
	for k.next < math.MaxInt64 && float64(k.next)-k.begin < t+2 {
		k.second()
	}
	for len(k.changes) > 0 && k.changes[0].at <= t {
		c := k.changes[0]
		k.changes = k.changes[1:]
		k.level = k.reached(c.at)
		k.since, k.target = c.at, c.to
	}
	return k.reached(t)
}

// settled is after how many time constants nothing of a change is left that double
// precision holds.
const settled = 40

func (k *keyer) reached(t float64) complex128 {
	gone := (t - k.since) / k.st.Edge.TauSeconds
	if gone > settled {
		return k.target
	}
	left := math.Exp(-gone)
	return k.target + (k.level-k.target)*complex(left, 0)
}

// write has the code of the minute of a second ready.
func (k *keyer) write(sec int64) {
	if sec == k.wrote {
		return
	}
	k.wrote = sec
	at, announced, ends := k.leap.minute(k.st.Code.Kind, sec)
	if at.Equal(k.of) {
		return
	}
	k.of = at
	k.code = LongCode(k.st.Code.Kind, at, k.dut1, announced, ends)
	if k.st.Phase.Kind == "wwvb" {
		k.chips = WWVBPhase(at)
	}
}

// second lists the changes of the next UTC second.
func (k *keyer) second() {
	st, sec := k.st, k.next
	k.next++
	t, n := k.leap.label(sec)
	k.write(sec)
	low, high := complex(1-st.Depth, 0), complex(1, 0)
	rest, keyed := high, low
	if st.Keying == station.CarrierRaised {
		rest, keyed = low, high
	}
	// A mark is on time when its edge has done part of its change.
	start := float64(sec) - k.begin + st.Edge.TauSeconds*math.Log(1-st.Edge.OnTime)
	var times []float64
	if st.Code.Kind == "" {
		if m, ok := st.MarkAt(t.Minute(), n); ok {
			times = []float64{0, m.Length}
		}
	} else if k.code[n] == 'c' {
		rest = 0 // the call sign is keyed in full
		for _, t := range callSign {
			if t -= float64(n - 40); t >= 0 && t < 1 {
				times = append(times, t)
			}
		}
	} else {
		times = longMark(st.Code.Kind, k.code[n])
	}
	add := func(at float64, to complex128) { k.changes = append(k.changes, change{at, to}) }
	turned := complex(1, 0)
	switch st.Phase.Kind {
	case "wwvb":
		// In a leap second the carrier is not turned: nobody at hand says.
		if n < 60 && k.chips[n] {
			turned = -1
		}
		before := turned
		if len(k.changes) > 0 {
			before = sign(k.changes[len(k.changes)-1].to)
		}
		// The phase changes 0.1 s after the second, between the edges of the mark.
		for i, t := range times {
			to := keyed
			if i%2 == 1 {
				to = rest * turned
			} else {
				to *= before
			}
			add(start+t, to)
			if i == 0 {
				add(start+0.1, keyed*turned)
			}
		}
		return
	}
	for i, t := range times {
		to := keyed
		if i%2 == 1 {
			to = rest
		}
		add(start+t, to)
	}
	if st.Phase.Kind == "dcf77" {
		// Seconds 0 to 9 send inverted sequences, 59 and 10 to 14 plain ones, the
		// others their bit. A one leads: nobody at hand says which way.
		inverted := n < 10 || n >= 15 && k.code[n] == '1'
		const cycles, chip, first = 77500.0, 120, 15500
		for i, c := range dcf77Chips {
			phase := st.Phase.Radians
			if c == inverted {
				phase = -phase
			}
			add(start+(first+chip*float64(i))/cycles, cmplx.Rect(1, phase))
		}
		add(start+(first+chip*512)/cycles, 1)
	}
}

// ramps is the phase of ALS162 at a UTC time: elements of 0.1 s about each second but
// the 59th, a second one after the first for a one, and others of no known content
// between 0.2 and 0.8 s after it, of which ours are drawn by the second.
func (k *keyer) ramps(utc float64) float64 {
	sec := int64(math.Floor(utc + 0.15))
	_, n := k.leap.label(sec)
	k.write(sec)
	element := int(math.Round(10 * (utc - float64(sec)))) // its middle, tenths after the second
	sent := false
	switch {
	case element == 0:
		sent = k.code[n] != '-'
	case element == 1:
		sent = k.code[n] == '1'
	case element >= 2 && element <= 8:
		sent = uint64(sec*7+int64(element))*0x9e3779b97f4a7c15>>63 == 1
	}
	if !sent {
		return 0
	}
	x := (utc - float64(sec) - float64(element)/10) / 0.025 // quarters after the middle
	switch {
	case x < -1:
		return k.st.Phase.Radians * (2 + x)
	case x > 1:
		return k.st.Phase.Radians * (x - 2)
	}
	return -k.st.Phase.Radians * x
}

func sign(z complex128) complex128 {
	if real(z) < 0 {
		return -1
	}
	return 1
}

// longPath is one way of a keyed carrier to the antenna.
type longPath struct {
	Path
	keyer     *keyer
	carrierHz float64
	gain      complex128
	// The carrier's phase at the latest delay, s.
	late float64
	turn complex128
}

// delay is that at a time.
func (p *longPath) delay(t float64) float64 {
	d := p.DelaySeconds
	if p.SwingSeconds != 0 {
		d += p.SwingSeconds * math.Sin(2*math.Pi*t/p.SwingPeriodSeconds+p.PhaseRadians)
	}
	return d
}

// at is the complex level that arrives, against a carrier of the station's own
// phase at the transmitter.
func (p *longPath) at(t float64) complex128 {
	if d := p.delay(t); d != p.late || p.turn == 0 {
		_, turns := math.Modf(p.carrierHz * d)
		p.late, p.turn = d, cmplx.Rect(1, -2*math.Pi*turns)
	}
	return p.keyer.at(t-p.late) * p.gain * p.turn
}

// newLongPaths returns the ways of a signal, from a time on.
func newLongPaths(s Signal, c *Config, from float64, phase float64) []*longPath {
	total := 0.0
	for _, p := range s.Paths {
		total += power(p.LevelDB)
	}
	var all []*longPath
	for _, p := range s.Paths {
		a := math.Sqrt(power(p.LevelDB+s.LevelDB) / total)
		all = append(all, &longPath{Path: p, keyer: newKeyer(s, c, from-1), carrierHz: s.Station.Carriers[0].Hz, gain: cmplx.Rect(a, phase)})
	}
	return all
}

// loopAntenna is a tuned loop of quality Q, or nothing.
type loopAntenna struct{ bandwidthHz, detunedHz float64 }

func newLoopAntenna(l Loop, carrierHz float64) loopAntenna {
	if l.Q == 0 {
		return loopAntenna{}
	}
	if l.TunedHz == 0 {
		l.TunedHz = carrierHz
	}
	return loopAntenna{l.TunedHz / l.Q, l.TunedHz - carrierHz}
}

// groupDelay is that at the carrier, s.
func (l loopAntenna) groupDelay() float64 {
	if l.bandwidthHz == 0 {
		return 0
	}
	x := 2 * l.detunedHz / l.bandwidthHz
	return 1 / (math.Pi * l.bandwidthHz * (1 + x*x))
}

// longSignal is a keyed carrier on the receiver's grid.
type longSignal struct {
	paths    []*longPath
	offsetHz float64
	antenna  loopAntenna
	decay    complex128 // of the loop's pole, for a fine step
	state    complex128
	in       complex128
	fine     [2][]float64
	band     [2]*fir
	begin    float64
	next     int64 // UTC second
}

// The grid is reached from one so fine that what an edge holds beyond half its
// rate does not matter.
const (
	finer    = 4
	fineRate = finer * gridRate
	fineHalf = 48
)

func newLongSignal(s Signal, c *Config, mainHz float64, seed *seeder) *longSignal {
	hz := s.Station.Carriers[0].Hz
	lead := -float64(c.Receiver.lead() + 2)
	l := &longSignal{
		paths:    newLongPaths(s, c, lead, 2*math.Pi*seed.rng().Float64()),
		offsetHz: s.OffsetHz + hz - mainHz,
		antenna:  newLoopAntenna(c.Receiver.Loop, hz),
		begin:    float64(c.Start.Unix()) + float64(c.Start.Nanosecond())/1e9,
	}
	if b := l.antenna.bandwidthHz; b > 0 {
		l.decay = cmplx.Exp(complex(-math.Pi*b, 2*math.Pi*l.antenna.detunedHz) / fineRate)
	}
	taps := lowPassTaps(7000.0/fineRate, fineHalf)
	for i := range l.fine {
		l.fine[i], l.band[i] = make([]float64, fineRate), newFIR(taps)
	}
	return l
}

func (l *longSignal) start(sec int64) { l.next = sec }

// run adds the signal of the next UTC second to the carriers' sum.
func (l *longSignal) run(cRe, cIm, _, _ []float64) {
	for i := range l.fine[0] {
		// The filter is late by its half.
		t := float64(l.next) - l.begin + float64(i+fineHalf)/fineRate
		var z complex128
		for _, p := range l.paths {
			z += p.at(t)
		}
		if l.decay != 0 {
			// A pole's answer to what lies on straight lines between the points.
			last := l.in
			l.in = z
			l.state = l.decay*l.state + (1-l.decay)*(last+z)/2
			z = l.state
		}
		l.fine[0][i], l.fine[1][i] = real(z), imag(z)
	}
	l.band[0].thin(l.fine[0], finer)
	l.band[1].thin(l.fine[1], finer)
	at := float64(l.next%86400) * l.offsetHz
	for i := range cRe {
		z := complex(l.fine[0][i], l.fine[1][i])
		if l.offsetHz != 0 {
			_, turns := math.Modf(at + l.offsetHz*float64(i)/gridRate)
			z *= cmplx.Rect(1, 2*math.Pi*turns)
		}
		cRe[i] += real(z)
		cIm[i] += imag(z)
	}
	l.next++
}

// direct is the signal of an antenna as it is sampled.
type direct struct {
	signals   []directSignal
	lines     []directLine
	generator *keyedCarrier // nil: none
	loop      *section      // nil: the antenna is not tuned
	loopHz    float64
	sigma     float64 // standard deviation of a sample's noise
	lightning *lightning
	gain      float64
	rng       *rand.Rand
	scratch   []float64
}

type directSignal struct {
	paths []*longPath
	hz    float64
}

// directLine is an unmodulated carrier whose phase diffuses.
type directLine struct{ hz, amplitude, diffusion, phase float64 }

func newDirect(c *Config, seed *seeder) *direct {
	rate := float64(c.Rate)
	d := &direct{rng: seed.rng(), lightning: newLightning(c.Lightning, seed.rng(), rate)}
	mainHz := 60e3
	for i, s := range append([]Signal{{Station: c.Station, Programme: c.Programme, Paths: c.Paths}}, c.Others...) {
		if s.Station == nil {
			continue
		}
		hz := s.Station.Carriers[0].Hz
		if i == 0 {
			mainHz = hz
		}
		d.signals = append(d.signals, directSignal{newLongPaths(s, c, -1, 2*math.Pi*d.rng.Float64()), hz + s.OffsetHz})
	}
	for _, k := range c.Carriers {
		d.lines = append(d.lines, directLine{mainHz + k.OffsetHz, math.Sqrt(power(k.LevelDB)), math.Sqrt(2 * math.Pi * k.SpreadHz / rate), 2 * math.Pi * d.rng.Float64()})
	}
	l := c.Receiver.Loop
	if l.TunedHz == 0 {
		l.TunedHz = mainHz
	}
	d.generator = newKeyedCarrier(c.Generator, l, float64(c.Seed%360)*math.Pi/180)
	if l.Q > 0 {
		// A resonator of the loop's width (bilinear transform, its width kept).
		a := math.Tan(math.Pi * l.TunedHz / l.Q / rate)
		d.loop = &section{b0: a / (1 + a), b2: -a / (1 + a), a1: -2 * math.Cos(2*math.Pi*l.TunedHz/rate) / (1 + a), a2: (1 - a) / (1 + a)}
	}
	if !c.Noiseless {
		// A carrier of amplitude 1 has the power 1/2, and noise of variance σ² the
		// one-sided density 2σ² over the rate.
		d.sigma = math.Sqrt(rate / 4 / (3000 * power(c.SNRdB)))
	}
	d.gain = c.Receiver.Level
	if d.gain == 0 {
		loudest := 0.0 // of all that is not noise
		if d.generator != nil {
			loudest += d.generator.amplitude
		}
		for _, l := range d.lines {
			loudest += l.amplitude
		}
		d.gain = min(0.25, 0.12/max(d.sigma, loudest/4, 1e-9))
	}
	d.loopHz = mainHz
	return d
}

// delay is the antenna's group delay at the station's carrier, s.
func (d *direct) delay(rate float64) float64 {
	if d.loop == nil {
		return 0
	}
	group, _ := d.loop.delays(d.loopHz / rate)
	return group / rate
}

// receive fills x with what is sampled at times, the receiver's delay being after
// the antenna.
func (d *direct) receive(x, times []float64, after float64) {
	clear(x)
	for _, s := range d.signals {
		for i, t := range times {
			t -= after
			var z complex128
			for _, p := range s.paths {
				z += p.at(t)
			}
			_, turns := math.Modf(s.hz * t)
			sin, cos := math.Sincos(2 * math.Pi * turns)
			x[i] += real(z)*cos - imag(z)*sin
		}
	}
	for k := range d.lines {
		l := &d.lines[k]
		for i, t := range times {
			_, turns := math.Modf(l.hz * t)
			l.phase += l.diffusion * d.rng.NormFloat64()
			x[i] += l.amplitude * math.Cos(2*math.Pi*turns+l.phase)
		}
	}
	for i := range x {
		x[i] += d.sigma * d.rng.NormFloat64()
	}
	d.scratch = resize(d.scratch, len(x))
	d.lightning.run(x, d.scratch)
	if d.loop != nil {
		d.loop.run(x)
	}
	for i := range x {
		if d.generator != nil {
			x[i] += d.generator.at(times[i] - after)
		}
		x[i] *= d.gain
	}
}
