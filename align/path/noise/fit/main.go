// Command fit makes the embedded climatology of atmospheric noise: it fits short
// series to values of the ITU's numerical maps and prints how far they are from
// those values.
package main

import (
	"flag"
	"fmt"
	"log"
	"math"
	"os"
	"time"

	"timeball/align/path/climate"
	"timeball/align/path/geodesic"
	"timeball/align/path/noise"
)

func main() {
	log.SetFlags(0)
	reference := flag.String("reference", "", "folder with p372_atmos_DJF.txt, MAM, JJA and SON")
	out := flag.String("out", "compact.bin", "file to write")
	flag.Parse()
	if err := run(*reference, *out); err != nil {
		log.Fatal(err)
	}
}

func run(reference, out string) error {
	maps, err := noise.ReadITUMaps(os.DirFS(reference))
	if err != nil {
		return err
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
	days := make([]time.Time, 4)
	for i := range days {
		days[i] = time.Date(2025, time.Month(1+3*i), 15, 0, 0, 0, 0, time.UTC)
	}
	const hours = 12
	var data []byte
	for part, pick := range []func(noise.Figure) float64{
		func(f noise.Figure) float64 { return f.MedianDB },
		func(f noise.Figure) float64 { return f.UpperDB },
		func(f noise.Figure) float64 { return f.LowerDB },
	} {
		sample := func(layer int, at time.Time, site int) float64 {
			local := math.Mod(float64(at.Hour())+places[site].Lon/15+24, 24)
			return chebyshev(layer, func(frequencyHz float64) float64 {
				return pick(maps.Atmospheric(places[site], at, local, frequencyHz).Floored(frequencyHz))
			})
		}
		series, err := climate.Fit(noise.Part(part).Shape(), sites, days, hours, sample)
		if err != nil {
			return err
		}
		encoded, err := series.Encode()
		if err != nil {
			return err
		}
		data = append(data, encoded...)
	}
	compact, err := noise.DecodeClimatology(data)
	if err != nil {
		return err
	}
	fmt.Printf("%d bytes; against the maps, over the world, seasons, hours and 2.5 to 25 MHz: %v\n", len(data), noise.Compare(compact, maps))
	return os.WriteFile(out, data, 0o644)
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
