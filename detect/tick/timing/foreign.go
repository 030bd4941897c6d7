package timing

import (
	"math"
	"math/cmplx"
)

// toneBand is the mean waveform of the seconds at the tick's tone: its complex
// amplitude in Hann windows of two of the tone's periods, one period apart, in
// which constant lows cancel.
type toneBand struct {
	from, width float64 // lag of the first window after the model's, and the period, samples
	mean        []complex128
	v           []float64 // variance of each mean
}

// attend measures the tone band of the snapshots along the stack's axis, each in
// units of its noise as the stack's points are.
func (st *stack) attend(snaps []*snapshot) {
	to := lowTo
	if st.Onset {
		to = onsetEnd
	}
	b := &toneBand{from: lowFrom * st.rate, width: 2 * math.Pi / st.omega}
	windows := int((to-lowFrom)*st.rate/b.width) - 1
	b.mean, b.v = make([]complex128, windows), make([]float64, windows)
	n := 0.0
	for k, s := range snaps {
		centre := st.axis.at(float64(s.n)) - s.audioLag
		at := centre + b.from
		if s.long || st.noise[k] <= 0 || at < 0 || at+float64(windows+1)*b.width >= float64(len(s.audio)) {
			continue
		}
		unit := s.audioUnit / math.Sqrt(st.noise[k])
		for i := range windows {
			begin := at + float64(i)*b.width
			var sum complex128
			for j := int(math.Ceil(begin)); float64(j) < begin+2*b.width; j++ {
				hann := (1 - math.Cos(st.omega/2*(float64(j)-begin))) / b.width
				sum += cmplx.Rect(hann*float64(s.audio[j]), math.Pi/2-st.omega*(float64(j)-centre))
			}
			sum *= complex(unit, 0)
			b.mean[i] += sum
			b.v[i] += sqAbs(sum)
		}
		n++
	}
	if n < leastLow {
		return
	}
	for i := range b.mean {
		b.mean[i] /= complex(n, 0)
		b.v[i] = (b.v[i]/n - sqAbs(b.mean[i])) / n
	}
	st.tone = b
}

// foreign is what sounds at the tick's tone, second after second, and is none of the
// fit's paths: its amplitude as a share of the tick's, and that of its part in
// quadrature to the tick, which turns the tone. It is told where the paths sound
// and are steady: gain that falls while the tick sounds, a noise of the clock's own
// that comes with it, another path.
func (st *stack) foreign(f *fit, amplitudes []float64) (all, quadrature float64) {
	size, length := 0.0, float64(st.length)
	for i, p := range f.power {
		size += math.Sqrt(p) / st.atProbe(f.d+float64(i)*f.excess, f.phi)
	}
	if st.Onset {
		length = math.Inf(1)
	}
	if size == 0 || st.tone == nil {
		return 0, 0
	}
	b := st.tone
	var within, before, after toneSums
	for i, z := range b.mean {
		begin := b.from + float64(i)*b.width
		end := begin + 2*b.width
		last := f.d + f.excess + length
		to := &within
		switch {
		case end < f.d && end > f.d-length:
			to = &before
		case begin > last+edge*st.rate && begin < last+length:
			to = &after
		case end < f.d || begin > last:
			continue
		}
		steady := true
		for j, a := range amplitudes {
			d := f.d + float64(j)*f.excess
			switch {
			case end < d || begin > d+length+edge*st.rate:
			case begin > d && end < d+length:
				z -= cmplx.Rect(a, f.phi-st.omega*d)
			default:
				steady = false
			}
		}
		if steady {
			q := imag(z * cmplx.Rect(1, st.omega*f.d-f.phi))
			// Twice the noise: chance must not hide a filter.
			to.all += sqAbs(z) - 2*b.v[i]
			to.quadrature += q*q - b.v[i]
			to.n++
		}
	}
	// What sounds before and after sounds within.
	all = within.mean(within.all) + max(0, min(before.mean(before.all), after.mean(after.all)))
	quadrature = within.mean(within.quadrature) + max(0, min(before.mean(before.quadrature), after.mean(after.quadrature)))
	return math.Sqrt(max(0, all)) / size, math.Sqrt(max(0, quadrature)) / size
}

// toneSums sums over n windows what is left of the power in them.
type toneSums struct{ n, all, quadrature float64 }

func (t *toneSums) mean(sum float64) float64 { return sum / max(1, t.n) }

// edge is how long, s, an audio path may ring after a tick.
const edge = 0.3e-3
