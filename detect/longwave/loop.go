package longwave

import (
	"math"
	"slices"

	"timeball/capture/station"
	"timeball/detect/rank"
)

// Loop is a tuned antenna as the noise that it lets through shows it.
type Loop struct {
	Q, QU           float64 // loaded quality, and its standard uncertainty
	TunedHz, TunedU float64
	// DelayU is the standard uncertainty of the delay at a carrier by which the loop was
	// found; 0: as quality and tuning make it.
	DelayU float64
}

// Delay is the loop's group delay at a frequency, s: that of a resonator (IEC
// 60050-103's logarithmic decrement gives the time constant Q/(π·f)), and less beside
// the resonance.
func (l Loop) Delay(hz float64) float64 {
	return l.pole(hz).delay()
}

// off is by how many half widths a frequency is above the resonance.
func (l Loop) off(hz float64) float64 { return l.Q * (hz/l.TunedHz - l.TunedHz/hz) }

// pole is what the loop makes of the base band about a carrier.
func (l Loop) pole(hz float64) pole {
	return pole{l.Q / (math.Pi * l.TunedHz), l.off(hz)}
}

const (
	loopSegment = 32768 // samples of a spectrum
	loopCell    = 12    // its bins that are taken together: their median leaves lines out
	loopLowHz   = 20e3  // where to look for the resonance: below are naval transmitters and hum
	// A resonance stands out of the floor by loopStands in power; its quality lies from
	// leastQ to mostQ (common practice).
	loopStands    = 2
	leastQ, mostQ = 3, 300
	// loopReach is how far from the resonance noise is looked at, bandwidths.
	loopReach = 1.5
)

// Noise is what an antenna's signal holds beside stations: its spectrum, and what is about
// the carriers of stations between their marks.
type Noise struct {
	rate     float64
	pending  []float32
	density  []float64 // summed over the segments
	step     float64   // Hz
	segments int

	position int64
	first    []float32 // some seconds, until they are searched for carriers
	carriers []Carrier
	near     []*Finder
}

// steady is the seconds of a sample clock whose error is known.
type steady float64 // frames a second

// Base is for Timebase.
func (s steady) Base(n int64) (frames float64, ok bool) { return float64(n) * float64(s), true }

// listen goes on with the stations.
func (n *Noise) listen(x []float32) {
	at := n.position
	n.position += int64(len(x))
	if n.near == nil {
		n.first = append(n.first, x...)
		if float64(len(n.first)) < SurveySeconds*n.rate {
			return
		}
		n.carriers = Survey(n.rate, n.first)
		n.near = []*Finder{}
		for _, c := range n.carriers {
			in := Tuned(n.rate, c.Hz)
			in.FindLoop = true
			builtin := station.Builtin()
			for i := range builtin {
				if slices.Contains(c.Stations, builtin[i].ID) {
					in.Stations = append(in.Stations, &builtin[i])
				}
			}
			f := NewFinder(steady(n.rate/(1+c.Off)), []*Input{in})
			f.Start(0)
			n.near = append(n.near, f)
		}
		x, at, n.first = n.first, 0, nil
	}
	for _, f := range n.near {
		f.inputs[0].Stream.Process(at, x)
		f.Advance(int64(float64(n.position)/n.rate) - 1)
	}
}

// told is by how many standard uncertainties a loop's delay must differ from none's: chance
// makes so much of an antenna that is not tuned once in some ten thousand (normal
// distribution).
const told = 4

// byStations is the loop that the noise about the carrier of a station in its band shows
// best.
func (n *Noise) byStations() (best Loop, ok bool) {
	least := 1.0 / told
	for _, f := range n.near {
		for _, t := range f.tracks {
			l, _ := t.Loop()
			if delay := l.Delay(t.input.CarrierHz); t.Station != nil && l.DelayU < least*delay {
				best, least, ok = l, l.DelayU/delay, true
			}
		}
	}
	return best, ok
}

// NewNoise returns a spectrum of a signal at a rate.
func NewNoise(rate float64) *Noise { return &Noise{rate: rate} }

// Process takes more of the signal.
func (n *Noise) Process(x []float32) {
	n.listen(x)
	n.pending = append(n.pending, x...)
	for ; len(n.pending) >= loopSegment; n.pending = n.pending[loopSegment:] {
		var density []float64
		density, n.step = densities(n.pending[:loopSegment], n.rate)
		if n.density == nil {
			n.density = make([]float64, len(density))
		}
		for i, d := range density {
			n.density[i] += d
		}
		n.segments++
	}
	n.pending = slices.Clone(n.pending)
}

// Loop finds a resonance in the noise; false when there is none, or less than some
// seconds of it.
func (n *Noise) Loop() (l Loop, ok bool) {
	sum, step, segments := n.density, n.step, n.segments
	if segments < 16 {
		return l, false
	}
	if l, ok := n.byStations(); ok {
		return l, true
	}
	var cells []loopPoint
	for i := int(loopLowHz / step); i+loopCell < len(sum)*96/100; i += loopCell {
		hz := (float64(i) + float64(loopCell-1)/2) * step
		if !n.keyed(hz) {
			cells = append(cells, loopPoint{hz, rank.Upper(slices.Clone(sum[i : i+loopCell]))})
		}
	}
	// A median of so many bins strays by √(π/2) of their mean's share, and neighbours
	// overlap by Hann's window, which costs half of them.
	relative := math.Sqrt(math.Pi / 2 / float64(loopCell*segments) * 2)
	l, ok = fitResonance(cells, relative)
	// A station in its band hides its top, and more of it than is left out when it is strong.
	inBand := func(c Carrier) bool { return math.Abs(c.Hz-l.TunedHz) < l.TunedHz/(2*l.Q) }
	return l, ok && told*l.QU < l.Q && !n.keyed(l.TunedHz) && !slices.ContainsFunc(n.carriers, inBand)
}

// keyed reports whether what lies at a frequency may be a station's keying, of one that is
// on the air or, until they are searched, of any: chips reach three chip rates from the
// carrier, edges of its level, one a second, some hundred hertz: of 60 dBHz they have the
// noise's density 200 Hz off.
func (n *Noise) keyed(hz float64) bool {
	return slices.ContainsFunc(station.Builtin(), func(s station.Station) bool {
		reach := 300.0
		if s.Phase.Kind == "dcf77" {
			reach = 3 / chipLength
		}
		of := func(c Carrier) bool { return c.Hz == s.Carriers[0].Hz }
		return s.LongWave() && math.Abs(hz-s.Carriers[0].Hz) < reach && (n.near == nil || slices.ContainsFunc(n.carriers, of))
	})
}

// loopPoint is a density of noise.
type loopPoint struct{ hz, density float64 }

// noiseTilt is by what power of the frequency the noise of the world changes, standard
// deviation: the man-made falls with 2.8 (Rec. ITU-R P.372, 27.7 dB a decade), and lightning's
// not more. Without it, and with floors below nothing, the flank of a resonance that a
// station hides is taken for a narrow one.
const noiseTilt = 2.8

// misfit is half the sum of squares, in units of what a density strays by, that the best
// noise through a resonator leaves, with a tilt of its own and a floor; share is the
// resonator's at the top.
func (l Loop) misfit(cells []loopPoint, relative float64) (half, share float64) {
	var n normal
	total, top := 0.0, 0.0
	for _, c := range cells {
		x := l.off(c.hz)
		h := 1 / (1 + x*x)
		w := 1 / c.density
		n.add([3]float64{w * h, w * h * x, w}, 1)
		total++
		top = max(top, c.density)
	}
	// Of a quality of Q, x changes by 2·Q where the logarithm of the frequency does by one.
	n.add([3]float64{0, relative * 2 * l.Q / (noiseTilt * top), 0}, 0)
	p, _, ok := n.solve(3)
	if ok && p[2] < 0 {
		p, _, ok = n.solve(2)
		p[2] = 0
	}
	if !ok {
		return math.Inf(1), 0
	}
	left := total
	for i := range p {
		left -= p[i] * n[i][3]
	}
	return left / (2 * relative * relative), p[0] / (p[0] + p[2])
}

// fitResonance finds the likeliest resonator by a grid that closes in, near the top.
func fitResonance(cells []loopPoint, relative float64) (l Loop, ok bool) {
	if len(cells) < 16 {
		return l, false
	}
	density := make([]float64, len(cells))
	for i, c := range cells {
		density[i] = c.density
	}
	top := cells[slices.Index(density, slices.Max(density))]
	if top.density < loopStands*rank.Upper(density) {
		return l, false
	}
	// To where the noise falls to half is half a bandwidth.
	half := 0.0
	for _, c := range cells {
		if c.density > top.density/2 {
			half = max(half, math.Abs(c.hz-top.hz))
		}
	}
	l = Loop{Q: max(leastQ, min(mostQ, top.hz/(2*half+1))), TunedHz: top.hz}
	var near []loopPoint
	for range 4 {
		near = near[:0]
		for _, c := range cells {
			if math.Abs(c.hz-l.TunedHz) < loopReach*l.TunedHz/l.Q {
				near = append(near, c)
			}
		}
		if len(near) < 8 {
			return l, false
		}
		for width := 0.5; width > 1e-4; width *= 0.7 {
			const side = 4
			best, at := math.Inf(1), l
			for i := -side; i <= side; i++ {
				for j := -side; j <= side; j++ {
					// A step of the tuning is one of half the bandwidth.
					p := Loop{Q: l.Q * math.Exp(width*float64(j)/side), TunedHz: l.TunedHz * (1 + width*float64(i)/side/(2*l.Q))}
					if m, _ := p.misfit(near, relative); m < best {
						best, at = m, p
					}
				}
			}
			l = at
		}
	}
	at, share := l.misfit(near, relative)
	if share < 1-1.0/loopStands || l.Q > mostQ || l.Q < leastQ {
		return l, false
	}
	// From the curvature, widened where the noise is not as a resonator leaves it.
	scatter := math.Sqrt(max(1, 2*at/float64(len(near)-5)))
	u := func(of func(d float64) Loop) float64 {
		const d = 0.01
		up, _ := of(d).misfit(near, relative)
		down, _ := of(-d).misfit(near, relative)
		return scatter * d / math.Sqrt(max(1e-12, up+down-2*at))
	}
	l.QU = l.Q * u(func(d float64) Loop { return Loop{Q: l.Q * (1 + d), TunedHz: l.TunedHz} })
	l.TunedU = l.TunedHz / l.Q * u(func(d float64) Loop { return Loop{Q: l.Q, TunedHz: l.TunedHz * (1 + d/l.Q)} })
	return l, true
}
