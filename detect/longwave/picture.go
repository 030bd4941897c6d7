package longwave

import (
	"math"

	"timeball/detect/tick/timing"
)

// A picture shows this much about the mark, s.
const pictureBefore, pictureAfter = 5e-3, 7e-3

// Picture draws up what was heard about the line on which the arrival lies: of each
// block the slope of the carrier's level by place, over that of noise, and as the
// audio the mean level of the carrier.
func (t *Track) Picture(ref, lag, rate float64) timing.Picture {
	p := timing.Picture{First: -pictureBefore, Step: 1.0 / baseRate, AudioFirst: -pictureBefore, AudioStep: 1.0 / baseRate}
	points := int((pictureBefore + pictureAfter) * baseRate)
	p.Audio = make([]float64, points)
	total := 0.0
	e, onTime := t.mark(1)
	scale := baseRate / t.noiseHz()
	for _, b := range t.blocks {
		if b.edgeWeight == 0 || b.count < 3 {
			continue
		}
		n := float64(b.first+b.last) / 2
		line := lag + rate*(n-ref)
		place, ok := t.fit(b, e)
		if !ok {
			continue
		}
		at := b.axis.at(n) / t.cutter.rate
		row := timing.Row{Second: n, Seconds: b.count, Level: make([]float32, points), U: math.Sqrt(place.variance)}
		row.Late = at + place.lag + onTime - line
		level := func(after float64) float64 {
			// Of the mean edge at a time after the line.
			i := int(math.Round((after+line-at)*baseRate)) - cutFirst - index(t.edgeFrom)
			if i < 0 || i >= len(b.edge) {
				return 0
			}
			return b.edge[i] / b.edgeWeight
		}
		const wing = 4 // samples, a millisecond to either side
		noise := math.Sqrt(2 * wing * scale / b.edgeWeight)
		for i := range points {
			after := -pictureBefore + float64(i)/baseRate
			d := 0.0
			for k := 1; k <= wing; k++ {
				d += level(after+float64(k)/baseRate) - level(after-float64(k)/baseRate)
			}
			row.Level[i] = float32(math.Abs(d) / noise)
			p.Audio[i] += b.edgeWeight * level(after) * t.level
		}
		total += b.edgeWeight
		p.AudioSeconds += b.count
		p.Rows = append(p.Rows, row)
	}
	if total > 0 {
		for i := range p.Audio {
			p.Audio[i] /= total
		}
	}
	return p
}
