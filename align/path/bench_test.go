package path

import (
	"math"
	"testing"
	"time"

	"timeball/capture/station"
)

var gannetHead = LatLon{Lat: 50.2, Lon: -5.6} // an invented lighthouse museum

func BenchmarkPredict(b *testing.B) {
	s, _ := station.Find("rwm")
	for range b.N {
		if _, err := Predict(Request{Station: s, CarrierHz: 9.996e6, At: gannetHead, Time: time.Date(2026, 3, 14, 10, 0, 0, 0, time.UTC), Sunspots: 80}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOutlook(b *testing.B) {
	slots := 0
	for range b.N {
		day, err := Outlook(OutlookRequest{Stations: station.Builtin(), At: gannetHead, From: time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC), Hours: 24, Sunspots: math.NaN(), Receiver: DefaultReceiver})
		if err != nil {
			b.Fatal(err)
		}
		slots = len(day)
	}
	b.ReportMetric(float64(slots), "slots")
}
