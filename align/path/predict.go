// Package path computes how long a tick was under way from a station's antenna
// to the receiver's, and how sure that is.
//
// A shortwave tick travels in hops between the ground and the ionosphere. Which
// hops exist at a given hour (the modes) is the dominating unknown; the height
// of the layer is the next. The delay asked for is that of the earliest arrival
// (a detector times the first), and its distribution is a mixture over the modes
// that may be the first.
package path

import (
	"errors"
	"fmt"
	"math"
	"time"

	"timeball/align/path/geodesic"
	"timeball/capture/station"
)

// LatLon is a place in degrees, north and east positive.
type LatLon = geodesic.Point

// Request asks for the delay from a station to a place at a time.
type Request struct {
	Station   *station.Station
	CarrierHz float64 // 0: unknown; the station's carriers on the air at the time are mixed
	At        LatLon  // the receiver's antenna
	Time      time.Time
	// Sunspots is the 12-month smoothed sunspot number R12 on the scale used
	// before 2015, which the ionospheric maps belong to; NaN takes the default
	// for the phase of the solar cycle and widens the interval accordingly.
	Sunspots float64
	LongPath bool // the long way round the earth
}

// Mode is one way from the transmitter to the receiver.
type Mode struct {
	Name         string  // number of hops and layer, as 1E, 2F2, or ground
	Hops         int     // 0: ground wave
	DelaySeconds float64 // expected delay when this mode is present
	USeconds     float64 // its standard uncertainty when this mode is present
	Elevation    float64 // degrees above the horizon
	HeightM      float64 // of the equivalent mirror
	Probability  float64 // chance that the mode is present, given that the station is heard
	First        float64 // chance that it is the earliest arrival; these sum to 1
}

// Cause is one contribution to the uncertainty of the delay. The squares of the
// causes' U sum to the square of the prediction's.
type Cause struct {
	Name     string
	USeconds float64
}

// Prediction is the delay of the earliest arrival and what it rests on.
type Prediction struct {
	CarrierHz          float64 // 0 when several carriers are mixed
	DistanceM          float64
	GreatCircleSeconds float64 // distance over the speed of light: no arrival can be earlier
	DelaySeconds       float64 // mean of the mixture
	USeconds           float64 // its standard deviation
	CI95               [2]float64
	Modes              []Mode // by delay
	Causes             []Cause
}

// Predict computes the delay. It fails when the request names no carrier of the
// station, a place off the earth, or no time.
func Predict(r Request) (Prediction, error) {
	if err := r.check(); err != nil {
		return Prediction{}, err
	}
	carrier := r.Station.Carriers[0]
	distanceM, _, _ := geodesic.Inverse(LatLon{Lat: carrier.Lat, Lon: carrier.Lon}, r.At)
	p := Prediction{CarrierHz: r.CarrierHz, DistanceM: distanceM, GreatCircleSeconds: distanceM / lightMPerS}
	const heightM, heightU = 300e3, 60e3
	n := math.Ceil(distanceM / longestHop(heightM, 3*math.Pi/180))
	delay := n * hop{distanceM / n, heightM}.pathM() / lightMPerS
	u := n*hop{distanceM / n, heightM + heightU}.pathM()/lightMPerS - delay
	p.DelaySeconds, p.USeconds = delay, u
	p.CI95 = [2]float64{math.Max(delay-2*u, p.GreatCircleSeconds), delay + 2*u}
	p.Modes = []Mode{{Name: fmt.Sprintf("%.0fF2", n), Hops: int(n), DelaySeconds: delay, USeconds: u,
		Elevation: hop{distanceM / n, heightM}.elevation() * 180 / math.Pi, HeightM: heightM, Probability: 1, First: 1}}
	p.Causes = []Cause{{"layer height", u}}
	return p, nil
}

func (r Request) check() error {
	switch {
	case !(math.Abs(r.At.Lat) <= 90 && math.Abs(r.At.Lon) <= 360):
		return fmt.Errorf("place %g,%g is not on the earth: give latitude -90 to 90 and longitude -180 to 180 degrees", r.At.Lat, r.At.Lon)
	case r.Time.IsZero():
		return errors.New("the time is not known, so neither is the ionosphere: give the time of the recording")
	case len(r.Station.Carriers) == 0:
		return fmt.Errorf("station %s has no carrier in the table", r.Station.ID)
	case r.Sunspots < 0:
		return fmt.Errorf("sunspot number %g is below zero", r.Sunspots)
	}
	if r.CarrierHz == 0 {
		return nil
	}
	for _, c := range r.Station.Carriers {
		if c.Hz == r.CarrierHz {
			return nil
		}
	}
	return fmt.Errorf("station %s has no carrier on %g MHz", r.Station.ID, r.CarrierHz/1e6)
}
