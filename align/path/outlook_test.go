package path

import (
	"math"
	"testing"
	"time"

	"timeball/align/path/noise"
	"timeball/capture/station"
)

func march16(t *testing.T, at LatLon, r Receiver) []Slot {
	t.Helper()
	slots, err := Outlook(OutlookRequest{
		Stations: []station.Station{*builtin(t, "wwv"), *builtin(t, "rwm")}, At: at,
		From: time.Date(2026, 3, 16, 0, 0, 0, 0, time.UTC), Hours: 24, Sunspots: 60, Receiver: r,
	})
	if err != nil {
		t.Fatal(err)
	}
	return slots
}

func hoursHeard(slots []Slot, stationID string, hz float64) (n int) {
	for _, s := range slots {
		if s.Station == stationID && s.CarrierHz == hz && s.Hearing == Likely {
			n++
		}
	}
	return n
}

func TestOutlookCoversEveryCarrierAndHour(t *testing.T) {
	slots := march16(t, gannetHead, DefaultReceiver)
	if want := 24 * (len(builtin(t, "wwv").Carriers) + len(builtin(t, "rwm").Carriers)); len(slots) != want {
		t.Fatalf("%d slots, want %d", len(slots), want)
	}
	for _, s := range slots {
		if s.Hearing == Off {
			continue // by the station's published schedule
		}
		if s.Reliability < 0 || s.Reliability > 1 || s.Hearing >= Maybe && (s.DelaySeconds < s.DistanceM/lightMPerS || s.USeconds <= 0 || s.Mode == "") {
			t.Errorf("slot %+v", s)
		}
	}
}

// Common practice: 1500 to 3000 km away, 5 MHz is for the night and 20 MHz for
// the day; a noisy street hears less than a quiet field.
func TestOutlookFollowsDayAndNoise(t *testing.T) {
	east := LatLon{Lat: 40, Lon: -75}
	slots := march16(t, east, DefaultReceiver)
	for _, s := range slots {
		if s.Station != "wwv" {
			continue
		}
		daylight := s.SunElevation > 30
		night := s.SunElevation < -30
		if s.CarrierHz == 5e6 && daylight && s.Hearing == Likely || s.CarrierHz == 20e6 && night && s.Hearing == Likely {
			t.Errorf("%g MHz is heard likely at %v with the sun at %.0f degrees", s.CarrierHz/1e6, s.Time, s.SunElevation)
		}
	}
	quiet, loud := DefaultReceiver, DefaultReceiver
	quiet.Environment, loud.Environment = noise.QuietRural, noise.City
	if q, l := hoursHeard(march16(t, east, quiet), "wwv", 10e6), hoursHeard(march16(t, east, loud), "wwv", 10e6); q <= l {
		t.Errorf("10 MHz is heard likely for %d hours in a quiet place, %d in a city", q, l)
	}
}

func TestRecommend(t *testing.T) {
	if _, ok := Recommend([]Slot{{Hearing: Unlikely, USeconds: 1e-5}, {Hearing: Off}}); ok {
		t.Error("a slot that is hardly heard is recommended")
	}
	best, ok := Recommend([]Slot{
		{Mode: "unsure", Hearing: Likely, Steady: true, USeconds: 3e-4},
		{Mode: "sure", Hearing: Likely, Steady: true, USeconds: 1e-4},
		{Mode: "twilight", Hearing: Likely, USeconds: 1e-5},
		{Mode: "faint", Hearing: Maybe, Steady: true, USeconds: 1e-5},
	})
	if !ok || best.Mode != "sure" {
		t.Errorf("recommended %q", best.Mode)
	}
}

func TestReliability(t *testing.T) {
	n := noise.Figure{UpperDB: 9, LowerDB: 5}
	// Rec. ITU-R P.842-4: one half at the required SNR, nine in ten above it by
	// the lower decile of the SNR, one in ten below it by the upper one.
	near(t, "at the required SNR", reliability(0, 0.5, false, n), 0.5, 1e-12)
	lower, upper := math.Sqrt(9*9+8*8+8*8), math.Sqrt(5*5+6*6+5*5)
	near(t, "a decile above", reliability(lower, 0.5, false, n), 0.9, 1e-12)
	near(t, "a decile below", reliability(-upper, 0.5, false, n), 0.1, 1e-12)
	if reliability(4*lower, 0.5, false, n) != 1 || reliability(-4*upper, 0.5, false, n) != 0 {
		t.Error("reliability does not reach its ends")
	}
}

// A slot and a prediction for the same circuit and hour say the same, but for the
// scatter of the days that each draws. Evenly drawn days must do no worse than any drawn
// would: of n days a mean strays by u/√n, and a standard deviation by √((κ-1)/4n) of it. The
// kurtosis κ is that of the strays, 3·E[s⁴]/E[s²]² with s² = 4/χ² of four degrees of freedom
// and s held to 0.6 and 4, as in scale. All hours share the days, so that their mean may
// stray as one hour does.
func TestOutlookAgreesWithPath(t *testing.T) {
	const kurtosis, days = 7.1, 1 / (1./outlookDays + 1./daysDrawn)
	delayLimit, uLimit := math.Sqrt(1/days), math.Sqrt((kurtosis-1)/(4*days))
	for _, id := range []string{"chu", "dcf77"} {
		s := builtin(t, id)
		at := LatLon{Lat: s.Carriers[0].Lat - 3, Lon: s.Carriers[0].Lon + 4}
		slots, err := Outlook(OutlookRequest{Stations: []station.Station{*s}, At: at, From: time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC), Hours: 24, Sunspots: math.NaN(), Receiver: DefaultReceiver})
		if err != nil {
			t.Fatal(err)
		}
		var n, ratio, square, apart float64
		for i, slot := range slots {
			if slot.Hearing < Maybe || i%4 != 0 {
				continue
			}
			p, err := Predict(Request{Station: s, CarrierHz: slot.CarrierHz, At: at, Time: slot.Time, Sunspots: math.NaN()})
			if err != nil {
				t.Fatal(err)
			}
			l := math.Log(slot.USeconds / p.USeconds)
			n, ratio, square, apart = n+1, ratio+l, square+l*l, apart+math.Pow((slot.DelaySeconds-p.DelaySeconds)/p.USeconds, 2)
		}
		t.Logf("%s: %g hours, u is %.2f of path's, %.0f %% RMS off it; the delay is %.2f u off; at most %.0f %% and %.2f u", id, n, math.Exp(ratio/n), 100*math.Sqrt(square/n), math.Sqrt(apart/n), 100*uLimit, delayLimit)
		if n < 4 || math.Sqrt(square/n) > uLimit || math.Sqrt(apart/n) > delayLimit {
			t.Errorf("%s: outlook and path differ", id)
		}
	}
}
