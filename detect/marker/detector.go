package marker

import (
	"fmt"
	"math"
	"slices"

	"timeball/capture/lanes"
)

// Edge names an edge of the pulse by the way the voltage goes.
type Edge int

const (
	Auto    Edge = iota // the leading edge, whichever way it goes
	Rising              // the voltage rises at the on-time edge
	Falling             // the voltage falls at the on-time edge
)

func (e Edge) String() string {
	switch e {
	case Rising:
		return "rising"
	case Falling:
		return "falling"
	}
	return "auto"
}

// Config tells a Detector what to look for.
type Config struct {
	Rate float64 // nominal sampling rate, Hz
	// Edge is the on-time edge. With Auto it is the leading edge of the pulse,
	// found from the data; a pulse near half a second wide has none, and the
	// Detector then asks (Assessment.Ambiguous) and delivers no pulse.
	Edge Edge
}

// Pulse is one timed marker pulse.
type Pulse struct {
	Position    float64 // of the on-time edge on the sample clock, frames
	SigmaFrames float64 // standard deviation from this pulse's own noise, frames
	// ReferenceSigmaFrames is the standard uncertainty of where the on-time edge
	// lies within the pulse's shape, frames: the same error for every pulse.
	ReferenceSigmaFrames float64
	Rising               bool    // direction of the on-time edge
	Amplitude            float64 // height of the edge, full scale 1
	Noise                float64 // rms departure from the average pulse around the edge, full scale 1
	Match                float64 // likeness to the average pulse, 0 to 1
	WidthSeconds         float64 // from the on-time edge to the opposite one; 0 when that does not show
}

const (
	blockFrames = 64   // frames in a block of the scan; its largest lagged difference is compared with the floor
	lagSeconds  = 1e-4 // lag of the scan's difference: an edge of this rise shows in full, hum hardly
	holdSeconds = 3e-4 // the scan looks no further for an edge's ringing
	floorBlocks = 8    // one block in so many goes into the running median of block maxima
	firstTops   = 9    // block maxima from whose median the running one starts: an edge falls into one or two of them
	floorGain   = 0.05 // relative step of that median
	aboveFloor  = 2.2  // of the running median: 5.6 sigma of the difference in white noise
	abovePeak   = 0.2  // of the strongest recent edge, before the marker is known
	aboveLevel  = 0.35 // of the marker's own edge, once it is known
	peakSeconds = 3    // in which the memory of the strongest edge falls to 1/e
	leastStep   = 6e-5 // two steps of a 16-bit converter
	lostSeconds = 10   // without a pulse, after which a changed one is looked for
	minMatch    = 0.5  // likeness below which an edge is not a pulse of ours
)

// Detector finds marker pulses in one channel. It holds back pulses until it
// has seen five, regular to 200 ppm, from which it learns their shape; then it
// releases them and delivers each later one within 25 ms. When the marker has
// not been seen for ten seconds it is learned again, should it have changed.
// Results depend on the samples only, not on how they are split into calls.
type Detector struct {
	config Config
	lag    int
	hold   int
	widest int // largest scale that may be learned

	buf     []float32 // samples of the current run
	base    int64     // position of buf[0]
	next    int       // start in buf of the next block to scan
	resume  int64     // no edge is looked for before this position
	started bool

	blocks int       // scanned
	tops   []float64 // the first block maxima, ascending
	floor  float64   // running median of block maxima
	peak   float64   // strongest recent edge

	learner
	known  *template
	sum    template // of pulses since known was made
	level  float64  // size of the marker's edge in the scan
	rising bool     // direction of the on-time edge
	lead   bool     // direction of the edge that the scan reports for a pulse
	width  float64  // seconds, 0 when unknown
	period float64  // frames, as learned
	tally  tally
}

// NewDetector returns a Detector; it panics when the rate is not positive.
func NewDetector(c Config) *Detector {
	if !(c.Rate > 0) {
		panic(fmt.Sprintf("marker: rate %v Hz", c.Rate))
	}
	d := &Detector{config: c, tops: make([]float64, 0, firstTops)}
	d.lag = max(2, int(math.Round(lagSeconds*c.Rate)))
	d.hold = max(8, int(math.Round(holdSeconds*c.Rate)))
	d.widest = max(1, int(c.Rate/3000)) // an edge of a millisecond
	return d
}

// Process takes samples, full scale 1, whose first has the given position, and
// returns the pulses that they complete, in order. A position other than the
// end of the previous samples means that frames were lost.
func (d *Detector) Process(position int64, samples []float32) []Pulse {
	var out []Pulse
	if d.started && position != d.base+int64(len(d.buf)) {
		out = d.Flush()
	}
	if !d.started {
		d.started = true
		d.buf, d.base, d.next = d.buf[:0], position, 0
	}
	d.buf = append(d.buf, samples...)
	ahead := d.spanAfter() + d.hold + d.lag + d.slowest()
	for d.next+blockFrames+ahead <= len(d.buf) {
		out = d.block(out, d.next+blockFrames)
	}
	if keep := d.next - d.spanBefore() - d.lag; keep > 1<<15 {
		n := copy(d.buf, d.buf[keep:])
		d.buf = d.buf[:n]
		d.base += int64(keep)
		d.next -= keep
	}
	return out
}

// Flush ends the current run of samples and returns the pulses still held in
// it. Processing may go on with samples of any position.
func (d *Detector) Flush() []Pulse {
	var out []Pulse
	for d.next+d.lag < len(d.buf) {
		out = d.block(out, min(d.next+blockFrames, len(d.buf)-d.lag))
	}
	d.started = false
	if d.searching(d.base + int64(len(d.buf))) {
		out = append(out, d.learn()...)
	}
	return out
}

// slowest is the rise of the slowest edge that is looked for, frames.
func (d *Detector) slowest() int { return 4 * d.widest }

// spanBefore and spanAfter are the frames of an edge's snippet on either side:
// enough for the widest template and a guess that is off.
func (d *Detector) spanBefore() int {
	return (before+halfTaps+4)*d.widest + 2*(d.lag+8)
}

func (d *Detector) spanAfter() int {
	return (after+halfTaps+4)*d.widest + 2*(d.lag+8)
}

// block scans buf[next:end] and appends the pulses it completes to out.
func (d *Detector) block(out []Pulse, end int) []Pulse {
	from := d.next
	d.next = end
	a, b := d.buf[from:end], d.buf[from+d.lag:end+d.lag]
	top := float64(lanes.Farthest(a, b))
	d.blocks++
	if d.blocks%floorBlocks == 1 {
		d.learnFloor(top)
	}
	d.peak *= 1 - float64(end-from)/(peakSeconds*d.config.Rate)
	threshold := d.threshold()
	if top > threshold {
		for i := max(from, int(d.resume-d.base)); i < end; i++ {
			if math.Abs(float64(d.buf[i+d.lag]-d.buf[i])) > threshold {
				for _, e := range d.edges(i) {
					out = d.take(out, e)
				}
				i = int(d.resume-d.base) - 1
			}
		}
	}
	if d.searching(d.base+int64(end)) && d.due(d.base+int64(end)) {
		out = append(out, d.learn()...)
	}
	return out
}

// learnFloor moves the running median of block maxima towards top. It begins with
// that of the first few, since an edge may come in the very first block.
func (d *Detector) learnFloor(top float64) {
	switch {
	case len(d.tops) < cap(d.tops):
		d.tops = append(d.tops, top)
		slices.Sort(d.tops)
		d.floor = d.tops[(len(d.tops)-1)/2]
	case top > d.floor:
		d.floor *= 1 + floorGain
	default:
		d.floor *= 1 - floorGain
	}
	d.floor = max(d.floor, leastStep/2)
}

func (d *Detector) threshold() float64 {
	least := max(aboveFloor*d.floor, leastStep)
	if !d.searching(d.base + int64(d.next)) {
		return max(least, aboveLevel*d.level)
	}
	return max(least, abovePeak*d.peak)
}

// edge is a place where the signal changes fast, as the scan sees it.
type edge struct {
	position float64 // frames, to about a sample
	rising   bool
	level    float64   // size of the lagged difference
	snippet  []float32 // samples around it; nil when they were not kept
	start    int64     // position of snippet[0]
}

// edges examines the place where the scan's threshold was first exceeded and
// returns the edge there, and the opposite one when it follows within the hold
// but far enough to be told apart.
func (d *Detector) edges(i int) []edge {
	last := len(d.buf) - d.lag
	end := min(i+d.hold+d.lag, last)
	diff := func(j int) float64 { return float64(d.buf[j+d.lag] - d.buf[j]) }
	top := 0.0
	for j := i; j < end; j++ {
		top = max(top, math.Abs(diff(j)))
	}
	d.peak = max(d.peak, top)
	var found []edge
	for j := i; j < end && len(found) < 2; j++ {
		if math.Abs(diff(j)) < top/2 {
			continue
		}
		// A slow edge may go on beyond the hold.
		first, rising := j, diff(j) > 0
		level := 0.0
		for limit := min(end+d.slowest(), last); j < limit && math.Abs(diff(j)) >= top/2 && (diff(j) > 0) == rising; j++ {
			level = max(level, math.Abs(diff(j)))
		}
		e := edge{
			position: float64(d.base) + float64(first+j-1+d.lag)/2,
			rising:   rising,
			level:    level,
		}
		if len(found) == 0 || e.rising != found[0].rising && e.position-found[0].position >= before {
			found = append(found, e)
		}
		end = max(end, j)
		j-- // the loop's own step
	}
	d.resume = d.base + int64(max(end, i+1))
	return found
}

// take handles one edge: it is timed if it looks like the marker's, else
// remembered while the marker is looked for.
func (d *Detector) take(out []Pulse, e edge) []Pulse {
	at := int(math.Round(e.position)) - int(d.base)
	if t := d.known; t != nil && e.rising == d.lead {
		spare := d.lag + 8
		lo, hi := at-before*t.scale-t.reach()-spare, at+after*t.scale+t.reach()+spare
		if lo < 0 || hi > len(d.buf) {
			return out
		}
		x := d.buf[lo:hi]
		f := t.find(x, e.position-float64(d.base)-float64(lo), float64(d.lag+3))
		if f.match >= d.leastMatch() && f.amplitude > 0.3 && f.amplitude < 3 {
			p := d.pulse(f, d.base+int64(lo))
			d.refine(x, f)
			// A slow edge exceeds the threshold for longer than the hold.
			d.resume = max(d.resume, int64(p.Position)+int64(after*t.scale))
			return append(out, p)
		}
	}
	if !d.searching(d.base + int64(at)) {
		return out
	}
	d.remember(e)
	return out
}

// leastMatch is the likeness to the template from which a pulse is the
// marker's: a good deal less than usual, for a pulse may come with a crackle,
// but not as little as another shape has.
func (d *Detector) leastMatch() float64 {
	return max(minMatch, 1-max(0.1, 4*(1-median(d.tally.match))))
}

// searching tells whether the marker is unknown, or known but not seen for so
// long that it may have changed.
func (d *Detector) searching(position int64) bool {
	return d.known == nil || float64(position)-d.tally.last() > lostSeconds*d.config.Rate
}
