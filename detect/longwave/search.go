package longwave

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"github.com/mjibson/go-dsp/fft"

	"timeball/capture/station"
	"timeball/detect/rank"
)

// A carrier stands out of what is beside it by carrierRatio in power, in a spectrum
// of some seconds; mostCarriers are looked into.
const (
	carrierRatio = 30
	mostCarriers = 4
	besideHz     = 80
	keyingHz     = 700 // to either side of a carrier reach the lines of its keying, by DCF77's chips
)

// Line is a narrow line of a spectrum.
type Line struct {
	Hz      float64
	Power   float64 // mean square of the tone
	Density float64 // of the noise beside it, a hertz
}

// Lines finds the narrow lines between two frequencies in samples at a rate, the
// strongest first.
func Lines(x []float32, rate, lowHz, highHz float64) []Line {
	if len(x) == 0 {
		return nil
	}
	density, resolution := densities(x, rate)
	return standing(density, resolution, lowHz, highHz)
}

// densities are the one-sided powers of x a hertz, at steps of the resolution.
func densities(x []float32, rate float64) (density []float64, resolution float64) {
	n := len(x)
	windowed := make([]float64, n)
	for i, v := range x {
		windowed[i] = float64(v) * hann(i, n)
	}
	spectrum := fft.FFTReal(windowed)[:n/2+1]
	density = make([]float64, len(spectrum))
	for i, c := range spectrum {
		density[i] = 2 * (real(c)*real(c) + imag(c)*imag(c)) / hannPower / float64(n) / rate
	}
	return density, rate / float64(n)
}

// hann is Hann's window, and hannPower its mean square.
func hann(i, n int) float64 { return 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)) }

const hannPower = 3.0 / 8

// suppressed is Lines for carriers whose phase turns over, so that none stands: by the
// square of the tone, in which that does not show.
func suppressed(x []float32, rate, lowHz, highHz float64) []Line {
	n := len(x)
	z := make([]complex128, n)
	for i, v := range x {
		z[i] = complex(float64(v), 0)
	}
	z = fft.FFT(z)
	resolution := rate / float64(n)
	for i := range z {
		if hz := float64(i) * resolution; hz < lowHz || hz > highHz {
			z[i] = 0
		}
	}
	z = fft.IFFT(z)
	for i, v := range z {
		z[i] = v * v * complex(hann(i, n), 0)
	}
	z = fft.FFT(z)
	// At twice the tone's frequency, once round at the rate.
	density := make([]float64, n)
	for i := range density {
		c := z[i%n]
		density[i] = real(c)*real(c) + imag(c)*imag(c)
	}
	density = append(density, density...)
	lines := standing(density, resolution, 2*lowHz, 2*highHz)
	for i := range lines {
		lines[i].Hz /= 2
	}
	return lines
}

// standing finds the lines of a spectrum.
func standing(density []float64, resolution, lowHz, highHz float64) []Line {
	lo, hi := max(3, int(lowHz/resolution)), min(len(density)-4, int(highHz/resolution))
	reach := int(besideHz / resolution)
	floors := make([]float64, len(density)/reach+1) // of noise, by stretches of the spectrum
	for i := range floors {
		beside := slices.Clone(density[min(len(density), i*reach):min(len(density), (i+1)*reach)])
		if len(beside) > 0 {
			floors[i] = rank.Upper(beside) / math.Ln2 // its power is exponentially distributed
		}
	}
	var lines []Line
	for i := lo; i <= hi; i++ {
		if density[i] < density[i-1] || density[i] <= density[i+1] || density[i] < density[i-2] || density[i] < density[i+2] {
			continue
		}
		floor := floors[i/reach]
		if density[i] < carrierRatio*floor || floor == 0 {
			continue
		}
		// Hann's window: the ratio of two neighbours tells the place between them.
		l, m, r := math.Sqrt(density[i-1]), math.Sqrt(density[i]), math.Sqrt(density[i+1])
		shift := (2*r - m) / (r + m)
		if l > r {
			shift = -(2*l - m) / (l + m)
		}
		// Its width is one and a half bins.
		lines = append(lines, Line{(float64(i) + shift) * resolution, (l*l + m*m + r*r) * resolution, floor})
	}
	slices.SortFunc(lines, func(a, b Line) int {
		if a.Power > b.Power {
			return -1
		}
		return 1
	})
	return lines
}

// acquire looks for new carriers with marks in an input.
func (f *Finder) acquire(in *Input) {
	rate := in.Stream.Rate()
	from := max(f.first+2, f.next-searchWithin)
	const length = 1 << 16 // 8 s
	begin, _, ok1 := f.second(in, from)
	end, _, ok2 := f.second(in, f.next)
	x := make([]float32, length)
	if !ok1 || !ok2 || end-begin < length || !in.Stream.Copy(x, int64(end)-length) {
		return
	}
	lines := Lines(x, rate, in.LowHz, in.HighHz)
	f.tone = 0
	if in.CarrierHz == 0 && len(lines) > 0 && 10*math.Log10(lines[0].Power/lines[0].Density) > leastCN0 {
		f.tone = lines[0].Hz
	}
	if in.CarrierHz == 0 && !f.recognised() {
		f.stray(in, x, rate, from, lines)
	}
	lines = lines[:min(mostCarriers, len(lines))]
	turns := func(s *station.Station) bool { return s.Phase.Kind == "wwvb" }
	if slices.ContainsFunc(in.Stations, turns) || !f.recognised() && slices.ContainsFunc(in.sharing(station.CarrierReduced), turns) {
		more := suppressed(x, rate, in.LowHz, in.HighHz)
		lines = append(lines, more[:min(mostCarriers, len(more))]...)
	}
	for _, l := range lines {
		// The lines beside a carrier are its own keying.
		if slices.ContainsFunc(f.tracks, func(t *Track) bool { return t.input == in && math.Abs(t.hz-l.Hz) < besideHz }) ||
			f.astray > 0 && math.Abs(l.Hz-f.astray) < keyingHz {
			continue
		}
		if t := f.consider(in, l.Hz, from); t != nil {
			f.tracks = append(f.tracks, t)
		}
	}
}

// The sound of a receiver goes from lowestSound to highestSound, Hz, beyond the pitches
// that a beat note may have (common practice).
const lowestSound, highestSound = 100, 3600

// stray looks for a keyed carrier beyond the pitches that a beat note may have, in sound
// at a rate, from second from on: the strongest line there, if it is stronger than those
// within, the strongest first.
func (f *Finder) stray(in *Input, x []float32, rate float64, from int64, within []Line) {
	f.astray = 0
	lines := append(Lines(x, rate, lowestSound, in.LowHz), Lines(x, rate, in.HighHz, highestSound)...)
	if len(lines) == 0 {
		return
	}
	l := slices.MaxFunc(lines, func(a, b Line) int { return cmp.Compare(a.Power, b.Power) })
	if len(within) > 0 && within[0].Power > l.Power {
		return
	}
	if t := f.consider(in, l.Hz, from); t != nil && t.evidence() > leastOdds {
		f.astray = l.Hz
	}
}

// foldRate is that of the profile in which edges are first looked for, Hz.
const foldRate = 500

// consider starts a track on a carrier if its level is keyed once a second.
func (f *Finder) consider(in *Input, hz float64, from int64) *Track {
	b := f.band(in, hz)
	c := &cutter{band: b}
	var levels [][]float64
	var carriers [][]complex128
	const per = baseRate / foldRate
	for n := from; n < f.next; n++ {
		start, period, ok := f.second(in, n)
		if !ok || !c.cut(in.Stream, start, period, hz) {
			continue
		}
		level, carrier := make([]float64, foldRate), make([]complex128, foldRate*12/10)
		for i := range carrier {
			at := index(-1) + i*per
			for _, z := range c.z[at : at+per] {
				carrier[i] += z / per
			}
			if i < foldRate {
				level[i] = cmplx.Abs(carrier[i])
			}
		}
		levels, carriers = append(levels, level), append(carriers, carrier)
	}
	if len(levels) < leastSearch-4 {
		return nil
	}
	// A change back may come as often as the one on the second: the lengths of the
	// marks tell.
	var best *Track
	for _, keying := range []station.Keying{station.CarrierReduced, station.CarrierRaised, station.PhaseRamps} {
		stations := in.sharing(keying)
		if len(stations) == 0 {
			continue
		}
		raised := keying == station.CarrierRaised
		var at float64
		if keying == station.PhaseRamps {
			var score, share float64
			if at, score, share = foldRamps(carriers, elementOf(stations[0])); score < leastFold || share < leastRamp {
				continue
			}
		} else {
			var score, depth float64
			if at, score, depth = fold(levels, raised); score < leastFold || depth < leastDepth {
				continue
			}
			at = f.refine(in, c, hz, at, raised, from)
		}
		t := f.newTrack(in, b, hz, keying, math.Remainder(at, 1)*in.Stream.Rate(), from)
		if t == nil {
			continue
		}
		for n := from; n < f.next; n++ {
			t.take(n)
		}
		if best == nil || t.evidence() > best.evidence() {
			best = t
		}
	}
	return best
}

// refine places the change of level that is about at, s, to a millisecond.
func (f *Finder) refine(in *Input, c *cutter, hz, at float64, raised bool, from int64) float64 {
	const reach, wing = 0.02, 0.008
	lo, hi := index(-reach-wing), index(reach+wing)
	sum := make([]float64, hi-lo+1) // running
	for n := from; n < f.next; n++ {
		start, period, ok := f.second(in, n)
		if !ok || !c.cut(in.Stream, start+at*in.Stream.Rate(), period, hz) {
			continue
		}
		total := 0.0
		for i, z := range c.z[lo:hi] {
			total += cmplx.Abs(z)
			sum[i+1] += total
		}
	}
	w := int(wing * baseRate)
	best, top := 0, math.Inf(-1)
	for i := w; i+w < len(sum); i++ {
		d := 2*sum[i] - sum[i-w] - sum[i+w]
		if raised {
			d = -d
		}
		if d > top {
			best, top = i, d
		}
	}
	return at + float64(best)/baseRate - reach - wing
}

const (
	leastFold  = 7    // standard deviations by which the change at the second must stand out
	leastDepth = 0.15 // and its share of the level,
	leastRamp  = 0.5  // or how much of an element there must be
)

// fold finds where in the second the level changes most, one way, in all seconds.
func fold(profiles [][]float64, raised bool) (at, score, depth float64) {
	const reach, guard = foldRate * 9 / 100, foldRate / 100
	n := float64(len(profiles))
	change := func(p []float64, i int) float64 {
		d := 0.0
		for k := guard; k < reach; k++ {
			d += p[(i+foldRate-k)%foldRate] - p[(i+k)%foldRate]
		}
		if raised {
			d = -d
		}
		return d / (reach - guard)
	}
	full := 0.0
	for i := range foldRate {
		level := 0.0
		for _, p := range profiles {
			level += p[i] / n
		}
		full = max(full, level)
	}
	for i := range foldRate {
		var sum, square float64
		for _, p := range profiles {
			d := change(p, i)
			sum += d
			square += d * d
		}
		mean := sum / n
		if mean <= 0 {
			continue
		}
		// One second in a minute may have no mark.
		sigma := math.Sqrt(max(square/n-mean*mean, 1e-4*mean*mean) / n)
		if mean/full > depth {
			at, score, depth = float64(i)/foldRate, mean/sigma, mean/full
		}
	}
	return at, score, depth
}

// second is where second n begins in an input's stream and how long it lasts, samples;
// false when that has been forgotten.
func (f *Finder) second(in *Input, n int64) (start, period float64, ok bool) {
	from, ok1 := f.tb.Base(n)
	to, ok2 := f.tb.Base(n + 1)
	factor := float64(in.Stream.Factor())
	return from / factor, (to - from) / factor, ok1 && ok2
}

// sharing lists the stations of a keying that may be heard, those asked for first: others
// on their carriers, or on any when the carrier is not known. One that sends the same as one
// that was asked for cannot be told from it.
func (in *Input) sharing(keying station.Keying) (all []*station.Station) {
	for _, s := range slices.Concat(in.Stations, in.Table) {
		asked := slices.Contains(in.Stations, s)
		if s.Keying != keying || s.Code.Kind == "" || slices.Contains(all, s) ||
			!asked && in.CarrierHz > 0 && s.Carriers[0].Hz != in.CarrierHz ||
			!asked && slices.ContainsFunc(all, func(o *station.Station) bool { return o.Code.Kind == s.Code.Kind }) {
			continue
		}
		all = append(all, s)
	}
	return all
}
