package timecode

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

func zone(t *testing.T, hours float64) *time.Location {
	t.Helper()
	return time.FixedZone("", int(3600*hours))
}

// Each hand by the short way; the parts make the whole.
func TestHandsAreSet(t *testing.T) {
	utc := time.Date(2026, 3, 14, 18, 20, 44, 0, time.UTC)
	for _, c := range []struct {
		shown     string
		twelve    bool
		zoneHours float64
		at        time.Time
		whole     int
		parts     [3]int // hours, minutes, seconds
	}{
		{"18:20:44", false, 0, utc, 0, [3]int{0, 0, 0}},
		{"18:20:41", false, 0, utc, -3, [3]int{0, 0, -3}},
		{"17:20:41", false, 0, utc, -3603, [3]int{-1, 0, -3}},
		{"18:20:41", false, 1, utc, -3603, [3]int{-1, 0, -3}},
		{"19:20:46", false, 1, utc, 2, [3]int{0, 0, 2}},
		{"18:21:04", false, 0, utc, 20, [3]int{0, 0, 20}},
		{"18:21:14", false, 0, utc, 30, [3]int{0, 0, 30}},
		{"18:21:15", false, 0, utc, 31, [3]int{0, 1, -29}},
		{"6:20:44", true, 0, utc, 0, [3]int{0, 0, 0}},
		{"6:20:44", false, 0, utc, -12*3600 + 24*3600, [3]int{12, 0, 0}},
		{"12:20:44", true, 5.5, utc, 1800 - 12*0, [3]int{0, 30, 0}},
		{"41", false, 0, utc, -3, [3]int{0, 0, -3}},
		{"20:41", false, -7, utc, -3, [3]int{0, 0, -3}},
		{"24:00:01", false, 0, time.Date(2026, 12, 31, 23, 59, 59, 0, time.UTC), 2, [3]int{0, 0, 2}},
		{"23:59:59", false, 0, time.Date(2027, 1, 1, 0, 0, 1, 0, time.UTC), -2, [3]int{0, 0, -2}},
		{"18:20:44", false, 0, utc.Add(400 * time.Millisecond), 0, [3]int{0, 0, 0}},
		{"18:20:44", false, 0, utc.Add(600 * time.Millisecond), -1, [3]int{0, 0, -1}},
	} {
		h, err := ParseHands(c.shown)
		if err != nil {
			t.Fatal(err)
		}
		h.TwelveHours, h.Zone = c.twelve, zone(t, c.zoneHours)
		s := h.Compare(c.at)
		if s.WholeSeconds != c.whole || [3]int{s.Hours, s.Minutes, s.Seconds} != c.parts || s.HoursRead != (len(c.shown) > 5) || s.MinutesRead != (len(c.shown) > 2) {
			t.Errorf("%s at %v: %+v, want %d, %v", c.shown, c.at, s, c.whole, c.parts)
		}
	}
}

// Summer time as the European rule has it: it began at 01:00 UTC on 29 March
// 2026 (Directive 2000/84/EC: last Sunday in March).
func TestHandsFollowTheZone(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones on this machine:", err)
	}
	h := Hands{Hour: 2, Minute: 30, Second: 0, Zone: berlin}
	if s := h.Compare(time.Date(2026, 3, 29, 1, 30, 0, 0, time.UTC)); s.Hours != -1 || s.WholeSeconds != -3600 {
		t.Errorf("after the change: %+v", s)
	}
	h.Hour = 1
	if s := h.Compare(time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC)); s.WholeSeconds != 0 {
		t.Errorf("before the change: %+v", s)
	}
}

// UT1 = UTC + DUT1 (Rec. ITU-R TF.460): with DUT1 = -0.4 s a clock on UT1
// reads 0.4 s less than one on UTC.
func TestHandsOnUT1(t *testing.T) {
	h := Hands{Hour: 18, Minute: 20, Second: 43}
	utc := time.Date(2026, 3, 14, 18, 20, 43, 800e6, time.UTC)
	if s := h.CompareUT1(utc, -0.4); s.WholeSeconds != 0 {
		t.Errorf("%+v", s)
	}
	if s := h.Compare(utc); s.WholeSeconds != -1 {
		t.Errorf("%+v", s)
	}
	if x := OffsetToUT1(0, -0.4); x != 0.4 {
		t.Errorf("a clock that is right by UTC is %v s ahead of UT1, want 0.4", x)
	}
}

func TestParseHandsRefuses(t *testing.T) {
	for _, text := range []string{"", "18:20", "x", "25:00:00", "18:60:00", "18:20:60", "1:2:3:4", "-1", "018:20:41", "18:20:", "99"} {
		h, err := ParseHands(text)
		if text == "18:20" {
			if err != nil || h.Hour != -1 || h.Minute != 18 || h.Second != 20 {
				t.Errorf("%q: %+v %v", text, h, err)
			}
			continue
		}
		if err == nil {
			t.Errorf("%q was taken as %+v", text, h)
		}
	}
}

// Setting the hands by what is said brings them right.
func TestHandsComeRight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := Hands{
			Hour: rapid.IntRange(0, 23).Draw(t, "hour"), Minute: rapid.IntRange(0, 59).Draw(t, "minute"),
			Second: rapid.IntRange(0, 59).Draw(t, "second"), TwelveHours: rapid.Bool().Draw(t, "twelve"),
		}
		utc := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "utc"), 0).UTC()
		s := h.Compare(utc)
		if s.WholeSeconds != 3600*s.Hours+60*s.Minutes+s.Seconds || abs(s.Seconds) > 30 || abs(s.Minutes) > 30 {
			t.Fatalf("%+v", s)
		}
		set := time.Date(2000, 1, 2, h.Hour, h.Minute, h.Second, 0, time.UTC).Add(-time.Duration(s.WholeSeconds) * time.Second)
		h.Hour, h.Minute, h.Second = set.Clock()
		if again := h.Compare(utc); again.WholeSeconds != 0 {
			t.Fatalf("%+v, then %+v", s, again)
		}
	})
}

func FuzzParseHands(f *testing.F) {
	f.Add("18:20:41")
	f.Add("24:00:00")
	f.Add("::")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := ParseHands(text)
		if err == nil && (h.Hour < -1 || h.Hour > 23 || h.Minute < -1 || h.Minute > 59 || h.Second < 0 || h.Second > 59) {
			t.Fatalf("%q: %+v", text, h)
		}
	})
}

func TestNearest(t *testing.T) {
	rough := time.Date(2026, 3, 14, 18, 59, 50, 0, time.UTC)
	r := Reading{Second: Belief[int]{Value: 12}}
	if have, want := r.Nearest(rough), time.Date(2026, 3, 14, 19, 0, 12, 0, time.UTC); !have.Equal(want) {
		t.Errorf("%v, want %v", have, want)
	}
	r.Second.Value = 30
	if have, want := r.Nearest(rough), time.Date(2026, 3, 14, 18, 59, 30, 0, time.UTC); !have.Equal(want) {
		t.Errorf("%v, want %v", have, want)
	}
}
