package timing

import (
	"math"
	"math/cmplx"

	"timeball/detect/kaiser"
)

// Shape is a kind of mark as the matched filter sees it. Stations whose marks have
// the same shape differ only in their pattern.
type Shape struct {
	ToneHz  float64
	Seconds float64 // length of the filter
	Onset   bool    // the mark goes on after the filter's end
}

// filter is the matched filter of a shape at a low rate. Its output over n
// samples from lag ℓ on, w(ℓ) = Σ_{m≤n} a(ℓ+m)·exp(−jω(ℓ+m)) with half weight at
// both ends (so that it is centred on a mark that begins at ℓ), is the
// mark's complex envelope at base band: a mark of amplitude A that arrives at p
// gives w(ℓ) = A·exp(−jωp)·response(ℓ−p, n), slow in ℓ but for the image of the
// tone, which a real signal brings with it. Lags are in samples.
type filter struct {
	Shape
	rate   float64 // low rate, Hz
	omega  float64 // tone, radians a sample
	length int     // samples of a whole mark

	// Σ s(m)·exp(−jωm) over the samples m = u, u−1, u−2, … of a unit mark as it is
	// sent, starting as a sine, and of one that a chain has turned by a quarter
	// of a cycle, the first with half weight; entry i is u = i/fine − lead.
	sine, cosine []complex128

	// local, if any, is the smoothing of the output over lag that confines it
	// to the tone's neighbourhood; noiseGain is what it leaves of the noise.
	local     []float64
	noiseGain float64
}

// localHalfWidth is the −6 dB half-width, Hz, of a filter that is confined to
// the tone's neighbourhood.
const localHalfWidth = 350

// confined returns a filter of the same shape whose output is confined to
// some hundred hertz around the tone. The envelope of such an output is delayed
// by an audio chain's group delay at the tone, not by its average over the
// band, and does not see the low-frequency thump that an envelope detector in
// noise adds to a tick.
func (f *filter) confined() *filter {
	const half = 12
	g := *f
	g.local = make([]float64, 2*half+1)
	sum := 0.0
	for k := range g.local {
		x := float64(k - half)
		g.local[k] = kaiser.Sinc(2*localHalfWidth/f.rate*x) * (0.54 + 0.46*math.Cos(math.Pi*x/(half+1)))
		sum += g.local[k]
	}
	for k := range g.local {
		g.local[k] /= sum
	}
	g.noiseGain = 0
	for k, a := range g.local {
		for l, b := range g.local {
			g.noiseGain += a * b * max(0, 1-math.Abs(float64(k-l))/float64(f.length))
		}
	}
	smooth := func(table []complex128) []complex128 {
		out := make([]complex128, len(table))
		for i := range out {
			for k, c := range g.local {
				j := min(max(i+(k-half)*fine, 0), len(table)-1)
				out[i] += complex(c, 0) * table[j]
			}
		}
		return out
	}
	g.sine, g.cosine = smooth(f.sine), smooth(f.cosine)
	return &g
}

const (
	fine = 16 // table entries in a sample
	lead = 16 // samples before the arrival at which the table begins
	// smear is the half-width, in samples, to which the band limit is cut.
	smear = 12
	// cutoff is the −6 dB point of the audio path as a share of half the low
	// rate: about 3.4 kHz, where receivers and the decimator leave off.
	cutoff = 0.85
)

func newFilter(s Shape, rate float64) *filter {
	f := &filter{Shape: s, rate: rate, omega: 2 * math.Pi * s.ToneHz / rate, length: int(math.Round(s.Seconds * rate)), noiseGain: 1}
	burst := s.Seconds * rate
	if s.Onset {
		burst = math.Inf(1)
	}
	n := (lead + f.length + lead) * fine
	f.sine, f.cosine = make([]complex128, n), make([]complex128, n)
	// The mark itself and its quadrature, with room for the quadrature's reach.
	const room = quadratureReach * fine
	mark := make([]float64, n+2*room)
	for i := range mark {
		mark[i] = bandLimited(float64(i-room)/fine-lead, burst, f.omega)
	}
	var last [fine][2]complex128
	for i := range n {
		e := cmplx.Rect(0.5, -f.omega*(float64(i)/fine-lead))
		now := [2]complex128{complex(mark[i+room], 0) * e, complex(quadrature(mark, i+room), 0) * e}
		if i >= fine {
			before := last[i%fine]
			f.sine[i] = f.sine[i-fine] + before[0] + now[0]
			f.cosine[i] = f.cosine[i-fine] + before[1] + now[1]
		}
		last[i%fine] = now
	}
	return f
}

// bandLimited is a burst of sin(ωt) on 0 ≤ t < length, in samples, as the audio
// path passes it.
func bandLimited(t, length, omega float64) float64 {
	const steps = 8 // integration steps in a sample
	from, to := max(0, t-smear), min(length, t+smear)
	if to <= from {
		return 0
	}
	if t-smear >= 0 && t+smear <= length {
		return math.Sin(omega * t)
	}
	n := max(1, int(math.Ceil((to-from)*steps)))
	h := (to - from) / float64(n)
	sum := 0.0
	for i := range n {
		u := from + (float64(i)+0.5)*h
		x := t - u
		sum += cutoff * kaiser.Sinc(cutoff*x) * (0.5 + 0.5*math.Cos(math.Pi*x/smear)) * h * math.Sin(omega*u)
	}
	return sum
}

// quadratureReach is the half-length of the quadrature filter, samples.
const quadratureReach = 61

// quadrature is x, of fine points a sample, at i after all its positive
// frequencies have been turned forward by a quarter of a cycle: the negative
// of the Hilbert transform, by its taps 2/πk for odd k, Hann windowed.
func quadrature(x []float64, i int) float64 {
	sum := 0.0
	for k := 1; k <= quadratureReach; k += 2 {
		w := 0.5 + 0.5*math.Cos(math.Pi*float64(k)/(quadratureReach+1))
		sum -= w * 2 / (math.Pi * float64(k)) * (x[i-k*fine] - x[i+k*fine])
	}
	return sum
}

// sums looks up the table at u samples after the arrival.
func (f *filter) sums(u float64) (sine, cosine complex128) {
	at := (u + lead) * fine
	if at <= 0 {
		return 0, 0
	}
	i := int(at)
	if i+1 >= len(f.sine) {
		// Past the end of a short mark nothing is added; a long one is only
		// asked about within the filter's length.
		last := len(f.sine) - 1
		return f.sine[last], f.cosine[last]
	}
	frac := complex(at-float64(i), 0)
	return f.sine[i] + frac*(f.sine[i+1]-f.sine[i]), f.cosine[i] + frac*(f.cosine[i+1]-f.cosine[i])
}

// response is the output over n samples from δ samples after the arrival of a
// unit mark whose tone a chain has turned forward by phi radians.
func (f *filter) response(delta, n, phi float64) complex128 {
	s1, c1 := f.sums(delta + n)
	s0, c0 := f.sums(delta)
	s, c := math.Sincos(phi)
	return complex(c, 0)*(s1-s0) + complex(s, 0)*(c1-c0)
}

// mix fills dst with the audio of s brought to base band.
func (f *filter) mix(dst []complex128, s *snapshot) {
	rot := cmplx.Rect(1, -f.omega)
	ph := cmplx.Rect(1, -f.omega*s.audioLag) * complex(s.audioUnit, 0)
	for i, x := range s.audio {
		dst[i] = complex(float64(x), 0) * ph
		ph *= rot
	}
}

func sqAbs(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
