package recognise

import (
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"

	"timeball/detect/audio"
	"timeball/detect/rank"
)

// Band is what all of the audio does second after second: the mean of its power in
// cells of time and frequency, apart for two halves of the seconds. What repeats is
// in both, and what repeats all the time is so too when the halves are stretches of
// the minute.
type Band struct {
	stream *audio.Stream
	base   func(n int64) (at float64, ok bool)
	window []float64
	fft    *fourier.FFT
	low    int // first bin of the transform that is kept
	bins   int
	frames int
	halves [2]half
	turns  [4]half   // the same seconds, stretch after stretch in turn
	square []float64 // Σ of squared levels, by bin
	next   int64     // first second not yet asked for
	// Working memory.
	audio []float32
	frame []float64
	z     []complex128
	power []float64
	some  []float64
}

// half sums ln(1 + power over its second's noise), frame by frame.
type half struct {
	sum []float64
	n   float64
}

func (h *half) row(bin, frames int) []float64 { return h.sum[bin*frames : (bin+1)*frames] }

const (
	windowSeconds = 8e-3 // about a tick's length; a Hann window, moved on by half
	// The envelope detector's thump and the codes lie below lowestHz; receivers
	// pass little above highestHz.
	lowestHz, highestHz = 400, 3200
	// Of a long recording every sparse-th second after plenty suffices.
	plenty, sparse = 240, 4
)

// Seconds is how many seconds have been taken.
func (b *Band) Seconds() int { return int(b.halves[0].n + b.halves[1].n) }

// NewBand returns the band of stream, whose second n begins at base(n), samples, when
// that is known. The seconds from first on count.
func NewBand(stream *audio.Stream, base func(n int64) (float64, bool), first int64) *Band {
	rate := stream.Rate()
	n := 32
	for float64(n) < 0.75*windowSeconds*rate {
		n *= 2
	}
	b := &Band{stream: stream, base: base, fft: fourier.NewFFT(n), next: first}
	b.low = int(math.Ceil(lowestHz * float64(n) / rate))
	b.bins = int(highestHz*float64(n)/rate) + 1 - b.low
	b.frames = int(rate)/(n/2) - 2
	b.window = make([]float64, n)
	for i := range b.window {
		b.window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
	}
	for i := range b.halves {
		b.halves[i].sum = make([]float64, b.bins*b.frames)
	}
	for i := range b.turns {
		b.turns[i].sum = make([]float64, b.bins*b.frames)
	}
	b.square = make([]float64, b.bins)
	b.audio, b.frame = make([]float32, (b.frames+1)*n/2), make([]float64, n)
	b.z, b.power, b.some = make([]complex128, n/2+1), make([]float64, b.bins*b.frames), make([]float64, b.frames)
	return b
}

// Clone returns a band that has taken the same seconds and goes on by itself.
func (b *Band) Clone() *Band {
	c := *b
	for i := range c.halves {
		c.halves[i].sum = slices.Clone(b.halves[i].sum)
	}
	for i := range c.turns {
		c.turns[i].sum = slices.Clone(b.turns[i].sum)
	}
	c.square = slices.Clone(b.square)
	return &c
}

// Through takes the seconds up to, not including, limit that have not been taken
// and are still held.
func (b *Band) Through(limit int64) {
	for ; b.next < limit; b.next++ {
		if taken := b.halves[0].n + b.halves[1].n; taken > plenty && b.next%sparse != 0 {
			continue
		}
		b.take(b.next)
	}
}

func (b *Band) take(n int64) {
	at, ok := b.base(n)
	if !ok || !b.stream.Copy(b.audio, int64(math.Round(at))) {
		return
	}
	hop := len(b.window) / 2
	for k := range b.frames {
		for i, w := range b.window {
			b.frame[i] = w * float64(b.audio[k*hop+i])
		}
		b.fft.Coefficients(b.z, b.frame)
		for j := range b.bins {
			b.power[j*b.frames+k] = sqAbs(b.z[b.low+j])
		}
	}
	// Seconds go to the halves by the Thue–Morse sequence, which has no period that
	// something on the air might share.
	h, o := &b.halves[bits.OnesCount64(uint64(n))%2], &b.turns[n/stretch&3]
	h.n++
	o.n++
	for j := range b.bins {
		row, sum, shift := b.power[j*b.frames:(j+1)*b.frames], h.sum[j*b.frames:(j+1)*b.frames], o.sum[j*b.frames:(j+1)*b.frames]
		copy(b.some, row)
		noise := rank.Upper(b.some)/math.Ln2 + 1e-30
		for k, p := range row {
			level := math.Log1p(p / noise)
			sum[k] += level
			shift[k] += level
			b.square[j] += level * level
		}
	}
}

// Form says whether what repeats every second is a tick alone.
type Form int

const (
	Untold   Form = iota // too little is heard to say
	Alone                // nothing else worth half as much repeats with it
	Repeated             // the like comes at other times of the second
	Mixed                // it is part of a sound that goes on at other frequencies
	Passing              // it comes in some stretches of the minute and not in others
)

// Place is where a mark is expected: At, seconds after the flywheel's second, for
// Length seconds at a tone; by DUT1 it may come once more RepeatSeconds later.
type Place struct{ At, Length, ToneHz, RepeatSeconds float64 }

// Form compares what repeats at place p with what repeats beside it, near in time at
// other frequencies than the tones of any station, and at other times at the tone.
func (b *Band) Form(p Place, tones []float64) Form {
	if min(b.halves[0].n, b.halves[1].n) < 3 {
		return Untold
	}
	rate := b.stream.Rate()
	n := float64(len(b.window))
	step := n / 2 / rate
	onset := p.Length > shortMark
	cells := make([][2][]float64, b.bins) // excess of each half over what is about it
	sigma := make([]float64, b.bins)      // product of the halves' standard deviations
	for j := range b.bins {
		mean := 0.0
		sigma[j] = 1
		for h := range b.halves {
			row := b.halves[h].row(j, b.frames)
			for _, v := range row {
				mean += v
			}
			cells[j][h] = excess(row, b.halves[h].n, step, false)
		}
		count := (b.halves[0].n + b.halves[1].n) * float64(b.frames)
		mean /= count
		v := (b.square[j]/count - mean*mean) * math.Exp(2*mean)
		for h := range b.halves {
			sigma[j] *= math.Sqrt(v / b.halves[h].n * (1 + 2*step/(aboutTo-aboutFrom)))
		}
	}
	cross := func(j, k int) float64 { return both(cells[j], k) }
	var shifts [2]float64
	var own, beside, again, varOwn, varBeside, varAgain float64
	for j := range b.bins {
		hz := float64(b.low+j) * rate / n
		tone := math.Abs(hz-p.ToneHz) <= ownHz
		var ownHalves [2][]float64
		var ownShifts [2][2][]float64
		if tone {
			for h := range ownHalves {
				ownHalves[h] = excess(b.halves[h].row(j, b.frames), b.halves[h].n, step, onset)
				for i := range ownShifts {
					x, y := &b.turns[i+2*h], &b.turns[(i+2*h+1)%4]
					sum := make([]float64, b.frames)
					floats.AddTo(sum, x.row(j, b.frames), y.row(j, b.frames))
					ownShifts[i][h] = excess(sum, x.n+y.n, step, onset)
				}
			}
		}
		another := slices.ContainsFunc(tones, func(t float64) bool { return math.Abs(hz-t) <= mainLobeHz })
		for k := range b.frames {
			// The middle of the frame after the mark's begin.
			t := (float64(k)+1)*step - p.At
			t -= math.Round(t)
			switch {
			case tone && t > -windowSeconds/2 && t < min(p.Length, shortMark)+longestPath:
				own += both(ownHalves, k)
				for i := range shifts {
					shifts[i] += both(ownShifts[i], k)
				}
				varOwn += 0.375 * overlap * sigma[j] * sigma[j]
			case tone && math.Abs(t) > sameService && !(t > -windowSeconds && t < p.Length+sameService) && math.Abs(t-p.RepeatSeconds) > sameService/2:
				c := cross(j, k)
				for i := range b.bins { // a click sounds at all tones
					far := math.Abs(float64(b.low+i)*rate/n-p.ToneHz) > 2*mainLobeHz
					if far && min(cells[i][0][k], cells[i][1][k]) > 0.5*min(cells[j][0][k], cells[j][1][k]) {
						c = min(c, 0)
						break
					}
				}
				again += c
				varAgain += 0.375 * overlap * sigma[j] * sigma[j]
			case !tone && !another && math.Abs(t) < sameEvent:
				beside += cross(j, k)
				varBeside += 0.375 * overlap * sigma[j] * sigma[j]
			}
		}
	}
	doubt := func(v float64) float64 { return surely * math.Sqrt(v) }
	enough := worthHalf * max(own, 0)
	switch {
	case beside-doubt(varBeside) > enough:
		return Mixed
	case again-doubt(varAgain) > enough:
		return Repeated
	case b.Seconds() >= 60 && unlike*(min(shifts[0], shifts[1])+doubt(varOwn)) < own-doubt(varOwn):
		return Passing
	case beside+doubt(varBeside) < enough && again+doubt(varAgain) < enough:
		return Alone
	}
	return Untold
}

const (
	shortMark = 12e-3 // s: longer marks are told by their onset
	// aboutFrom and aboutTo bound, before and after a cell, s, the audio that it is
	// compared with; what is as loud there, on either side, is no short sound.
	aboutFrom, aboutTo = 24e-3, 90e-3
	mainLobeHz         = 375 // of a tick of 5 ms in a Hann window of 8 ms: 200 + 250 Hz, less its skirts
	// A tick of 5 ms leaves less than a twentieth of its power in a cell farther than
	// ownHz, of 10 ms a hundredth, wherever in the window it lies (computed): what is
	// louder there is not the tone's.
	ownHz       = 190
	longestPath = 9e-3   // s after the earliest (Rec. ITU-R F.1487 has up to 7 ms)
	sameEvent   = 150e-3 // s about a tick in which what sounds goes with it
	sameService = 70e-3  // s about a tick in which another station's may come at its tone
	worthHalf   = 0.5
	// Two stretches and the next two go to a half each, and again one stretch later,
	// so that what comes in ten seconds of a minute on end is in one half alone. Let
	// a tick be a times as strong in the one as in the other. C is then 4a/(1+a)² of
	// what it is in halves alike: less than one in unlike from a = 6 on. Fading makes
	// no such difference between the means of several stretches.
	stretch = 5
	unlike  = 2
	surely  = 4 // standard deviations; 3e-5 by chance
	overlap = 2 // cells that overlap by half, and skirts, are alike
)

// both is a cell's share of C.
func both(halves [2][]float64, k int) float64 {
	x, y := halves[0][k], halves[1][k]
	return (x*max(y, 0) + y*max(x, 0)) / 2
}

// excess is by how much the power in each frame, in units of the noise, exceeds the
// greater of those before and after it; only that before when early is set.
func excess(sum []float64, n, step float64, early bool) []float64 {
	from, to := int(math.Round(aboutFrom/step)), int(math.Round(aboutTo/step))
	frames := len(sum)
	running := make([]float64, frames+1)
	for k, v := range sum {
		running[k+1] = running[k] + v/n
	}
	upTo := func(k int) float64 { // around the end
		turn := floorDiv(k, frames)
		return running[k-turn*frames] + float64(turn)*running[frames]
	}
	span := func(a, b int) float64 { return (upTo(b) - upTo(a)) / float64(b-a) }
	out := make([]float64, frames)
	for k, v := range sum {
		about := span(k-to, k-from)
		if !early {
			about = max(about, span(k+from+1, k+to+1))
		}
		out[k] = math.Exp(v/n) - math.Exp(about)
	}
	return out
}

func floorDiv(a, b int) int { return int(math.Floor(float64(a) / float64(b))) }

func sqAbs(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
