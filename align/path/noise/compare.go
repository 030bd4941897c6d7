package noise

import (
	"fmt"
	"math"
	"time"

	"timeball/align/path/geodesic"
)

// Difference tells how far two sources of atmospheric noise are apart, decibels.
type Difference struct {
	MedianDB, UpperDB, LowerDB float64 // root mean square
	WorstMedianDB              float64
}

func (d Difference) String() string {
	return fmt.Sprintf("median %.2f dB RMS (worst %.1f), upper decile %.2f dB RMS, lower %.2f dB RMS", d.MedianDB, d.WorstMedianDB, d.UpperDB, d.LowerDB)
}

// Compare takes two sources over the world (points evenly spread by a golden
// spiral), the seasons, the hours and 2.5 to 25 MHz, where they matter: see Floored.
func Compare(a, b Maps) Difference {
	const points = 150
	golden := math.Pi * (3 - math.Sqrt(5))
	var d Difference
	n := 0.0
	for month := time.January; month <= time.December; month += 3 {
		t := time.Date(2025, month, 15, 0, 0, 0, 0, time.UTC)
		for i := range points {
			lat := math.Asin(1-(2*float64(i)+1)/points) / degree
			p := geodesic.Point{Lat: lat, Lon: math.Remainder(float64(i)*golden, 2*math.Pi) / degree}
			for hour := 0.5; hour < 24; hour += 2 {
				for _, frequencyHz := range []float64{2.5e6, 5e6, 10e6, 15e6, 20e6, 25e6} {
					x := a.Atmospheric(p, t, hour, frequencyHz).Floored(frequencyHz)
					y := b.Atmospheric(p, t, hour, frequencyHz).Floored(frequencyHz)
					d.MedianDB += math.Pow(x.MedianDB-y.MedianDB, 2)
					d.UpperDB += math.Pow(x.UpperDB-y.UpperDB, 2)
					d.LowerDB += math.Pow(x.LowerDB-y.LowerDB, 2)
					d.WorstMedianDB = max(d.WorstMedianDB, math.Abs(x.MedianDB-y.MedianDB))
					n++
				}
			}
		}
	}
	d.MedianDB, d.UpperDB, d.LowerDB = math.Sqrt(d.MedianDB/n), math.Sqrt(d.UpperDB/n), math.Sqrt(d.LowerDB/n)
	return d
}
