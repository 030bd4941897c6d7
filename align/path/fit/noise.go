package main

import (
	"fmt"
	"io/fs"
	"math"
	"time"

	"timeball/align/path/climate"
	"timeball/align/path/geodesic"
	"timeball/align/path/noise"
)

// readNoise reads the maps of atmospheric noise (Rec. ITU-R P.372).
func readNoise(folder fs.FS) (climatology, error) {
	maps, err := noise.ReadITUMaps(folder)
	if err != nil {
		return climatology{}, err
	}
	var sites []climate.Site
	var places []geodesic.Point
	for lat := -85.0; lat <= 85; lat += 5 {
		for lon := -180.0; lon < 180; lon += 15 {
			sin, cos := math.Sincos(lat * math.Pi / 180)
			places = append(places, geodesic.Point{Lat: lat, Lon: lon})
			sites = append(sites, climate.Site{X: sin, CosLat: cos, Lon: lon * math.Pi / 180, Weight: cos})
		}
	}
	noisePart := func(name string, of noise.Part, pick func(noise.Figure) float64) part {
		return part{name, of.Shape(), sites, middles(3), 12, func(layer int, at time.Time, site int) float64 {
			local := math.Mod(float64(at.Hour())+places[site].Lon/15+24, 24)
			return chebyshev(layer, func(frequencyHz float64) float64 {
				return pick(maps.Atmospheric(places[site], at, local, frequencyHz).Floored(frequencyHz))
			})
		}}
	}
	return climatology{
		parts: []part{
			noisePart("median, dB", noise.PartMedian, func(f noise.Figure) float64 { return f.MedianDB }),
			noisePart("upper decile, dB", noise.PartUpper, func(f noise.Figure) float64 { return f.UpperDB }),
			noisePart("lower decile, dB", noise.PartLower, func(f noise.Figure) float64 { return f.LowerDB }),
		},
		compare: func(data []byte) (fmt.Stringer, error) {
			compact, err := noise.DecodeClimatology(data)
			if err != nil {
				return nil, err
			}
			return noise.Compare(compact, maps), nil
		},
	}, nil
}

// chebyshev is the factor of one Chebyshev polynomial of f over the band, from
// the values at the nodes of the sixth.
func chebyshev(order int, f func(frequencyHz float64) float64) float64 {
	const nodes = 6
	sum := 0.0
	for i := range nodes {
		angle := math.Pi * (float64(i) + 0.5) / nodes
		// The inverse of FrequencyMeasure.
		frequencyHz := 2.5e6 * math.Pow(10, (math.Cos(angle)+1)/2)
		sum += 2.0 / nodes * math.Cos(float64(order)*angle) * f(frequencyHz)
	}
	if order == 0 {
		return sum / 2
	}
	return sum
}
