package align

import (
	"math"

	"timeball/detect/marker"
	"timeball/detect/mixture"
	"timeball/detect/tick/timing"
)

// rateScales are the standard deviations of the local clock's rate that are
// thought possible, with their probabilities: from a standard to a pendulum that is
// not yet regulated (from memory). Most clocks worth measuring run so close to rate
// that minutes of ticks cannot tell it, and then a fitted rate would only add noise.
var rateScales = []struct{ sigma, probability float64 }{
	{3e-10, 0.3}, {1e-8, 0.3}, {3e-7, 0.25}, {1e-5, 0.12}, {1e-4, 0.03},
}

// line is an offset that changes at a rate: x at a reference, y a second.
type line struct {
	x, y        float64
	vx, vy, cov float64
	probability float64
	dof         float64
}

// extrapolate returns the mixture of the value dt seconds after the reference,
// and that of the rate, when the rate is weighed against what clocks do.
func extrapolate(lines []line, dt float64) (value, rate mixture.Mixture) {
	for _, l := range lines {
		var parts, rates mixture.Mixture
		var logs []float64
		top := math.Inf(-1)
		for _, s := range rateScales {
			v := s.sigma*s.sigma + l.vy
			logs = append(logs, math.Log(s.probability)-0.5*math.Log(v)-l.y*l.y/(2*v))
			top = max(top, logs[len(logs)-1])
			// Condition the line on a rate near zero: Kalman update with y = 0 ± σ.
			g := l.vy / v
			y := l.y * (1 - g)
			vy := l.vy * (1 - g)
			x := l.x - l.cov/v*l.y
			vx := l.vx - l.cov*l.cov/v
			cov := l.cov * (1 - g)
			parts = append(parts, mixture.Component{Mean: x + y*dt, U: math.Sqrt(max(0, vx+2*dt*cov+dt*dt*vy)), DoF: l.dof})
			rates = append(rates, mixture.Component{Mean: y, U: math.Sqrt(vy), DoF: l.dof})
		}
		sum := 0.0
		for _, g := range logs {
			sum += math.Exp(g - top)
		}
		for i, g := range logs {
			w := l.probability * math.Exp(g-top) / sum
			parts[i].Weight, rates[i].Weight = w, w
		}
		value, rate = append(value, parts...), append(rate, rates...)
	}
	return value, rate
}

// lines turns an arrival into the local clock's offset before corrections. The
// flywheel's second lasts period frames; rate is the nominal frames a second.
func lines(a *timing.Arrival, rate, period float64) []line {
	var all []line
	for _, p := range a.Alternatives {
		k := scale(p.Rate, rate, period)
		all = append(all, line{
			x: p.Lag * k, y: p.Rate * k, vx: p.VarLag, vy: p.VarRate, cov: p.Cov,
			probability: p.Probability, dof: a.DoF,
		})
	}
	return all
}

// scale makes seconds of UTC of the sample clock's nominal ones: a second of UTC is longer
// than the flywheel's by what the ticks drift meanwhile.
func scale(drift, rate, period float64) float64 { return rate / (period + drift*rate) }

// againstMean refers lines to the marker's mean line, which is given where they are
// stated: m takes part in the value and the rate, and so does what is not known of it.
func againstMean(lines []line, m marker.Mean, period float64) []line {
	moved := make([]line, len(lines))
	for i, l := range lines {
		l.x -= m.Offset / period
		l.y -= m.Slope / period
		l.vx += m.VarOffset / (period * period)
		l.vy += m.VarSlope / (period * period)
		l.cov += m.Cov / (period * period)
		moved[i] = l
	}
	return moved
}

// wrap brings an offset into (−0.5, 0.5].
func wrap(x float64) float64 { return x - math.Ceil(x-0.5) }
