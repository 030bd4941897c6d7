package timing

import (
	"cmp"
	"math"
	"math/cmplx"
)

// Picture is what was heard of an arrival, thinned for drawing. Lags are in
// seconds of the sample clock's nominal rate and count from where the arrival's
// line puts the earliest path's tick at each second.
type Picture struct {
	First, Step float64 // lag of the first level of a row, and between levels
	Rows        []Row   // in order; each of the same number of levels
	// Audio is the mean audio around the tick, full scale 1, each second by
	// weight of its noise; of the seconds still held. Only while the audio keeps
	// the tick's phase does it show the tone.
	AudioFirst, AudioStep float64
	Audio                 []float64
	AudioSeconds          int
	// Centre is the excess of all paths together over the earliest, by their power,
	// s: the rows' Late lie about it. 0 where they are of the filter's peak.
	Centre float64
}

// Row is what was heard in one second, or in several successive ones.
type Row struct {
	Second  float64 // mean of their numbers on the flywheel
	Seconds int     // how many went into it
	// Level is the matched filter's output against the lag at which the mark
	// would begin, as amplitude over that of the noise.
	Level []float32
	// Late is how much later than the arrival's line these seconds' tick came,
	// all paths together, and U its standard deviation by noise alone: by the
	// tone's phase, less its mean; without phase by the filter's peak.
	Late, U float64
}

// mostRows bounds the size of a picture.
const mostRows = 600

// Picture draws up what was heard of a, an arrival of this track. The audio spans
// the lags audioFrom to audioTo.
func (t *Track) Picture(a *Arrival, audioFrom, audioTo float64) Picture {
	axis := model{lag: a.Lag * t.rate, rate: a.Rate * t.rate, ref: a.Ref}
	noise := smoothNoise(t.snaps)
	p := Picture{AudioStep: 1 / t.rate}
	p.First, p.Step = -pictureBefore, 1/t.rate
	p.Rows = t.rows(axis, noise, a)
	if a.Coherent {
		p.Centre = a.centroid()
	}
	p.AudioFirst = math.Round(audioFrom*t.rate) / t.rate
	p.Audio, p.AudioSeconds = t.audio(axis, noise, p.AudioFirst, int((audioTo-audioFrom)*t.rate))
	return p
}

// A row spans this much around the arrival, s: a snapshot, less what the
// arrival may have moved within it.
const (
	pictureBefore = 5e-3
	pictureAfter  = 7e-3
)

// rows merges the snapshots into at most mostRows rows.
func (t *Track) rows(axis model, noise []float64, a *Arrival) []Row {
	if len(t.snaps) == 0 {
		return nil
	}
	first := t.snaps[0].n
	group := (t.snaps[len(t.snaps)-1].n-first)/mostRows + 1
	points := int((pictureBefore + pictureAfter) * t.rate)
	var rows []Row
	var outputs []complex128 // of each row at the arrival, noise one
	var mean complex128
	power := make([]float64, points)
	for from := 0; from < len(t.snaps); {
		index := (t.snaps[from].n - first) / group
		to := from
		clear(power)
		var output complex128
		r := Row{Level: make([]float32, points)}
		for ; to < len(t.snaps) && (t.snaps[to].n-first)/group == index; to++ {
			s := t.snaps[to]
			if noise[to] <= 0 {
				continue
			}
			o := t.output(s)
			lag := axis.at(float64(s.n))
			scale := 1 / math.Sqrt(noise[to])
			for i := range power {
				power[i] += t.power(o, lag+float64(i)-pictureBefore*t.rate) / noise[to]
			}
			output += t.at(o, lag) * cmplx.Rect(scale, t.omega*lag)
			r.Second += float64(s.n)
			r.Seconds++
		}
		from = to
		if r.Seconds == 0 {
			continue
		}
		r.Second /= float64(r.Seconds)
		for i, v := range power {
			r.Level[i] = float32(math.Sqrt(v / float64(r.Seconds)))
		}
		rows, outputs = append(rows, r), append(outputs, output/complex(math.Sqrt(float64(r.Seconds)), 0))
		mean += output
	}
	centre := a.centroid()
	for i := range rows {
		r := &rows[i]
		if !a.Coherent || mean == 0 {
			r.Late, r.U = t.peak(r.Level)
			continue
		}
		// A tick that is late by δ has turned back by ωδ.
		r.Late = centre - cmplx.Phase(outputs[i]/mean)/(t.omega*t.rate)
		r.U = 1 / (t.omega * t.rate * math.Sqrt(2*sqAbs(outputs[i])))
	}
	return rows
}

// at is the filter's output at a lag after the flywheel's
// second, low-rate samples, in units that give noise the variance of one sample's;
// zero outside it.
func (t *Track) at(o *output, lag float64) complex128 {
	at := int(math.Round(lag - o.origin))
	if at < 0 || at >= len(o.w) {
		return 0
	}
	z, length := complex128(o.w[at]), t.length
	if t.filter.Onset {
		length = onsetLength(t.rate)
		if at+length >= len(o.w) {
			return 0
		}
		z -= complex128(o.w[at+length])
	}
	return z / complex(math.Sqrt(float64(length)), 0)
}

// power is that of the output. An onset's is lessened by what was there before
// it, so that it too is greatest where the mark begins.
func (t *Track) power(o *output, lag float64) float64 {
	p := sqAbs(t.at(o, lag))
	if t.filter.Onset {
		p = math.Max(0, p-sqAbs(t.at(o, lag-float64(onsetLength(t.rate)))))
	}
	return p
}

// onsetLength is the length of the sums shown of an onset, samples.
func onsetLength(rate float64) int { return int(2.5e-3 * rate) }

// centroid is the excess of all paths together, by their power.
func (a *Arrival) centroid() float64 {
	sum, total := 0.0, 0.0
	for _, p := range a.Paths {
		w := math.Pow(10, p.LevelDB/10)
		sum, total = sum+w*p.ExcessSeconds, total+w
	}
	if total == 0 {
		return 0
	}
	return sum / total
}

// peak is the lag of the greatest level near the arrival, and roughly how far
// noise moves it: the peak of a triangle as wide as the filter.
func (t *Track) peak(level []float32) (late, u float64) {
	const reach = 3e-3
	from, to := int((pictureBefore-reach)*t.rate), int((pictureBefore+reach)*t.rate)
	i := from
	for j := from; j < to; j++ {
		if cmp.Less(level[i], level[j]) {
			i = j
		}
	}
	height := math.Max(1, float64(level[i]))
	if after := min(i+t.length/2, len(level)-1); level[after] > 0.8*level[i] {
		height = 1 // it sounds on, as a minute's mark: there is no peak to speak of
	}
	return float64(i)/t.rate - pictureBefore, t.Seconds / math.Sqrt2 / height
}

// audio averages the audio of the seconds that the stream still holds over
// points samples from lag from on.
func (t *Track) audio(axis model, noise []float64, from float64, points int) (mean []float64, seconds int) {
	mean = make([]float64, points)
	buf := make([]float32, points+taps)
	total := 0.0
	for k, s := range t.snaps {
		if noise[k] <= 0 {
			continue
		}
		base, ok := t.base(s.n)
		if !ok {
			continue
		}
		at := base + axis.at(float64(s.n)) + from*t.rate
		start := math.Floor(at)
		if !t.stream.Copy(buf, int64(start)-taps/2+1) {
			continue
		}
		var coef [taps]float64
		interpolator(&coef, at-start)
		for i := range mean {
			for j, c := range coef {
				mean[i] += c * float64(buf[i+j]) / noise[k]
			}
		}
		total += 1 / noise[k]
		seconds++
	}
	for i := range mean {
		mean[i] /= total
	}
	return mean, seconds
}
