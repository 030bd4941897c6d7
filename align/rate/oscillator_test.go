package rate

import (
	"math"
	"math/rand/v2"
	"time"
)

// oscillator is a simulated clock with a known truth. Deviations are Allan
// deviations at one day.
type oscillator struct {
	offset           float64 // s at the start
	y                float64
	ageing           float64 // per day
	white            float64
	flicker          float64
	walk             float64
	steps            []truth // phase steps, s
	trims            []truth // rate steps
	rng              *rand.Rand
	x, rate          float64
	flickers         [8]float64
	times, xs, trueY []float64 // days
}

type truth struct {
	day, size float64
}

// run simulates hour by hour for some days.
func (o *oscillator) run(days int) {
	const dt = 1.0 / 24 // day
	o.x, o.rate = o.offset, o.y
	// Flicker noise as a sum of first-order relaxations, spaced by a factor of
	// four in time from an hour to two years: level over the range 1.
	for k := range o.flickers {
		o.flickers[k] = o.rng.NormFloat64()
	}
	// One relaxation per factor of four gives an Allan deviation near 0.9 of each one's
	// standard deviation (computed numerically).
	scale := o.flicker / 0.92
	for i := 0; i <= days*24; i++ {
		t := float64(i) * dt
		var flicker float64
		for k := range o.flickers {
			a := math.Exp(-dt / (dt * math.Pow(4, float64(k))))
			o.flickers[k] = a*o.flickers[k] + math.Sqrt(1-a*a)*o.rng.NormFloat64()
			flicker += o.flickers[k]
		}
		y := o.rate + scale*flicker
		o.times, o.xs, o.trueY = append(o.times, t), append(o.xs, o.x), append(o.trueY, y)
		o.x += day * dt * (y + o.ageing*dt/2 + o.white/math.Sqrt(dt)*o.rng.NormFloat64())
		o.rate += o.ageing*dt + o.walk*math.Sqrt(3*dt)*o.rng.NormFloat64()
		for _, s := range o.steps {
			if t < s.day && s.day <= t+dt {
				o.x += s.size
			}
		}
		for _, s := range o.trims {
			if t < s.day && s.day <= t+dt {
				o.rate += s.size
			}
		}
	}
}

var start = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func atDay(d float64) time.Time { return start.Add(time.Duration(d * 24 * float64(time.Hour))) }

// at is the true offset at a whole hour.
func (o *oscillator) at(d float64) float64 { return o.xs[int(math.Round(d*24))] }

// fix measures at the given whole hour with standard error u, folded into
// (-0.5, 0.5] as a fix is.
func (o *oscillator) fix(d, u float64) Fix {
	d = math.Round(d*24) / 24
	x := o.at(d) + u*o.rng.NormFloat64()
	x -= math.Round(x)
	return Fix{At: atDay(d), Offset: x, U: u}
}

// sparse measures every few days over a span, with a gap of some weeks.
func (o *oscillator) sparse(from, to, every float64, u func() float64) []Fix {
	var fixes []Fix
	gap := from + (to-from)*(0.3+0.4*o.rng.Float64())
	for d := from; d < to; d += every * (0.5 + o.rng.Float64()) {
		if d > gap && d < gap+21 && to-from > 60 {
			continue
		}
		fixes = append(fixes, o.fix(d, u()))
	}
	for i := range fixes {
		fixes[i].ID = int64(i + 1)
	}
	return fixes
}
