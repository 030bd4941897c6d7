package levels

import (
	"fmt"
	"math"
	"strings"
)

// Verdict is what a check comes to.
type Verdict string

const (
	Good Verdict = "good"
	Poor Verdict = "poor" // it will do, but could be better
	Bad  Verdict = "bad"  // it will not do
)

// Check is one item of the list that a person goes through.
type Check struct {
	Name    string  `json:"name"`
	Verdict Verdict `json:"verdict"`
	Finding string  `json:"finding"`
	Remedy  string  `json:"remedy"` // what to do; empty when good
}

// Roles are the channels as the person means them, from 1; 0: whichever.
type Roles struct{ Receiver, Marker int }

// Limits of what is good and what will do (common practice).
const (
	silentDB    = -80 // dBFS, peak
	lowDB       = -45 // dBFS, rms of the receiver
	hotDB       = -1  // dBFS, peak
	lowPulse    = 0.03
	leastDC     = 0.001 // worth a number
	mostDC      = 0.05
	humPoorDB   = -20 // against the channel's rms
	humFloorDB  = -60 // dBFS
	leakPoorDB  = -60
	leakBadDB   = -30
	poorJitter  = 5e-6 // s
	mostFalse   = 0.4  // pulses in between, each second (half of them are counted)
	clockPoor   = 100  // 1e-6
	clockBad    = 200
	sameSignal  = 0.98
	leastLength = 7 // s
)

// Checks goes through the list.
func (r *Report) Checks(roles Roles) []Check {
	var all []Check
	add := func(name string, v Verdict, finding, remedy string) {
		if v == Good {
			remedy = ""
		}
		all = append(all, Check{name, v, finding, remedy})
	}
	for i, c := range r.Channels {
		r.checkLevel(add, i, c)
	}
	if len(r.Channels) < 2 {
		add("channels", Bad, "one channel", "choose an input with two: the receiver on one, the marker on the other")
		return all
	}
	if math.Abs(r.Correlation) > sameSignal {
		add("channels", Bad, "both carry the same signal", "the input may be mono, or a splitter lead in use: give receiver and marker a channel each")
		return all
	}
	if r.Seconds < leastLength {
		add("marker", Poor, "not heard for long enough yet", "wait")
		return all
	}
	r.checkMarker(add, roles)
	if r.Marker == 0 {
		return all
	}
	r.checkPulse(add, *r.Channels[r.Marker-1].Pulse)
	checkLeak(add, "marker in receiver", r.MarkerToReceiver, "keep the leads apart, feed the marker through a larger resistor, turn its level down")
	checkLeak(add, "receiver in marker", r.ReceiverToMarker, "keep the leads apart, turn the receiver's level down")
	ppm := math.Abs(*r.ClockPPM)
	v := Good
	if ppm > clockBad {
		v = Bad
	} else if ppm > clockPoor {
		v = Poor
	}
	add("sample clock", v, fmt.Sprintf("%+.1f ppm against the marker", *r.ClockPPM), "set --rate to the card's own; if it is, use another card, or look to the clock's rate")
	return all
}

type adder func(name string, v Verdict, finding, remedy string)

func (r *Report) checkLevel(add adder, i int, c Channel) {
	name := fmt.Sprintf("channel %d", i+1)
	peak, rms := c.PeakDB(), 20*math.Log10(c.RMS)
	levels := fmt.Sprintf("peak %.0f dBFS, rms %.0f dBFS", peak, rms)
	isMarker := c.Pulse != nil
	switch {
	case c.Peak == 0:
		add(name+" level", Bad, "silent", "nothing arrives: check lead, input and mixer, and whether the receiver or clock is on")
		return
	case peak < silentDB:
		add(name+" level", Bad, "no signal: "+levels, "check lead, input and mixer, and whether the receiver or clock is on")
		return
	case c.Clipped > 0:
		add(name+" level", Bad, fmt.Sprintf("clipping, %d samples: %s", c.Clipped, levels), "turn it down until peaks stay below -6 dBFS")
	case peak > hotDB:
		add(name+" level", Poor, "nearly clipping: "+levels, "turn it down until peaks stay below -6 dBFS")
	case !isMarker && rms < lowDB:
		add(name+" level", Poor, "low: "+levels, "turn the receiver or the input up")
	case isMarker && c.Pulse.Amplitude < lowPulse:
		add(name+" level", Poor, fmt.Sprintf("a small pulse: %.1f %% of full scale", 100*c.Pulse.Amplitude), "turn the input up, or feed the marker through a smaller resistor")
	default:
		add(name+" level", Good, levels, "")
	}
	if !isMarker { // a pulse has DC of its own
		v, dc := Good, "none"
		if math.Abs(c.DC) > leastDC {
			dc = fmt.Sprintf("%+.1f %% of full scale", 100*c.DC)
		}
		if math.Abs(c.DC) > mostDC {
			v = Poor
		}
		add(name+" DC", v, dc, "put a capacitor in the lead, or check the input")
	}
	humDB := 20 * math.Log10(c.Hum.Level)
	if c.Hum.Hz > 0 && humDB > humFloorDB {
		v := Good
		if humDB > rms+humPoorDB {
			v = Poor
		}
		add(name+" hum", v, fmt.Sprintf("%.0f Hz and harmonics, %.0f dBFS", c.Hum.Hz, humDB), "look for an earth loop: run everything from one outlet, or use an isolating transformer in the audio lead")
	} else {
		add(name+" hum", Good, "none", "")
	}
}

func (r *Report) checkMarker(add adder, roles Roles) {
	if wired := r.Wired(); len(wired) > 1 {
		add("marker", Poor, fmt.Sprintf("pulses of their own on channels %s", strings.Trim(fmt.Sprint(wired), "[]")), "that is a comparison by wire (--wired); for a measurement by radio the receiver belongs on one of them")
		if r.Marker == 0 {
			return
		}
	}
	switch {
	case r.Marker == 0:
		reason := r.choice.Reason
		add("marker", Bad, "not found: "+reason, "check that the clock's pulse reaches the input, once a second")
	case roles.Marker > 0 && r.Marker != roles.Marker || roles.Receiver > 0 && r.Receiver != roles.Receiver:
		add("marker", Bad, fmt.Sprintf("the channels are swapped: the marker is on channel %d", r.Marker), "swap the leads, or leave --receiver-channel and --marker-channel out")
	default:
		add("marker", Good, fmt.Sprintf("on channel %d", r.Marker), "")
	}
}

func (r *Report) checkPulse(add adder, p Pulse) {
	width := "width unknown"
	if p.Width > 0 {
		width = fmt.Sprintf("%.3g ms wide", p.Width*1e3)
	}
	shape := fmt.Sprintf("%s edge, %s, %.0f %% of full scale", p.Edge, width, 100*p.Amplitude)
	if r.assessments[r.Marker-1].Ambiguous {
		add("marker shape", Bad, shape, "the pulse lasts half a second: say with --marker-edge which edge is on time")
	} else {
		add("marker shape", Good, shape, "")
	}
	if float64(p.False) > mostFalse*r.Seconds {
		add("marker rate", Bad, "more than one pulse a second", "set the clock's output to one pulse a second: of several, nobody can tell which is on time")
	} else {
		add("marker rate", Good, "one pulse a second", "")
	}
	v, jitter := Good, fmt.Sprintf("%.2g us", p.Jitter*1e6)
	if p.Jitter > poorJitter {
		v = Poor
	}
	add("marker jitter", v, jitter, "a clock that is this restless, or a pulse this small or slow, costs precision: look to its level and edge")
	if p.Missed > 0 || p.False > 0 {
		add("marker pulses", Poor, fmt.Sprintf("%d missing, %d false", p.Missed, p.False), "look for a loose contact, or for a lead that picks up sparks")
	} else {
		add("marker pulses", Good, "none missing, none false", "")
	}
}

func checkLeak(add adder, name string, l *Leak, remedy string) {
	if l == nil {
		return
	}
	if !l.Found {
		add(name, Good, fmt.Sprintf("none above %.0f dB", l.DB), "")
		return
	}
	v := Good
	switch {
	case l.DB > leakBadDB:
		v = Bad
	case l.DB > leakPoorDB:
		v = Poor
	}
	add(name, v, fmt.Sprintf("%.0f dB", l.DB), remedy)
}
