package align

import (
	"testing"
	"time"

	"timeball/detect/longwave/pulsecode"
	"timeball/detect/timecode"
)

// What one station's code does not send another's tells, and the first that tells counts.
func TestAnnouncedByTwoStations(t *testing.T) {
	jjy := told(pulsecode.Reading{Leap: true, DUT1Error: 1, ChangeError: 1}, "JJY code")
	msf := told(pulsecode.Reading{LeapError: 1, DUT1: -0.3, Change: -1}, "MSF code")
	silent := told(pulsecode.Reading{LeapError: 1, DUT1Error: 1}, "DCF77 code")
	u := UTC{Leap: "unknown"}
	for _, tt := range []struct {
		r    timecode.Reading
		more bool
		want UTC
		dut1 float64
	}{
		{silent, false, UTC{Leap: "unknown"}, 0}, {jjy, true, UTC{Leap: "insert"}, 0},
		{msf, true, UTC{Leap: "insert", SummerTime: "ends"}, -0.3}, {msf, false, UTC{Leap: "insert", SummerTime: "ends"}, -0.3},
	} {
		more, dut1 := u.add(tt.r), 0.0
		if u.DUT1 != nil {
			dut1 = *u.DUT1
		}
		if more != tt.more || u.Leap != tt.want.Leap || u.SummerTime != tt.want.SummerTime || dut1 != tt.dut1 {
			t.Errorf("%s: %+v, DUT1 %g, more %v", tt.r.UTC.From, u, dut1, more)
		}
	}
	// Nothing is announced by a time that is not known.
	if r := told(pulsecode.Reading{UTC: time.Unix(0, 0), UTCError: 1, Change: 1, Leap: true}, ""); r.DST.Known() || r.Leap.Known() || r.DUT1.Known() {
		t.Errorf("%+v", r)
	}
}
