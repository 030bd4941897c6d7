package text

import (
	"errors"
	"strings"
	"testing"
	"time"

	"timeball/align"
	"timeball/detect/levels"
	"timeball/detect/longwave"
	"timeball/detect/marker"
	"timeball/detect/timecode"
)

// Whatever a measurement may have to say, there are words for it, with its numbers.
func TestReasons(t *testing.T) {
	seconds := 23.0
	carriers := []longwave.Carrier{{Hz: 60e3, Stations: []string{"msf", "wwvb"}, CN0dBHz: 41}, {Hz: 77.5e3, Stations: []string{"dcf77"}, CN0dBHz: 58}}
	for _, tt := range []struct {
		why  align.Reason
		want string
	}{
		{align.TooShort{NeedSeconds: 6}, "fewer than 6 s"},
		{align.NoMarkerChannel{Choice: marker.Choice{Channel: -1}}, "no channel carries"},
		{align.NoMarkerChannel{Choice: marker.Choice{Channel: -1, Wired: []int{0, 1}}}, "a comparison by wire"},
		{align.NoMarkerChannel{Choice: marker.Choice{Channel: -1, Ambiguous: 2}}, "channel 2: the pulse is half a second wide"},
		{align.NoPulse{Channel: 2, Finding: marker.Nothing}, "no marker on channel 2: no pulse stands out"},
		{align.NoPulse{Channel: 1, Reference: true, Finding: marker.Crowded}, "no reference pulse on channel 1: what comes once a second is a burst"},
		{align.NoPulse{Channel: 1, Finding: marker.Irregular}, "none that comes once a second"},
		{align.NoPulse{Channel: 1, Finding: marker.Unstable}, "never has the same shape twice"},
		{align.ManyReceivers{Channels: 3}, "3 channels beside the marker"},
		{align.SameChannel{}, "named as the receiver's"},
		{align.NoStation{}, "no station's ticks"},
		{align.TickUnknown{Waiting: align.Waiting{Station: "wwv", Rival: "bpm", For: align.MinuteMark, In: &seconds}}, "wait for the minute mark, 23 s; it may be WWV or BPM"},
		{align.TickUnknown{Waiting: align.Waiting{Station: "wwv", For: align.MoreTicks}}, "wait for more ticks"},
		{align.TickUnknown{Waiting: align.Waiting{Station: "dcf77", For: align.OrderOfMarks}}, "marks as DCF77 sends them are heard: wait for the order"},
		{align.TickUnknown{Waiting: align.Waiting{Station: "wwv", For: align.WholeOrder}}, "something else repeats with it"},
		{align.OffAir{Stations: []string{"ebc"}}, "by the station table EBC sends no ticks"},
		{align.TakenAsNamed{Station: "wwv"}, "taken for WWV, as named"},
		{align.NoBeat{ID: "dcf77", CarrierHz: 77500, RateHz: 48000, LowHz: 300, HighHz: 2700}, "no beat note of DCF77 was found between 300 and 2700 Hz, where the receiver is to be tuned so that it lies; frames at 48 kHz cannot hold its carrier of 77.5 kHz itself"},
		{align.NoBeat{ID: "dcf77", LowHz: 300, HighHz: 2700, AstrayHz: 150.2}, "at 150 Hz: tune the receiver so that it lies between 300 and 2700 Hz"},
		{align.NoBeat{ID: "msf", LowHz: 300, HighHz: 2700, ToneHz: 900.2}, "a tone stands out at 900 Hz, but it is not keyed as MSF alone would key it"},
		{align.LoopContradicted{Station: "dcf77", Q: 60, Noise: align.LoopInNoise{Q: 30.4, U: 1.2}}, "DCF77: the noise beside the carrier is that of a loop of a quality of 30.4 ± 2.4, not of the 60 that was given"},
		{align.NotBeside{ID: "dcf77"}, "DCF77 was not looked for"},
		{align.CarriersOnly{Carriers: carriers}, "but these carriers on long wave: 60 kHz (MSF, WWVB) with 41 dBHz; 77.5 kHz (DCF77) with 58 dBHz; name whose it is: --station msf or wwvb or dcf77"},
		{align.CarriersOnly{Carriers: carriers[1:], Asked: true}, "the carrier on 77.5 kHz (DCF77) with 58 dBHz is there, but not yet the order of a minute"},
		{align.OneOfAlike{ID: "jjy-40", Others: []string{"jjy-60"}}, "taken for JJY-40, as named: JJY-60 would sound the same"},
		{align.NoCarrier{Hz: []float64{60e3, 77.5e3}}, "no carrier stands out at 60 or 77.5 kHz"},
		{align.OtherStation{IDs: []string{"jjy-40", "jjy-60"}}, "heard is JJY-40 or JJY-60: measure by it with --station jjy-40 or jjy-60, or tune"},
		{align.SharedCarrier{ID: "msf", Others: []string{"wwvb", "jjy-60"}, ToneHz: 900.2, AtSeconds: 0.9814}, "MSF is not alone in the tone at 900 Hz: an edge that its code does not have comes 19 ms before its second. Switch the receiver's gain control off; if it stays, that is WWVB or JJY-60 on the same carrier"},
		{align.AlikeStations{IDs: []string{"jjy-40", "jjy-60"}}, "JJY-40 and JJY-60 send the same"},
		{align.Unsettled{}, "frames were lost"},
		{align.PathUnknown{Place: true, Time: true}, "--at LAT,LON and the time"},
		{align.PathUnknown{Place: true}, "give --at LAT,LON, or --path-delay"},
		{align.PathUnknown{Time: true}, "give the time of the recording (--start)"},
		{align.PathUnknown{Err: errors.New("too near")}, "not known: too near"},
		{align.FewPulses{Need: 8}, "fewer than 8 pulses"},
		{align.Disagreement{Chi2: 9.25, DoF: 1}, "χ² = 9.2 for 1 degrees"},
		{align.FarPath{Station: "bpm"}, "BPM: beyond 9000 km a tick may come another way round the earth"},
		{align.IonosondeElsewhen{Measurements: 12, Time: time.Date(2026, 3, 14, 18, 20, 0, 0, time.UTC)}, "none of 12 is of the day before or after 2026-03-14 18:20 UTC"},
		{align.PathContradicted{Station: "wwv", ExcessSeconds: 9e-3}, "wwv: an arrival 9.00 ms after the first fits no two"},
		{align.PhaseContradicts{Station: "dcf77", LaterSeconds: -42e-6, U: 4e-6}, "DCF77: the phase code comes 42 µs earlier than the edges of the level, which is more than noise makes (u = 4 µs)"},
		{align.HandsUntold{}, "nothing can be said of the hands"},
	} {
		f := Fix(align.Fix{Why: tt.why})
		if !strings.Contains(f.Reason, tt.want) {
			t.Errorf("%#v: %q, want %q", tt.why, f.Reason, tt.want)
		}
		if s := Second(align.Second{Why: tt.why}); s.Reason != f.Reason {
			t.Errorf("%#v: a second says %q", tt.why, s.Reason)
		}
		if f := Fix(Fix(align.Fix{Notices: []align.Reason{tt.why}})); len(f.Warnings) != 1 || !strings.Contains(f.Warnings[0], tt.want) {
			t.Errorf("%#v: warnings %q", tt.why, f.Warnings)
		}
	}
}

func TestRemarks(t *testing.T) {
	from := []align.Share{{Cause: "mode", Share: 0.91}, {Cause: "day to day", Share: 0.05}}
	for _, tt := range []struct {
		known align.Remark
		want  string
	}{
		{nil, ""},
		{align.Told("as given"), "as given"},
		{align.Assumed{}, "assumed: none was given"},
		{align.LoopInNoise{Q: 32, U: 40}, "none was given, and by the noise beside the carrier it has any quality from none to 110: --loop-q tells it"},
		{align.LoopInNoise{Q: 32, U: 16}, "none was given; the noise beside the carrier is that of a quality of 32 ± 31"},
		{align.FilterInEdges{}, "edges are not of the form that a wide filter leaves: take one of 2 kHz or more, with the beat note in its middle"},
		{align.LoopInNoise{Q: 28.94, U: 1}, "none was given; the noise beside the carrier is that of a quality of 28.9 ± 2"},
		{align.PathComputed{First: "1F2", From: from}, "computed; first arrival most likely 1F2; from mode 91 %, day to day 5 %"},
		{align.PathComputed{First: "1F2", BySpacing: 0.98, From: from[:1]}, "computed; the spacing of the arrivals makes 1F2 the first with 98 %; from mode 91 %"},
	} {
		before := align.Fix{Budget: []align.BudgetLine{{Known: tt.known}}}
		if f := Fix(before); f.Budget[0].Note != tt.want || before.Budget[0].Note != "" {
			t.Errorf("%#v: %q, want %q", tt.known, f.Budget[0].Note, tt.want)
		}
	}
}

func TestHands(t *testing.T) {
	for _, tt := range []struct {
		set  timecode.Setting
		want string
	}{
		{timecode.Setting{MinutesRead: true, HoursRead: true}, "the seconds are right, the minutes are right, the hours are right"},
		{timecode.Setting{Seconds: -3}, "pull the seconds forward by 3"},
		{timecode.Setting{Seconds: 29, Minutes: -1, MinutesRead: true}, "pull the seconds back by 29, pull the minutes forward by 1"},
		{timecode.Setting{Hours: -1, MinutesRead: true, HoursRead: true}, "the seconds are right, the minutes are right, pull the hours forward by 1 (summer time?)"},
		{timecode.Setting{Hours: 1, East: -3600, MinutesRead: true, HoursRead: true}, "the seconds are right, the minutes are right, pull the hours back by 1 (does it keep UTC?)"},
		{timecode.Setting{Hours: -2, East: 7200, UT1: true, MinutesRead: true, HoursRead: true}, "the seconds are right, the minutes are right, pull the hours forward by 2 (does it keep UT1?)"},
	} {
		if f := Fix(align.Fix{Setting: &tt.set}); f.Hands != tt.want {
			t.Errorf("%+v: %q, want %q", tt.set, f.Hands, tt.want)
		}
		if s := Second(align.Second{Setting: &tt.set}); s.Hands != tt.want {
			t.Errorf("%+v: a second says %q", tt.set, s.Hands)
		}
	}
}

func TestEveryFindingHasWords(t *testing.T) {
	ppm := 0.0
	r := &levels.Report{Channels: []levels.Channel{{Pulse: &levels.Pulse{}, Carriers: []longwave.Carrier{{Hz: 60e3}}}}, MarkerToReceiver: &levels.Leak{}, ReceiverToMarker: &levels.Leak{}, ClockPPM: &ppm, Ticks: &levels.Ticks{Stations: []levels.StationTicks{{ID: "wwv"}}}}
	for f := levels.Silent; f <= levels.TicksUnsought; f++ {
		c := Checks(r, []levels.Check{{Channel: 1, Finding: f, Verdict: levels.Bad}})[0]
		if c.Name == "" || c.Finding == "" {
			t.Errorf("finding %d: %+v", f, c)
		}
	}
}
