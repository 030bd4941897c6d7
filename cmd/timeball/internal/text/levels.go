package text

import (
	"fmt"
	"math"
	"strings"

	"timeball/detect/levels"
	"timeball/detect/longwave"
)

// Check is one item of the list of wiring and levels, in words.
type Check struct {
	Name    string         `json:"name"`
	Verdict levels.Verdict `json:"verdict"`
	Finding string         `json:"finding"`
	Remedy  string         `json:"remedy"` // what to do; empty when good
}

// Checks puts a list of checks into words.
func Checks(r *levels.Report, list []levels.Check) []Check {
	all := make([]Check, len(list))
	for i, c := range list {
		all[i].Verdict = c.Verdict
		all[i].Name, all[i].Finding, all[i].Remedy = check(r, c)
		if c.Verdict == levels.Good {
			all[i].Remedy = ""
		}
	}
	return all
}

// leastDC is the least share of full scale that is worth a number.
const leastDC = 0.001

// check words what was found of what, and what to do if that is not good.
func check(r *levels.Report, c levels.Check) (name, finding, remedy string) {
	var channel levels.Channel
	if c.Channel > 0 {
		channel = r.Channels[c.Channel-1]
	}
	level := fmt.Sprintf("peak %sFS, rms %sFS", decibels(channel.PeakDB()), decibels(20*math.Log10(channel.RMS)))
	of := func(what string) string { return fmt.Sprintf("channel %d %s", c.Channel, what) }
	const arrives, turnDown = "check lead, input and mixer, and whether the receiver or clock is on", "turn it down until peaks stay below -6 dBFS"
	switch c.Finding {
	case levels.Silent:
		return of("level"), "silent", "nothing arrives: " + arrives
	case levels.NoSignal:
		return of("level"), "no signal: " + level, arrives
	case levels.Clipping:
		return of("level"), fmt.Sprintf("clipping, %d samples: %s", channel.Clipped, level), turnDown
	case levels.NearlyClipping:
		return of("level"), "nearly clipping: " + level, turnDown
	case levels.LowLevel:
		return of("level"), "low: " + level, "turn the receiver or the input up"
	case levels.SmallPulse:
		return of("level"), fmt.Sprintf("a small pulse: %.1f %% of full scale", 100*channel.Pulse.Amplitude),
			"turn the input up, or feed the marker through a smaller resistor"
	case levels.FairLevel:
		return of("level"), level, ""
	case levels.Offset:
		dc := "none"
		if math.Abs(channel.DC) > leastDC {
			dc = fmt.Sprintf("%+.1f %% of full scale", 100*channel.DC)
		}
		return of("DC"), dc, "put a capacitor in the lead, or check the input"
	case levels.MainsHum:
		return of("hum"), fmt.Sprintf("%.0f Hz and harmonics, %sFS", channel.Hum.Hz, decibels(20*math.Log10(channel.Hum.Level))),
			"look for an earth loop: run everything from one outlet, or use an isolating transformer in the audio lead"
	case levels.NoHum:
		return of("hum"), "none", ""
	case levels.LongWave:
		return of("long wave"), carriers(channel.Carriers), ""

	case levels.OneChannel:
		return "channels", "one channel", "choose an input with two: the receiver on one, the marker on the other"
	case levels.SameSignal:
		return "channels", "both carry the same signal", "the input may be mono, or a splitter lead in use: give receiver and marker a channel each"

	case levels.NotYetHeard:
		return "marker", "not heard for long enough yet", "wait"
	case levels.ByWire:
		return "marker", "pulses of their own on channels " + channels(r.Wired()),
			"that is a comparison by wire (--wired); for a measurement by radio the receiver belongs on one of them"
	case levels.NoMarker:
		return "marker", "not found: " + choice(r.Choice()), "check that the clock's pulse reaches the input, once a second"
	case levels.Swapped:
		return "marker", fmt.Sprintf("the channels are swapped: the marker is on channel %d", r.Marker), "swap the leads, or leave --receiver-channel and --marker-channel out"
	case levels.MarkerThere:
		return "marker", fmt.Sprintf("on channel %d", r.Marker), ""
	case levels.HalfSecond:
		return "marker shape", shape(*channel.Pulse), "the pulse lasts half a second: say with --marker-edge which edge is on time"
	case levels.Shape:
		return "marker shape", shape(*channel.Pulse), ""
	case levels.ManyPulses:
		return "marker rate", "more than one pulse a second", "set the clock's output to one pulse a second: of several, nobody can tell which is on time"
	case levels.OnePulse:
		return "marker rate", "one pulse a second", ""
	case levels.Jitter:
		return "marker jitter", size(channel.Pulse.Jitter),
			"a clock that is this restless, or a pulse this small or slow, costs precision: look to its level and edge"
	case levels.LostPulses:
		return "marker pulses", fmt.Sprintf("%d missing, %d false", channel.Pulse.Missed, channel.Pulse.False), "look for a loose contact, or for a lead that picks up sparks"
	case levels.AllPulses:
		return "marker pulses", "none missing, none false", ""

	case levels.MarkerLeaks:
		return "marker in receiver", leak(r.MarkerToReceiver), "keep the leads apart, feed the marker through a larger resistor, turn its level down"
	case levels.ReceiverLeaks:
		return "receiver in marker", leak(r.ReceiverToMarker), "keep the leads apart, turn the receiver's level down"
	case levels.ClockRate:
		return "sample clock", fmt.Sprintf("%+.1f ppm against the marker", math.Round(*r.ClockPPM*10)/10+0), "set --sample-rate to the card's own; if it is, use another card, or look to the clock's rate"

	case levels.TicksHeard, levels.TicksGone:
		return sends(r.Ticks), heard(r.Ticks), "the signal may only fade: if it stays away, look to antenna, tuning and volume"
	case levels.TickUnknown:
		return "ticks", "a tick is heard, not yet known as a station's", "wait a minute or two, until its minute mark was heard"
	case levels.NoTickYet:
		return sends(r.Ticks), fmt.Sprintf("no %s heard yet, in %.0f s", strings.TrimSuffix(sends(r.Ticks), "s"), r.Ticks.Seconds), "wait"
	case levels.NoTick:
		return sends(r.Ticks), fmt.Sprintf("no %s heard in %.0f s", strings.TrimSuffix(sends(r.Ticks), "s"), r.Ticks.Seconds),
			"look to tuning, mode (timeball stations), antenna and volume; timeball outlook tells what can be heard now; a weak station takes minutes"
	case levels.TicksUnsought:
		return "ticks", "not looked for", "the marker first: ticks are counted by its seconds"
	}
	panic(fmt.Sprintf("no words for finding %d", c.Finding))
}

// sends is what stations send once a second.
func sends(t *levels.Ticks) string {
	if t.Marks {
		return "marks"
	}
	return "ticks"
}

// heard tells of the ticks of each station that was heard.
func heard(t *levels.Ticks) string {
	var list []string
	for _, s := range t.Stations {
		say := sends(t) + " of " + strings.ToUpper(s.ID) + " heard"
		switch {
		case s.Gone > 0:
			list = append(list, fmt.Sprintf("%s before, not for %.0f s", say, s.Gone))
			continue
		case s.AsNamed:
			say = "ticks heard, taken for " + strings.ToUpper(s.ID) + "'s, as named"
		}
		if s.SNRdB != nil {
			say += ", " + decibels(*s.SNRdB)
		}
		list = append(list, say)
	}
	return strings.Join(list, "; ")
}

func shape(p levels.Pulse) string {
	width := "width unknown"
	if p.Width > 0 {
		width = digits(p.Width*1e3, 3) + " ms wide"
	}
	return fmt.Sprintf("%s edge, %s, %.0f %% of full scale", p.Edge, width, 100*p.Amplitude)
}

func leak(l *levels.Leak) string {
	if !l.Found {
		return "none above " + decibels(l.DB)
	}
	return decibels(l.DB)
}

// carriers lists those on long wave with what stands beside them.
func carriers(all []longwave.Carrier) string {
	var list []string
	for _, c := range all {
		text := fmt.Sprintf("%g kHz (%s) %.0f dBHz", c.Hz/1e3, strings.ToUpper(strings.Join(c.Stations, ", ")), c.CN0dBHz)
		for _, b := range c.Beside {
			text += fmt.Sprintf(", a line %+.0f Hz from it at %+.0f dB", b.OffsetHz, math.Round(b.LevelDB)+0)
		}
		list = append(list, text)
	}
	return strings.Join(list, "; ")
}
