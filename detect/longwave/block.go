package longwave

import (
	"math"
)

// block is the sum of some tens of seconds, along the lag that the track then had.
type block struct {
	first, last int64 // seconds
	axis        line  // the track's lag
	count       int
	level       float64   // of the full carrier, summed over its seconds
	edge        []float64 // in phase, about the second's start
	edgeAcross  []float64 // the other component, likewise
	edgeWeight  float64
	code        []float64 // of the phase code: chips turned to bits 0, in quadrature, or turns upwards, in phase
	codeAcross  []float64
	codeWeight  float64
	// carrier is the mean of Track.later over its seconds, all of one run; of none where
	// run is 0.
	carrier float64
	run     int
	began   float64 // Track.later at its first second
	place   place   // of the usual mark, when the next block was begun; of no variance before
}

// middle is that of its seconds.
func (b *block) middle() float64 { return float64(b.first+b.last) / 2 }

// over is a sum over its weight.
func over(sum []float64, weight float64) []float64 {
	mean := make([]float64, len(sum))
	for i, v := range sum {
		mean[i] = v / weight
	}
	return mean
}

// line is a lag that grows, samples of the stream: at second n it is lag + rate·(n − ref).
type line struct{ lag, rate, ref float64 }

func (l line) at(n float64) float64 { return l.lag + l.rate*(n-l.ref) }

// place is a lag after a block's axis, s, as some of its samples have it.
type place struct {
	lag, variance float64
	misfit        float64 // half the weighted sum of squared residuals
	level, height float64 // before a step, and of the step or of chips, over the carrier's full level
}

// sums for a least-squares fit of a constant, a step and its shift.
type normal [3][4]float64

func (n *normal) add(row [3]float64, y float64) {
	for i := range row {
		for j := range row {
			n[i][j] += row[i] * row[j]
		}
		n[i][3] += row[i] * y
	}
}

// solve returns the solution and the variance factor of the last unknown.
func (n normal) solve(size int) (x [3]float64, variance float64, ok bool) {
	a := n
	for i := range size {
		if !(a[i][i] > 1e-300) {
			return x, 0, false
		}
		for k := i + 1; k < size; k++ {
			f := a[k][i] / a[i][i]
			for j := i; j < size; j++ {
				a[k][j] -= f * a[i][j]
			}
			a[k][3] -= f * a[i][3]
		}
	}
	variance = 1 / a[size-1][size-1]
	for i := size - 1; i >= 0; i-- {
		x[i] = a[i][3]
		for j := i + 1; j < size; j++ {
			x[i] -= a[i][j] * x[j]
		}
		x[i] /= a[i][i]
	}
	return x, variance, true
}

// shape is what a mark makes of the carrier: an edge, or an element.
type shape interface {
	// at is the value at a time after the mark's start, and its slope by time.
	at(t float64) (value, slope float64)
}

// fitEdge finds the place of the edge from lag on: level + height·edge(t − lag).
// first is the sample of the base band that samples[0] is; unit is the variance of a
// sample, white noise with the band's density.
func fitEdge(e shape, samples []float64, first int, unit, lag float64) (p place, ok bool) {
	for range 8 {
		var n normal
		height := 0.0
		for pass := range 2 {
			n = normal{}
			for i, y := range samples {
				v, s := e.at(float64(i+first)/baseRate - lag)
				n.add([3]float64{1, v, -height * s}, y)
			}
			if pass == 0 {
				x, _, solved := n.solve(2)
				if !solved {
					return p, false
				}
				height = x[1]
			}
		}
		x, variance, solved := n.solve(3)
		if !solved {
			return p, false
		}
		step := max(-2e-3, min(2e-3, x[2]))
		lag += step
		p = place{lag: lag, variance: variance * unit, level: x[0], height: height}
		p.misfit = residual(e, samples, first, lag) / (2 * unit)
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	return p, true
}

// residual is the sum of squares that the best level and height leave.
func residual(e shape, samples []float64, first int, lag float64) float64 {
	var n normal
	square := 0.0
	for i, y := range samples {
		v, _ := e.at(float64(i+first)/baseRate - lag)
		n.add([3]float64{1, v, 0}, y)
		square += y * y
	}
	x, _, ok := n.solve(2)
	if !ok {
		return square
	}
	return square - x[0]*n[0][3] - x[1]*n[1][3]
}

// fitCode is fitEdge for the phase code.
func fitCode(e *edge, samples []float64, first int, unit, lag float64) (p place, ok bool) {
	code, slope := make([]float64, len(samples)), make([]float64, len(samples))
	for range 8 {
		e.chips(code, slope, first, lag)
		var yc, cc, ys, cs, ss, yy float64
		for i, y := range samples {
			yc += y * code[i]
			cc += code[i] * code[i]
			ys += y * slope[i]
			cs += code[i] * slope[i]
			ss += slope[i] * slope[i]
			yy += y * y
		}
		if cc == 0 || yc <= 0 {
			return p, false
		}
		a := yc / cc
		// y ≈ a·code − a·δ·slope
		det := ss - cs*cs/cc
		step := -(ys - a*cs) / (a * det)
		step = max(-0.3e-3, min(0.3e-3, step))
		lag += step
		p = place{lag: lag, variance: unit / (a * a * det), misfit: (yy - yc*yc/cc) / (2 * unit), height: a}
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	return p, true
}

// shift is by how much a second way of the signal turns a mark across the carrier's
// phase, s. Of a way later by D, as a share s of the sum of all, complex, a mark e(t)
// becomes e − s·D·e′ to first order: later by D·Re s, and −D·Im s times its slope across.
type shift struct{ late, variance float64 }

// edgeAcross fits the shift of an edge at p by the component across. What the phase is
// off at the edge, by what the frequency is, turns the edge itself into it.
func edgeAcross(e shape, p place, across []float64, first int, unit float64) shift {
	var n normal
	for i, y := range across {
		t := float64(i+first)/baseRate - p.lag
		v, slope := e.at(t)
		level := p.level + p.height*v
		n.add([3]float64{level, t * level, -p.height * slope}, y)
	}
	return n.shift(unit)
}

// codeAcross is edgeAcross for the chips of a phase code, whose own component across is
// the carrier's level, and steady.
func codeAcross(e *edge, p place, across []float64, first int, unit float64) shift {
	code, slope := make([]float64, len(across)), make([]float64, len(across))
	e.chips(code, slope, first, p.lag)
	var n normal
	for i, y := range across {
		n.add([3]float64{1, code[i], p.height * slope[i]}, y)
	}
	return n.shift(unit)
}

func (n normal) shift(unit float64) shift {
	x, variance, ok := n.solve(3)
	if !ok {
		return shift{}
	}
	return shift{x[2], variance * unit}
}

// and joins two shifts of one arrival; one without a variance is none.
func (s shift) and(o shift) shift {
	switch {
	case o.variance == 0:
		return s
	case s.variance == 0:
		return o
	}
	w1, w2 := 1/s.variance, 1/o.variance
	return shift{(w1*s.late + w2*o.late) / (w1 + w2), 1 / (w1 + w2)}
}
