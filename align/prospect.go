package align

import "math"

// Prospect is what averaging can still do to an interval. Its parts are 95 %
// half-widths, s, whose squares sum to that of the interval.
type Prospect struct {
	Limit    float64 `json:"limit_s"`    // what would be left if ticks were averaged for ever
	From     string  `json:"limit_from"` // the budget's line that most of it comes from
	Noise    float64 `json:"noise_s"`    // what averaging makes smaller
	Averaged float64 `json:"averaged_s"` // so long it has been averaged so far, s
}

// prospect is that of a fix with an offset.
func (f *Fix) prospect() *Prospect {
	p := &Prospect{}
	noise, rest, most := 0.0, 0.0, 0.0
	for _, l := range f.Budget {
		if l.Type == "A" {
			noise += l.U * l.U
			continue
		}
		rest += l.U * l.U
		if l.U > most {
			p.From, most = l.Source, l.U
		}
	}
	half := (f.CI95[1] - f.CI95[0]) / 2
	if all := noise + rest; all > 0 {
		p.Limit, p.Noise = half*math.Sqrt(rest/all), half*math.Sqrt(noise/all)
	}
	for _, s := range f.Stations {
		p.Averaged = max(p.Averaged, float64(s.TicksUsed))
	}
	return p
}

// Wait is how much longer, s, it takes until the half-width is as small as within,
// when its variance falls as that of a mean does; false: it never will be.
func (p *Prospect) Wait(within float64) (seconds float64, ok bool) {
	if within <= p.Limit {
		return 0, false
	}
	return max(0, p.Averaged*(p.Noise*p.Noise/(within*within-p.Limit*p.Limit)-1)), true
}
