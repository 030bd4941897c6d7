package path

import (
	"math"
	"slices"
	"time"
)

// Course is the path delay while a station is listened to.
type Course struct {
	Prediction // for the middle of the span
	// Bend is the mean delay over the span less that in its middle, s.
	Bend float64
	// Drift is how the delay grows, seconds a second, and UDrift its standard
	// uncertainty: a clock's rate by radio is no better known.
	Drift, UDrift float64
}

const (
	// The drift is taken over half an hour to each side at least: over less, what
	// is a step in the model (a schedule, the number of hops) would be steep.
	leastReach = 30 * time.Minute
	// heightHolds is how long a layer keeps the height it has apart from the
	// model's, s: common practice. At sunrise and sunset a Doppler shift of 0.5 Hz
	// at 10 MHz has been measured (WWV at Dayton), which is 0.18 ms an hour; this
	// gives 0.07 to 0.2 ms an hour for a hop or two.
	heightHolds = 3600
)

// Follow predicts the delay over a span of time with r.Time in its middle.
func Follow(r Request, span time.Duration) (Course, error) {
	r.Ionograms = slices.Clone(r.Ionograms)
	for i := range r.Ionograms {
		if r.Ionograms[i].Time.IsZero() {
			r.Ionograms[i].Time = r.Time // however far the span reaches
		}
	}
	middle, err := Predict(r)
	c := Course{Prediction: middle}
	if err != nil {
		return c, err
	}
	// The same days, fewer of them: what differs is the hour.
	const fewer = daysDrawn / 4
	still, err := predict(r, fewer)
	if err != nil {
		return c, err
	}
	reach := max(span/2, leastReach)
	steps := int((reach + leastReach - 1) / leastReach)
	var products, squares, inside float64
	n := 0
	for i := -steps; i <= steps; i++ {
		after := reach * time.Duration(i) / time.Duration(steps)
		p, at := still, r
		if i != 0 {
			at.Time = r.Time.Add(after)
			if p, err = predict(at, fewer); err != nil {
				return c, err
			}
		}
		d := p.Delay.Mean() - still.Delay.Mean()
		products += after.Seconds() * d
		squares += after.Seconds() * after.Seconds()
		if after.Abs() <= span/2 {
			inside += d
			n++
		}
	}
	c.Bend = inside / float64(n)
	if squares > 0 {
		c.Drift = products / squares
	}
	// Inside the first mode alone the height counts.
	height, weight := 0.0, 0.0
	for _, m := range middle.Modes {
		if m.Hops > 0 {
			height += m.First * m.USeconds * m.USeconds
		}
		weight += m.First
	}
	// The model's drift is no surer than half of it.
	c.UDrift = math.Hypot(c.Drift/2, math.Sqrt(height/weight)/heightHolds)
	return c, nil
}
