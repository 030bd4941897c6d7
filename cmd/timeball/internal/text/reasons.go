package text

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"timeball/align"
	"timeball/detect/marker"
	"timeball/detect/timecode"
)

// Fix says which program made the fix, and puts into words why there is no fix,
// what is to be said beside it, how to set the hands and where the budget's lines come
// from.
func Fix(f align.Fix) align.Fix {
	f.Program = Version()
	if f.Why != nil {
		f.Reason = reason(f.Why)
	}
	f.Warnings = slices.Clone(f.Warnings)
	for _, n := range f.Notices {
		f.Warnings = append(f.Warnings, reason(n))
	}
	f.Notices = nil
	if f.Setting != nil {
		f.Hands = hands(*f.Setting)
	}
	f.Budget = slices.Clone(f.Budget)
	for i, l := range f.Budget {
		if l.Known != nil {
			f.Budget[i].Note = remark(l.Known)
		}
	}
	return f
}

// Second puts into words why there is no fix, what is left to turn and how to set the
// hands.
func Second(s align.Second) align.Second {
	if s.Why != nil {
		s.Reason = reason(s.Why)
	}
	if s.Turning != nil {
		worded := *s.Turning
		worded.Says = turning(&worded)
		s.Turning = &worded
	}
	if s.Setting != nil {
		s.Hands = hands(*s.Setting)
	}
	return s
}

// reason words what a measurement has to say, with the flags that mend it.
func reason(r align.Reason) string {
	switch r := r.(type) {
	case align.TooShort:
		return fmt.Sprintf("fewer than %.0f s were heard, too few to tell the marker", r.NeedSeconds)
	case align.NoMarkerChannel:
		return choice(r.Choice)
	case align.NoPulse:
		what := "marker"
		if r.Reference {
			what = "reference pulse"
		}
		return fmt.Sprintf("no %s on channel %d: %s", what, r.Channel, finding(r.Finding))
	case align.ManyReceivers:
		return fmt.Sprintf("%d channels beside the marker: say which is the receiver with --receiver-channel", r.Channels)
	case align.SameChannel:
		return "the marker is on the channel named as the receiver's"
	case align.NoStation:
		return "no station's ticks were found in the receiver channel"
	case align.TickUnknown:
		return waiting(r.Waiting)
	case align.OffAir:
		return "by the station table " + strings.ToUpper(strings.Join(r.Stations, ", ")) + " sends no ticks at the time of the recording"
	case align.TakenAsNamed:
		return fmt.Sprintf("taken for %s, as named: its minute has not been heard", strings.ToUpper(r.Station))
	case align.ReceiverOtherwise:
		return "the noise does not come through the filters that were calibrated: set the receiver as it was then, or calibrate it anew"
	case align.OtherStation:
		return fmt.Sprintf("what is heard is %s: measure by it with --station %s, or tune to the one named", callSigns(r.IDs, " or "), strings.Join(r.IDs, " or "))
	case align.SharedCarrier:
		at, side := r.AtSeconds, "after"
		if at > 0.5 {
			at, side = 1-at, "before"
		}
		return fmt.Sprintf("%s is not alone in the tone at %.0f Hz: an edge that its code does not have comes %.0f ms %s its second. Switch the receiver's gain control off; if it stays, that is %s on the same carrier: turn a loop's null to it, or measure at another hour", strings.ToUpper(r.ID), r.ToneHz, 1e3*at, side, callSigns(r.Others, " or "))
	case align.AlikeStations:
		return callSigns(r.IDs, " and ") + " send the same: name only the one that the receiver is tuned to"
	case align.OneOfAlike:
		return fmt.Sprintf("taken for %s, as named: %s would sound the same, so make sure of what the receiver is tuned to", strings.ToUpper(r.ID), callSigns(r.Others, " or "))
	case align.NoBeat:
		if r.AstrayHz > 0 {
			return fmt.Sprintf("the beat note of a keyed carrier is at %.0f Hz: tune the receiver so that it lies between %g and %g Hz", r.AstrayHz, r.LowHz, r.HighHz)
		}
		if r.ToneHz > 0 {
			return fmt.Sprintf("a tone stands out at %.0f Hz, but it is not keyed as %s alone would key it: if it is the beat note, another station on the carrier, fading or a receiver's gain control hides the marks", r.ToneHz, strings.ToUpper(r.ID))
		}
		return fmt.Sprintf("no beat note of %s was found between %g and %g Hz, where the receiver is to be tuned so that it lies; frames at %g kHz cannot hold its carrier of %.4g kHz itself", strings.ToUpper(r.ID), r.LowHz, r.HighHz, r.RateHz/1e3, r.CarrierHz/1e3)
	case align.CarriersOnly:
		var parts, ids []string
		for _, c := range r.Carriers {
			parts = append(parts, fmt.Sprintf("%.4g kHz (%s) with %.0f dBHz", c.Hz/1e3, strings.ToUpper(strings.Join(c.Stations, ", ")), c.CN0dBHz))
			ids = append(ids, c.Stations...)
		}
		if r.Asked {
			return "the carrier on " + strings.Join(parts, "; ") + " is there, but not yet the order of a minute in its marks, which takes up to two minutes"
		}
		return "no station's ticks were found, but these carriers on long wave: " + strings.Join(parts, "; ") + "; name whose it is: --station " + strings.Join(ids, " or ")
	case align.NoCarrier:
		var at []string
		for _, hz := range r.Hz {
			at = append(at, fmt.Sprintf("%.4g", hz/1e3))
		}
		return fmt.Sprintf("no carrier stands out at %s kHz in the receiver channel: look to the antenna, its lead and the input's level", strings.Join(at, " or "))
	case align.NotBeside:
		return fmt.Sprintf("nothing was found, and %s was not looked for: its beat note may be any tone, so name long-wave stations alone", strings.ToUpper(r.ID))
	case align.Unsettled:
		return "frames were lost, and the ticks since are too few to tell how many"
	case align.PathUnknown:
		lack := "give the time of the recording (--start), or --path-delay"
		switch {
		case r.Err != nil:
			lack = r.Err.Error()
		case r.Place && r.Time:
			lack = "give --at LAT,LON and the time of the recording (--start), or --path-delay"
		case r.Place:
			lack = "give --at LAT,LON, or --path-delay"
		}
		return "the path delay is not known: " + lack + "; the offset is not corrected for it"
	case align.FewPulses:
		return fmt.Sprintf("fewer than %d pulses of both clocks together", r.Need)

	case align.Disagreement:
		return fmt.Sprintf("the stations disagree by more than their uncertainties allow (χ² = %.1f for %d degrees of freedom): the interval is widened", r.Chi2, r.DoF)
	case align.PathContradicted:
		return fmt.Sprintf("%s: an arrival %.2f ms after the first fits no two of the predicted modes: check station, place, time and sunspot number", r.Station, 1e3*r.ExcessSeconds)
	case align.FarPath:
		return strings.ToUpper(r.Station) + ": " + farPath()
	case align.IonosondeElsewhen:
		return fmt.Sprintf("the ionosonde's values are not taken: none of %d is of the day before or after %s", r.Measurements, r.Time.UTC().Format("2006-01-02 15:04 UTC"))
	case align.LoopContradicted:
		return fmt.Sprintf("%s: the noise beside the carrier is that of a loop of a quality of %.3g ± %.2g, not of the %.3g that was given: check --loop-q or calibrate the loop; the difference is in the budget", strings.ToUpper(r.Station), r.Noise.Q, 1.96*r.Noise.U, r.Q)
	case align.PhaseContradicts:
		return fmt.Sprintf("%s: the phase code comes %s %s than the edges of the level, which is more than noise makes (u = %s): check the loop's quality, or a filter in front; half of it is in the budget",
			strings.ToUpper(r.Station), size(math.Abs(r.LaterSeconds)), laterOrEarlier(r.LaterSeconds), size(r.U))
	case align.LeftOut:
		return fmt.Sprintf("%s is left out: %v", r.Recording, r.Err)
	case align.Contradicts:
		return fmt.Sprintf("%s: %s contradicts the other recordings and does not count: check its carrier and time, and whether the clock was set", r.Recording, strings.ToUpper(r.Station))
	case align.Doubted:
		return fmt.Sprintf("%s: %s probably comes late, scattered sideways; the other recordings make that %.0f times likelier", r.Recording, strings.ToUpper(r.Station), r.Times)
	case align.StartContradicted:
		by := "the recording notes"
		if r.Broadcast {
			by = "the broadcast tells"
		}
		return fmt.Sprintf("the start of the recording is taken as %s, but %s %s: a path delay computed for the wrong time is wrong; correct --start", r.Given.UTC().Format("2006-01-02 15:04 UTC"), by, r.Told.UTC().Format("2006-01-02 15:04 UTC"))
	case align.OutOfBeat:
		return fmt.Sprintf("the marker is out of beat by %s: every second interval is longer by as much; the offset is that of the mean", size(r.BySeconds))
	case align.Jittery:
		return fmt.Sprintf("the marker's pulses scatter by %s: the offset is that of their mean line, and a step of less than %s shows only after some pulses", size(r.JitterSeconds), size(r.StepSeconds))
	case align.HandsUntold:
		return "nothing can be said of the hands: the broadcast has not told the time yet"
	}
	panic(fmt.Sprintf("no words for %T", r))
}

// remark words how a contribution to the uncertainty came to be known.
func remark(r align.Remark) string {
	switch r := r.(type) {
	case nil:
		return ""
	case align.Told:
		return string(r)
	case align.Assumed:
		return "assumed: none was given"
	case align.NoReceiver:
		return "no receiver: the antenna itself is sampled"
	case align.TuningAssumed:
		return "its quality as given, its tuning to a thousandth"
	case align.LoopInNoise:
		if r.Q < 1.96*r.U {
			return fmt.Sprintf("none was given, and by the noise beside the carrier it has any quality from none to %.0f: --loop-q tells it", r.Q+1.96*r.U)
		}
		return fmt.Sprintf("none was given; the noise beside the carrier is that of a quality of %.3g ± %.2g", r.Q, 1.96*r.U)
	case align.KeyedByMarker:
		return "keyed by the marker"
	case align.EdgeFitted:
		return "the time constant of the carrier's edge, fitted with what is known of it beforehand"
	case align.FilterUntold:
		return "what it may be that the noise does not tell"
	case align.FilterInEdges:
		return "edges are not of the form that a wide filter leaves: take one of 2 kHz or more, with the beat note in its middle"
	case align.SinceTicks:
		return "over the time since the middle of the ticks"
	case align.AllTogether:
		return "of all recordings together"
	case align.OneShape:
		return "both pulses are of one shape: what is in doubt is common to them but for a tenth"
	case align.PathComputed:
		say := "computed; first arrival most likely " + r.First
		if r.BySpacing > 0 {
			say = fmt.Sprintf("computed; the spacing of the arrivals makes %s the first with %.0f %%", r.First, 100*r.BySpacing)
		}
		if s := r.BySky; s != (align.Sky{}) {
			say = fmt.Sprintf("computed; the marks show a sky wave of %.0f ± %.0f dB against the ground wave", s.Level, 1.96*s.U)
		}
		var from []string
		for _, s := range r.From {
			from = append(from, fmt.Sprintf("%s %.0f %%", s.Cause, 100*s.Share))
		}
		return say + "; from " + strings.Join(from, ", ")
	}
	panic(fmt.Sprintf("no words for %T", r))
}

// hands words how to set a clock's hands.
func hands(s timecode.Setting) string {
	part := func(name string, n int, guess string) string {
		switch {
		case n == 0:
			return "the " + name + " are right"
		case n < 0:
			return fmt.Sprintf("pull the %s forward by %d%s", name, -n, guess)
		}
		return fmt.Sprintf("pull the %s back by %d%s", name, n, guess)
	}
	words := []string{part("seconds", s.Seconds, "")}
	if s.MinutesRead {
		words = append(words, part("minutes", s.Minutes, ""))
	}
	if s.HoursRead {
		guess := ""
		switch {
		case s.ZoneForgotten():
			guess = " (does it keep UTC?)"
			if s.UT1 {
				guess = " (does it keep UT1?)"
			}
		case s.Hours == 1 || s.Hours == -1:
			guess = " (summer time?)"
		}
		words = append(words, part("hours", s.Hours, guess))
	}
	return strings.Join(words, ", ")
}

// size is a length of time to two digits, as of what is only estimated.
func size(seconds float64) string {
	u := UnitFor(seconds, SecondUnits)
	return digits(seconds/u.Size, 2) + " " + u.Name
}

// waiting words what a tick that is heard needs.
func waiting(w align.Waiting) string {
	say := "a tick is heard, not yet known as a station's: "
	switch {
	case w.For == align.OrderOfMarks:
		return fmt.Sprintf("marks as %s sends them are heard: wait for the order of a minute in them, which takes up to two minutes", strings.ToUpper(w.Station))
	case w.For == align.WholeOrder:
		say += "something else repeats with it every second, and it does not keep a station's minute"
	case w.In != nil:
		say += fmt.Sprintf("wait for the %s, %.0f s", w.For, *w.In)
	default:
		say += fmt.Sprintf("wait for %s", w.For)
	}
	if w.Rival != "" {
		say += fmt.Sprintf("; it may be %s or %s", strings.ToUpper(w.Station), strings.ToUpper(w.Rival))
	}
	return say
}

// choice words why no channel was chosen for the marker's.
func choice(c marker.Choice) string {
	switch {
	case len(c.Wired) > 1:
		return "more than one channel carries a clean pulse once a second: a comparison by wire, or say which is the marker"
	case c.Ambiguous > 0:
		return fmt.Sprintf("channel %d: %s", c.Ambiguous, finding(marker.HalfSecond))
	}
	return "no channel carries a clean pulse once a second"
}

// finding words what a channel carries that is no marker.
func finding(f marker.Finding) string {
	switch f {
	case marker.Nothing:
		return "no pulse stands out of the noise"
	case marker.Irregular:
		return "there are sharp edges, but none that comes once a second"
	case marker.Crowded:
		return "what comes once a second is a burst, as a station's tick is, and not a single pulse"
	case marker.HalfSecond:
		return "the pulse is half a second wide, so its two edges look alike; say which is on time: rising or falling"
	case marker.Unstable:
		return "what comes once a second never has the same shape twice"
	}
	panic(fmt.Sprintf("no words for finding %d", f))
}

func channels(list []int) string { return strings.Trim(fmt.Sprint(list), "[]") }

func laterOrEarlier(seconds float64) string {
	if seconds < 0 {
		return "earlier"
	}
	return "later"
}

// callSigns lists stations.
func callSigns(ids []string, between string) string {
	all := make([]string, len(ids))
	for i, id := range ids {
		all[i] = strings.ToUpper(id)
	}
	return strings.Join(all, between)
}
