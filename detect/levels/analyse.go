package levels

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"timeball/detect/longwave"
	"timeball/detect/marker"
	"timeball/detect/tone"
)

// Report is what a stretch of samples shows.
type Report struct {
	Seconds  float64   `json:"seconds"`
	Channels []Channel `json:"channels"`
	Marker   int       `json:"marker_channel"`   // from 1; 0: none found
	Receiver int       `json:"receiver_channel"` // from 1; 0: not clear
	// MarkerToReceiver is the marker in the receiver's channel, and
	// ReceiverToMarker the reverse.
	MarkerToReceiver *Leak `json:"marker_to_receiver"`
	ReceiverToMarker *Leak `json:"receiver_to_marker"`
	// Correlation of the first two channels, −1 to 1.
	Correlation float64 `json:"correlation"`
	// ClockPPM is the sample clock's rate error if the marker is right.
	ClockPPM *float64 `json:"clock_ppm"`
	// Ticks are those of stations, as a measurement beside this hears them; null where
	// none is made.
	Ticks *Ticks `json:"ticks"`

	assessments []marker.Assessment
	choice      marker.Choice
}

// Channel is what one channel carries.
type Channel struct {
	Level
	Hum Hum `json:"hum"`
	// Pulse is set when the channel carries a marker.
	Pulse *Pulse `json:"pulse"`
	// Carriers are those of long-wave stations, of an antenna that is sampled itself.
	Carriers []longwave.Carrier `json:"carriers,omitempty"`
}

// Hum is that of the mains.
type Hum struct {
	Hz    float64 `json:"hz"`    // 50 or 60; 0: none stands out
	Level float64 `json:"level"` // rms of the fundamental and three harmonics, full scale 1
}

// Pulse is a marker's.
type Pulse struct {
	Edge      string  `json:"edge"`
	Width     float64 `json:"width_s"` // 0: unknown
	Amplitude float64 `json:"amplitude"`
	Jitter    float64 `json:"jitter_s"`
	Missed    int     `json:"missed"`
	False     int     `json:"false"`
}

// Leak is a part of one channel found in another.
type Leak struct {
	Found bool `json:"found"`
	// DB is its level against the source, decibels; when it is not found, the
	// level up to which it could not have been seen.
	DB float64 `json:"db"`
}

// Analyse looks at some seconds, ten are enough, of all channels at a rate in Hz.
func Analyse(rate float64, channels [][]float32) Report {
	r := Report{Seconds: float64(len(channels[0])) / rate}
	var pulses [][]marker.Pulse
	for _, x := range channels {
		var m Meter
		m.Add(x)
		c := Channel{Level: m.Take(), Hum: hum(rate, x)}
		d := marker.NewDetector(marker.Config{Rate: rate})
		p := d.Process(0, x)
		p = append(p, d.Flush()...)
		as := d.Assess()
		if as.IsMarker {
			t := marker.NewTrack(rate)
			t.Update(float64(len(x)), p)
			_, missed, extra := t.Counts()
			c.Pulse = &Pulse{Edge: as.Edge.String(), Amplitude: as.Amplitude, Jitter: t.JitterSeconds(), Missed: missed, False: extra}
			if as.WidthSeconds > 0 {
				c.Pulse.Width = as.WidthSeconds
			}
		} else {
			c.Carriers = longwave.Survey(rate, x)
		}
		r.Channels = append(r.Channels, c)
		r.assessments = append(r.assessments, as)
		pulses = append(pulses, p)
	}
	if len(channels) > 1 {
		r.Correlation = correlation(channels[0], channels[1])
	}
	r.choice = marker.Choose(rate, r.assessments)
	m := r.choice.Channel
	if m < 0 {
		return r
	}
	r.Marker = m + 1
	ppm := (r.assessments[m].PeriodFrames/rate - 1) * 1e6
	r.ClockPPM = &ppm
	if len(channels) == 2 {
		r.Receiver = 2 - m
		into := leakIn(rate, channels[m], channels[1-m], pulses[m])
		back := leakBack(rate, channels[m], channels[1-m], pulses[m])
		r.MarkerToReceiver, r.ReceiverToMarker = &into, &back
	}
	return r
}

const (
	humHarmonics = 4
	humStands    = 10  // power against that beside it: noise alone does so once in e¹⁰ looks
	humBlock     = 0.1 // s: whole cycles of 50 and 60 Hz and their harmonics
	// leastSteady is the power of the weakest fifth of the blocks against the mean.
	// A steady line as strong as the noise of a block has 0.27 (Rice's
	// distribution), one that is off for more than a fifth of the time nothing.
	leastSteady = 0.25
)

// hum looks for the mains: for lines at 50 or 60 Hz and its harmonics that stand
// out from the frequencies beside them. These are whole hertz too, so that the
// lines of what repeats every second cancel out. The mains show at an odd multiple,
// or as a rectifier's ripple that never pauses: a line at the double alone that comes
// and goes is a time station's 100 Hz code (Rec. ITU-R TF.583, WWV and WWVH).
func hum(rate float64, x []float32) Hum {
	n := int(rate) // by the second: the mains are not exact
	if len(x) < n {
		return Hum{}
	}
	best := Hum{}
	for _, hz := range []float64{50, 60} {
		var lines [humHarmonics]float64
		beside := 0.0
		for at := 0; at+n <= len(x); at += n {
			for k := range lines {
				lines[k] += tone.Power(x[at:at+n], float64(k+1)*hz/rate)
			}
			beside += (tone.Power(x[at:at+n], (hz-3)/rate) + tone.Power(x[at:at+n], (hz+3)/rate)) / 2
		}
		sum, mains := 0.0, false
		for k, p := range lines {
			sum += p
			if p > humStands*beside {
				mains = mains || k%2 == 0 || steady(rate, x, float64(k+1)*hz)
			}
		}
		level := math.Sqrt(sum / float64(len(x)/n))
		if mains && sum > humStands*humHarmonics*beside && level > best.Level {
			best = Hum{Hz: hz, Level: level}
		}
	}
	return best
}

// steady reports whether a line in hertz sounds all the time.
func steady(rate float64, x []float32, hz float64) bool {
	n := int(humBlock * rate)
	var blocks []float64
	for at := 0; at+n <= len(x); at += n {
		blocks = append(blocks, tone.Power(x[at:at+n], hz/rate))
	}
	slices.Sort(blocks)
	return stat.Quantile(0.2, stat.Empirical, blocks, nil) > leastSteady*stat.Mean(blocks, nil)
}

// correlation is that of two channels about their means.
func correlation(x, y []float32) float64 {
	var n, sx, sy, xx, yy, xy float64
	for i := range x {
		a, b := float64(x[i]), float64(y[i])
		n++
		sx, sy = sx+a, sy+b
		xx, yy, xy = xx+a*a, yy+b*b, xy+a*b
	}
	v := (xx - sx*sx/n) * (yy - sy*sy/n)
	if !(v > 0) {
		return 0
	}
	return (xy - sx*sy/n) / math.Sqrt(v)
}

const (
	// The stretch about an edge in which a leak of it is looked for, s.
	edgeBefore, edgeAfter = 0.5e-3, 0.5e-3
	// leakSigmas is how far a leak must stand out.
	leakSigmas = 5
)

// leakIn looks for the marker in the receiver's channel: whether the third
// differences of the two, summed over the pulses, agree. They bring out what lies
// near half the sampling rate, where an edge has much and a receiver's audio
// little.
func leakIn(rate float64, m, r []float32, pulses []marker.Pulse) Leak {
	before, after := int(edgeBefore*rate), int(edgeAfter*rate)
	n := before + after
	dm, dr, square := make([]float64, n), make([]float64, n), 0.0
	count := 0
	for _, p := range pulses {
		at := int(math.Round(p.Position)) - before
		if at < 3 || at+n > len(m) {
			continue
		}
		count++
		for i := range n {
			dm[i] += third(m, at+i)
			d := third(r, at+i)
			dr[i] += d
			square += d * d
		}
	}
	if count == 0 {
		return Leak{DB: 0}
	}
	return regress(dm, dr, square/float64(n)) // a sum of count values has count times their variance
}

// third is the third difference of x that ends at i.
func third(x []float32, i int) float64 {
	return float64(x[i]) - float64(x[i-3]) - 3*(float64(x[i-1])-float64(x[i-2]))
}

// leakBack looks for the receiver in the marker's channel, away from the edges.
func leakBack(rate float64, m, r []float32, pulses []marker.Pulse) Leak {
	edge := make([]bool, len(m))
	guard := int(30e-3 * rate)
	for _, p := range pulses {
		for _, at := range []float64{p.Position, p.Position + p.WidthSeconds*rate} {
			from, to := max(0, int(at)-guard/10), min(len(m), int(at)+guard)
			for i := from; i < to; i++ {
				edge[i] = true
			}
		}
	}
	var dr, dm []float64
	square := 0.0
	for i := 1; i < len(m); i++ {
		if edge[i] {
			continue
		}
		d := float64(m[i] - m[i-1])
		dr = append(dr, float64(r[i]-r[i-1]))
		dm = append(dm, d)
		square += d * d
	}
	if len(dm) == 0 {
		return Leak{DB: 0}
	}
	return regress(dr, dm, square/float64(len(dm)))
}

// regress finds how much of from there is in to, whose values have the
// variance given.
func regress(from, to []float64, variance float64) Leak {
	xx, xy := 0.0, 0.0
	for i := range from {
		xx += from[i] * from[i]
		xy += from[i] * to[i]
	}
	if xx == 0 {
		return Leak{DB: 0}
	}
	gain := math.Abs(xy) / xx
	sigma := math.Sqrt(variance / xx)
	if gain > leakSigmas*sigma && gain > 0 {
		return Leak{Found: true, DB: 20 * math.Log10(gain)}
	}
	return Leak{DB: 20 * math.Log10(max(leakSigmas*sigma, 1e-6))}
}

// Choice is how the marker's channel was chosen, or why none was.
func (r *Report) Choice() marker.Choice { return r.choice }

// Wired reports which channels carry a marker when two or more do, from 1.
func (r *Report) Wired() []int {
	var all []int
	for _, i := range slices.Sorted(slices.Values(r.choice.Wired)) {
		all = append(all, i+1)
	}
	return all
}
