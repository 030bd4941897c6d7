package timing

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"
)

// Response is what a receiver makes of a tick, as it was calibrated: the chain that its
// noise told, and by what the tick itself came out otherwise. Arrivals that are timed
// through one response are late alike: what is wrong with it does not count in their
// difference (JCGM 100:2008, F.1.2.3).
type Response struct {
	HighOrder   int     `toml:"high_order"` // of the high-pass filter; 0: none
	HighDamping float64 `toml:"high_damping,omitempty"`
	HighHz      float64 `toml:"high_hz"`
	LowOrder    int     `toml:"low_order"`
	LowDamping  float64 `toml:"low_damping,omitempty"`
	LowHz       float64 `toml:"low_hz"`
	EdgeHz      float64 `toml:"edge_hz,omitempty"`
	Linear      bool    `toml:"linear,omitempty"`
	HumHz       float64 `toml:"hum_hz,omitempty"` // up to which hum was heard; 0: there was none
	// Standard uncertainties of the logarithms of the corners.
	HighU  float64 `toml:"u_high"`
	LowU   float64 `toml:"u_low"`
	ToneHz float64 `toml:"tone_hz"` // of the tick, by the group delay at which the chain is timed
	// Taps are the gains, Spacing apart, of what came beside the tick behind the chain, from
	// so long before as after.
	Taps    []float64 `toml:"taps"`
	Spacing float64   `toml:"spacing_s"` // s
	// Discrepancy is the part of a tick's energy by which noise has made them wrong.
	Discrepancy float64 `toml:"discrepancy"`
}

// Valid reports whether r may be a response: what stands in a file may be anything.
func (r *Response) Valid() bool {
	for _, v := range append([]float64{r.HighHz, r.LowHz, r.ToneHz, r.Spacing}, r.Taps...) {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return min(r.HighHz, r.LowHz, r.ToneHz, r.Spacing) > 0 && min(r.HighOrder, r.LowOrder) >= 0 && max(r.HighOrder, r.LowOrder) <= mostOrder &&
		min(r.HighDamping, r.LowDamping, r.HighU, r.LowU, r.EdgeHz, r.HumHz, r.Discrepancy) >= 0 && len(r.Taps)%2 == 1
}

// mostOrder is the highest of a filter that is learned.
const mostOrder = 4

// Receiver is what is known of the receiver.
type Receiver struct {
	*Response      // as it was calibrated; nil: it was not
	OnePath   bool // ticks come to it by one path alone
}

// chain is that of r's filters.
func (r *Response) chain() chain {
	return chain{
		high: corner{kind{r.HighOrder, r.HighDamping}, r.HighHz}, low: corner{kind{r.LowOrder, r.LowDamping}, r.LowHz},
		edge: r.EdgeHz, linear: r.Linear,
	}
}

// beside is by how much the taps change the chain's response.
func (r *Response) beside(hz float64) complex128 {
	sum := complex(0, 0)
	for k, a := range r.Taps {
		sum += cmplx.Rect(a, -2*math.Pi*hz*r.Spacing*float64(k-len(r.Taps)/2))
	}
	return sum
}

// later is by how much the taps add to the chain's group delay at the tone, s.
func (r *Response) later() float64 { return groupDelay(r.beside, r.ToneHz) }

// timed is the response, timed by its group delay at the tone of calibration.
func (r *Response) timed() func(hz float64) complex128 {
	chain, later := r.chain().timed(r.ToneHz), r.later()
	return func(hz float64) complex128 { return chain(hz) * r.beside(hz) * cmplx.Rect(1, 2*math.Pi*hz*later) }
}

// doubt is the standard uncertainty of an arrival at a tone against one at r's, s: what the
// filters delay the one otherwise is known as their delay is.
func (r *Response) doubt(toneHz float64, p *Priors) float64 {
	c := r.chain()
	group, _ := c.delays(toneHz)
	own, _ := c.delays(r.ToneHz)
	return math.Hypot(p.ChainU, p.ChainShare*(group-own))
}

// agrees reports whether the noise of l comes through the band of r's chain: the receiver is
// set as it was. A family's corner is known no better than the delay it makes.
func (r *Response) agrees(l *learned, p *Priors) bool {
	lowest := max(hums[1], r.HumHz, l.humHz)
	then, now := r.chain().band(r.ToneHz, lowest), l.band(r.ToneHz, lowest)
	us := l.corners()
	for i, u := range [2]float64{r.HighU, r.LowU} {
		if math.Abs(math.Log(now[i]/then[i])) > 3*math.Hypot(math.Hypot(u, us[i]), math.Sqrt2*p.ChainShare) {
			return false
		}
	}
	return true
}

// corners are the standard uncertainties of the logarithms of l's corners; 0 where there is
// none.
func (l *learned) corners() (u [2]float64) {
	for i, c := range [2]corner{l.high, l.low} {
		if c.order > 0 {
			u[i] = 1 / math.Sqrt(l.sure[i])
		}
	}
	return u
}

// band is where, below and above a tone, the chain passes half as much power, from lowest on
// and within what is audio.
func (c chain) band(toneHz, lowest float64) (hz [2]float64) {
	const step, highest = 1.01, 4000
	half := c.power(toneHz) / 2
	for hz[0] = toneHz; hz[0] > lowest && c.power(hz[0]) > half; hz[0] /= step {
	}
	for hz[1] = toneHz; hz[1] < highest && c.power(hz[1]) > half; hz[1] *= step {
	}
	return hz
}

const (
	// tapSigma is the standard deviation, against the tick, of what comes beside it behind
	// a chain that the noise tells (from memory: of filters alike in amplitude).
	tapSigma = 0.1
	// tapReach is for how long before and after it comes, s: filters of some hundred hertz
	// ring for so long.
	tapReach = 2e-3
)

// response is what the tick of st, of which k is the likeliest place, tells of the
// receiver, and by how many paths it comes; nil where that is nothing.
func (st *stack) response(k *peak, onePath bool, p *Priors) *Response {
	all := st.learn(p)
	kind := k.kind
	kind.linear = false // of which nothing is learned
	i := slices.IndexFunc(all, func(l learned) bool { return l.chain == kind })
	if i < 0 {
		return nil
	}
	l := all[i]
	c, us := l.chain, l.corners()
	r := &Response{
		HighOrder: c.high.order, HighDamping: c.high.damping, HighHz: c.high.hz,
		LowOrder: c.low.order, LowDamping: c.low.damping, LowHz: c.low.hz, EdgeHz: c.edge, Linear: k.chain.linear,
		HighU: us[0], LowU: us[1], HumHz: c.humHz,
		ToneHz: k.toneHz, Taps: []float64{1}, Spacing: 1 / st.rate,
	}
	if k.hearing == turning || !onePath {
		return r // the seconds' phases differ, or what comes beside the tick may be a path
	}
	l.linear = r.Linear
	b := st.bench(l)
	if b == nil {
		return nil
	}
	// The mean window is that of one waveform at all lags, by least squares with the taps'
	// prior.
	b = b.at(k.toneHz)
	lag := k.Lag*st.rate - st.axis.lag
	half := int(tapReach * st.rate)
	lags := make([]float64, 2*half+1)
	for i := range lags {
		lags[i] = lag + float64(i-half)
	}
	waves := b.sampled(lags, []*wave{&b.tick})
	filters := matmul(waves, b.inverse)
	gram := matmul(filters, waves)
	n := len(lags)
	seen := make([]float64, n)
	for i := range seen {
		seen[i] = dot(filters, i, st.mean[0])
	}
	amplitude := seen[half] / gram.Data[half*n+half] / st.count
	prior := math.Pow(tapSigma*amplitude, -2)
	normal, right := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			normal.SetSym(i, j, st.count*gram.Data[i*gram.Stride+j])
		}
		normal.SetSym(i, i, normal.At(i, i)+prior)
		right.SetVec(i, seen[i])
		if i == half {
			right.SetVec(i, seen[i]+prior*amplitude)
		}
	}
	var chol mat.Cholesky
	var taps mat.VecDense
	if !chol.Factorize(normal) || chol.SolveVecTo(&taps, right) != nil {
		return nil
	}
	blas64.Scal(1/amplitude, taps.RawVector())
	r.Taps = taps.RawVector().Data
	// Of the taps' covariance, in the energy of what they make.
	var inverse mat.SymDense
	if chol.InverseTo(&inverse) != nil {
		return nil
	}
	for i := range n {
		r.Discrepancy += 1 - prior*inverse.At(i, i)
	}
	r.Discrepancy /= amplitude * amplitude * st.count * gram.Data[half*n+half]
	return r
}
