package timecode

import (
	"math"
	"math/cmplx"
)

// The tones of the 300 bit/s code follow each other with continuous phase: their
// difference times the length of a bit is two thirds of a cycle, so that measured
// against the mark's own continuation a space puts the phase back by two thirds,
// which is forward by one. The phase of a bit therefore tells how many spaces went
// before, and a bit is told by its own phase and by all after it. That needs the
// gain of the channel at both tones, which the steady mark before the data shows,
// and the bits themselves as they become known. It is not published that the phase
// is continuous; if the sender keys two tones that run on, each keeps its own, and
// that is tried as well.
const (
	fskPhases   = 3
	fskPilot    = 33 // bits of steady mark before the data that are used
	fskStarts   = 4  // phases of the space's gain against the mark's that are tried
	fskRefining = 2  // rounds in which gains and bits are found from each other
	// fskFitted is the log-likelihood by which gains that were fitted seem better than
	// they are.
	fskFitted = 12.0
	// fskSettled is the evidence from which it is settled whether the phase is
	// continuous.
	fskSettled = 100.0
)

// fskTurns are the phases: n thirds of a cycle.
var fskTurns = [fskPhases]complex128{1, cmplx.Rect(1, 2*math.Pi/3), cmplx.Rect(1, -2*math.Pi/3)}

// phased weighs the bits of a second with their phases.
type phased struct {
	// Amplitudes of space and mark by bit, the pilot's first, in units of noise.
	tone [2][fskPilot + fskBits]complex128
	gain [2][10]complex128 // of the channel by character, likewise
	// keyed is whether the tones keep their own phases, instead of following each
	// other with continuous phase.
	keyed bool
	// is the probability that a bit is a space or a mark, and seen what it then
	// shows of the gain, times that.
	is   [2][fskPilot + fskBits]float64
	seen [2][fskPilot + fskBits]complex128
	lead float64 // of the evidence for keyed tones over that for continuous phase, so far
}

// scale puts the amplitudes in units of noise, given as energy.
func (p *phased) scale(noise float64) {
	for value := range p.tone {
		for b := range p.tone[value] {
			p.tone[value][b] /= complex(math.Sqrt(noise), 0)
		}
	}
}

// straighten takes out of the phases what the pitch differs from that at which
// the tones were measured, up to 9 Hz, by the steady mark.
func (p *phased) straighten() {
	const apart = fskPilot / 2 // bits
	var turn complex128
	for b := range fskPilot - apart {
		turn += p.tone[1][b+apart] * cmplx.Conj(p.tone[1][b])
	}
	step := cmplx.Phase(turn) / apart
	for value := range p.tone {
		for b := range p.tone[value] {
			p.tone[value][b] *= cmplx.Rect(1, -step*float64(b))
		}
	}
}

// weigh returns the log-odds of each bit, and the log-likelihood of all against
// noise.
func (p *phased) weigh() (odds [fskBits]float64, evidence float64) {
	for b := range fskPilot {
		p.is[1][b], p.seen[1][b] = 1, p.tone[1][b]
	}
	best := [2]float64{math.Inf(-1), math.Inf(-1)}
	for start := range 2 * fskStarts {
		p.keyed = start >= fskStarts
		if p.keyed && p.lead < -fskSettled || !p.keyed && p.lead > fskSettled {
			continue
		}
		turn := cmplx.Rect(1, 2*math.Pi*float64(start)/fskStarts)
		// From character to character first, as far as the gain is known.
		state := [fskPhases]float64{1}
		for c := range 10 {
			p.measure(c, c)
			if c == 0 {
				p.gain[0][0] = p.gain[1][0] * turn
			}
			state, _ = p.pass(c, c+1, state)
		}
		sum := 0.0
		for range fskRefining {
			for c := range 10 {
				p.measure(c, 10)
			}
			_, sum = p.pass(0, 10, [fskPhases]float64{1})
		}
		if sum > max(best[0], best[1]) {
			for b := range odds {
				odds[b] = min(max(math.Log(p.is[1][fskPilot+b]/p.is[0][fskPilot+b]), -fskBitCap), fskBitCap)
			}
		}
		best[start/fskStarts] = max(best[start/fskStarts], sum)
	}
	if evidence = max(best[0], best[1]) - fskFitted; evidence > 0 && !math.IsInf(best[0]+best[1], 0) {
		p.lead += best[1] - best[0]
	}
	return odds, evidence
}

// measure finds the gains at a character from the bits before character end.
func (p *phased) measure(character, end int) {
	for value := range p.gain {
		var sum complex128
		weight := 0.0
		for b := range fskPilot + end*fskCharacter {
			away := math.Abs(float64(b-fskPilot-character*fskCharacter)-(fskCharacter-1)/2.0) / (fskReach * fskCharacter)
			if away >= 1 {
				continue
			}
			sum += complex(1-away, 0) * p.seen[value][b]
			weight += (1 - away) * p.is[value][b]
		}
		if weight > 0 {
			p.gain[value][character] = sum / complex(weight+1, 0)
		}
	}
}

// phase is that of a tone in a bit after n spaces, for a gain of 1. With
// continuous phase a space's own continuation advances by two thirds of a cycle a
// bit against the mark's.
func (p *phased) phase(value, b, n int) complex128 {
	switch {
	case p.keyed:
		return 1
	case value == 1:
		return fskTurns[n]
	}
	return fskTurns[(n+2*b)%fskPhases]
}

// pass finds the probabilities of the bits of some characters, given those of
// the number of spaces before them, by the forward-backward algorithm (Bahl,
// Cocke, Jelinek and Raviv 1974). It returns those after them, and the
// log-likelihood of all bits against noise.
func (p *phased) pass(from, to int, state [fskPhases]float64) (after [fskPhases]float64, evidence float64) {
	first, last := fskPilot+from*fskCharacter, fskPilot+to*fskCharacter
	var like [2][fskPilot + fskBits][fskPhases]float64
	var forward [fskPilot + fskBits + 1][fskPhases]float64
	forward[first] = state
	for b := first; b < last; b++ {
		c := (b - fskPilot) / fskCharacter
		spread := 1 + fskFloor*max(sqAbs(p.gain[0][c]), sqAbs(p.gain[1][c]))
		bit := (b - fskPilot) % fskCharacter
		var log [2][fskPhases]float64
		top := math.Inf(-1)
		for value := range log {
			g := p.gain[value][c]
			for n := range log[value] {
				y := p.tone[value][b] * cmplx.Conj(g*p.phase(value, b, n))
				log[value][n] = (2*real(y) - sqAbs(g)) / spread
				top = max(top, log[value][n])
			}
		}
		sum := 0.0
		for value := range log {
			if bit == 0 && value == 1 || bit >= fskCharacter-2 && value == 0 {
				continue // start and stop bits are known
			}
			for n, l := range log[value] {
				like[value][b][n] = math.Exp(max(l-top, -fskCap))
				next := (n + 1 - value) % fskPhases
				x := forward[b][n] * like[value][b][n]
				forward[b+1][next] += x
				sum += x
			}
		}
		evidence += top + math.Log(sum)
		if bit > 0 && bit < fskCharacter-2 {
			evidence -= math.Ln2 // a bit of data is either
		}
		for n := range forward[b+1] {
			forward[b+1][n] /= sum
		}
	}
	back := [fskPhases]float64{1, 1, 1}
	for b := last - 1; b >= first; b-- {
		var before [fskPhases]float64
		sum := 0.0
		for value := range like {
			p.is[value][b], p.seen[value][b] = 0, 0
			for n := range back {
				x := like[value][b][n] * back[(n+1-value)%fskPhases]
				before[n] += x
				is := forward[b][n] * x
				p.is[value][b] += is
				p.seen[value][b] += complex(is, 0) * cmplx.Conj(p.phase(value, b, n))
				sum += is
			}
		}
		for value := range like {
			p.is[value][b] /= sum
			p.seen[value][b] *= p.tone[value][b] / complex(sum, 0)
		}
		most := max(before[0], before[1], before[2])
		for n := range back {
			back[n] = before[n] / most
		}
	}
	return forward[last], evidence
}
