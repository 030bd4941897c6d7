package timing

import "math"

// Priors are what is taken for granted before anything is heard.
type Priors struct {
	// Probabilities of one, two and three paths strong enough to matter (from
	// memory of circuits of one to three hops).
	Paths [3]float64
	// A further path comes later than the one before by more than LeastExcess, below
	// which a receiver's filter looks the same, and by MeanExcess in the mean,
	// exponentially distributed, s (Rec. ITU-R F.1487 has 0.5 to 2 ms).
	LeastExcess, MeanExcess float64
	// LevelDB is the standard deviation of the paths' levels about their mean, dB (Rec.
	// ITU-R F.1487 has equal ones; from memory of circuits).
	LevelDB float64
	// Still is the probability that two paths stand still for as long as they are heard (from
	// memory: on short wave nearly all fade within minutes).
	Still float64
	// Corners of a receiver's audio filters are log-normal about HighHz and LowHz with
	// standard deviations of HighSpread and LowSpread in their logarithm, their kinds
	// alike probable (from memory of receivers).
	HighHz, HighSpread float64
	LowHz, LowSpread   float64
	Highs, Lows        []kind
	// Tuned is the probability that a receiver of one sideband gives the station's own
	// pitch (from memory: those with a synthesiser).
	Tuned float64
	// Linear is the probability of a chain of linear phase (from memory: digital
	// receivers).
	Linear float64
	// Discrepancy is the part of a tick's energy, repeated every second, that no
	// hypothesis explains: what a real chain and detector are that the model's are not.
	Discrepancy float64
	// A chain's group delay is uncertain by ChainU, s, and ChainShare of what it exceeds
	// the phase delay, for what a real filter is that none of the family is.
	ChainU, ChainShare float64
	// SidebandU is the same, s, of a receiver of one sideband, whose filter has skirts
	// steeper than any of the family's (from simulated brick walls).
	SidebandU float64
	// Chains is how many kinds of chain are carried through, of those that the noise
	// makes less likely by at most exp(ChainLoss).
	Chains    int
	ChainLoss float64
}

// priors are those in use.
var priors = Priors{
	Paths:       [3]float64{0.45, 0.4, 0.15},
	LeastExcess: 0.12e-3, MeanExcess: 1e-3,
	LevelDB: 5, Still: 0.25,
	HighHz: 100, HighSpread: 1,
	LowHz: 3000, LowSpread: 0.4,
	Highs: []kind{{0, 0}, {1, 0}, {2, 0}, {2, 2}, {2, 0.9}, {3, 0}, {4, 0}}, Lows: []kind{{0, 0}, {2, 0}, {4, 0}},
	Tuned:       0.5,
	Linear:      0.25,
	Discrepancy: 3e-4,
	ChainU:      2e-6, ChainShare: 0.08, SidebandU: 40e-6,
	Chains: 5, ChainLoss: 20,
}

// corners is the logarithm of the density of a chain's corners.
func (p *Priors) corners(c chain) float64 {
	return logNormal(math.Log(c.high.hz/p.HighHz), p.HighSpread) + logNormal(math.Log(c.low.hz/p.LowHz), p.LowSpread)
}

// logNormal is the logarithm of a normal density of mean zero.
func logNormal(x, sigma float64) float64 {
	return -x*x/(2*sigma*sigma) - math.Log(sigma*math.Sqrt(2*math.Pi))
}

// excess is the logarithm of the density of the spacings between paths, samples
// at a rate.
func (p *Priors) excess(spacings []float64, rate float64) float64 {
	sum := 0.0
	for _, e := range spacings {
		if e /= rate; e < p.LeastExcess {
			return math.Inf(-1)
		}
		sum += -(e-p.LeastExcess)/p.MeanExcess - math.Log(p.MeanExcess*rate)
	}
	return sum
}

// levels is the logarithm of the density of paths' powers about their mean level, over
// that of equal ones.
func (p *Priors) levels(power []float64) float64 {
	mean, n := 0.0, float64(len(power))
	for _, v := range power {
		mean += math.Log(max(v, 1e-9)) / n
	}
	sum := 0.0
	for _, v := range power {
		d := (math.Log(max(v, 1e-9)) - mean) * 10 / math.Ln10
		sum -= d * d / (2 * p.LevelDB * p.LevelDB)
	}
	return sum
}

// trust is by how much a log likelihood must be lessened, when that of the best
// hypothesis is log, because no waveform is known better than to the discrepancy, nor
// than what is seen to be left of it shows: so many times what noise leaves (Birge's
// ratio).
func (p *Priors) trust(log, left float64) float64 {
	return 1 / (1 + 2*p.Discrepancy*log + max(0, left))
}

// filter is the standard uncertainty of c's group delay at a tone, s, for what a real
// filter is that none of the family is.
func (p *Priors) filter(h hearing, c chain, toneHz float64) float64 {
	if c.known != nil {
		return c.known.doubt(toneHz, p)
	}
	group, phase := c.delays(toneHz)
	u := math.Hypot(p.ChainU, p.ChainShare*(group-phase))
	if h == turning {
		u = math.Hypot(u, p.SidebandU)
	}
	return u
}

// guest is the logarithm of the density of what is thought of another station's tick that
// is heard on paths of such powers, somewhere in a window of so many samples, over that of
// none.
func (p *Priors) guest(power []float64, samples int) float64 {
	if len(power) == 0 {
		return 0
	}
	return p.levels(power) + math.Log(p.Paths[len(power)-1]/float64(samples))
}
